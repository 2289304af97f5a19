package records

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// KindPullAssessment holds assessments of pulls by lot code; index
// "instrument": instrument, time of the pull; index "at": time of the pull.
const KindPullAssessment = "pull_assessment"

var _ = register[*kb.PullAssessment](nil, func(e Entry, m *kb.PullAssessment) (Projection, error) {
	r, err := row(e, KindPullAssessment, m.GetLotCode(), e.GetProductionDay(), m,
		Key{"instrument", JoinKey(m.GetInstrumentId(), TimeKey(m.GetAt().AsTime()))}, Key{"at", TimeKey(m.GetAt().AsTime())})
	return rows(r), err
})

// PullWindow is how long before the pull its reading may have been taken.
const PullWindow = 2 * time.Minute

// PullFacts is what is known when a pull is assessed.
type PullFacts struct {
	// BatchFacts are the batch and what hangs on it.
	BatchFacts
	// Readings are readings of the cook around the pull.
	Readings []RunReading
	// Points are believed points of the instrument, latest of each kind among them.
	Points []PointDoc
	// Adjusted is the time of the instrument's last check with an adjustment at
	// or before the pull; zero when none.
	Adjusted time.Time
	// Check is the latest assessed check at or before the pull.
	Check Doc[*kb.CheckAssessment]
	// Pressures are kitchen pressures at or before the pull.
	Pressures []PressureDoc
	// Assessment is the one in force.
	Assessment Doc[*kb.PullAssessment]
	// Deviations are those that earlier assessments opened, by name.
	Deviations map[string]Doc[*kb.Deviation]
}

// pullReading gives the reading of the pull: its own, or that of the cook at
// that time.
func (f PullFacts) pullReading() *kb.Temperature {
	if t := f.Pull.Record.GetReading(); t != nil {
		return t
	}
	at := f.Pull.Record.GetAt().AsTime()
	var best RunReading
	for _, r := range f.Readings {
		if r.Instrument != f.Batch.Record.GetInstrumentId() || r.At.After(at) || at.Sub(r.At) > PullWindow {
			continue
		}
		// Of two readings of one moment the hotter counts, whatever order they came in.
		if best.Value == nil || cmp.Or(r.At.Compare(best.At), cmp.Compare(CelsiusMicro(r.Value), CelsiusMicro(best.Value))) > 0 {
			best = r
		}
	}
	return best.Value
}

// AssessPull concludes what a pull came to against the limits of its formula,
// and opens or withdraws the deviations that follow. It drafts nothing when
// the conclusion in force is the same.
func AssessPull(f PullFacts, act Act) ([]Draft, error) {
	if !f.Batch.Has() || !f.Pull.Has() {
		return nil, nil
	}
	a, err := f.assess()
	if err != nil {
		return nil, err
	}
	day, at := f.Batch.Meta.GetProductionDay(), a.GetAt().AsTime()
	if f.Assessment.Has() && sameConclusion(f.Assessment.Record, a) && !f.Void.Has() {
		return nil, nil
	}
	var out []Draft
	if !f.Assessment.Has() || !sameConclusion(f.Assessment.Record, a) {
		a.Inputs = f.inputs()
		if f.Assessment.Has() {
			a.Replaces = proto.Int64(f.Assessment.Meta.GetSequence())
		}
		out = append(out, Draft{Act: act.System(), OccurredAt: at, Day: day, Payload: a})
	}
	for _, l := range a.GetLimits() {
		id := PullDeviationID(a.GetLotCode(), l.GetLimit().GetName())
		want := &kb.Deviation{
			DeviationId: id, Class: deviationClass(l.GetLimit().GetClass()), LotCode: a.GetLotCode(), InstrumentId: a.GetInstrumentId(), At: a.GetAt(),
		}
		if l.GetResult() == kb.LimitResult_LIMIT_RESULT_NOT_MET && !f.Void.Has() {
			read := "pulled at"
			if l.GetLimit().GetBinds() == kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER {
				read = "highest after the pull"
			}
			got := boundReading(a, l.GetLimit())
			want.What = fmt.Sprintf("Limit %q not met: %s %s, corrected %s degC, against %s.", l.GetLimit().GetName(),
				read, FormatTemperature(got.GetReading()), FormatMicro(got.GetCorrectedMicroC(), 2), BoundsText(l))
		}
		out = append(out, settleDeviation(f.Deviations[id], act, day, at, want)...)
	}
	return out, nil
}

