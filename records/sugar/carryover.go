package sugar

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// PastPull is a finished batch: what the corrected temperature was at the pull and
// the highest it came to afterwards, degC.
type PastPull struct {
	Formula, Vessel string
	PullC, HighestC float64
}

// CarryOver is how far the temperature still climbs after the pull.
type CarryOver struct {
	// Batches is how many past batches it rests on.
	Batches int
	// RiseC is their mean rise, degC, ScatterC the standard deviation of a batch
	// and LeastC and MostC the extremes seen.
	RiseC, ScatterC, LeastC, MostC float64
	// SpreadC is the half-width of the interval in which the next batch's rise
	// falls 9 times in 10 (Student's t, n-1), degC.
	SpreadC float64
}

// CarryOverFor is the carry-over of one formula in one vessel; batches of others
// in the list are passed over. Errors: ErrTooFewReadings with fewer than three
// batches, ErrNotANumber, ErrTemperature, ErrReadings for a highest temperature
// below the pull.
func CarryOverFor(past []PastPull, formula, vessel string) (CarryOver, error) {
	var rises []float64
	for _, p := range past {
		if p.Formula != formula || p.Vessel != vessel {
			continue
		}
		if err := checkTemp(p.PullC); err != nil {
			return CarryOver{}, err
		}
		if err := checkTemp(p.HighestC); err != nil {
			return CarryOver{}, err
		}
		if p.HighestC < p.PullC {
			return CarryOver{}, fmt.Errorf("highest %g degC below the pull at %g degC: %w", p.HighestC, p.PullC, ErrReadings)
		}
		rises = append(rises, p.HighestC-p.PullC)
	}
	n := len(rises)
	if n < 3 {
		return CarryOver{}, fmt.Errorf("%d past batches of %q in %q, three are needed: %w", n, formula, vessel, ErrTooFewReadings)
	}
	c := CarryOver{Batches: n, LeastC: math.Inf(1)}
	for _, r := range rises {
		c.LeastC, c.MostC = math.Min(c.LeastC, r), math.Max(c.MostC, r)
	}
	c.RiseC, c.ScatterC = stat.MeanStdDev(rises, nil)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile(0.95)
	c.SpreadC = t * c.ScatterC * math.Sqrt(1+1/float64(n))
	return c, nil
}

// PullAt is the corrected temperature in degC at which to pull so that the batch
// ends at targetC: the target less the mean rise, within SpreadC nine times in ten.
func (c CarryOver) PullAt(targetC float64) float64 { return targetC - c.RiseC }
