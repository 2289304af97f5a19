package records

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// KindCoolingAssessment holds assessments of cooling series by lot code; index
// "instrument": each instrument read, time of the last reading.
const KindCoolingAssessment = "cooling_assessment"

var _ = register[*kb.CoolingAssessment](nil, func(e Entry, m *kb.CoolingAssessment) (Projection, error) {
	var keys []Key
	for _, id := range m.GetInstrumentIds() {
		keys = append(keys, Key{"instrument", JoinKey(id, TimeKey(m.GetLastAt().AsTime()))})
	}
	r, err := row(e, KindCoolingAssessment, m.GetLotCode(), e.GetProductionDay(), m, keys...)
	return rows(r), err
})

// The cooling clock, Food Code 3-501.14 (read in several state adoptions):
// from 57 degC to 21 degC within 2 h, and to 5 degC within 6 h in all.
const (
	coolStart = 57 * One
	coolFirst = 21 * One
	coolLast  = 5 * One
)

// CoolingFacts is what is known when a cooling series is assessed.
type CoolingFacts struct {
	// BatchFacts are the batch and what hangs on it.
	BatchFacts
	// Readings are the readings of the series.
	Readings []RunReading
	// Instruments are those read, by name.
	Instruments map[string]Doc[*kb.Instrument]
	// Points are believed points, by instrument.
	Points map[string][]PointDoc
	// Adjusted are times of last adjustments, by instrument.
	Adjusted map[string]time.Time
	// Sequences are the entries the readings came in.
	Sequences []int64
	// Assessment is the one in force, Deviation the one that it opened.
	Assessment Doc[*kb.CoolingAssessment]
	Deviation  Doc[*kb.Deviation]
}

type cooled struct {
	at    time.Time
	micro int64
}

// CoolingDeviationID names the deviation of a batch's cooling clock.
func CoolingDeviationID(lot string) string { return JoinID("cooling", lot) }

// AssessCooling judges a series on the readings that bracket each crossing: a
// cooling curve lies below its chord, so an interpolated crossing is printed
// as likely and decides nothing. Times are judged in the whole seconds that are
// printed, the longest rounded up and the shortest down. It drafts nothing when
// nothing changed.
func AssessCooling(f CoolingFacts, act Act) ([]Draft, error) {
	if !f.Batch.Has() || len(f.Readings) == 0 {
		return nil, nil
	}
	a := &kb.CoolingAssessment{LotCode: f.Batch.Record.GetLotCode(), RulesVersion: RulesVersion, Readings: int32(len(f.Readings))}
	curve, known, err := f.corrected(a)
	if err != nil {
		return nil, err
	}
	a.FirstAt, a.LastAt = timestamppb.New(curve[0].at), timestamppb.New(curve[len(curve)-1].at)
	f.judge(a, curve, known)
	day, at := f.Batch.Meta.GetProductionDay(), curve[0].at
	var out []Draft
	if !f.Assessment.Has() || !sameConclusion(f.Assessment.Record, a) {
		a.Inputs = f.Sequences
		if f.Assessment.Has() {
			a.Replaces = proto.Int64(f.Assessment.Meta.GetSequence())
		}
		out = append(out, Draft{Act: act.System(), OccurredAt: at, Day: day, Payload: a})
	}
	want := &kb.Deviation{DeviationId: CoolingDeviationID(a.GetLotCode()), Class: kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY, LotCode: a.GetLotCode(), At: a.GetFirstAt()}
	for _, l := range a.GetLegs() {
		if l.GetResult() == kb.LimitResult_LIMIT_RESULT_NOT_MET && !f.Void.Has() {
			if want.What != "" {
				want.What += " "
			}
			want.What += fmt.Sprintf("Cooling from 57 to %s degC took at least %s; %s is allowed.", FormatMicro(l.GetTargetMicroC(), 0),
				DurationText(time.Duration(l.GetShortestS())*time.Second), DurationText(time.Duration(l.GetAllowedMin())*time.Minute))
		}
	}
	return append(out, settleDeviation(f.Deviation, act, day, at, want)...), nil
}

