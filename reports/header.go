package reports

import (
	"fmt"
	"time"
)

// maxHeadNotice is how many lines of restore notices every page carries before only the first page prints them in full.
const maxHeadNotice = 5

// setFurniture prepares what stands at the head and foot of every page.
func (d *dayLog) setFurniture() {
	site, day := d.content.GetSite(), d.content.GetProductionDay()
	title := style{size: 9, bold: true}
	d.head = d.face.wrapOne(para{spans: []span{
		{text: site.GetName(), style: title},
		{text: "   daily log of ", style: style{size: 9}},
		{text: "production day " + day, style: title},
		{text: ", " + d.clock.zone() + "   serial ", style: style{size: 9}},
		{text: fmt.Sprint(d.log.GetSerial()), style: title},
		{text: fmt.Sprintf(", issue %d", d.log.GetIssue()), style: style{size: 9}},
	}}, textWidth)
	var notices []span
	add := func(mark, words string) {
		if len(notices) > 0 {
			notices = append(notices, text("   "))
		}
		notices = append(notices, span{text: mark + " " + words, style: style{size: sizeBody, bold: true}, whole: true})
	}
	if site.GetInvented() {
		add(markUnknown, "invented data")
	}
	if d.log.GetReview() == nil {
		add(markDoubt, "sealed by software; not reviewed by a person")
	}
	if d.log.GetSteppedClock() {
		add(markUnknown, "clock stepped by hand")
	}
	if len(notices) > 0 {
		d.head = append(d.head, d.face.wrapOne(para{spans: notices, before: 0.4}, textWidth)...)
	}
	d.head = append(d.head, d.restoreNotices()...)
	d.foot = fmt.Sprintf("%s   %s   serial %d, issue %d", site.GetName(), day, d.log.GetSerial(), d.log.GetIssue())
}

// restoreNotices sets what was lost in a restore; very many are only counted here and printed on the first page.
func (d *dayLog) restoreNotices() []line {
	paras := d.restoreParas()
	lines := d.face.wrap(paras, textWidth)
	if len(lines) > maxHeadNotice {
		return d.face.wrapOne(p(strong(fmt.Sprintf("%s ledger restored: %s, printed in full on the first page",
			markFailed, counted(len(paras), "notice", "notices")))), textWidth)
	}
	return lines
}

func (d *dayLog) restoreParas() []para {
	var paras []para
	for _, notice := range d.log.GetRestored() {
		paras = append(paras, para{hang: 3, spans: []span{strong(markFailed + " ledger restored: " + notice)}})
	}
	return paras
}

// titleBlock is the top of the first page.
func (d *dayLog) titleBlock() {
	day := d.content.GetProductionDay()
	long := day
	if t, err := time.Parse(time.DateOnly, day); err == nil {
		long = t.Format("Monday 2 January 2006")
	}
	d.flow(para{spans: []span{{text: "Daily log  ", style: style{size: sizeTitle, bold: true}}, {text: long, style: style{size: 13}}}})
	d.flow(para{spans: []span{
		text("Production day "), strong(day), text(": " + d.clock.span() + ", " + d.clock.zone() + ". Serial "),
		strong(fmt.Sprint(d.log.GetSerial())), text(fmt.Sprintf(" in order of sealing, issue %d of this day. Sealed ", d.log.GetIssue())),
		firm(d.clock.full(d.log.GetSealedAt())), text("."),
	}})
	if !d.worked() {
		d.y += 2
		d.flow(para{spans: []span{{text: markMissing + " no production", style: style{size: 16, bold: true}}}})
		d.flow(p(text("No batch was cooked and no instrument was checked on this day.")))
	}
	if d.log.GetIssue() > 1 || len(d.log.GetChanges()) > 0 {
		d.y += 1.2
		d.flow(para{spans: []span{{text: fmt.Sprintf("%s Re-issue %d: this log replaces an earlier issue of the same day, which stays what it was.",
			markDoubt, d.log.GetIssue()), style: style{size: 9, bold: true}}}})
		for _, change := range d.log.GetChanges() {
			d.flow(para{hang: 3, spans: []span{text(markNote + " " + change)}})
		}
		if len(d.log.GetChanges()) == 0 {
			d.flow(p(text("What was added or struck is not listed.")))
		}
	}
	if notices := d.log.GetRestored(); len(notices) > 0 && len(d.face.wrap(d.restoreParas(), textWidth)) > maxHeadNotice {
		d.y += 1.2
		d.flow(d.restoreParas()...)
	}
}
