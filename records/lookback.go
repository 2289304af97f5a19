package records

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// KindLookBack holds look-backs by failed check and production day; index
// "instrument": instrument, time of the check. The part of the check's own day
// holds the first list and what was measured later on that day; what went on
// being measured is gathered day by day in parts of their own, so that none of
// them grows without end.
const KindLookBack = "look_back"

var _ = register[*kb.LookBack](nil, func(e Entry, m *kb.LookBack) (Projection, error) {
	r, err := row(e, KindLookBack, LookBackKey(m.GetCheckId(), e.GetProductionDay()), e.GetProductionDay(), m,
		Key{"instrument", JoinKey(m.GetInstrumentId(), TimeKey(m.GetAt().AsTime()))})
	return rows(r), err
})

// LookBackKey names the part of a check's look-back of one production day.
func LookBackKey(check, day string) string { return JoinKey(check, day) }

// Measured is something measured with an instrument that a look-back weighs:
// a pull, or the cooling clock of a batch.
type Measured struct {
	// LotCode is the batch.
	LotCode string
	// Cooling says that it is the cooling clock; At is then its first reading.
	Cooling bool
	// At is when it was read.
	At time.Time
	// Reading is what was read; of a cooling clock its first reading.
	Reading *kb.Temperature
	// Pull is the assessment of the pull; nil for a cooling clock.
	Pull *kb.PullAssessment
	// Result is the result of the cooling clock as assessed.
	Result kb.LimitResult
}

// LookBackFacts is what is known when a look-back is made.
type LookBackFacts struct {
	// Settings of the site at the time of the check.
	Settings Settings
	// Check is the assessment of the failed check.
	Check Doc[*kb.CheckAssessment]
	// Instrument is the instrument.
	Instrument Doc[*kb.Instrument]
	// Passing are assessments of checks that passed with a measured pressure.
	Passing []Doc[*kb.CheckAssessment]
	// Points are believed points of the instrument up to the check.
	Points []PointDoc
	// Adjusted is the last adjustment before the check.
	Adjusted time.Time
	// Since is when something changed that the look-back rests on, later than the
	// check: the first list stands, and so do the parts of production days before
	// it. The zero time: everything is weighed anew.
	Since time.Time
	// Measured is what was measured with it, before and after the check; with
	// Since, what was after it since that production day began.
	Measured []Measured
	// Known are the parts in force, by production day.
	Known map[string]Doc[*kb.LookBack]
}

// covers says whether a passing check covers a temperature: it lies within
// the range of the points that passed in the state in which the check left the
// instrument.
func covers(a *kb.CheckAssessment, micro int64) bool {
	low, high := int64(0), int64(0)
	first := true
	for _, p := range a.GetPoints() {
		if p.GetResult() != kb.CheckResult_CHECK_RESULT_IN_TOLERANCE || a.GetAdjusted() && !asLeft(p) {
			continue
		}
		v := p.GetExpectedMicroC()
		if first {
			low, high, first = v, v, false
		}
		low, high = min(low, v), max(high, v)
	}
	return !first && micro >= low && micro <= high
}

// AssessLookBack lists what was measured with an instrument whose check
// failed: since its last passing check that covers the temperature of the
// reading, and (second list) after the failure until a later passing check
// that covers it. It drafts one entry for each production day whose part is not
// as it should be, none when all are.
func AssessLookBack(f LookBackFacts, act Act) ([]Draft, error) {
	if !f.Check.Has() {
		return nil, nil
	}
	own := f.Check.Meta.GetProductionDay()
	parts := map[string]*lookBackPart{}
	for day, known := range f.Known {
		// What was out is no longer, or nothing was measured: a part in force is
		// emptied, once.
		if len(known.Record.GetItems()) > 0 || day == own {
			parts[day] = new(lookBackPart)
		}
	}
	out := f.Check.Record.GetAsFound() == kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE
	if out {
		parts[own] = new(lookBackPart)
		if err := f.list(parts, own); err != nil {
			return nil, err
		}
	}
	sinceDay := ""
	if !f.Since.IsZero() {
		sinceDay = f.Settings.Day(f.Since)
	}
	from := f.windowFrom(parts[own], own)
	var drafts []Draft
	for _, day := range slices.Sorted(maps.Keys(parts)) {
		known := f.Known[day]
		if day < sinceDay || !out && len(known.Record.GetItems()) == 0 {
			continue
		}
		if l := f.part(parts[day], day, from); !known.Has() || !sameConclusion(known.Record, l) {
			if known.Has() {
				l.Replaces = proto.Int64(known.Meta.GetSequence())
			}
			drafts = append(drafts, Draft{Act: act.System(), OccurredAt: f.Check.Record.GetAt().AsTime(), Day: day, Payload: l})
		}
	}
	return drafts, nil
}

