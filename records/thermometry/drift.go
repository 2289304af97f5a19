package thermometry

import (
	"math"
	"sort"
	"time"
)

// Observation is the error of one kind of check point at one time.
type Observation struct {
	// Day is the time in days from any fixed day.
	Day float64
	// ErrorC is reading minus true, degC.
	ErrorC float64
	// StandardC is the standard uncertainty of the error, degC (0 or more).
	StandardC float64
	// Adjusted: the instrument was adjusted after the observation before, so the
	// two are not joined.
	Adjusted bool
}

// checkHistory refuses what is not finite or runs backwards.
func checkHistory(history []Observation) error {
	for i, o := range history {
		if err := withinAll(
			input{"day", o.Day, -1e7, 1e7},
			input{"errorC", o.ErrorC, -largestC, largestC},
			input{"standardC", o.StandardC, 0, largestC},
		); err != nil {
			return err
		}
		if i > 0 && o.Day < history[i-1].Day {
			return &InputError{"day", o.Day, ErrInconsistent}
		}
	}
	return nil
}

// Segments splits a history, in order of time, at the adjustments. Nothing is
// ever joined across one.
func Segments(history []Observation) [][]Observation {
	var out [][]Observation
	for i, o := range history {
		if i == 0 || o.Adjusted {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], o)
	}
	return out
}

// ChartSegment holds the charts of the errors between two adjustments.
type ChartSegment struct {
	// History are the observations.
	History []Observation
	// Individuals and EWMA are the charts; the average's target is the mean of
	// the segment. Both are nil for a single observation.
	Individuals *Individuals
	// EWMA: see Individuals.
	EWMA *EWMA
}

// ErrorCharts makes individuals and EWMA charts of a history in order of time,
// one segment for each stretch between adjustments. The standard deviation comes
// from the moving ranges, and is never taken below the mean uncertainty of the
// observations: a display that shows the same digits every day proves no more
// than its digits. Errors: InputError, ErrTooFew for an empty history.
func ErrorCharts(history []Observation, weight float64) ([]ChartSegment, error) {
	if len(history) == 0 {
		return nil, ErrTooFew
	}
	if err := checkHistory(history); err != nil {
		return nil, err
	}
	var out []ChartSegment
	for _, segment := range Segments(history) {
		s := ChartSegment{History: segment}
		if len(segment) > 1 {
			values := make([]float64, len(segment))
			for i, o := range segment {
				values[i] = o.ErrorC
			}
			single, err := individuals(values, meanStandard(segment))
			if err != nil {
				return nil, err
			}
			average, err := EWMAChart(values, weight, single.Mean, single.Sigma)
			if err != nil {
				return nil, err
			}
			s.Individuals, s.EWMA = &single, &average
		}
		out = append(out, s)
	}
	return out, nil
}

// meanStandard is the root mean square of the observations' uncertainties.
func meanStandard(history []Observation) float64 {
	sum := 0.0
	for _, o := range history {
		sum += o.StandardC * o.StandardC
	}
	return math.Sqrt(sum / float64(len(history)))
}

// Drift is the error of one kind of check point against time, since the last
// adjustment.
type Drift struct {
	// Line is the regression of error on day.
	Line Line
	// Points is the number of observations since the last adjustment.
	Points int
	// FromDay and ToDay are the first and the last of them.
	FromDay, ToDay float64
	// ToleranceC is what the error may be, degC.
	ToleranceC float64
	// Confidence is that of the prediction interval.
	Confidence float64
	// SlopeShown: the slope's own interval does not hold zero.
	SlopeShown bool
	// ExitDay is when the line leaves the tolerance, ToDay when it is out
	// already; +Inf when it does not within ten years.
	ExitDay float64
	// EarliestExitDay is when the prediction interval first leaves the
	// tolerance; +Inf when it does not within ten years.
	EarliestExitDay float64

	residual float64 // residual standard deviation, with the readings' own as floor
	factor   float64 // Student's
}

// horizonDays bounds forecasts: ten years.
const horizonDays = 3650

