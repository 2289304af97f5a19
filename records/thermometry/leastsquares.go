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
	if f.stated && f.contradicted(solution) {
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
	v0, v1, v2                 float64 // covariance of errorC and slopePerC
	residual                   []float64
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
	s.residual = residual.RawVector().Data
	s.squares = mat.Dot(residual, residual)
	s.chiSquare = mat.Dot(residual, scaled)
	return s, nil
}

// contradicted reports whether older points disagree with the rest: more than
// one check, and a sum of squares beyond what chance gives in about 1 of 20.
func (f *fit) contradicted(s solution) bool {
	several := false
	for _, e := range f.event {
		several = several || e > 0
	}
	return several && s.chiSquare > chiSquare95(s.freedom)
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
// again, and takes points out of the range that still stand off by more than the
// uncertainty they were stated with.
func (f *fit) doubtOlder(s solution, line bool) (solution, error) {
	n := len(f.points)
	with := func(standardC float64) (solution, error) {
		v := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				extra := 0.0
				if f.event[i] > 0 && f.event[i] == f.event[j] {
					extra = standardC * standardC
				}
				v.SetSym(i, j, f.cov.At(i, j)+extra)
			}
		}
		return f.solve(v, line)
	}
	low, high := 0.0, 2*maxMagnitude(s.residual)+f.out.spread()
	for range 40 {
		middle := (low + high) / 2
		trial, err := with(middle)
		if err != nil {
			return solution{}, err
		}
		if trial.chiSquare > float64(trial.freedom) {
			low = middle
		} else {
			high = middle
		}
	}
	doubted, err := with(high)
	if err != nil {
		return solution{}, err
	}
	c := &f.out
	c.StaleC = high
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

// spread is how far apart the errors of the points lie, degC.
func (c *Curve) spread() float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range c.points {
		low, high = math.Min(low, p.ErrorC()), math.Max(high, p.ErrorC())
	}
	return high - low
}

func maxMagnitude(values []float64) float64 {
	largest := 0.0
	for _, v := range values {
		largest = math.Max(largest, math.Abs(v))
	}
	return largest
}
