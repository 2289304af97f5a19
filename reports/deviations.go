package reports

import (
	"strings"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// classes is the order in which deviations are printed; quality misses stand apart after them.
var classes = []kettlebookv1.DeviationClass{
	kettlebookv1.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY,
	kettlebookv1.DeviationClass_DEVIATION_CLASS_PROCESS,
	kettlebookv1.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT,
	kettlebookv1.DeviationClass_DEVIATION_CLASS_UNSPECIFIED,
}

// ofClass picks the deviations of one class.
func (d *dayLog) ofClass(class kettlebookv1.DeviationClass) []*kettlebookv1.DeviationDay {
	var out []*kettlebookv1.DeviationDay
	for _, dev := range d.content.GetDeviations() {
		if dev.GetDeviation().GetClass() == class {
			out = append(out, dev)
		}
	}
	return out
}

// deviations prints them by class with what was done; quality misses are listed apart.
func (d *dayLog) deviations() {
	d.heading("Deviations by class, and what was done", 14)
	none := true
	for _, class := range classes {
		if all := d.ofClass(class); len(all) > 0 {
			d.deviationTable(class, all)
			none = false
		}
	}
	if none {
		d.flow(p(text("No food-safety deviation, no process deviation and no instrument fault on this day, and none open from earlier days.")))
	}
	misses := d.ofClass(kettlebookv1.DeviationClass_DEVIATION_CLASS_QUALITY_MISS)
	if len(misses) == 0 {
		return
	}
	d.heading("Quality misses (no deviations)", 14)
	d.deviationTable(kettlebookv1.DeviationClass_DEVIATION_CLASS_QUALITY_MISS, misses)
}

func (d *dayLog) deviationTable(class kettlebookv1.DeviationClass, all []*kettlebookv1.DeviationDay) {
	one, many := deviationClass(class)
	quality := class == kettlebookv1.DeviationClass_DEVIATION_CLASS_QUALITY_MISS
	d.need(20)
	d.y += 0.8
	mark := markFailed + " "
	if quality {
		mark = ""
	}
	title := mark + counted(len(all), one, many)
	withdrawn := 0
	for _, dev := range all {
		if dev.GetDeviation().GetWithdrawn() {
			withdrawn++
		}
	}
	if withdrawn > 0 {
		title += ", " + decimal(int64(withdrawn)) + " withdrawn"
	}
	d.flow(para{spans: []span{{text: title, style: style{size: 9, bold: true}}}})
	t := d.newTable(sizeSmall, column{"when", 22, 'L'}, column{"batch or instrument", 30, 'L'}, column{"what happened", 62, 'L'},
		column{"what was done", 50, 'L'}, column{"state", 18, 'L'})
	var earlier []*kettlebookv1.DeviationDay
	for _, dev := range all {
		if d.ofEarlier(dev) {
			earlier = append(earlier, dev)
			continue
		}
		d.deviationRow(t, dev, quality)
	}
	if len(earlier) > 0 {
		t.band(10, p(strong("of earlier days")))
		t.ruleOff(0.15)
	}
	for _, dev := range earlier {
		d.deviationRow(t, dev, quality)
	}
	t.end()
}

// ofEarlier reports whether the cause of a deviation belongs to an earlier production day.
func (d *dayLog) ofEarlier(dev *kettlebookv1.DeviationDay) bool {
	return dev.GetCauseDay() != "" && dev.GetCauseDay() != d.content.GetProductionDay()
}

func (d *dayLog) deviationRow(t *table, dev *kettlebookv1.DeviationDay, quality bool) {
	v := dev.GetDeviation()
	when := d.clock.at(v.GetAt())
	if cause := dev.GetCauseDay(); cause != "" && cause != d.content.GetProductionDay() && !strings.HasPrefix(when, cause) {
		when += " (day " + cause + ")"
	}
	var actions cell
	for i, a := range dev.GetActions() {
		by := ""
		if i < len(dev.GetActionsBy()) {
			by = ", " + d.person(dev.GetActionsBy()[i])
		}
		actions = append(actions, p(small(text(d.clock.at(a.GetAt())+by+": "+a.GetText()))...))
	}
	if len(actions) == 0 {
		actions = c(text("nothing recorded"))
	}
	var state span
	switch {
	case v.GetWithdrawn():
		state = text("withdrawn: the cause is no longer there")
	case dev.GetOpen() && quality:
		state = text("recorded")
	case dev.GetOpen():
		state = strong(markDoubt + " open")
	default:
		state = text("answered")
	}
	about := joinFull(v.GetLotCode(), v.GetInstrumentId())
	t.row(c(text(when)), c(strong(about)), c(text(v.GetWhat())), actions, c(state))
}

// joinFull joins what is not empty with a comma.
func joinFull(words ...string) string {
	var full []string
	for _, w := range words {
		if w != "" {
			full = append(full, w)
		}
	}
	return list(full)
}

// lookBacks prints for each failed check what was measured with the instrument, in two lists.
func (d *dayLog) lookBacks() {
	all := d.content.GetLookBacks()
	if len(all) == 0 {
		return
	}
	d.heading("Look-back: what was measured with an instrument whose check failed", 24)
	for _, lb := range all {
		d.lookBack(lb)
	}
	d.flow(p(small(text("“By error before”: corrected with the error known before; “by error found”: with the error that the failed check found. Met only if met at both, U included; not met only if missed at both; otherwise it cannot be shown."))...))
}

func (d *dayLog) lookBack(lb *kettlebookv1.LookBack) {
	d.need(26)
	d.y += 0.8
	window := "since the last passing check that covers the temperatures, " + d.clock.at(lb.GetWindowFrom())
	if lb.GetWindowFrom() == nil {
		window = markDoubt + " open-ended: no earlier passing check covers the temperatures"
	}
	until := "no passing check has ended it yet"
	if lb.GetWindowTo() != nil {
		until = "ended by the passing check of " + d.clock.at(lb.GetWindowTo())
	}
	spans := []span{
		{text: lb.GetInstrumentId(), style: style{size: 9.5, bold: true}},
		text("  failed its check of "), strong(d.clock.at(lb.GetAt())), text("; "), strong(window), text("; " + until + "."),
	}
	if lb.Replaces != nil {
		spans = append(spans, text(" Replaces the look-back at entry "+decimal(lb.GetReplaces())+"."))
	}
	d.flow(para{hang: 4, spans: spans})
	var before, after []*kettlebookv1.LookBackItem
	for _, it := range lb.GetItems() {
		if it.GetAfterFailure() {
			after = append(after, it)
		} else {
			before = append(before, it)
		}
	}
	d.lookBackList("First list, measured before the failure", before)
	d.lookBackList("Second list, measured after the failure and before a passing as-left check", after)
}

func (d *dayLog) lookBackList(title string, items []*kettlebookv1.LookBackItem) {
	if len(items) == 0 {
		d.flow(p(text(title + ": none.")))
		return
	}
	d.need(18)
	d.flow(p(strong(title + ": " + counted(len(items), "reading", "readings"))))
	t := d.newTable(sizeSmall, column{"batch", 34, 'L'}, column{"what", 18, 'L'}, column{"read", 30, 'L'}, column{"as read", 22, 'R'},
		column{"by error before", 26, 'R'}, column{"by error found", 26, 'R'}, column{"result", 26, 'L'})
	for _, it := range items {
		what := "pull"
		if it.GetCooling() {
			what = "cooling"
		}
		f := isF(it.GetReading().GetUnit())
		t.row(c(strong(it.GetLotCode())), c(text(what)), c(text(d.clock.at(it.GetAt()))),
			c(span{text: asRead(it.GetReading()), style: style{bold: true}, whole: true}),
			maybe(it.BeforeMicroC, f), maybe(it.FoundMicroC, f), c(flagged(limitVerdict(it.GetResult()))))
	}
	t.end()
}

// maybe prints a corrected value, in degF under it when the dial is read so.
func maybe(microC *int64, f bool) cell {
	if microC == nil {
		return c(text("not known"))
	}
	out := c(firm(celsius(*microC, 2)))
	if f {
		out = append(out, p(small(firm(fixed(toF(*microC), 2)+" °F"))...))
	}
	return out
}
