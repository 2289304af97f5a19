package thermometry

import "math"

// Constants of charts for moving ranges of two (NIST/SEMATECH e-Handbook
// 6.3.2.2).
const (
	movingRangeD2 = 1.128
	movingRangeD4 = 3.267
	// DefaultEWMAWeight is the usual weight of the newest value.
	DefaultEWMAWeight = 0.3

	largestChartValue = 1e9
)

// Individuals is a chart of single values with limits from their moving ranges.
type Individuals struct {
	// Mean is the centre line, Low and High the limits three sigma away.
	Mean, Low, High float64
	// MovingRange is the mean moving range, MovingRangeHigh its upper limit.
	MovingRange, MovingRangeHigh float64
	// Sigma is the standard deviation that the moving ranges give.
	Sigma float64
	// Out are the indices of the values beyond a limit.
	Out []int
}

// IndividualsChart makes the chart of two or more values in order of time.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: mean +- 3
// MR/1.128. Fewer values are ErrTooFew, one that is not finite an InputError.
func IndividualsChart(values []float64) (Individuals, error) {
	return individuals(values, 0)
}

// individuals is the chart with a floor under sigma.
func individuals(values []float64, leastSigma float64) (Individuals, error) {
	if len(values) < 2 {
		return Individuals{}, ErrTooFew
	}
	var c Individuals
	for i, v := range values {
		if err := within("value", v, -largestChartValue, largestChartValue); err != nil {
			return Individuals{}, err
		}
		c.Mean += v / float64(len(values))
		if i > 0 {
			c.MovingRange += math.Abs(v-values[i-1]) / float64(len(values)-1)
		}
	}
	c.Sigma = math.Max(c.MovingRange/movingRangeD2, leastSigma)
	c.Low, c.High = c.Mean-3*c.Sigma, c.Mean+3*c.Sigma
	c.MovingRangeHigh = movingRangeD4 * c.MovingRange
	for i, v := range values {
		if v < c.Low || v > c.High {
			c.Out = append(c.Out, i)
		}
	}
	return c, nil
}

// EWMA is a chart of exponentially weighted moving averages.
type EWMA struct {
	// Values are the averages after each value.
	Values []float64
	// Target is the centre line, Low and High the limits three sigma of the
	// average away, for a long series.
	Target, Low, High float64
	// Out are the indices of the averages beyond a limit.
	Out []int
}

// EWMAChart makes the chart of values in order of time: weight (above 0, up to
// 1) of the newest value, target, and the standard deviation of a single value.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4. No value is
// ErrTooFew, a refused input an InputError.
func EWMAChart(values []float64, weight, target, sigma float64) (EWMA, error) {
	if len(values) == 0 {
		return EWMA{}, ErrTooFew
	}
	if err := withinAll(
		input{"weight", weight, 0, 1},
		input{"target", target, -largestChartValue, largestChartValue},
		input{"sigma", sigma, 0, largestChartValue},
	); err != nil {
		return EWMA{}, err
	}
	if weight == 0 {
		return EWMA{}, &InputError{"weight", weight, ErrOutOfRange}
	}
	half := 3 * sigma * math.Sqrt(weight/(2-weight))
	c := EWMA{Values: make([]float64, len(values)), Target: target, Low: target - half, High: target + half}
	average := target
	for i, v := range values {
		if err := within("value", v, -largestChartValue, largestChartValue); err != nil {
			return EWMA{}, err
		}
		average = weight*v + (1-weight)*average
		c.Values[i] = average
		if average < c.Low || average > c.High {
			c.Out = append(c.Out, i)
		}
	}
	return c, nil
}

// Cusum is a tabular cumulative sum of deviations from a target.
type Cusum struct {
	// High and Low are the sums of deviations above and below.
	High, Low []float64
	// Signal is the index of the first value at which a sum passed the decision
	// interval; -1 when none did.
	Signal int
}

// CusumChart makes the sums of values in order of time about a target, with the
// allowance k and the decision interval h in the values' own unit (both 0 or
// more). Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3. No
// value is ErrTooFew, a refused input an InputError.
func CusumChart(values []float64, target, allowance, decision float64) (Cusum, error) {
	if len(values) == 0 {
		return Cusum{}, ErrTooFew
	}
	if err := withinAll(
		input{"target", target, -largestChartValue, largestChartValue},
		input{"allowance", allowance, 0, largestChartValue},
		input{"decision", decision, 0, largestChartValue},
	); err != nil {
		return Cusum{}, err
	}
	c := Cusum{High: make([]float64, len(values)), Low: make([]float64, len(values)), Signal: -1}
	var high, low float64
	for i, v := range values {
		if err := within("value", v, -largestChartValue, largestChartValue); err != nil {
			return Cusum{}, err
		}
		high = math.Max(0, high+v-target-allowance)
		low = math.Max(0, low+target-allowance-v)
		c.High[i], c.Low[i] = high, low
		if c.Signal < 0 && (high > decision || low > decision) {
			c.Signal = i
		}
	}
	return c, nil
}
