package records

import (
	"math"
	"strings"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// RackReading is one instrument in a bath with others. Reading, ReadTo,
// Correction and CorrectionU are in degrees of its scale.
type RackReading struct {
	// Name is the instrument.
	Name string
	// Unit is its scale.
	Unit kb.TemperatureUnit
	// Reading is what it showed, ReadTo the step it is read to.
	Reading, ReadTo float64
	// Correction is added to the reading; CorrectionU is its expanded uncertainty
	// (k = 2), for an instrument as read when nil.
	Correction  float64
	CorrectionU *float64
}

// RackFound is the result of one comparison of a rack.
type RackFound struct {
	// RackComparison is the result.
	thermometry.RackComparison
	Worked
}

// CompareRackOf compares the instruments of a rack in one bath with a reference
// and names the odd one. bathUC is the expanded uncertainty (k = 2) between two
// places of the bath, degC; nil takes 0.1. Errors: ErrInvalid.
func CompareRackOf(reference RackReading, rack []RackReading, bathUC *float64) (RackFound, error) {
	var out RackFound
	if len(rack) == 0 || len(rack) > maxRack {
		return out, invalid("rack", "give 1 to 50 instruments", "%d instruments", len(rack))
	}
	if err := optional("bath_u_c", bathUC, 20, "degC"); err != nil {
		return out, err
	}
	ref, err := reference.work("reference", &out.Worked)
	if err != nil {
		return out, err
	}
	var all []thermometry.RackReading
	for i, r := range rack {
		got, err := r.work(indexed("rack", i), &out.Worked)
		if err != nil {
			return out, err
		}
		for _, other := range append(all, ref) {
			if other.Name == got.Name {
				return out, invalid(indexed("rack", i)+".name", "give each instrument a name of its own", "%q is there twice", got.Name)
			}
		}
		all = append(all, got)
	}
	if out.RackComparison, err = thermometry.CompareRack(ref, all, or(bathUC, 0)/2); err != nil {
		return out, refused("rack", err)
	}
	out.source("comparison in one bath: difference over its uncertainty (as between laboratories), odd one by leaving out", srcGUM)
	if bathUC == nil {
		out.source("bath not the same everywhere, 0.1 degC: our judgement, no source")
	}
	return out, nil
}

func (r RackReading) work(field string, w *Worked) (thermometry.RackReading, error) {
	var out thermometry.RackReading
	if err := text(field+".name", r.Name, 1, 40); err != nil {
		return out, err
	}
	if r.Unit == kb.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED {
		return out, invalid(field+".unit", "degC or degF, as printed on the dial", "is missing")
	}
	if err := aboveZero(field+".read_to", r.ReadTo, 50, "degrees of the scale"); err != nil {
		return out, err
	}
	if err := allIn(
		span{field + ".reading", r.Reading, onScale(-100, r.Unit), onScale(480, r.Unit), "degrees of the scale"},
		span{field + ".correction", r.Correction, -100, 100, "degrees of the scale"},
		span{field + ".correction_u", or(r.CorrectionU, 0), 0, 50, "degrees of the scale"},
	); err != nil {
		return out, err
	}
	standardC := spanC(or(r.CorrectionU, 0), r.Unit) / thermometry.CoverageFactor
	if r.CorrectionU == nil {
		tolerance := 1.0
		if r.Unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
			tolerance = spanC(2, r.Unit)
		}
		standardC = tolerance / math.Sqrt(3)
		w.note("%s is taken as read: anywhere within its tolerance.", r.Name)
	}
	return thermometry.RackReading{
		Name: r.Name, ReadingC: celsius(r.Reading, r.Unit), ReadToC: spanC(r.ReadTo, r.Unit),
		CorrectionC: spanC(r.Correction, r.Unit), StandardC: standardC,
	}, nil
}

// DriftPoint is the error found at one check.
type DriftPoint struct {
	// At is when.
	At time.Time
	// ErrorC is reading minus true value, UC its expanded uncertainty (k = 2), degC.
	ErrorC, UC float64
	// Adjusted: the instrument was adjusted after the point before.
	Adjusted bool
}

// DriftAsked is what a drift is worked out from.
type DriftAsked struct {
	// Points are of one kind, in order of time.
	Points []DriftPoint
	// ToleranceC is what is allowed of the error, degC; 1 when nil.
	ToleranceC *float64
	// Confidence is of the prediction interval, Weight of the newest value in the
	// moving average, both fractions; 0.95 and 0.3 when nil.
	Confidence, Weight *float64
	// PredictAt asks for the error at a time; zero: not asked.
	PredictAt time.Time
}