// DurationText writes a duration as 2 h 05 min; seconds are dropped, upward
// when they would make an allowed time look kept.
func DurationText(d time.Duration) string {
	m := int((d + time.Minute - time.Second) / time.Minute)
	if m < 60 {
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}

// corrected puts the readings right, in order of time; known is false when an
// instrument has no believed point, so that its error is not known.
func (f CoolingFacts) corrected(a *kb.CoolingAssessment) ([]cooled, bool, error) {
	// Of two readings of one moment the hotter comes first, whatever order they came in.
	sorted := slices.SortedFunc(slices.Values(f.Readings), func(x, y RunReading) int {
		return cmp.Or(x.At.Compare(y.At), cmp.Compare(CelsiusMicro(y.Value), CelsiusMicro(x.Value)), cmp.Compare(x.Instrument, y.Instrument))
	})
	type judge struct {
		points []PointDoc
		c      *thermometry.Corrector
	}
	cache := map[string]judge{}
	known := true
	var out []cooled
	for _, r := range sorted {
		if !slices.Contains(a.InstrumentIds, r.Instrument) {
			a.InstrumentIds = append(a.InstrumentIds, r.Instrument)
		}
		points := correctionPoints(f.Points[r.Instrument], f.Adjusted[r.Instrument], r.At)
		j, ok := cache[r.Instrument]
		if !ok || !samePoints(j.points, points) {
			c, err := corrector(f.Settings.CurveOptions(), f.Instruments[r.Instrument].Record, points, r.At)
			if err != nil {
				return nil, false, err
			}
			j = judge{points, c}
			cache[r.Instrument] = j
		}
		got, err := correct(j.c, points, r.Value)
		if err != nil {
			return nil, false, err
		}
		v := CelsiusMicro(r.Value)
		if got.CorrectedMicroC != nil {
			v = got.GetCorrectedMicroC()
			a.UMicroC = max(a.UMicroC, got.GetUMicroC())
		} else {
			known = false
		}
		out = append(out, cooled{r.At, v})
	}
	slices.Sort(a.InstrumentIds)
	return out, known, nil
}

func samePoints(a, b []PointDoc) bool {
	return slices.EqualFunc(a, b, func(x, y PointDoc) bool {
		return x.Meta.GetSequence() == y.Meta.GetSequence() && proto.Equal(x.Record, y.Record)
	})
}

func (f CoolingFacts) judge(a *kb.CoolingAssessment, curve []cooled, known bool) {
	start := -1 // last reading at or above 57 degC
	for i, r := range curve {
		if r.micro >= coolStart {
			start = i
		}
	}
	a.UnknownStart = start < 0
	a.Running = curve[len(curve)-1].micro > coolLast && !reached(curve, start, coolLast)
	for _, leg := range []struct {
		target  int64
		allowed time.Duration
	}{{coolFirst, f.Settings.CoolingFirst}, {coolLast, f.Settings.CoolingAll}} {
		l := &kb.CoolingLeg{TargetMicroC: leg.target, AllowedMin: int32(leg.allowed / time.Minute)}
		f.leg(l, curve, start, leg.allowed)
		if !known {
			l.Result = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
		}
		a.Legs = append(a.Legs, l)
	}
}

func reached(curve []cooled, start int, target int64) bool {
	for _, r := range curve[start+1:] {
		if r.micro <= target {
			return true
		}
	}
	return false
}

func (f CoolingFacts) leg(l *kb.CoolingLeg, curve []cooled, start int, allowed time.Duration) {
	l.Result = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
	arrive := -1
	for i := start + 1; i < len(curve); i++ {
		if curve[i].micro <= l.GetTargetMicroC() {
			arrive = i
			break
		}
	}
	// The tightest the readings allow: from the first below 57 to the last above the target.
	below := start + 1
	last := len(curve) - 1
	if arrive >= 0 {
		last = arrive - 1
	}
	if below < len(curve) && last >= below {
		s := int64(curve[last].at.Sub(curve[below].at) / time.Second)
		l.ShortestS = &s
		if s > int64(allowed/time.Second) {
			l.Result = kb.LimitResult_LIMIT_RESULT_NOT_MET
		}
	}
	if arrive < 0 {
		return
	}
	// The widest: from the last at or above 57 (or, when the start is not
	// known, from the pull) to the first at or below the target.
	var from time.Time
	switch {
	case start >= 0:
		from = curve[start].at
	case f.Pull.Has() && !f.Pull.Record.GetAt().AsTime().After(curve[0].at):
		from = f.Pull.Record.GetAt().AsTime()
	default:
		return
	}
	s := int64((curve[arrive].at.Sub(from) + time.Second - 1) / time.Second)
	l.LongestS = &s
	if s <= int64(allowed/time.Second) {
		l.Result = kb.LimitResult_LIMIT_RESULT_MET
	}
	if start >= 0 && start+1 < len(curve) {
		begin := crossing(curve[start], curve[start+1], coolStart)
		end := crossing(curve[arrive-1], curve[arrive], l.GetTargetMicroC())
		likely := int64(end.Sub(begin) / time.Second)
		l.LikelyS = &likely
	}
}

// crossing interpolates the moment at which a target was crossed; likely, no
// more.
func crossing(a, b cooled, target int64) time.Time {
	if a.micro == b.micro {
		return a.at
	}
	share := float64(a.micro-target) / float64(a.micro-b.micro)
	return a.at.Add(time.Duration(share * float64(b.at.Sub(a.at))))
}
