package thermometry_test

import (
	"errors"
	"math"
	"testing"
	"time"

	. "kettlebook/records/thermometry"
)

// NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits
// 55.8041 and 45.8159.
func TestIndividualsOfTheHandbook(t *testing.T) {
	var values []float64
	for _, row := range table(t, "nist_individuals.csv") {
		values = append(values, number(t, row, "x"))
	}
	chart := must[Individuals](t)(IndividualsChart(values))
	for name, c := range map[string][2]float64{
		"mean": {chart.Mean, 50.81}, "moving range": {chart.MovingRange, 1.8778},
		"high": {chart.High, 55.8041}, "low": {chart.Low, 45.8159}, "moving range high": {chart.MovingRangeHigh, 6.1347},
	} {
		if math.Abs(c[0]-c[1]) > 6e-5 {
			t.Errorf("%s = %v, handbook %v", name, c[0], c[1])
		}
	}
	if len(chart.Out) != 0 {
		t.Errorf("out of control at %v", chart.Out)
	}
	values = append(values, 80)
	if chart = must[Individuals](t)(IndividualsChart(values)); len(chart.Out) != 1 || chart.Out[0] != len(values)-1 {
		t.Errorf("a far value is not found: %v", chart.Out)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.4: averages to two decimals; UCL 52.5884, LCL
// 47.4115 (truncated there: 47.41157).
func TestEWMAOfTheHandbook(t *testing.T) {
	var values, published []float64
	for _, row := range table(t, "nist_ewma.csv") {
		if row["x"] != "" {
			values, published = append(values, number(t, row, "x")), append(published, number(t, row, "ewma_published"))
		}
	}
	chart := must[EWMA](t)(EWMAChart(values, 0.3, 50, 2.0539))
	for i, want := range published {
		if math.Abs(chart.Values[i]-want) > 0.00501 {
			t.Errorf("average %d = %v, handbook %v", i+1, chart.Values[i], want)
		}
	}
	if math.Abs(chart.High-52.5884) > 1e-3 || math.Abs(chart.Low-47.4115) > 1e-3 || len(chart.Out) != 0 {
		t.Errorf("limits %v to %v, out %v", chart.Low, chart.High, chart.Out)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.3: first signal at observation 14.
func TestCusumOfTheHandbook(t *testing.T) {
	var values []float64
	rows := table(t, "nist_cusum.csv")
	for _, row := range rows {
		values = append(values, number(t, row, "x"))
	}
	chart := must[Cusum](t)(CusumChart(values, 325, 0.3175, 4.1959))
	for i, row := range rows {
		if math.Abs(chart.High[i]-number(t, row, "S_hi")) > 1e-9 || math.Abs(chart.Low[i]-number(t, row, "S_lo")) > 1e-9 {
			t.Errorf("observation %s: %v, %v", row["t"], chart.High[i], chart.Low[i])
		}
	}
	if chart.Signal != 13 {
		t.Errorf("first signal at observation %d, handbook 14", chart.Signal+1)
	}
}

func TestChartsBreakAtAdjustments(t *testing.T) {
	history := []Observation{
		{Day: 0, ErrorC: 0.8}, {Day: 30, ErrorC: 0.9}, {Day: 60, ErrorC: 1.0},
		{Day: 61, ErrorC: 0.0, Adjusted: true}, {Day: 90, ErrorC: 0.1}, {Day: 120, ErrorC: 0.1, StandardC: 0.3},
		{Day: 130, ErrorC: -0.2, Adjusted: true},
	}
	segments, err := ErrorCharts(history, DefaultEWMAWeight)
	if err != nil || len(segments) != 3 {
		t.Fatalf("%d segments, %v", len(segments), err)
	}
	if first := segments[0].Individuals; math.Abs(first.Mean-0.9) > 1e-12 || math.Abs(first.MovingRange-0.1) > 1e-12 {
		t.Errorf("joined across the adjustment: %+v", first)
	}
	// The second segment's spread is that of its observations, not of its digits.
	if second := segments[1].Individuals; second.Sigma < 0.3/math.Sqrt(3)-1e-12 {
		t.Errorf("sigma %v below the observations' own", second.Sigma)
	}
	if segments[2].Individuals != nil || segments[2].EWMA != nil {
		t.Error("a single observation has a chart")
	}
	if _, err := ErrorCharts([]Observation{{Day: 2}, {Day: 1}}, 0.3); !errors.Is(err, ErrInconsistent) {
		t.Errorf("time runs backwards: %v", err)
	}
}

// A straight drift of 0.002 degC a day from 0.1 leaves 1 degC after 450 days;
// the interval leaves it earlier; an adjustment starts afresh.
func TestDriftLeavesTheTolerance(t *testing.T) {
	var history []Observation
	for i := range 12 {
		wobble := 0.02 * float64(i%3-1)
		history = append(history, Observation{Day: float64(i) * 20, ErrorC: 0.1 + 0.002*float64(i)*20 + wobble})
	}
	d := must[Drift](t)(FitDrift(history, 1, 0.95))
	if math.Abs(d.ExitDay-450) > 15 || !d.SlopeShown {
		t.Errorf("leaves on day %v, slope shown %v; want about 450", d.ExitDay, d.SlopeShown)
	}
	if !(d.EarliestExitDay < d.ExitDay && d.EarliestExitDay > 400) {
		t.Errorf("interval leaves on day %v", d.EarliestExitDay)
	}
	low, high, err := d.Line.PredictionInterval(300, 0.95)
	if ownLow, ownHigh := d.Predict(300); err != nil || math.Abs(low-ownLow) > 1e-12 || math.Abs(high-ownHigh) > 1e-12 {
		t.Errorf("interval %v to %v, line's %v to %v, %v", ownLow, ownHigh, low, high, err)
	}
	if got := d.SuggestedIntervalDays(); got != 180 {
		t.Errorf("suggested interval %d days: the interval leaves %v days on", got, d.EarliestExitDay-d.ToDay)
	}
	adjusted := append(history, Observation{Day: 230, ErrorC: 0, Adjusted: true}, Observation{Day: 240, ErrorC: 0.01})
	if _, err := FitDrift(adjusted, 1, 0.95); !errors.Is(err, ErrTooFew) {
		t.Errorf("two observations since the adjustment: %v", err)
	}
	steady := []Observation{{Day: 0, ErrorC: 0.2, StandardC: 0.03}, {Day: 100, ErrorC: 0.2, StandardC: 0.03}, {Day: 200, ErrorC: 0.2, StandardC: 0.03}, {Day: 300, ErrorC: 0.2, StandardC: 0.03}}
	d = must[Drift](t)(FitDrift(steady, 1, 0.95))
	if !math.IsInf(d.ExitDay, 1) || d.SlopeShown || math.IsInf(d.EarliestExitDay, 1) || d.SuggestedIntervalDays() != 365 {
		t.Errorf("the same digits every time: %+v, %d days", d, d.SuggestedIntervalDays())
	}
	out := []Observation{{Day: 0, ErrorC: 0.9}, {Day: 1, ErrorC: 1.2}, {Day: 2, ErrorC: 1.4}}
	if d = must[Drift](t)(FitDrift(out, 1, 0.95)); d.ExitDay != 2 || d.SuggestedIntervalDays() != 0 {
		t.Errorf("out already: day %v, %d days", d.ExitDay, d.SuggestedIntervalDays())
	}
}

func TestThreeMonthsRunning(t *testing.T) {
	nov, dec, jan, mar := MonthOf(2025, time.November), MonthOf(2025, time.December), MonthOf(2026, time.January), MonthOf(2026, time.March)
	for _, c := range []struct {
		months []Month
		want   bool
	}{
		{nil, false},
		{[]Month{nov, dec}, false},
		{[]Month{jan, nov, dec}, true},
		{[]Month{nov, nov, nov}, false},
		{[]Month{nov, dec, mar}, false},
		{[]Month{mar, dec, dec, jan, nov}, true},
	} {
		if got := ThreeMonthsRunning(c.months); got != c.want {
			t.Errorf("%v: %v", c.months, got)
		}
	}
}
