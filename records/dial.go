package records

import (
	"fmt"
	"math"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// RackDoc is an instrument of the rack with what its checks showed.
type RackDoc struct {
	// Instrument is its entry in the register.
	Instrument Doc[*kb.Instrument]
	// Points are believed points of it, latest of each kind among them.
	Points []PointDoc
	// Adjusted is the time of its last check with an adjustment; zero when none.
	Adjusted time.Time
	// Check is its latest assessed check.
	Check Doc[*kb.CheckAssessment]
}

// DialFacts is what is known when dial numbers are worked out.
type DialFacts struct {
	// Settings of the site.
	Settings Settings
	// Now is the moment they are for.
	Now time.Time
	// Pressures are kitchen pressures at or before that moment.
	Pressures []PressureDoc
	// Formulas are the latest approved versions.
	Formulas []Doc[*kb.Formula]
	// Rack are the instruments in use.
	Rack []RackDoc
}

// DialToday is one dial for one limit.
type DialToday struct {
	// InstrumentID is the instrument.
	InstrumentID string
	// Number is the number to look for on its scale; nil when it cannot show it.
	Number *kb.Temperature
	// Fit: a mark lies inside, and the window is wider than the uncertainty.
	Fit bool
	// Why says why not, or why only with care.
	Why string
	// MayBeUsed: its last check says so.
	MayBeUsed bool
	// ErrorMicroC is its error there, UMicroC the expanded uncertainty (k = 2) of
	// corrected minus limit, in millionths of a degC.
	ErrorMicroC, UMicroC int64
	// Extrapolated: the number lies beyond its check points.
	Extrapolated bool
	// CheckedAt is the time of its last check; zero when none.
	CheckedAt time.Time
}

// LimitToday is one limit of one formula with the numbers for it.
type LimitToday struct {
	// Formula is the version it belongs to, Limit the limit as written.
	Formula *kb.Formula
	Limit   *kb.Limit
	// LowMicroC and HighMicroC are its bounds today, rounded to 0.01 degC, in
	// millionths of a degC.
	LowMicroC, HighMicroC *int64
	// BeyondData: a bound lies beyond the sucrose data. Guarded: the numbers keep
	// the uncertainty away from the bounds.
	BeyondData, Guarded bool
	// Dials are in the order of the rack.
	Dials []DialToday
	// Best is the instrument to use; empty when none can show the limit.
	Best string
}

// DialNumbers are the numbers to look for today.
type DialNumbers struct {
	// Pressure is the one that they follow from.
	Pressure *kb.PressureUsed
	// Limits are in the order of the formulas.
	Limits []LimitToday
	Worked
}

// Numbers works out, for each limit of the approved formulas, today's pressure
// and each instrument in the rack, the number to look for on that dial, or why
// it cannot show it.
func (f DialFacts) Numbers() (DialNumbers, error) {
	var out DialNumbers
	pressure, used, err := f.Settings.pressureFor(f.Pressures, f.Now)
	if err != nil {
		return out, err
	}
	out.Pressure = used
	out.source(srcAirU, srcWater, srcSyrup, srcCurve, srcPoints, srcGUM, srcVerdict)
	switch {
	case used.GetQuestioned():
		out.note("The latest pressure is out of family with the elevation and is not used: it is probably reduced to sea level.")
	case used.GetKind() == kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE:
		out.note("Nobody read a barometer in the last week: standard atmosphere with an allowance for weather. Read it.")
	case used.GetOld():
		out.note("The pressure was read %s ago: read it again.", DurationText(time.Duration(used.GetAgeMin())*time.Minute))
	}
	if used.GetKind() == kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE {
		out.source(srcAtmosphere)
	}
	judges := make([]*thermometry.Corrector, len(f.Rack))
	points := make([][]PointDoc, len(f.Rack))
	for i, r := range f.Rack {
		points[i] = correctionPoints(r.Points, r.Adjusted, f.Now)
		if judges[i], err = corrector(f.Settings.CurveOptions(), r.Instrument.Record, points[i], f.Now); err != nil {
			return out, err
		}
	}
	for _, formula := range f.Formulas {
		for _, l := range formula.Record.GetLimits() {
			row := LimitToday{Formula: formula.Record, Limit: l, Guarded: l.GetClass() == kb.LimitClass_LIMIT_CLASS_CRITICAL && !f.Settings.Site.GetUnguardedCritical()}
			w, err := f.window(&row, pressure, used)
			if err != nil {
				return out, Within(fmt.Sprintf("formula %s", formula.Record.GetFormulaId()), err)
			}
			if row.BeyondData {
				out.source(srcBeyond)
			}
			var fits []thermometry.Fitness
			for i, r := range f.Rack {
				d, fit, err := f.dial(r, judges[i], points[i], row, w)
				if err != nil {
					return out, err
				}
				row.Dials = append(row.Dials, d)
				fits = append(fits, fit)
			}
			if best := thermometry.BestForLimit(fits); best >= 0 {
				row.Best = row.Dials[best].InstrumentID
			}
			out.Limits = append(out.Limits, row)
		}
	}
	return out, nil
}

// window moves a limit to today's pressure.
func (f DialFacts) window(row *LimitToday, pressure thermometry.Pressure, used *kb.PressureUsed) (thermometry.Window, error) {
	var w thermometry.Window
	for _, end := range []struct {
		t     *kb.Temperature
		bound **thermometry.Bound
		micro **int64
	}{{row.Limit.GetLow(), &w.Low, &row.LowMicroC}, {row.Limit.GetHigh(), &w.High, &row.HighMicroC}} {
		if end.t == nil {
			continue
		}
		b, beyond, err := f.Settings.moveBound(row.Limit, end.t, pressure, used)
		if err != nil {
			return w, err
		}
		m, err := centiMicro(b.TempC)
		if err != nil {
			return w, err
		}
		*end.bound, *end.micro = &b, &m
		row.BeyondData = row.BeyondData || beyond
	}
	return w, nil
}

// dial is one instrument for one limit. An instrument whose last check forbids
// its use has a number, since its error is known, but is not chosen.
func (f DialFacts) dial(r RackDoc, judge *thermometry.Corrector, points []PointDoc, row LimitToday, w thermometry.Window) (DialToday, thermometry.Fitness, error) {
	inst := r.Instrument.Record
	out := DialToday{InstrumentID: inst.GetInstrumentId()}
	if r.Check.Has() {
		out.CheckedAt, out.MayBeUsed = r.Check.Record.GetAt().AsTime(), r.Check.Record.GetMayBeUsed()
	}
	if judge == nil {
		out.Why = whyNotChecked
		if r.Check.Has() {
			out.Why = "nothing is known of its error: " + useText(r.Check.Record)
		}
		return out, thermometry.Fitness{}, nil
	}
	got := lookFor(judge, scaleOfInstrument(inst), w, row.Guarded)
	if r.Check.Has() && unbelieved(r.Check.Record) {
		got.cannot(useText(r.Check.Record))
	}
	if got.CanShow && row.Limit.GetClass() == kb.LimitClass_LIMIT_CLASS_CRITICAL && !supports(points) {
		got.cannot(whyCannot + unsupported(points))
	}
	if got.CanShow {
		n, err := mark(inst, got.Number)
		if err != nil {
			return out, thermometry.Fitness{}, err
		}
		out.Number = n
	}
	errorC, err := thermometry.MicroFromC(spanC(got.Error, InstrumentUnit(inst)))
	if err != nil {
		return out, thermometry.Fitness{}, err
	}
	u, err := thermometry.RoundUpCentiC(got.UC)
	if err != nil {
		return out, thermometry.Fitness{}, err
	}
	out.ErrorMicroC, out.UMicroC = roundMicro(int64(errorC), 10_000), int64(u)
	out.Fit, out.Why, out.Extrapolated = got.Fit(), got.Why, got.Extrapolated
	switch {
	case !out.MayBeUsed:
		// The error is known, so the number is given; another instrument is chosen.
		got.fitness.Fit = thermometry.FitNoMark
		out.Fit = false
		out.Why = useText(r.Check.Record)
	case f.Settings.Day(out.CheckedAt) != f.Settings.Day(f.Now) && out.Why == "":
		out.Why = "not checked today"
	}
	return out, got.fitness, nil
}

// useText says why an instrument may not be used.
func useText(a *kb.CheckAssessment) string {
	switch {
	case unbelieved(a):
		return "out of use: its boiling reading is not believed; repeat it at a proven rolling boil"
	case Standing(a) == kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE:
		return "out of use: its last check is out of tolerance"
	}
	return "out of use: its last check cannot be shown"
}

// scaleOfInstrument is the scale of an instrument as its marks show it.
func scaleOfInstrument(inst *kb.Instrument) scaleOf {
	s := scaleOf{unit: InstrumentUnit(inst), division: float64(inst.GetDivision().GetMicro()) / float64(One)}
	if inst.GetRangeLow() != nil {
		s.low = ptr(float64(inst.GetRangeLow().GetMicro()) / float64(One))
	}
	if inst.GetRangeHigh() != nil {
		s.high = ptr(float64(inst.GetRangeHigh().GetMicro()) / float64(One))
	}
	return s
}

// mark is a number on a scale as a temperature with the digits of the division:
// a whole number of divisions, exactly.
func mark(inst *kb.Instrument, number float64) (*kb.Temperature, error) {
	division := inst.GetDivision()
	n := math.Round(number * float64(One) / float64(division.GetMicro()))
	if !isFinite(n) || math.Abs(n)*float64(division.GetMicro()) > float64(maxMicro) {
		return nil, fmt.Errorf("%w: mark %g", ErrInvalid, number)
	}
	return &kb.Temperature{Micro: int64(n) * division.GetMicro(), Decimals: division.GetDecimals(), Unit: InstrumentUnit(inst)}, nil
}
