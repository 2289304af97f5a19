package reports

import (
	"fmt"
	"strconv"
	"strings"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// decimal prints a whole number.
func decimal(n int64) string { return strconv.FormatInt(n, 10) }

// person prints initials with the printed name and whether the entry was copied from paper.
func (d *dayLog) person(by *kettlebookv1.Signature) string {
	initials := by.GetInitials()
	if initials == "" {
		return "no person named"
	}
	if name := d.names[initials]; name != "" && name != initials {
		initials = name + " (" + initials + ")"
	}
	if by.GetTranscribed() {
		return initials + ", copied from paper"
	}
	return initials
}

// deed counts what one person did on the day.
type deed struct{ checks, batches, actions, decisions int }

// whoMade lists everyone whose initials occur, with what they did.
func (d *dayLog) whoMade() {
	d.heading("Who made these records", 16)
	deeds := d.deeds()
	people := d.content.GetPeople()
	if len(people) == 0 {
		d.flow(p(text("No initials occur in the records of this day.")))
		return
	}
	t := d.newTable(sizeSmall, column{"initials", 22, 'L'}, column{"printed name", 62, 'L'}, column{"role", 40, 'L'}, column{"on this day", 58, 'L'})
	for _, who := range people {
		var roles []string
		for _, r := range who.GetRoles() {
			roles = append(roles, roleWord(r))
		}
		t.row(c(strong(who.GetInitials())), c(text(who.GetPrintedName())), c(text(list(roles))), c(text(d.deedWords(who.GetInitials(), deeds[who.GetInitials()]))))
	}
	t.end()
}

func (d *dayLog) deeds() map[string]*deed {
	deeds := make(map[string]*deed)
	of := func(by *kettlebookv1.Signature) *deed {
		if deeds[by.GetInitials()] == nil {
			deeds[by.GetInitials()] = new(deed)
		}
		return deeds[by.GetInitials()]
	}
	for _, in := range d.content.GetInstruments() {
		for _, check := range in.GetChecks() {
			of(check.GetBy()).checks++
		}
	}
	for _, b := range d.content.GetBatches() {
		of(b.GetBy()).batches++
		if b.GetDisposition() != nil {
			of(b.GetDispositionBy()).decisions++
		}
	}
	for _, dev := range d.content.GetDeviations() {
		for _, by := range dev.GetActionsBy() {
			of(by).actions++
		}
	}
	return deeds
}

func (d *dayLog) deedWords(initials string, n *deed) string {
	var words []string
	add := func(count int, one, many string) {
		if count > 0 {
			words = append(words, counted(count, one, many))
		}
	}
	if n != nil {
		add(n.checks, "check made", "checks made")
		add(n.batches, "batch cooked", "batches cooked")
		add(n.actions, "corrective action", "corrective actions")
		add(n.decisions, "decision on a batch", "decisions on batches")
	}
	if d.log.GetReview() != nil && d.log.GetReviewer().GetInitials() == initials {
		words = append(words, "reviewed the day")
	}
	if len(words) == 0 {
		return "named in the records"
	}
	return strings.Join(words, ", ")
}

// whoReviewed prints the signature under the day, or that there is none, and a line for ink.
func (d *dayLog) whoReviewed() {
	d.heading("Who reviewed them", 26)
	review := d.log.GetReview()
	if review == nil {
		d.flow(p(strong(markDoubt+" sealed by software; not reviewed by a person."), text(" The day stays on the list of days whose review is due.")))
	} else {
		who := d.log.GetReviewer()
		d.flow(p(
			span{text: who.GetPrintedName(), style: style{size: 10, bold: true}},
			text("  ("+who.GetInitials()+")   signed "), strong(d.clock.full(d.log.GetReviewedAt())),
			text("   meaning: "), strong(meaning(review.GetMeaning())),
		))
		d.flow(p(text(fmt.Sprintf("Signed under the content whose SHA-256 is printed below, as shown at ledger size %d.", review.GetLedgerSize()))))
		if review.GetRemark() != "" {
			d.flow(para{hang: 4, spans: []span{text("Remark: " + review.GetRemark())}})
		}
		if review.GetOwnWork() {
			d.flow(p(strong(markDoubt + " The reviewer also made records of this day (one-person kitchen).")))
		}
	}
	d.need(12)
	d.y += 7
	d.rule(marginSide, d.y, 50, 0.4)
	d.rule(marginSide+60, d.y, 40, 0.4)
	d.y += 0.6
	d.drawLine(d.face.wrapOne(p(small(text("initials in ink"))...), 50)[0], marginSide, d.y)
	d.drawLine(d.face.wrapOne(p(small(text("date"))...), 50)[0], marginSide+60, d.y)
	d.y += 4
}

func meaning(m kettlebookv1.SigningMeaning) string {
	if m == kettlebookv1.SigningMeaning_SIGNING_MEANING_REVIEWED {
		return "I have reviewed this day's records"
	}
	return "not given"
}