// DriftChart is one stretch between adjustments.
type DriftChart struct {
	// First is its first point, counted from 0 over all.
	First int
	// ChartSegment holds the charts.
	thermometry.ChartSegment
}

// DriftFound is an instrument's error against time.
type DriftFound struct {
	// Trend is the line since the last adjustment; nil with fewer than three points.
	Trend *thermometry.Drift
	// ExitAt and EarliestExitAt are when line and interval leave the tolerance; zero
	// when not within ten years.
	ExitAt, EarliestExitAt time.Time
	// LastErrorC is the error by the line at the last point, degC.
	LastErrorC float64
	// IntervalDays is the suggested interval; 0: calibrate now.
	IntervalDays int
	// PredictedLowC and PredictedHighC are the interval at the time asked for, degC.
	PredictedLowC, PredictedHighC *float64
	// Charts are the stretches between adjustments.
	Charts []DriftChart
	// Replace: adjusted in each of three months running.
	Replace bool
	Worked
}

// maxDriftPoints is the most points of one history.
const maxDriftPoints = 5000

// daysBetween is the time from one moment to another, days.
func daysBetween(from, to time.Time) float64 { return to.Sub(from).Hours() / 24 }

// DriftOf draws the errors of an instrument at one kind of point against time.
// Errors: ErrInvalid.
func DriftOf(q DriftAsked) (DriftFound, error) {
	var out DriftFound
	history, err := q.history()
	if err != nil {
		return out, err
	}
	for _, o := range []struct {
		field     string
		v         *float64
		low, high float64
		unit      string
	}{{"tolerance_c", q.ToleranceC, 1e-3, 100, "degC"}, {"confidence", q.Confidence, 0.5, 0.999, ""}, {"weight", q.Weight, 0.001, 1, ""}} {
		if o.v == nil {
			continue
		}
		if err := finiteIn(o.field, *o.v, o.low, o.high, o.unit); err != nil {
			return out, err
		}
	}
	segments, err := thermometry.ErrorCharts(history, or(q.Weight, thermometry.DefaultEWMAWeight))
	if err != nil {
		return out, refused("points", err)
	}
	first := 0
	for _, s := range segments {
		out.Charts = append(out.Charts, DriftChart{First: first, ChartSegment: s})
		first += len(s.History)
	}
	var months []thermometry.Month
	for _, p := range q.Points {
		if p.Adjusted {
			months = append(months, thermometry.MonthOf(p.At.UTC().Year(), p.At.UTC().Month()))
		}
	}
	out.source("charts of single values and moving averages: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2", srcGUM)
	if out.Replace = thermometry.ThreeMonthsRunning(months); out.Replace {
		out.note("Adjusted in each of three calendar months running: replace it.")
		out.source("three months running: a published inspection procedure")
	}
	return out, out.trend(q, history)
}

// history is the points with the time in days since the first.
func (q DriftAsked) history() ([]thermometry.Observation, error) {
	if len(q.Points) == 0 || len(q.Points) > maxDriftPoints {
		return nil, invalid("points", "give 1 to 5000 points", "%d points", len(q.Points))
	}
	var out []thermometry.Observation
	for i, p := range q.Points {
		at := indexed("points", i)
		if y := p.At.Year(); y < 1950 || y > 2200 {
			return nil, invalid(at+".at", "give the time of the check", "is missing or no time")
		}
		if i > 0 && p.At.Before(q.Points[i-1].At) {
			return nil, invalid(at+".at", "give points in order of time", "lies before the point before")
		}
		if err := allIn(span{at + ".error_c", p.ErrorC, -100, 100, "degC"}, span{at + ".u_c", p.UC, 0, 100, "degC"}); err != nil {
			return nil, err
		}
		out = append(out, thermometry.Observation{
			Day: daysBetween(q.Points[0].At, p.At), ErrorC: p.ErrorC, StandardC: p.UC / thermometry.CoverageFactor, Adjusted: p.Adjusted,
		})
	}
	return out, nil
}

