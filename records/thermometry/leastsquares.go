package thermometry

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// leastSquares fits a line (or a mean, when the points lie together) to three or
// more points.
func (f *fit) leastSquares(span float64) error {
	f.out.Form = FormLeastSquares
	line := span >= shortestFitSpanC
	if !line {
		f.out.Form = FormMeanOffset
	}
	solution, err := f.solve(f.cov, line)
	if err != nil {
		return err
	}
	if freedom := float64(solution.freedom); f.stated && f.severalChecks() && solution.chiSquare > freedom {
		// Doubt begins where scatter exceeds its expectation, so that a small
		// movement counts a little; it is worth a flag in about 1 of 20.
		f.out.Misfit = solution.chiSquare > chiSquare95(solution.freedom)
		if solution, err = f.doubtOlder(solution, line); err != nil {
			return err
		}
	}
	c := &f.out
	c.CentreC, c.CentreErrorC, c.SlopePerC = solution.centreC, solution.errorC, solution.slopePerC
	c.weight, c.weight1 = solution.weight, solution.weight1
	c.ResidualC = math.Sqrt(solution.squares / float64(solution.freedom))
	if line {
		c.growthOutside = f.opt.GrowthPerC
	} else {
		c.pivotC, c.modelPerC = c.CentreC, f.opt.GrowthPerC
	}
	c.v0, c.v1, c.v2 = solution.v0, solution.v1, solution.v2
	ratio := solution.chiSquare / float64(solution.freedom)
	if f.stated {
		ratio = math.Max(1, ratio)
		c.Widened = math.Sqrt(ratio)
	}
	c.v0, c.v1, c.v2 = c.v0*ratio, c.v1*ratio, c.v2*ratio
	return nil
}

// solution is a generalised least-squares fit about a centre.
type solution struct {
	centreC, errorC, slopePerC float64
	weight, weight1            []float64
	v0, v1, v2                 float64   // covariance of errorC and slopePerC
	residual, scaled           []float64 // distances, and those times the inverse covariance
	chiSquare                  float64
	squares                    float64 // plain sum of squared residuals
	freedom                    int
}

// solve is generalised least squares: parameters (X' V^-1 X)^-1 X' V^-1 e, with
// the identity for V where no point states an uncertainty. The centre is the
// mean reading, which keeps the normal equations well conditioned.
func (f *fit) solve(cov *mat.SymDense, line bool) (solution, error) {
	n, columns := len(f.points), 1
	if line {
		columns = 2
	}
	var centre float64
	for _, p := range f.points {
		centre += p.ReadingC / float64(n)
	}
	design, errors := mat.NewDense(n, columns, nil), mat.NewVecDense(n, nil)
	v := mat.NewSymDense(n, nil)
	for i, p := range f.points {
		design.Set(i, 0, 1)
		if line {
			design.Set(i, 1, p.ReadingC-centre)
		}
		errors.SetVec(i, p.ErrorC())
		for j := i; j < n; j++ {
			v.SetSym(i, j, cov.At(i, j))
		}
		// A ten-thousandth of a degree keeps points that state nothing of their
		// own, beside others that do, from dividing by zero.
		const floor = 1e-8
		v.SetSym(i, i, v.At(i, i)+floor)
		if !f.stated {
			v.SetSym(i, i, 1)
		}
	}
	var cholesky mat.Cholesky
	if !cholesky.Factorize(v) {
		return solution{}, fmt.Errorf("covariance of the points: %w", ErrInconsistent)
	}
	var whitened, normal, inverse, weights mat.Dense
	if err := cholesky.SolveTo(&whitened, design); err != nil {
		return solution{}, fmt.Errorf("covariance of the points: %w", ErrInconsistent)
	}
	normal.Mul(design.T(), &whitened)
	if err := inverse.Inverse(&normal); err != nil {
		return solution{}, fmt.Errorf("readings of the points: %w", ErrInconsistent)
	}
	weights.Mul(&inverse, whitened.T())
	s := solution{centreC: centre, weight: make([]float64, n), weight1: make([]float64, n), freedom: n - columns, v0: inverse.At(0, 0)}
	for i := range f.points {
		s.weight[i] = weights.At(0, i)
		s.errorC += s.weight[i] * errors.AtVec(i)
		if line {
			s.weight1[i] = weights.At(1, i)
			s.slopePerC += s.weight1[i] * errors.AtVec(i)
		}
	}
	if line {
		s.v1, s.v2 = inverse.At(0, 1), inverse.At(1, 1)
	}
	residual, scaled := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, p := range f.points {
		residual.SetVec(i, p.ErrorC()-s.errorC-s.slopePerC*(p.ReadingC-centre))
	}
	if err := cholesky.SolveVecTo(scaled, residual); err != nil {
		return solution{}, fmt.Errorf("covariance of the points: %w", ErrInconsistent)
	}
	s.residual, s.scaled = residual.RawVector().Data, scaled.RawVector().Data
	s.squares = mat.Dot(residual, residual)
	s.chiSquare = mat.Dot(residual, scaled)
	return s, nil
}

