package reports

import (
	"fmt"
	"sort"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// finding is one line of the summary.
type finding struct {
	mark, head string
	about      string
}

// unusual prints what a reviewer must look at first, or that there is nothing.
func (d *dayLog) unusual() {
	d.heading("What is unusual", 10)
	var found []finding
	found = append(found, d.unusualChecks()...)
	found = append(found, d.unusualDeviations()...)
	found = append(found, d.unusualLimits()...)
	found = append(found, d.unusualUse()...)
	found = append(found, d.unusualCooling()...)
	found = append(found, d.unusualBatches()...)
	found = append(found, d.unusualRecords()...)
	if len(found) == 0 {
		d.flow(p(span{text: "Nothing unusual.", style: style{size: 9.5, bold: true}}))
		return
	}
	for _, f := range found {
		d.flow(para{hang: 4, before: 0.25, spans: []span{strong(f.mark + "  " + f.head), text(" " + f.about)}})
	}
}

// gather collects names under a key and keeps the keys in order of first sight.
type gather struct {
	order []string
	names map[string][]string
}

func (g *gather) add(key, name string) {
	if g.names == nil {
		g.names = make(map[string][]string)
	}
	if _, seen := g.names[key]; !seen {
		g.order = append(g.order, key)
	}
	for _, have := range g.names[key] {
		if have == name {
			return
		}
	}
	g.names[key] = append(g.names[key], name)
}

func (d *dayLog) unusualChecks() []finding {
	byResult := make(map[kettlebookv1.CheckResult]*gather)
	var missed []finding
	for _, in := range d.content.GetInstruments() {
		id := in.GetInstrument().GetInstrumentId()
		for _, check := range in.GetChecks() {
			for _, r := range check.GetAssessment().GetPoints() {
				if !checkVerdict(r.GetResult()).bad {
					continue
				}
				if byResult[r.GetResult()] == nil {
					byResult[r.GetResult()] = new(gather)
				}
				byResult[r.GetResult()].add(id, fmt.Sprintf("%s %s %s", pointKind(r.GetPoint().GetKind()), d.clock.at(r.GetPoint().GetAt()), asRead(r.GetPoint().GetReading())))
			}
		}
		if in.GetMissedCheck() {
			about := id + ": no check though one was due"
			if lots := in.GetLots(); len(lots) > 0 {
				about += "; used for " + list(lots)
			} else {
				about += "; not used"
			}
			missed = append(missed, finding{markMissing, "missed check", about})
		}
	}
	results := make([]kettlebookv1.CheckResult, 0, len(byResult))
	for r := range byResult {
		results = append(results, r)
	}
	// The gravest first: out of tolerance, not believed, then what is merely doubtful.
	rank := map[kettlebookv1.CheckResult]int{
		kettlebookv1.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE: 1,
		kettlebookv1.CheckResult_CHECK_RESULT_NOT_BELIEVED:     2,
		kettlebookv1.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN:  3,
		kettlebookv1.CheckResult_CHECK_RESULT_PROVISIONALLY_IN: 4,
		kettlebookv1.CheckResult_CHECK_RESULT_UNSPECIFIED:      5,
	}
	sort.Slice(results, func(i, j int) bool { return rank[results[i]] < rank[results[j]] })
	var out []finding
	for _, r := range results {
		v := checkVerdict(r)
		for _, id := range byResult[r].order {
			out = append(out, finding{v.mark, "check " + v.word, id + ": " + list(byResult[r].names[id])})
		}
	}
	out = append(out, missed...)
	for _, used := range d.content.GetPressures() {
		if used.GetQuestioned() {
			out = append(out, finding{markUnknown, "pressure questioned", asWritten(used.GetPressureHpa()) + " hPa at " + d.clock.at(used.GetAt()) + ", not used"})
		}
	}
	return out
}

func (d *dayLog) unusualDeviations() []finding {
	var out []finding
	for _, class := range append(append([]kettlebookv1.DeviationClass{}, classes...), kettlebookv1.DeviationClass_DEVIATION_CLASS_QUALITY_MISS) {
		var today, earlier []string
		open := 0
		for _, dev := range d.ofClass(class) {
			v := dev.GetDeviation()
			if v.GetWithdrawn() {
				continue
			}
			name := orElse(v.GetLotCode(), v.GetInstrumentId())
			if d.ofEarlier(dev) {
				earlier = append(earlier, name+" ("+dev.GetCauseDay()+")")
				continue
			}
			today = append(today, name)
			if dev.GetOpen() {
				open++
			}
		}
		one, many := deviationClass(class)
		mark := markFailed
		if class == kettlebookv1.DeviationClass_DEVIATION_CLASS_QUALITY_MISS {
			mark = markNote
		}
		if len(today) > 0 {
			about := list(today)
			if open > 0 && mark == markFailed {
				about += fmt.Sprintf("; open: %d", open)
			}
			out = append(out, finding{mark, counted(len(today), one, many), about})
		}
		if len(earlier) > 0 {
			out = append(out, finding{mark, "of earlier days, " + counted(len(earlier), one, many), list(earlier)})
		}
	}
	for _, lb := range d.content.GetLookBacks() {
		about := lb.GetInstrumentId() + ", check of " + d.clock.at(lb.GetAt()) + ": " + counted(len(lb.GetItems()), "reading", "readings")
		if lb.GetWindowFrom() == nil {
			about += ", open-ended"
		}
		out = append(out, finding{markDoubt, "look-back", about})
	}
	return out
}

func (d *dayLog) unusualLimits() []finding {
	var g gather
	marks := make(map[string]string)
	for _, b := range d.content.GetBatches() {
		for _, l := range b.GetPull().GetLimits() {
			v := limitVerdict(l.GetResult())
			if !v.bad {
				continue
			}
			key := limitClass(l.GetLimit().GetClass()) + " limit " + v.word
			marks[key] = v.mark
			g.add(key, b.GetStart().GetLotCode())
		}
	}
	var out []finding
	for _, key := range g.order {
		out = append(out, finding{marks[key], key, list(g.names[key])})
	}
	return out
}

func (d *dayLog) unusualUse() []finding {
	var g gather
	marks := make(map[string]string)
	for _, b := range d.content.GetBatches() {
		for _, flag := range b.GetPull().GetFlags() {
			v := useFlag(flag)
			marks[v.word] = v.mark
			g.add(v.word, b.GetStart().GetLotCode())
		}
	}
	var out []finding
	for _, key := range g.order {
		out = append(out, finding{marks[key], key + ":", list(g.names[key])})
	}
	return out
}

func (d *dayLog) unusualCooling() []finding {
	var out []finding
	for _, b := range d.content.GetBatches() {
		lot := b.GetStart().GetLotCode()
		if b.GetCoolingMissing() {
			out = append(out, finding{markMissing, "cooling not recorded", lot})
		}
		a := b.GetCoolingResult()
		listed := len(out)
		for _, leg := range a.GetLegs() {
			if v := limitVerdict(leg.GetResult()); v.bad {
				out = append(out, finding{v.mark, "cooling " + v.word, fmt.Sprintf("%s: %s to %s °C within %s, longest %s", lot,
					fixed(coolingStartMicroC, 0), exact(leg.GetTargetMicroC(), 0), minutes(int64(leg.GetAllowedMin())*60), known(leg.LongestS, "open"))})
			}
		}
		if a.GetUnknownStart() {
			out = append(out, finding{markDoubt, "cooling start not known", lot})
		}
		if a.GetRunning() {
			out = append(out, finding{markPartly, "cooling still running", lot + ", series ends " + d.clock.at(a.GetLastAt())})
		}
		// Cooling goes on after the last pan on every day with a sauce; it is worth a word here only where the cooling is unusual anyhow.
		if at, going := d.stillCooling(b); going && len(out) > listed {
			out[len(out)-1].about += "; still cooling when the last pan left the heat at " + d.clock.of(at)
		}
	}
	return out
}

func (d *dayLog) unusualBatches() []finding {
	var g gather
	marks := make(map[string]string)
	add := func(v verdict, lot string) {
		marks[v.word] = v.mark
		g.add(v.word, lot)
	}
	for _, b := range d.content.GetBatches() {
		lot := b.GetStart().GetLotCode()
		if b.GetVoidReason() != "" {
			add(verdict{markMissing, "batch voided", true}, lot)
			continue
		}
		if b.GetPull() == nil {
			add(verdict{markMissing, "no pull recorded", true}, lot)
		} else if b.GetEndedAt() == nil {
			add(verdict{markMissing, "batch not ended", true}, lot)
		}
		if k := b.GetDisposition().GetKind(); b.GetDisposition() != nil && k != kettlebookv1.DispositionKind_DISPOSITION_KIND_RELEASE {
			v := dispositionWord(k)
			v.word = "batch " + v.word
			add(v, lot)
		}
	}
	var out []finding
	for _, key := range g.order {
		out = append(out, finding{marks[key], key, list(g.names[key])})
	}
	return out
}

func (d *dayLog) unusualRecords() []finding {
	counts := make(map[kettlebookv1.MarkKind]int)
	for _, m := range d.content.GetMarked() {
		counts[m.GetKind()]++
	}
	var out []finding
	for _, kind := range []kettlebookv1.MarkKind{
		kettlebookv1.MarkKind_MARK_KIND_AMENDED, kettlebookv1.MarkKind_MARK_KIND_LATE, kettlebookv1.MarkKind_MARK_KIND_QUESTIONED,
		kettlebookv1.MarkKind_MARK_KIND_AHEAD, kettlebookv1.MarkKind_MARK_KIND_QUEUED, kettlebookv1.MarkKind_MARK_KIND_UNSPECIFIED,
	} {
		if n := counts[kind]; n > 0 {
			v := markKind(kind)
			out = append(out, finding{v.mark, v.word + ":", counted(n, "record", "records") + ", listed below"})
		}
	}
	if d.log.GetReview().GetOwnWork() {
		out = append(out, finding{markDoubt, "own work reviewed", "the reviewer also made records of this day (one-person kitchen)"})
	}
	return out
}