// lookBackPart is what one production day gathers.
type lookBackPart struct {
	items []*kb.LookBackItem
	// from is the earliest passing check that bounds the first list; openEnded
	// says that for some temperature there is none.
	from      time.Time
	openEnded bool
	// to is the latest passing check that ends the second list; runsOn says that
	// for some temperature there is none.
	to     time.Time
	runsOn bool
	first  bool // something is in the first list
	second bool // something is in the second list
}

// windowFrom gives the passing check from which on things are in the first
// list; nil when for some temperature there is none. While the first list
// stands, it is the one that stands there.
func (f LookBackFacts) windowFrom(p *lookBackPart, own string) *timestamppb.Timestamp {
	if !f.Since.IsZero() || p == nil {
		return f.Known[own].Record.GetWindowFrom()
	}
	from := p.from
	if !p.first {
		// Where nothing was measured, the window is that of the highest point.
		from, _ = f.passingAround(highest(f.Check.Record), f.Check.Record.GetAt().AsTime())
	}
	if from.IsZero() || p.openEnded {
		return nil
	}
	return timestamppb.New(from)
}

// part makes the record of one day's part.
func (f LookBackFacts) part(p *lookBackPart, day string, from *timestamppb.Timestamp) *kb.LookBack {
	failed := f.Check.Record
	l := &kb.LookBack{CheckId: failed.GetCheckId(), InstrumentId: failed.GetInstrumentId(), At: failed.GetAt(), RulesVersion: RulesVersion, Items: p.items}
	if failed.GetAsFound() != kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE {
		return l
	}
	l.WindowFrom = from
	to := p.to
	if !p.second {
		_, to = f.passingAround(highest(failed), failed.GetAt().AsTime())
	}
	// A check of another day ends the list there.
	if !to.IsZero() && !p.runsOn && f.Settings.Day(to) == day {
		l.WindowTo = timestamppb.New(to)
	}
	return l
}

// list sorts what was measured into the parts of production days.
func (f LookBackFacts) list(parts map[string]*lookBackPart, own string) error {
	at := f.Check.Record.GetAt().AsTime()
	before, err := corrector(f.Settings.CurveOptions(), f.Instrument.Record, correctionPoints(f.Points, f.Adjusted, at.Add(-time.Microsecond)), at)
	if err != nil {
		return err
	}
	found, err := corrector(f.Settings.CurveOptions(), f.Instrument.Record, f.asFound(at), at)
	if err != nil {
		return err
	}
	measured := slices.Clone(f.Measured)
	slices.SortStableFunc(measured, func(a, b Measured) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.LotCode, b.LotCode), cmp.Compare(boolInt(a.Cooling), boolInt(b.Cooling)))
	})
	if !f.Since.IsZero() {
		for _, i := range f.Known[own].Record.GetItems() {
			if !i.GetAfterFailure() {
				parts[own].items = append(parts[own].items, i)
			}
		}
	}
	for _, m := range measured {
		day := own
		if m.At.After(at) {
			day = f.Settings.Day(m.At)
		} else if !f.Since.IsZero() {
			continue
		}
		last, next := f.passingAround(CelsiusMicro(m.Reading), at)
		item := &kb.LookBackItem{LotCode: m.LotCode, Cooling: m.Cooling, At: timestamppb.New(m.At), Reading: m.Reading, AfterFailure: m.At.After(at)}
		if item.AfterFailure && !next.IsZero() && !m.At.Before(next) || !item.AfterFailure && !last.IsZero() && !m.At.After(last) {
			continue
		}
		if err := judgeItem(item, m, before, found); err != nil {
			return err
		}
		p := parts[day]
		if p == nil {
			p = new(lookBackPart)
			parts[day] = p
		}
		p.add(item, last, next)
	}
	return nil
}