// boundReading gives the reading that a limit binds, corrected; nil when it
// was not taken.
func boundReading(a *kb.PullAssessment, l *kb.Limit) *kb.Correction {
	if l.GetBinds() == kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER {
		return a.GetHighestAfter()
	}
	return a.GetPull()
}

// PullDeviationID names the deviation of one limit of a batch.
func PullDeviationID(lot, limit string) string { return JoinID("pull", lot, limit) }

func deviationClass(c kb.LimitClass) kb.DeviationClass {
	switch c {
	case kb.LimitClass_LIMIT_CLASS_CRITICAL:
		return kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY
	case kb.LimitClass_LIMIT_CLASS_OPERATING:
		return kb.DeviationClass_DEVIATION_CLASS_PROCESS
	}
	return kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS
}

// BoundsText writes the bounds of a limit as moved.
func BoundsText(l *kb.LimitAssessment) string {
	switch {
	case l.LowMicroC == nil:
		return "at most " + FormatMicro(l.GetHighMicroC(), 2) + " degC"
	case l.HighMicroC == nil:
		return "at least " + FormatMicro(l.GetLowMicroC(), 2) + " degC"
	}
	return FormatMicro(l.GetLowMicroC(), 2) + " to " + FormatMicro(l.GetHighMicroC(), 2) + " degC"
}

func (f PullFacts) inputs() []int64 {
	in := []int64{f.Batch.Meta.GetSequence(), f.Pull.Meta.GetSequence()}
	if f.Cold.Has() {
		in = append(in, f.Cold.Meta.GetSequence())
	}
	if f.Check.Has() {
		in = append(in, f.Check.Meta.GetSequence())
	}
	for _, p := range correctionPoints(f.Points, f.Adjusted, f.Pull.Record.GetAt().AsTime()) {
		in = append(in, p.Meta.GetSequence())
	}
	return in
}

func (f PullFacts) assess() (*kb.PullAssessment, error) {
	b, at := f.Batch.Record, f.Pull.Record.GetAt().AsTime()
	a := &kb.PullAssessment{LotCode: b.GetLotCode(), InstrumentId: b.GetInstrumentId(), At: f.Pull.Record.GetAt(), RulesVersion: RulesVersion}
	points := correctionPoints(f.Points, f.Adjusted, at)
	c, err := corrector(f.Settings.CurveOptions(), f.Instrument.Record, points, at)
	if err != nil {
		return nil, err
	}
	if f.Check.Has() {
		a.CheckId, a.CheckAt = f.Check.Record.GetCheckId(), f.Check.Record.GetAt()
	}
	a.Flags = f.useFlags(c)
	reading := f.pullReading()
	if reading != nil {
		if a.Pull, err = correct(c, points, reading); err != nil {
			return nil, err
		}
		if a.Pull.GetMisfit() {
			a.Flags = append(a.Flags, kb.UseFlag_USE_FLAG_MISFIT)
		}
	}
	if h := f.Pull.Record.GetHighestAfter(); h != nil {
		if a.HighestAfter, err = correct(c, points, h); err != nil {
			return nil, err
		}
	}
	pressure, used, err := f.Settings.pressureFor(f.Pressures, at)
	if err != nil {
		return nil, err
	}
	a.Pressure = used
	for _, l := range f.Formula.Record.GetLimits() {
		la, err := f.limit(l, boundReading(a, l), c, points, pressure, used)
		if err != nil {
			return nil, fmt.Errorf("limit %q: %w", l.GetName(), err)
		}
		a.Limits = append(a.Limits, la)
	}
	return a, f.witness(a, pressure)
}

