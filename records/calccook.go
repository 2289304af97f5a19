package records

import (
	"math"
	"slices"
	"time"

	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// CookReading is one reading of a cook.
type CookReading struct {
	// Minutes on any clock that runs through the cook.
	Minutes float64
	// Temp is what was read: degrees of the dial's scale, or corrected degC.
	Temp float64
}

// CookAsked is a running cook as stated for a calculation.
type CookAsked struct {
	// Readings in order of time.
	Readings []CookReading
	// Dial is what they were read on; nil when they are corrected already.
	Dial *Dial
	// ReadingsUC is the expanded uncertainty (k = 2) that corrected readings share,
	// ReadToC what they are read to, degC.
	ReadingsUC, ReadToC float64
	// Air is the air in the kitchen.
	Air Air
	// StartSolidsPct are the solids at the start, StartSolidsUPct their expanded
	// uncertainty, per cent.
	StartSolidsPct, StartSolidsUPct *float64
	// Blend is what is dissolved; sucrose alone when empty.
	Blend []sugar.Component
}

// cookWorked is a cook ready for the sciences.
type cookWorked struct {
	sugar.Cook
	known known
	// lastUC is the expanded uncertainty of the last reading.
	lastUC float64
	Worked
}

// maxCookReadings is the most readings of one cook.
const maxCookReadings = 10_000

// work corrects the readings and turns solids of a blend into sucrose-equivalent
// ones.
func (q CookAsked) work(field string) (cookWorked, error) {
	var out cookWorked
	k, err := q.Air.work(field + ".air")
	if err != nil {
		return out, err
	}
	out.known = k
	out.also(k.Worked)
	out.PressureHPa, out.UPressureHPa = k.pressure.HPa, k.used.UHPa/2
	if n := len(q.Readings); n < 3 || n > maxCookReadings {
		return out, invalid(field+".readings", "give 3 to 10000 readings", "%d readings", n)
	}
	if err := allIn(span{field + ".readings_u_c", q.ReadingsUC, 0, 50, "degC"}, span{field + ".read_to_c", q.ReadToC, 0, 50, "degC"}); err != nil {
		return out, err
	}
	out.UC, out.ResolutionC = q.ReadingsUC/2, q.ReadToC
	correct := func(temp float64) float64 { return temp }
	low, high := -50.0, 300.0
	last := q.Readings[len(q.Readings)-1].Temp
	if q.Dial != nil {
		unit := q.Dial.Unit
		j, err := q.Dial.judge(field+".dial", &k, celsius(last, unit))
		if err != nil {
			return out, err
		}
		out.also(j.Worked)
		correct = func(temp float64) float64 { return j.judge.Correct(celsius(temp, unit)).CorrectedC }
		low, high = onScale(low, unit), onScale(high, unit)
		// The readings share the error of the correction, not their own digits.
		curve := j.judge.Curve()
		at := j.judge.Correct(celsius(last, unit))
		out.UC, out.ResolutionC, out.lastUC = curve.At(celsius(last, unit)).StandardC, j.cook.ReadToC, at.ExpandedC
	} else {
		out.lastUC = 2 * math.Hypot(out.UC, thermometry.ReadingTerm(q.ReadToC).StandardC)
	}
	for i, r := range q.Readings {
		at := indexed(field+".readings", i)
		if err := allIn(span{at + ".minutes", r.Minutes, -1e6, 1e6, "minutes"}, span{at + ".temp", r.Temp, low, high, "degrees"}); err != nil {
			return out, err
		}
		if i > 0 && r.Minutes <= q.Readings[i-1].Minutes {
			return out, invalid(at+".minutes", "give readings in order of time, no two at one time", "does not come after the reading before")
		}
		t := correct(r.Temp)
		if err := finiteIn(at+".temp", t, -50, 300, "degC, corrected"); err != nil {
			return out, err
		}
		out.Readings = append(out.Readings, sugar.Reading{Minutes: r.Minutes, TempC: t})
	}
	return out, out.solids(field, q)
}

func (c *cookWorked) solids(field string, q CookAsked) error {
	b, estimate, err := blendOf(field+".blend", q.Blend, &c.Worked)
	if err != nil {
		return err
	}
	if q.StartSolidsPct == nil {
		return nil
	}
	if err := finiteIn(field+".start_solids_pct", *q.StartSolidsPct, 10, sugar.MaxSolidsPct, "%"); err != nil {
		return err
	}
	if err := optional(field+".start_solids_u_pct", q.StartSolidsUPct, 50, "percentage points"); err != nil {
		return err
	}
	c.StartSolidsPct, c.UStartSolidsPct = *q.StartSolidsPct, or(q.StartSolidsUPct, 0)/2
	if estimate {
		c.StartSolidsPct = b.EquivalentPct(*q.StartSolidsPct)
		if c.StartSolidsPct < 10 || c.StartSolidsPct > sugar.MaxSolidsPct {
			return invalid(field+".start_solids_pct", "check solids and blend", "means %.3g %% sucrose-equivalent solids", c.StartSolidsPct)
		}
	}
	return nil
}

// ForecastAsked is what a forecast is worked out from.
type ForecastAsked struct {
	// Cook is the running cook.
	Cook CookAsked
	// TargetC is where to, corrected degC; or Limit, whose middle here is aimed at.
	TargetC *float64
	Limit   *CookLimit
	// NextMinutes is the time to the next reading; the usual gap when nil.
	NextMinutes *float64
	// DrySolidsKg is the mass of dry solids, kilograms.
	DrySolidsKg *float64
	// Ease is how the heat is taken back; common practice when nil.
	Ease *sugar.EaseOff
	// ClockZero is the time at which the readings' clock shows 0; zero: no clock.
	ClockZero time.Time
}

// ForecastFound is when a cook gets there.
type ForecastFound struct {
	// Forecast is the forecast.
	sugar.Forecast
	// TargetC is the target, LastC the last reading corrected, LastUC its expanded
	// uncertainty (k = 2), degC.
	TargetC, LastC, LastUC float64
	// Stage is the stage of the last reading.
	Stage string
	// NextMinutes is the time to the next reading, as taken.
	NextMinutes float64
	// EndAt, EndLowAt and EndHighAt are clock times; zero without a clock.
	EndAt, EndLowAt, EndHighAt time.Time
	// Air is the pressure it follows from.
	Air AirUsed
	Worked
}

// ForecastOf says when a running cook reaches its target, with a 90 % interval,
// and warns when the target may be passed before the next reading. Errors:
// ErrInvalid.
func ForecastOf(q ForecastAsked) (ForecastFound, error) {
	c, err := q.Cook.work("cook")
	if err != nil {
		return ForecastFound{}, err
	}
	return q.of(c)
}

// of forecasts a cook whose readings are corrected.
func (q ForecastAsked) of(c cookWorked) (ForecastFound, error) {
	last := c.Readings[len(c.Readings)-1]
	out := ForecastFound{Air: c.known.used, LastC: last.TempC, LastUC: c.lastUC}
	out.also(c.Worked)
	if err := q.target(&out, c.known); err != nil {
		return out, err
	}
	if err := optional("next_minutes", q.NextMinutes, 1e6, "minutes"); err != nil {
		return out, err
	}
	out.NextMinutes = or(q.NextMinutes, usualGap(c.Readings))
	c.Readings = thinned(c.Readings)
	if err := optional("dry_solids_kg", q.DrySolidsKg, 100_000, "kg"); err != nil {
		return out, err
	}
	c.DrySolidsKg = or(q.DrySolidsKg, 0)
	ease, err := q.easeOff(&out.Worked)
	if err != nil {
		return out, err
	}
	if out.Forecast, err = syrup.Forecast(c.Cook, out.TargetC, out.NextMinutes, ease); err != nil {
		return out, refused("cook.readings", err)
	}
	place, err := syrup.StageAt(last.TempC, c.PressureHPa)
	if err != nil {
		return out, refused("cook.readings", err)
	}
	out.Stage = place.Label
	out.source("forecast: heat balance of the pan (derived; no published rule was found), latent heat IAPWS, specific heat Geankoplis", srcSyrup, srcWater, srcStages)
	out.note("The interval holds the end in 9 cases of 10; it does not know of cream, butter or nuts that will go in.")
	if out.BeyondData {
		out.note("The target lies beyond the sucrose data: the last stretch is our inference, the interval wider.")
	}
	if !q.ClockZero.IsZero() {
		at := func(minutes float64) time.Time {
			return q.ClockZero.Add(time.Duration(math.Round(minutes*60)) * time.Second)
		}
		out.EndAt, out.EndLowAt, out.EndHighAt = at(out.EndMinutes), at(out.EndLow), at(out.EndHigh)
	}
	return out, nil
}

func (q ForecastAsked) easeOff(w *Worked) (sugar.EaseOff, error) {
	if q.Ease == nil {
		w.source("heat taken back over the last 2 degC: " + srcPractice)
		return sugar.EaseOff{}, nil
	}
	e := *q.Ease
	return e, allIn(span{"ease.within_c", e.WithinC, 0, 50, "degC"}, span{"ease.share", e.Share, 0.05, 1, ""}, span{"ease.share_standard", e.UShare, 0, 1, ""})
}

func (q ForecastAsked) target(out *ForecastFound, k known) error {
	switch {
	case q.TargetC != nil:
		out.TargetC = *q.TargetC
	case q.Limit != nil:
		moved, err := q.Limit.move("limit", k)
		if err != nil {
			return err
		}
		out.also(moved.Worked)
		out.TargetC = moved.middleC()
		return finiteIn("limit", out.TargetC, 50, 250, "degC")
	default:
		return invalid("target_c", "give the target, or the limit of the cook", "is missing")
	}
	return finiteIn("target_c", out.TargetC, 50, 250, "degC")
}

// usualGap is the middle gap between the last readings, minutes.
func usualGap(readings []sugar.Reading) float64 {
	var gaps []float64
	for i := max(1, len(readings)-8); i < len(readings); i++ {
		gaps = append(gaps, readings[i].Minutes-readings[i-1].Minutes)
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

// thinnedMinutes is how far apart readings are taken from a probe that writes
// faster: their noise, not their step, would tell the rise otherwise. mostReadings
// is how many are looked at, further apart when a cook is longer.
const (
	thinnedMinutes = 0.25
	mostReadings   = 600
)

// thinned leaves out readings that follow too closely, never the last one, when
// enough are left.
func thinned(readings []sugar.Reading) []sugar.Reading {
	const enough, slack = 8, 1e-3
	last := len(readings) - 1
	gap := math.Max(thinnedMinutes, (readings[last].Minutes-readings[0].Minutes)/mostReadings)
	var out []sugar.Reading
	for i, r := range readings {
		switch {
		case len(out) == 0 || r.Minutes-out[len(out)-1].Minutes >= gap-slack:
			out = append(out, r)
		case i == last:
			out[len(out)-1] = r
		}
	}
	if len(out) < enough && len(readings) <= mostReadings {
		return readings
	}
	return out
}

// CarryFound is the carry-over of past batches.
type CarryFound struct {
	// CarryOver is the rise and its spread.
	sugar.CarryOver
	// RiseUC is the expanded uncertainty (k = 2) of the mean rise, degC.
	RiseUC float64
	// PullAtC is where to pull for a target, corrected degC; nil without one.
	PullAtC *float64
	Worked
}

// CarryOverOf says how far past batches of one formula in one vessel climbed
// after the pull, and where to pull to end at targetC (degC; may be nil). Errors:
// ErrInvalid.
func CarryOverOf(past []sugar.PastPull, targetC *float64) (CarryFound, error) {
	var out CarryFound
	if len(past) < 3 || len(past) > 1000 {
		return out, invalid("past", "give 3 to 1000 past batches", "%d batches", len(past))
	}
	for i, p := range past {
		at := indexed("past", i)
		if err := allIn(span{at + ".pull_c", p.PullC, -50, 300, "degC"}, span{at + ".highest_c", p.HighestC, -50, 300, "degC"}); err != nil {
			return out, err
		}
		if p.HighestC < p.PullC {
			return out, invalid(at+".highest_c", "the highest after the pull is not below it", "%g degC lies below the pull at %g degC", p.HighestC, p.PullC)
		}
	}
	got, err := sugar.CarryOverFor(past, past[0].Formula, past[0].Vessel)
	if err != nil {
		return out, refused("past", err)
	}
	out.CarryOver, out.RiseUC = got, 2*got.ScatterC/math.Sqrt(float64(got.Batches))
	out.source("carry-over: mean of past batches, spread by Student's t (9 times in 10)", srcGUM)
	if targetC != nil {
		if err := finiteIn("target_c", *targetC, 0, 300, "degC"); err != nil {
			return out, err
		}
		out.PullAtC = ptr(got.PullAt(*targetC))
	}
	return out, nil
}

// OnsetFound is where a cook began to boil against where it should.
type OnsetFound struct {
	// OnsetHint is the hint.
	sugar.OnsetHint
	// Air is the pressure it follows from.
	Air AirUsed
	Worked
}

// OnsetOf compares where a cook started to boil with where its solids should: a
// hint on the instrument, never a check. Errors: ErrInvalid.
func OnsetOf(q CookAsked) (OnsetFound, error) {
	if q.StartSolidsPct == nil {
		return OnsetFound{}, invalid("cook.start_solids_pct", "give the solids in the pan at the start", "is missing")
	}
	c, err := q.work("cook")
	if err != nil {
		return OnsetFound{}, err
	}
	return c.onset()
}

func (c cookWorked) onset() (OnsetFound, error) {
	out := OnsetFound{Air: c.known.used}
	out.also(c.Worked)
	c.Readings = thinned(c.Readings)
	got, err := syrup.OnsetHint(c.Cook)
	if err != nil {
		return out, refused("cook.readings", err)
	}
	out.OnsetHint = got
	out.source(srcSyrup, srcWater, srcGUM, "solids at the start, 3 percentage points: our inference, no source")
	out.note("A hint, never a check: a formula weighed wrong or boiled down before the first reading gives the same sign.")
	return out, nil
}

// WitnessFound is what a second witness says.
type WitnessFound struct {
	// Agreement is the answer.
	sugar.Agreement
	// Air is the pressure it follows from.
	Air AirUsed
	Worked
}

// WitnessOf sets a cold-water test (a stage) or a refractometer (brix with
// expanded uncertainty brixU, 1 when nil) against a corrected temperature (degC,
// with expanded uncertainty uC) in air. Errors: ErrInvalid.
func WitnessOf(stage string, brix, brixU *float64, tempC, uC float64, a Air) (WitnessFound, error) {
	k, err := a.work("air")
	if err != nil {
		return WitnessFound{}, err
	}
	out := WitnessFound{Air: k.used}
	out.also(k.Worked)
	if err := allIn(span{"temp_c", tempC, 0, 300, "degC"}, span{"temp_u_c", uC, 0, 50, "degC"}); err != nil {
		return out, err
	}
	// Where a stage begins moves with the pressure, so its uncertainty counts too.
	slope, err := thermometry.BoilingSlopeCPerHPa(k.pressure.HPa)
	if err != nil {
		return out, refused("air", err)
	}
	uC = math.Hypot(uC, slope*k.used.UHPa)
	out.source(srcStages, srcSyrup, srcWater, srcGUM)
	if brix != nil {
		if err := allIn(span{"brix", *brix, 0, sugar.MaxSolidsPct, "degrees Brix"}, span{"brix_u", or(brixU, 1), 0, 20, "degrees Brix"}); err != nil {
			return out, err
		}
		out.source(srcSpread)
		out.Agreement, err = syrup.RefractometerWitness(*brix, or(brixU, 1), tempC, uC, k.pressure.HPa)
		return out, refused("brix", err)
	}
	if stage == "" {
		return out, invalid("cold_water_stage", "give the stage that the cold-water test found, or the Brix reading", "is missing")
	}
	out.Agreement, err = syrup.SecondWitness(stage, tempC, uC, k.pressure.HPa)
	return out, refused("cold_water_stage", err)
}
