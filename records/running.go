package records

import (
	"errors"
	"fmt"
	"slices"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// RunningFacts is what is known when a running batch is forecast.
type RunningFacts struct {
	// BatchFacts are the batch and what hangs on it.
	BatchFacts
	// Readings are those of its cook.
	Readings []RunReading
	// Points are believed points of the instrument; Adjusted the time of its last
	// check with an adjustment; Check its latest assessed check.
	Points   []PointDoc
	Adjusted time.Time
	Check    Doc[*kb.CheckAssessment]
	// Pressures are kitchen pressures at or before the last reading.
	Pressures []PressureDoc
	// Past are pulls of earlier batches of the same formula in the same vessel.
	Past []*kb.PullAssessment
}

// RunningForecast is when a running batch gets there.
type RunningForecast struct {
	// Forecast is the forecast; its clock times are set.
	Forecast ForecastFound
	// Limit is the limit aimed at, TargetFrom how the target was chosen.
	Limit      *kb.Limit
	TargetFrom string
	// LastAt is the time of the last reading.
	LastAt time.Time
	// Onset is the onset of the boil against the formula; nil when the readings do
	// not show it or the formula does not say its water.
	Onset *OnsetFound
	// CarryOver is that of past batches; nil when fewer than three are known.
	CarryOver *CarryFound
	// MayBeUsed: the instrument's last check says so.
	MayBeUsed bool
}

// Forecast says when a running batch reaches its limit, from its readings as its
// instrument's checks correct them. Errors: ErrState for a batch that does not
// run, has too few readings, or whose instrument's error is not known.
func (f RunningFacts) Forecast() (RunningForecast, error) {
	var out RunningForecast
	lot := f.Batch.Record.GetLotCode()
	switch {
	case f.Void.Has():
		return out, refuse(ErrState, "lot_code", "use the batch that was meant", "batch %s was voided", lot)
	case f.Pull.Has():
		return out, refuse(ErrState, "lot_code", "there is nothing left to forecast", "batch %s was pulled at %s", lot, f.Pull.Record.GetAt().AsTime().Format(time.RFC3339))
	case f.End.Has():
		return out, refuse(ErrState, "lot_code", "there is nothing left to forecast", "batch %s has ended", lot)
	}
	readings := f.ofInstrument()
	if len(readings) < 3 {
		return out, refuse(ErrState, "lot_code", "wait for three readings", "batch %s has %d readings", lot, len(readings))
	}
	out.LastAt = readings[len(readings)-1].At
	points := correctionPoints(f.Points, f.Adjusted, out.LastAt)
	judge, err := corrector(f.Settings.CurveOptions(), f.Instrument.Record, points, out.LastAt)
	if err != nil {
		return out, err
	}
	if judge == nil {
		return out, refuse(ErrState, "lot_code", "check the instrument first", "nothing is known of the error of %s", f.Instrument.Record.GetInstrumentId())
	}
	out.MayBeUsed = f.Check.Has() && f.Check.Record.GetMayBeUsed()
	pressure, used, err := f.Settings.pressureFor(f.Pressures, out.LastAt)
	if err != nil {
		return out, err
	}
	c, err := f.cook(readings, judge, pressure, used)
	if err != nil {
		return out, err
	}
	if err := f.carryOver(&out); err != nil {
		return out, err
	}
	if err := f.target(&out, pressure, used); err != nil {
		return out, err
	}
	q := ForecastAsked{TargetC: &out.Forecast.TargetC, ClockZero: readings[0].At}
	if kg := f.Batch.Record.GetSolidsKg(); kg.GetMicro() > 0 {
		q.DrySolidsKg = ptr(float64(kg.GetMicro()) / float64(One))
	}
	if out.Forecast, err = q.of(c); err != nil {
		return out, running(err)
	}
	if !out.MayBeUsed {
		out.Forecast.note("%s may not be used: the forecast rests on its readings all the same.", f.Instrument.Record.GetInstrumentId())
	}
	if c.StartSolidsPct > 0 {
		onset, err := c.onset()
		switch {
		case err == nil:
			out.Onset = &onset
		case !errors.Is(err, sugar.ErrNoOnset) && !errors.Is(err, ErrInvalid):
			return out, err
		}
	}
	return out, nil
}

// running turns what a calculation refuses into what a batch is not ready for.
func running(err error) error {
	var fe *FieldError
	if !errors.As(err, &fe) {
		return err
	}
	return refuse(ErrState, "lot_code", fe.Cure, "no forecast yet: %s", fe.Problem)
}

// ofInstrument lists the readings of the batch's own instrument in order of
// time, the last one where two share a moment.
func (f RunningFacts) ofInstrument() []RunReading {
	sorted := slices.Clone(f.Readings)
	slices.SortStableFunc(sorted, func(a, b RunReading) int { return a.At.Compare(b.At) })
	var out []RunReading
	for _, r := range sorted {
		if r.Instrument != f.Batch.Record.GetInstrumentId() {
			continue
		}
		if n := len(out); n > 0 && !r.At.After(out[n-1].At.Add(10*time.Millisecond)) {
			out[n-1] = r
			continue
		}
		out = append(out, r)
	}
	return out
}

// cook corrects the readings and adds what the formula says.
func (f RunningFacts) cook(readings []RunReading, judge *thermometry.Corrector, pressure thermometry.Pressure, used *kb.PressureUsed) (cookWorked, error) {
	var c cookWorked
	k := known{pressure: pressure, used: AirUsed{PressureHPa: pressure.HPa, Kind: used.GetKind(), Questioned: used.GetQuestioned()}}
	if used.GetKind() != kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE {
		k.ageHours = float64(used.GetAgeMin()) / 60
	}
	k.used.UHPa = k.terms(1).Expanded()
	c.known = k
	c.source(srcAirU, srcCurve, srcGUM)
	c.PressureHPa, c.UPressureHPa = pressure.HPa, k.used.UHPa/2
	_, c.ResolutionC = DivisionC(f.Instrument.Record)
	for _, r := range readings {
		got := judge.Correct(CelsiusF(r.Value))
		c.Readings = append(c.Readings, sugar.Reading{Minutes: r.At.Sub(readings[0].At).Minutes(), TempC: got.CorrectedC})
		c.lastUC = got.ExpandedC
	}
	curve := judge.Curve()
	c.UC = curve.At(CelsiusF(readings[len(readings)-1].Value)).StandardC
	// Paper taken over leaves the water of a formula out.
	if water := f.Formula.Record.GetWaterFraction(); water != nil {
		pct := 100 * (1 - float64(water.GetMicro())/float64(One))
		if pct >= 10 && pct <= sugar.MaxSolidsPct {
			c.StartSolidsPct = pct
		}
	}
	return c, nil
}

// carryOver sums up past batches of the same formula and vessel.
func (f RunningFacts) carryOver(out *RunningForecast) error {
	var past []sugar.PastPull
	for _, a := range f.Past {
		p, h := a.GetPull(), a.GetHighestAfter()
		if p == nil || h == nil || p.CorrectedMicroC == nil || h.CorrectedMicroC == nil || h.GetCorrectedMicroC() < p.GetCorrectedMicroC() {
			continue
		}
		past = append(past, sugar.PastPull{PullC: float64(p.GetCorrectedMicroC()) / float64(One), HighestC: float64(h.GetCorrectedMicroC()) / float64(One)})
	}
	if len(past) < 3 {
		return nil
	}
	got, err := CarryOverOf(past, nil)
	if err != nil {
		return err
	}
	out.CarryOver = &got
	return nil
}

// target chooses what the cook aims at: the middle, here and today, of the
// gravest limit that binds the pull; of one that binds the highest after it,
// less the usual carry-over.
func (f RunningFacts) target(out *RunningForecast, pressure thermometry.Pressure, used *kb.PressureUsed) error {
	limits := slices.Clone(f.Formula.Record.GetLimits())
	slices.SortStableFunc(limits, func(a, b *kb.Limit) int {
		if x, y := bindsHighest(a), bindsHighest(b); x != y {
			if x {
				return 1
			}
			return -1
		}
		return int(a.GetClass()) - int(b.GetClass())
	})
	if len(limits) == 0 {
		return refuse(ErrState, "lot_code", "give the formula a limit", "formula %s has no limit to aim at", f.Batch.Record.GetFormulaId())
	}
	l := limits[0]
	out.Limit = l
	sum, n := 0.0, 0.0
	for _, t := range []*kb.Temperature{l.GetLow(), l.GetHigh()} {
		if t == nil {
			continue
		}
		b, _, err := f.Settings.moveBound(l, t, pressure, used)
		if err != nil {
			return refuse(ErrState, "lot_code", "enter the formula's limit anew", "limit %q cannot be moved to this kitchen: %v", l.GetName(), err)
		}
		sum, n = sum+b.TempC, n+1
	}
	out.Forecast.TargetC = sum / n
	out.TargetFrom = fmt.Sprintf("limit %q at today's pressure", l.GetName())
	if n == 2 {
		out.TargetFrom = "middle of " + out.TargetFrom
	}
	if !bindsHighest(l) {
		return nil
	}
	if out.CarryOver == nil {
		out.TargetFrom += "; it binds the highest after the pull, and how far this formula climbs in this vessel is not known yet"
		return nil
	}
	pullAt := out.CarryOver.PullAt(out.Forecast.TargetC)
	out.CarryOver.PullAtC = &pullAt
	out.Forecast.TargetC = pullAt
	out.TargetFrom += ", less the usual carry-over"
	return nil
}

func bindsHighest(l *kb.Limit) bool {
	return l.GetBinds() == kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER
}
