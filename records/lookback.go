package records

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// KindLookBack holds look-backs by the failed check; index "instrument":
// instrument, time.
const KindLookBack = "look_back"

var _ = register[*kb.LookBack](nil, func(e Entry, m *kb.LookBack) (Projection, error) {
	r, err := row(e, KindLookBack, m.GetCheckId(), e.GetProductionDay(), m, Key{"instrument", JoinKey(m.GetInstrumentId(), TimeKey(m.GetAt().AsTime()))})
	return rows(r), err
})

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
	// Measured is what was measured with it, before and after.
	Measured []Measured
	// Known is the look-back in force.
	Known Doc[*kb.LookBack]
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
// that covers it. It drafts nothing when the list in force is the same.
func AssessLookBack(f LookBackFacts, act Act) ([]Draft, error) {
	if !f.Check.Has() {
		return nil, nil
	}
	failed := f.Check.Record
	at := failed.GetAt().AsTime()
	out := &kb.LookBack{CheckId: failed.GetCheckId(), InstrumentId: failed.GetInstrumentId(), At: failed.GetAt(), RulesVersion: RulesVersion}
	if failed.GetAsFound() != kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE {
		// What was out is no longer: the list in force is emptied, once.
		if !f.Known.Has() || len(f.Known.Record.GetItems()) == 0 {
			return nil, nil
		}
		return f.draft(out, act, at)
	}
	if err := f.list(out, at); err != nil {
		return nil, err
	}
	if f.Known.Has() && sameConclusion(f.Known.Record, out) {
		return nil, nil
	}
	return f.draft(out, act, at)
}

// list fills in what was measured, and from when to when that was gathered.
func (f LookBackFacts) list(out *kb.LookBack, at time.Time) error {
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
	var from, to time.Time
	var openEnded, runsOn bool
	lists := map[bool]bool{} // by AfterFailure: something is in it
	for _, m := range measured {
		last, next := f.passingAround(CelsiusMicro(m.Reading), at)
		item := &kb.LookBackItem{LotCode: m.LotCode, Cooling: m.Cooling, At: timestamppb.New(m.At), Reading: m.Reading, AfterFailure: m.At.After(at)}
		switch {
		case item.AfterFailure && !next.IsZero() && !m.At.Before(next), !item.AfterFailure && !last.IsZero() && !m.At.After(last):
			continue
		case item.AfterFailure:
			runsOn = runsOn || next.IsZero()
			if next.After(to) {
				to = next
			}
		case last.IsZero():
			openEnded = true
		case from.IsZero() || last.Before(from):
			from = last
		}
		if err := judgeItem(item, m, before, found); err != nil {
			return err
		}
		lists[item.AfterFailure] = true
		out.Items = append(out.Items, item)
	}
	// Where nothing was measured, the window is that of the highest point.
	last, next := f.passingAround(highest(f.Check.Record), at)
	if !lists[false] {
		from = last
	}
	if !lists[true] {
		to = next
	}
	if !from.IsZero() && !openEnded {
		out.WindowFrom = timestamppb.New(from)
	}
	if !to.IsZero() && !runsOn {
		out.WindowTo = timestamppb.New(to)
	}
	return nil
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (f LookBackFacts) draft(out *kb.LookBack, act Act, at time.Time) ([]Draft, error) {
	if f.Known.Has() {
		out.Replaces = proto.Int64(f.Known.Meta.GetSequence())
	}
	return []Draft{{Act: act.System(), OccurredAt: at, Day: f.Check.Meta.GetProductionDay(), Payload: out}}, nil
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

// MayChangeLookBack says whether an entry may change a look-back: something
// was measured, concluded or amended.
func MayChangeLookBack(e Entry) bool {
	switch e.Message.(type) {
	case *kb.CheckAssessment, *kb.PullAssessment, *kb.CoolingAssessment, *kb.Readings, *kb.Amendment, *kb.LookBack:
		return true
	}
	return false
}