// FitDrift fits the observations since the last adjustment, in order of time.
// The tolerance is in degC (above 0 to 1000), the confidence between 0 and 1
// (0.95 is usual). Fewer than three observations since the adjustment are
// ErrTooFew, all on one day ErrInconsistent, a refused input an InputError.
func FitDrift(history []Observation, toleranceC, confidence float64) (Drift, error) {
	if err := within("toleranceC", toleranceC, math.SmallestNonzeroFloat64, 1000); err != nil {
		return Drift{}, err
	}
	if err := checkHistory(history); err != nil {
		return Drift{}, err
	}
	segments := Segments(history)
	if len(segments) == 0 || len(segments[len(segments)-1]) < 3 {
		return Drift{}, ErrTooFew
	}
	last := segments[len(segments)-1]
	days, errs := make([]float64, len(last)), make([]float64, len(last))
	for i, o := range last {
		days[i], errs[i] = o.Day, o.ErrorC
	}
	line, err := FitLine(days, errs)
	if err != nil {
		return Drift{}, err
	}
	factor, err := studentHalf(confidence, line.Freedom)
	if err != nil {
		return Drift{}, err
	}
	d := Drift{
		Line: line, Points: len(last), FromDay: last[0].Day, ToDay: last[len(last)-1].Day,
		ToleranceC: toleranceC, Confidence: confidence,
		residual: math.Max(line.Residual, meanStandard(last)), factor: factor,
	}
	d.SlopeShown = math.Abs(line.Slope) > factor*d.residual/math.Sqrt(line.spreadX)
	d.ExitDay = d.leaves(func(day float64) float64 { return math.Abs(d.Line.At(day)) })
	d.EarliestExitDay = d.leaves(func(day float64) float64 {
		low, high := d.Predict(day)
		return math.Max(-low, high)
	})
	return d, nil
}

// Predict is the prediction interval of an error observed on a day, degC. Its
// residual standard deviation is never taken below the uncertainty of the
// observations.
func (d Drift) Predict(day float64) (lowC, highC float64) {
	x := day - d.Line.meanX
	half := d.factor * d.residual * math.Sqrt(1+1/float64(d.Points)+x*x/d.Line.spreadX)
	return d.Line.At(day) - half, d.Line.At(day) + half
}

// SlopeStandardPerDay is the standard uncertainty of the line's slope, degC per
// day. As in Predict, the residual standard deviation is never taken below the
// uncertainty of the observations.
func (d Drift) SlopeStandardPerDay() float64 { return d.residual / math.Sqrt(d.Line.spreadX) }

// leaves is the first day from ToDay on at which a size exceeds the tolerance.
func (d Drift) leaves(size func(day float64) float64) float64 {
	if size(d.ToDay) > d.ToleranceC {
		return d.ToDay
	}
	for ahead := 1.0; ahead <= horizonDays; ahead++ {
		if size(d.ToDay+ahead) <= d.ToleranceC {
			continue
		}
		low, high := d.ToDay+ahead-1, d.ToDay+ahead
		for range 40 {
			if middle := (low + high) / 2; size(middle) > d.ToleranceC {
				high = middle
			} else {
				low = middle
			}
		}
		return high
	}
	return math.Inf(1)
}

// usualIntervalsDays are the intervals that are suggested, longest first; a
// year is the most that published rules allow between calibrations at working
// temperature.
var usualIntervalsDays = []int{365, 180, 90, 30, 7, 1}

// SuggestedIntervalDays is a usual interval until the next calibration at
// working temperature: the longest of 365, 180, 90, 30, 7 and 1 days within
// which the prediction interval stays inside the tolerance; 0 when it does not
// now.
func (d Drift) SuggestedIntervalDays() int {
	for _, days := range usualIntervalsDays {
		if d.ToDay+float64(days) <= d.EarliestExitDay {
			return days
		}
	}
	return 0
}

// Month counts calendar months, so that neighbours differ by one.
type Month int

// MonthOf is the month of a year and a month.
func MonthOf(year int, month time.Month) Month { return Month(year*12 + int(month) - 1) }

// ThreeMonthsRunning reports whether an instrument was adjusted in each of three
// calendar months running, given the months of its adjustments in any order:
// such an instrument is replaced (a published inspection procedure).
func ThreeMonthsRunning(adjustments []Month) bool {
	sorted := append([]Month(nil), adjustments...)
	sort.Slice(sorted, func(i, j int) bool { return sorted[i] < sorted[j] })
	running := 0
	for i, m := range sorted {
		switch {
		case i == 0 || m > sorted[i-1]+1:
			running = 1
		case m == sorted[i-1]+1:
			running++
		}
		if running == 3 {
			return true
		}
	}
	return false
}