// severalChecks reports whether the points come from more than one check.
func (f *fit) severalChecks() bool {
	for _, e := range f.event {
		if e > 0 {
			return true
		}
	}
	return false
}

// chiSquare95 is the 95 % point of chi-square by Wilson and Hilferty's cube
// (within 0.15 from one degree of freedom on; from memory).
func chiSquare95(freedom int) float64 {
	k := 2 / (9 * float64(freedom))
	root := 1 - k + 1.6449*math.Sqrt(k)
	return float64(freedom) * root * root * root
}

// doubtOlder adds to every older check a movement of its own, just large enough
// that the points agree (chi-square equal to its degrees of freedom), fits
// again (as Mandel and Paule do between laboratories), and takes points out of
// the range that still stand off by more than the uncertainty they were stated
// with.
func (f *fit) doubtOlder(s solution, line bool) (solution, error) {
	n := len(f.points)
	plain := s
	// A movement much larger than the errors themselves explains no more.
	limit := 100 * f.out.spread() * f.out.spread()
	moved := 0.0 // variance of the older checks' movement
	for range 12 {
		freedom := float64(s.freedom)
		if s.chiSquare <= freedom*1.001 || moved >= limit {
			break
		}
		// chi-square falls nearly as 1/(a + movement): a step of Newton on its
		// inverse. Its derivative is minus the square of the scaled residuals
		// summed over each older check.
		falls, all := 0.0, 0.0
		for i := range n {
			all += s.scaled[i] * s.scaled[i]
			for j := range n {
				if f.oneOlderCheck(i, j) {
					falls += s.scaled[i] * s.scaled[j]
				}
			}
		}
		if falls <= 1e-9*all {
			break
		}
		moved = math.Min(limit, moved+(s.chiSquare/freedom-1)*s.chiSquare/falls)
		v := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				extra := 0.0
				if f.oneOlderCheck(i, j) {
					extra = moved
				}
				v.SetSym(i, j, f.cov.At(i, j)+extra)
			}
		}
		var err error
		if s, err = f.solve(v, line); err != nil {
			return solution{}, err
		}
	}
	doubted := s
	if freedom := float64(plain.freedom); doubted.chiSquare-freedom > (plain.chiSquare-freedom)/2 {
		return plain, nil // the scatter lies within a check: no movement explains it
	}
	// Either check may be the one that is wrong: half of what the doubt changes,
	// a line itself, stays in the uncertainty.
	byCentre, bySlope := (doubted.errorC-plain.errorC)/2, (doubted.slopePerC-plain.slopePerC)/2
	doubted.v0 += byCentre * byCentre
	doubted.v1 += byCentre * bySlope
	doubted.v2 += bySlope * bySlope
	c := &f.out
	c.StaleC = math.Sqrt(moved)
	c.LowC, c.HighC = math.Inf(1), math.Inf(-1)
	for i, p := range f.points {
		stated := CoverageFactor * math.Sqrt(f.cov.At(i, i))
		if f.event[i] > 0 && math.Abs(doubted.residual[i]) > stated {
			continue
		}
		c.LowC = math.Min(c.LowC, p.ReadingC)
		c.HighC = math.Max(c.HighC, p.ReadingC)
	}
	return doubted, nil
}

// oneOlderCheck reports whether two points belong to one and the same check that
// is not the newest.
func (f *fit) oneOlderCheck(i, j int) bool { return f.event[i] > 0 && f.event[i] == f.event[j] }

// spread is how far apart the errors of the points lie, degC.
func (c *Curve) spread() float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range c.points {
		low, high = math.Min(low, p.ErrorC()), math.Max(high, p.ErrorC())
	}
	return high - low
}
