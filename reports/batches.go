package reports

import (
	"fmt"
	"time"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// batches prints first a table of all batches, then each with everything hung on it.
func (d *dayLog) batches() {
	all := d.content.GetBatches()
	d.heading("Batches in order of cooking", 16)
	if len(all) == 0 {
		d.flow(p(strong(markMissing+" no production"), text(": no batch was cooked on this day.")))
		return
	}
	t := d.newTable(sizeSmall,
		column{"lot", 25, 'L'}, column{"formula", 38, 'L'}, column{"instrument", 18, 'L'}, column{"pulled", 16, 'L'},
		column{"pull as read", 20, 'R'}, column{"corrected", 22, 'R'}, column{"limits", 25, 'L'}, column{"decision", 18, 'L'})
	for _, b := range all {
		d.glance(t, b)
	}
	t.end()
	d.flow(p(small(text("The cook runs from heat on to its end. In the curves below: ● pull as read, ○ the same corrected with its U, + highest after; the grey band is the limit as moved, " +
		"which binds the corrected value. °F figures beside °C are rounded to 0.01; limits are judged in °C."))...))
	for _, b := range all {
		d.batch(b)
	}
}

// glance prints one batch as one row.
func (d *dayLog) glance(t *table, b *kettlebookv1.BatchDay) {
	pull := b.GetPull()
	corrected := "not known"
	if c := pull.GetPull(); c != nil && c.CorrectedMicroC != nil {
		corrected = celsius(c.GetCorrectedMicroC(), 2)
	}
	read, at := "no pull", "-"
	if pull != nil {
		read, at = asRead(pull.GetPull().GetReading()), d.clock.at(pull.GetAt())
	} else {
		corrected = "-"
	}
	decision := verdict{"", "undecided", false}
	if b.GetDisposition() != nil {
		decision = dispositionWord(b.GetDisposition().GetKind())
	}
	limits := flagged(worstLimit(pull))
	if b.GetVoidReason() != "" {
		decision, limits = verdict{markMissing, "voided", true}, text("-")
	}
	words := span{text: decision.word, style: style{}}
	if decision.mark != "" {
		words = flagged(decision)
	}
	t.row(c(strong(b.GetStart().GetLotCode())), c(text(b.GetFormula().GetName())), c(text(b.GetStart().GetInstrumentId())),
		c(text(at)), c(span{text: read, style: style{bold: true}, whole: true}), c(firm(corrected)), c(limits), c(words))
}

// worstLimit is the gravest result among the limits of a pull.
func worstLimit(pull *kettlebookv1.PullAssessment) verdict {
	if pull == nil {
		return verdict{markMissing, "not judged", true}
	}
	rank := map[kettlebookv1.LimitResult]int{
		kettlebookv1.LimitResult_LIMIT_RESULT_MET:             1,
		kettlebookv1.LimitResult_LIMIT_RESULT_UNSPECIFIED:     2,
		kettlebookv1.LimitResult_LIMIT_RESULT_NO_READING:      3,
		kettlebookv1.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN: 4,
		kettlebookv1.LimitResult_LIMIT_RESULT_NOT_MET:         5,
	}
	worst, found := kettlebookv1.LimitResult_LIMIT_RESULT_UNSPECIFIED, 0
	for _, l := range pull.GetLimits() {
		if rank[l.GetResult()] > found {
			worst, found = l.GetResult(), rank[l.GetResult()]
		}
	}
	return limitVerdict(worst)
}

// The place of a batch's curve, in mm.
const (
	chartWidth  = 56.0
	chartHeight = 34.5
)

// batch prints one batch: words on the left, the curve beside them.
func (d *dayLog) batch(b *kettlebookv1.BatchDay) {
	paras := d.batchWords(b)
	curve := d.curve(b)
	narrow := textWidth
	if curve != nil {
		narrow = textWidth - chartWidth - 3
	}
	head := d.face.wrap(d.batchHead(b), textWidth)
	// Words stand beside the curve as far down as it reaches and take the full width under it.
	var lines []line
	h := 0.0
	for _, para := range paras {
		width := textWidth
		if h < chartHeight {
			width = narrow
		}
		set := d.face.wrapOne(para, width)
		lines = append(lines, set...)
		h += heightOf(set)
	}
	if curve != nil {
		h = max(h, chartHeight)
	}
	whole := heightOf(head) + h + 3.5
	fresh := d.bottom() - d.top() - 6
	if whole <= fresh {
		d.need(whole)
	} else {
		d.need(heightOf(head) + chartHeight + 4)
	}
	d.y += 1.6
	d.rule(marginSide, d.y, textWidth, 0.4)
	d.y += 0.6
	d.drawLines(head, marginSide)
	top, page := d.y, d.pdf.PageNo()
	if curve != nil {
		d.drawCurve(*curve, top)
	}
	for _, l := range lines {
		d.need(l.height)
		d.drawLine(l, marginSide, d.y)
		d.y += l.height
	}
	if curve != nil && d.pdf.PageNo() == page {
		d.y = max(d.y, top+chartHeight)
	}
}

// batchHead names the batch.
func (d *dayLog) batchHead(b *kettlebookv1.BatchDay) []para {
	f, start := b.GetFormula(), b.GetStart()
	allergens := "allergens: none declared"
	if len(f.GetAllergens()) > 0 {
		allergens = "allergens: " + list(f.GetAllergens())
	}
	head := []para{{hang: 4, spans: []span{
		{text: start.GetLotCode(), style: style{size: 10.5, bold: true}},
		{text: "   " + f.GetName(), style: style{size: 9.5, bold: true}},
		text(fmt.Sprintf("   formula %s version %d   ", f.GetFormulaId(), f.GetVersion())),
		strong(allergens),
	}}}
	if b.GetVoidReason() != "" {
		head = append(head, para{hang: 4, spans: []span{strong(markMissing + " voided, opened by mistake: " + b.GetVoidReason())}})
	}
	return head
}

// labelWidth is the room for the label on the left of a batch's lines, in mm.
const labelWidth = 17.0

// labelled puts a line of a batch to the right of its label.
func labelled(label string, spans ...span) para {
	return para{label: label, indent: labelWidth, before: 0.2, spans: spans}
}

// batchWords prints all there is to say on a batch, the pull first.
func (d *dayLog) batchWords(b *kettlebookv1.BatchDay) []para {
	var out []para
	if pull := b.GetPull(); pull != nil {
		out = append(out, d.pullWords(pull)...)
	} else if b.GetVoidReason() == "" {
		out = append(out, labelled("pull", strong(markMissing+" no pull recorded: still on the heat at the end of the day's records")))
	}
	out = append(out, d.cookWords(b))
	out = append(out, d.coolingWords(b)...)
	if b.GetVoidReason() == "" || b.GetDisposition() != nil {
		out = append(out, d.decisionWords(b))
	}
	for _, note := range b.GetNotes() {
		if note != "" {
			out = append(out, labelled("note", text(note)))
		}
	}
	return out
}

// cookWords says who cooked, with what, when, from what and how much came out.
func (d *dayLog) cookWords(b *kettlebookv1.BatchDay) para {
	start := b.GetStart()
	spans := []span{text("by " + d.person(b.GetBy()) + " with "), strong(start.GetInstrumentId()), text(", "), firm(d.clock.at(start.GetStartedAt()))}
	switch {
	case b.GetEndedAt() != nil:
		spans = append(spans, text(" to "), firm(d.clock.at(b.GetEndedAt())))
	case b.GetVoidReason() == "":
		spans = append(spans, text(", "), strong(markMissing+" not ended"))
	}
	if start.GetVessel() != "" {
		spans = append(spans, text("; "+start.GetVessel()))
	}
	spans = append(spans, text("; dry solids "), firm(weight(start.GetSolidsKg())), text(", yield "), firm(weight(b.GetYieldKg())))
	n := 0
	for _, c := range b.GetCook() {
		n += len(c.GetSamples())
	}
	spans = append(spans, text("; "), firm(counted(n, "reading", "readings")))
	return labelled("cook", spans...)
}

func weight(kg *kettlebookv1.Decimal) string {
	if kg == nil {
		return "not weighed"
	}
	return asWritten(kg) + " kg"
}

// decisionWords says what was decided on the batch.
func (d *dayLog) decisionWords(b *kettlebookv1.BatchDay) para {
	dis := b.GetDisposition()
	if dis == nil {
		return labelled("decision", text("none yet"))
	}
	return labelled("decision", flagged(dispositionWord(dis.GetKind())),
		text(", "+d.clock.at(dis.GetAt())+", by "+d.person(b.GetDispositionBy())+": "+dis.GetReason()))
}

// lastPull is the time at which the last pan of the day left the heat; false when none did.
func (d *dayLog) lastPull() (time.Time, bool) {
	var last time.Time
	for _, b := range d.content.GetBatches() {
		if at := b.GetPull().GetAt(); at != nil && b.GetVoidReason() == "" && at.AsTime().After(last) {
			last = at.AsTime()
		}
	}
	return last, !last.IsZero()
}