func (d *DriftFound) trend(q DriftAsked, history []thermometry.Observation) error {
	if y := q.PredictAt.Year(); !q.PredictAt.IsZero() && (y < 1950 || y > 2200) {
		return invalid("predict_at", "check the date", "year %d", y)
	}
	segments := thermometry.Segments(history)
	if last := segments[len(segments)-1]; len(last) < 3 || last[0].Day == last[len(last)-1].Day {
		d.note("A trend needs three points since the last adjustment, on more than one day.")
		return nil
	}
	got, err := thermometry.FitDrift(history, or(q.ToleranceC, 1), or(q.Confidence, 0.95))
	if err != nil {
		return refused("points", err)
	}
	d.Trend = &got
	d.LastErrorC, d.IntervalDays = got.Line.At(got.ToDay), got.SuggestedIntervalDays()
	at := func(day float64) time.Time {
		if !isFinite(day) {
			return time.Time{}
		}
		return q.Points[0].At.Add(time.Duration(day * 24 * float64(time.Hour)))
	}
	d.ExitAt, d.EarliestExitAt = at(got.ExitDay), at(got.EarliestExitDay)
	if !q.PredictAt.IsZero() {
		low, high := got.Predict(daysBetween(q.Points[0].At, q.PredictAt))
		d.PredictedLowC, d.PredictedHighC = &low, &high
	}
	d.source("trend: regression with prediction interval by Student's t (checked on NIST StRD Norris)",
		"suggested interval: the longest usual one within which the prediction interval stays inside the tolerance (our rule)")
	if d.IntervalDays == 0 {
		d.note("The prediction interval is out of tolerance already: calibrate now.")
	}
	return nil
}

// StemFound is the correction of an emergent column.
type StemFound struct {
	// CorrectionC is to be added to the reading, UC its expanded uncertainty (k =
	// 2), degC.
	CorrectionC, UC float64
	Worked
}

// StemCorrectionOf corrects a liquid-in-glass thermometer made for total
// immersion whose column stands out of the bath by emergentC degrees of its
// scale; bath and mean stem temperature in degC. Errors: ErrInvalid.
func StemCorrectionOf(liquid thermometry.StemLiquid, emergentC, bathC, stemC float64) (StemFound, error) {
	var out StemFound
	if err := allIn(span{"emergent_c", emergentC, 0, 500, "degC"}, span{"bath_c", bathC, -100, 500, "degC"}, span{"stem_c", stemC, -100, 500, "degC"}); err != nil {
		return out, err
	}
	got, err := thermometry.StemCorrectionC(liquid, emergentC, bathC, stemC)
	if err != nil {
		return out, refused("emergent_c", err)
	}
	// The coefficient to 10 per cent, the mean stem temperature to 10 degC.
	const uCoefficient, uStemC = 0.1, 10.0
	out.CorrectionC = got
	out.UC = 2 * math.Hypot(uCoefficient*got, liquid.PerC()*emergentC*uStemC/math.Sqrt(3))
	out.source("emergent stem: k n (bath - stem)", "k of mercury 0.00016 per degC, read; of spirit 0.001 per degC, from memory",
		"uncertainty: k to 10 %, stem temperature to 10 degC (our inference)", srcGUM)
	out.note("Only for a thermometer made for total immersion.")
	return out, nil
}

// SensorFound are makers' tolerances at a temperature.
type SensorFound struct {
	// Classes hold at the temperature; ToleranceC are theirs, degC either way.
	Classes    []thermometry.SensorTolerance
	ToleranceC []float64
	Worked
}

// SensorTolerancesAt gives the makers' tolerances of sensor classes at tempC
// (degC): of the class named, or of all that hold there. Errors: ErrInvalid.
func SensorTolerancesAt(class string, tempC float64) (SensorFound, error) {
	var out SensorFound
	if err := finiteIn("temp_c", tempC, -200, 1200, "degC"); err != nil {
		return out, err
	}
	var names []string
	for _, s := range thermometry.SensorTolerances() {
		names = append(names, s.Name)
		if class != "" && !strings.EqualFold(class, s.Name) {
			continue
		}
		tolerance, err := s.AtC(tempC)
		switch {
		case err == nil:
			out.Classes, out.ToleranceC = append(out.Classes, s), append(out.ToleranceC, tolerance)
		case class != "":
			return out, invalid("temp_c", "", "%s holds from %g to %g degC", s.Name, s.LowC, s.HighC)
		}
	}
	if len(out.Classes) == 0 {
		return out, invalid("sensor_class", "one of "+strings.Join(names, ", "), "%q is not known", class)
	}
	out.source("IEC 60584-1:2013 (thermocouples), IEC 60751 (resistance sensors); ranges of the latter from memory")
	out.note("A maker's tolerance is a limit of error, not an uncertainty: taken as rectangular, U is 1.15 times as much.")
	return out, nil
}