// useFlags says what was wrong with the instrument when the pan was pulled.
// Its use is recorded whatever they say.
func (f PullFacts) useFlags(c *thermometry.Corrector) []kb.UseFlag {
	var out []kb.UseFlag
	at := f.Pull.Record.GetAt().AsTime()
	if !f.Check.Has() || f.Settings.Day(f.Check.Record.GetAt().AsTime()) != f.Settings.Day(at) {
		out = append(out, kb.UseFlag_USE_FLAG_NOT_CHECKED)
	}
	if f.Check.Has() {
		switch Standing(f.Check.Record) {
		case kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE:
			out = append(out, kb.UseFlag_USE_FLAG_FAILED)
		case kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN:
			out = append(out, kb.UseFlag_USE_FLAG_PROVISIONAL)
		case kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN:
			out = append(out, kb.UseFlag_USE_FLAG_CANNOT_BE_SHOWN)
		}
		if unbelieved(f.Check.Record) {
			out = append(out, kb.UseFlag_USE_FLAG_NOT_BELIEVED)
		}
	}
	if c == nil {
		out = append(out, kb.UseFlag_USE_FLAG_NO_CORRECTION)
	}
	return out
}

// witness sets the cold-water test against the corrected pull.
func (f PullFacts) witness(a *kb.PullAssessment, pressure thermometry.Pressure) error {
	if a.GetPull() == nil {
		return nil
	}
	tempC, uC := CelsiusF(a.GetPull().GetReading()), 0.0
	if a.GetPull().CorrectedMicroC != nil {
		tempC, uC = float64(a.GetPull().GetCorrectedMicroC())/float64(One), float64(a.GetPull().GetUMicroC())/float64(One)
	}
	// Beyond the sugar model lies nothing but water on one side and burnt sugar
	// on the other; a reading out there is kept like any other.
	tempC = max(0, min(tempC, 300))
	place, err := syrup.StageAt(tempC, pressure.HPa)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	a.Stage = place.Label
	if !f.Cold.Has() {
		return nil
	}
	a.ColdWaterStage = f.Cold.Record.GetStage()
	got, err := syrup.SecondWitness(a.GetColdWaterStage(), tempC, uC, pressure.HPa)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	if got.Contradicts {
		a.Flags = append(a.Flags, kb.UseFlag_USE_FLAG_CONTRADICTION)
	}
	return nil
}

// limit judges one limit: moved to the day's pressure when it is a solids
// content, never when it is a temperature.
func (f PullFacts) limit(l *kb.Limit, got *kb.Correction, c *thermometry.Corrector, points []PointDoc, pressure thermometry.Pressure, used *kb.PressureUsed) (*kb.LimitAssessment, error) {
	out := &kb.LimitAssessment{Limit: l}
	bounds, err := f.moveLimit(out, pressure, used)
	if err != nil {
		return nil, err
	}
	low, high := boundsOf(out)
	switch {
	case got == nil:
		out.Result, out.AsRead = kb.LimitResult_LIMIT_RESULT_NO_READING, kb.LimitResult_LIMIT_RESULT_NO_READING
		out.Why = "no reading was taken at the pull"
		if l.GetBinds() == kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER {
			out.Why = "the highest after the pull was not read"
		}
		return out, nil
	case bounds == nil:
		out.Result, out.AsRead = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN, kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
		out.Why = "it lies below the boiling point of water where it was established, so it is no solids content"
		return out, nil
	}
	asRead := thermometry.AsReadMet(CelsiusMicro(got.GetReading()), low, high)
	out.AsRead = metOrNot(asRead)
	if c == nil {
		out.Result, out.Why = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN, "no check of the instrument is known, so its error is not known"
		return out, nil
	}
	var expanded float64
	for _, b := range bounds {
		expanded = max(expanded, c.Against(CelsiusF(got.GetReading()), b).ExpandedC)
	}
	u, err := thermometry.RoundUpCentiC(expanded)
	if err != nil {
		return nil, err
	}
	out.UMicroC = int64(u)
	critical := l.GetClass() == kb.LimitClass_LIMIT_CLASS_CRITICAL
	out.Guarded = critical && !f.Settings.Site.GetUnguardedCritical()
	out.Result = limitResults[thermometry.JudgeLimit(got.GetCorrectedMicroC(), low, high, int64(u), out.Guarded, got.GetExtrapolated(), asRead)]
	switch {
	case f.Check.Has() && unbelieved(f.Check.Record):
		out.Result, out.Why = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN, "the boiling reading of its check is not believed"
	case critical && out.Result == kb.LimitResult_LIMIT_RESULT_MET && !supports(points):
		out.Result, out.Why = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN, unsupported(points)
	case out.Result == kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN && got.GetExtrapolated() && !asRead:
		out.Why = "missed as read; an extrapolated correction cannot make it met"
	case out.Result == kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN:
		out.Why = "nearer to the limit than the uncertainty"
	}
	return out, nil
}