// add puts an item in, and widens the window to the checks that bound it.
func (p *lookBackPart) add(item *kb.LookBackItem, last, next time.Time) {
	p.items = append(p.items, item)
	if item.GetAfterFailure() {
		p.second = true
		p.runsOn = p.runsOn || next.IsZero()
		if next.After(p.to) {
			p.to = next
		}
		return
	}
	p.openEnded = p.openEnded || last.IsZero()
	if !last.IsZero() && (!p.first || last.Before(p.from)) {
		p.from = last
	}
	p.first = true
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

func highest(a *kb.CheckAssessment) int64 {
	v := int64(0)
	for _, p := range a.GetPoints() {
		v = max(v, p.GetExpectedMicroC())
	}
	return v
}

// asFound gives the points that show the error found: those of the failed
// check as found, with the latest older ones where it has none.
func (f LookBackFacts) asFound(at time.Time) []PointDoc {
	var out []PointDoc
	for _, p := range f.Check.Record.GetPoints() {
		if p.GetResult() == kb.CheckResult_CHECK_RESULT_NOT_BELIEVED || p.GetPoint().GetPhase() == kb.CheckPhase_CHECK_PHASE_AS_LEFT {
			continue
		}
		one := clone(f.Check.Record)
		one.Points = []*kb.PointResult{p}
		out = append(out, PointDoc{Record: one, Meta: f.Check.Meta})
	}
	var older []PointDoc
	for _, d := range f.Points {
		if d.Record.GetCheckId() != f.Check.Record.GetCheckId() {
			older = append(older, d)
		}
	}
	end := at
	for _, d := range out {
		if t := pointOf(d).GetPoint().GetAt().AsTime(); t.After(end) {
			end = t
		}
	}
	return correctionPoints(append(out, older...), f.Adjusted, end)
}

// passingAround gives the last passing check before a failure that covers a
// temperature, and the moment after it from which the instrument may be
// believed again: a passing as-left, or a passing check that covers the
// temperature.
func (f LookBackFacts) passingAround(micro int64, at time.Time) (last, next time.Time) {
	for _, d := range f.Passing {
		t := d.Record.GetAt().AsTime()
		own := d.Record.GetCheckId() == f.Check.Record.GetCheckId()
		if own || t.After(at) && d.Record.GetAdjusted() {
			t = lastPoint(d.Record)
		}
		switch {
		case own && !d.Record.GetAdjusted():
		case own || t.After(at):
			if (d.Record.GetAdjusted() || covers(d.Record, micro)) && (next.IsZero() || t.Before(next)) {
				next = t
			}
		case t.Before(at) && covers(d.Record, micro) && t.After(last):
			last = t
		}
	}
	return last, next
}

func lastPoint(a *kb.CheckAssessment) time.Time {
	return a.GetPoints()[len(a.GetPoints())-1].GetPoint().GetAt().AsTime()
}

// judgeItem weighs one thing measured. Before the failure it is met only when
// met at both errors with their uncertainty, not met only when missed at
// both. After the failure the error is known: the batch's own verdict stands.
func judgeItem(item *kb.LookBackItem, m Measured, before, found *thermometry.Corrector) error {
	for _, side := range []struct {
		c   *thermometry.Corrector
		out **int64
	}{{before, &item.BeforeMicroC}, {found, &item.FoundMicroC}} {
		got, err := correct(side.c, nil, m.Reading)
		if err != nil {
			return err
		}
		if got.CorrectedMicroC != nil {
			v := got.GetCorrectedMicroC()
			*side.out = &v
		}
	}
	if m.Cooling || m.Pull == nil {
		item.Result = m.Result
		if !item.AfterFailure {
			// The clock was judged at one error only, and either result needs both.
			item.Result = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
		}
		return nil
	}
	item.Result = kb.LimitResult_LIMIT_RESULT_MET
	for _, l := range m.Pull.GetLimits() {
		r := l.GetResult()
		if !item.AfterFailure {
			r = bothErrors(l, boundReading(m.Pull, l.GetLimit()).GetReading(), before, found)
		}
		switch r {
		case kb.LimitResult_LIMIT_RESULT_NOT_MET:
			item.Result = r
			return nil
		case kb.LimitResult_LIMIT_RESULT_MET:
		default:
			item.Result = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
		}
	}
	return nil
}

func bothErrors(l *kb.LimitAssessment, reading *kb.Temperature, before, found *thermometry.Corrector) kb.LimitResult {
	if reading == nil || l.LowMicroC == nil && l.HighMicroC == nil {
		return kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
	}
	low, high := boundsOf(l)
	asRead := thermometry.AsReadMet(CelsiusMicro(reading), low, high)
	met, missed := 0, 0
	for _, c := range []*thermometry.Corrector{before, found} {
		if c == nil {
			continue
		}
		got, err := correct(c, nil, reading)
		if err != nil {
			continue
		}
		// U included: guarded, whatever the class of the limit, and no smaller
		// than that of the difference to the limit in the batch's own verdict.
		switch thermometry.JudgeLimit(got.GetCorrectedMicroC(), low, high, max(got.GetUMicroC(), l.GetUMicroC()), true, got.GetExtrapolated(), asRead) {
		case thermometry.Met:
			met++
		case thermometry.NotMet:
			missed++
		}
	}
	switch {
	case met == 2:
		return kb.LimitResult_LIMIT_RESULT_MET
	case missed == 2:
		return kb.LimitResult_LIMIT_RESULT_NOT_MET
	}
	return kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
}

// MayChangeLookBack says whether an entry may change look-backs of an
// instrument: something was measured with it or concluded about it, or
// something was amended. An empty instrument stands for any.
func MayChangeLookBack(e Entry, instrument string) bool {
	switch m := e.Message.(type) {
	case *kb.Amendment:
		return true
	case *kb.CoolingAssessment:
		return instrument == "" || slices.Contains(m.GetInstrumentIds(), instrument)
	case *kb.CheckAssessment, *kb.PullAssessment, *kb.Readings, *kb.LookBack:
		return instrument == "" || m.(interface{ GetInstrumentId() string }).GetInstrumentId() == instrument
	}
	return false
}