// moveLimit puts the bounds as moved into an assessment and gives them with
// their uncertainty; none when the limit cannot be moved as a solids content.
func (f PullFacts) moveLimit(out *kb.LimitAssessment, pressure thermometry.Pressure, used *kb.PressureUsed) ([]thermometry.Bound, error) {
	var bounds []thermometry.Bound
	for _, side := range []struct {
		written *kb.Temperature
		moved   **int64
	}{{out.GetLimit().GetLow(), &out.LowMicroC}, {out.GetLimit().GetHigh(), &out.HighMicroC}} {
		if side.written == nil {
			continue
		}
		b, beyond, err := f.Settings.moveBound(out.GetLimit(), side.written, pressure, used)
		if errors.Is(err, sugar.ErrNotBoiling) {
			out.LowMicroC, out.HighMicroC = nil, nil
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		m, err := thermometry.MicroFromC(b.TempC)
		if err != nil {
			return nil, err
		}
		v := roundMicro(int64(m), 10_000)
		*side.moved = &v
		out.BeyondData = out.BeyondData || beyond
		bounds = append(bounds, b)
	}
	return bounds, nil
}

// boundsOf gives the bounds of a limit as moved, in millionths of a degC.
func boundsOf(l *kb.LimitAssessment) (low, high int64) {
	low, high = thermometry.NoLowMicroC, thermometry.NoHighMicroC
	if l.LowMicroC != nil {
		low = l.GetLowMicroC()
	}
	if l.HighMicroC != nil {
		high = l.GetHighMicroC()
	}
	return low, high
}

// supports says that a point above the ice point was measured: a critical
// limit rests on no less.
func supports(points []PointDoc) bool {
	return slices.ContainsFunc(points, func(d PointDoc) bool { return aboveIce(d) && !provisional(pointOf(d)) })
}

func unsupported(points []PointDoc) string {
	if slices.ContainsFunc(points, aboveIce) {
		return "the check rests on an assumed pressure: read the barometer"
	}
	return "the check has no point above the ice point"
}

func aboveIce(d PointDoc) bool {
	return pointOf(d).GetPoint().GetKind() != kb.PointKind_POINT_KIND_ICE
}

var limitResults = map[thermometry.LimitVerdict]kb.LimitResult{
	thermometry.Met:                kb.LimitResult_LIMIT_RESULT_MET,
	thermometry.NotMet:             kb.LimitResult_LIMIT_RESULT_NOT_MET,
	thermometry.LimitCannotBeShown: kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN,
}

func metOrNot(met bool) kb.LimitResult {
	if met {
		return kb.LimitResult_LIMIT_RESULT_MET
	}
	return kb.LimitResult_LIMIT_RESULT_NOT_MET
}

// moveBound carries a bound to the kitchen's pressure with what is uncertain
// about it. A temperature-basis bound stays where it is written. One that lies
// below the boiling point of water where it was established is
// sugar.ErrNotBoiling.
func (s Settings) moveBound(l *kb.Limit, t *kb.Temperature, pressure thermometry.Pressure, used *kb.PressureUsed) (thermometry.Bound, bool, error) {
	tempC := CelsiusF(t)
	if l.GetBasis() != kb.LimitBasis_LIMIT_BASIS_SOLIDS {
		return thermometry.Bound{TempC: tempC}, false, nil
	}
	from := sugar.StandardPressureHPa
	switch l.GetEstablishedAt() {
	case kb.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN:
		p, err := thermometry.StandardPressureHPa(s.ElevationM())
		if err != nil {
			return thermometry.Bound{}, false, fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		from = p
	case kb.EstablishedAt_ESTABLISHED_AT_STATED:
		from = float64(l.GetEstablishedHpa().GetMicro()) / float64(One)
	}
	ageHours := 0.0
	if used.GetOld() {
		ageHours = float64(used.GetAgeMin()) / 60
	}
	b, moved, _, err := moveSolids(tempC, from, pressure, ageHours)
	if err != nil {
		return thermometry.Bound{}, false, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return b, moved.BeyondData, nil
}
