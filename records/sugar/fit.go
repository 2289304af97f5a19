package sugar

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// heatingPower is the net power in kJ/(kg min) of dry solids that lifts a syrup
// of solidsPct by rate degC a minute.
func heatingPower(rate, solidsPct float64) float64 {
	w := solidsPct / 100
	return rate * liquorHeat(w) / w
}

// fitHeating is the forecast before the boil: the rise tells the power, the
// formula where the boil starts.
func fitHeating(c Cook, curve energyCurve) (cookFit, error) {
	if c.StartSolidsPct == 0 {
		return cookFit{}, fmt.Errorf("before the boil the formula's solids are needed: %w", ErrTooFewReadings)
	}
	recent := c.Readings[max(0, len(c.Readings)-8):]
	xs, ys := columns(recent)
	_, rate := stat.LinearRegression(xs, ys, nil, false)
	if !(rate > 0.05) {
		return cookFit{}, fmt.Errorf("%g degC a minute: %w", rate, ErrNotHeating)
	}
	start, perPct := curve.atSolids(c.StartSolidsPct)
	boilC, _ := curve.temp(start)
	last := recent[len(recent)-1]
	wait := math.Max(boilC-last.TempC, 0) / rate
	power := heatingPower(rate, c.StartSolidsPct)
	// The onset comes sooner or later with the bias and the scatter, which is an
	// error of the start of the line.
	uWait := math.Hypot(c.UC, c.sigma()) / rate
	cov := mat.NewSymDense(3, nil)
	cov.SetSym(0, 0, sq(perPct*c.uStart())+sq(uWait*power)+sq(0.05*wait*power))
	cov.SetSym(1, 1, sq(uPowerHeating))
	cov.SetSym(2, 2, sq(c.UC))
	return cookFit{
		curve: curve, from: last.Minutes + wait, start: start, power: power, cov: cov, heating: rate,
	}, nil
}

// fitBoil fits start, ln power and bias to the readings of the boil by
// Gauss-Newton steps with what is known beforehand as further observations.
func fitBoil(c Cook, curve energyCurve, boil []Reading, o *Onset) (cookFit, error) {
	if len(boil) < 3 && (o == nil || c.StartSolidsPct == 0 || len(boil) < 1) {
		return cookFit{}, fmt.Errorf("%d readings of the boil: %w", len(boil), ErrTooFewReadings)
	}
	f := cookFit{curve: curve, boiling: true, from: boil[0].Minutes}
	if o != nil {
		f.from = o.Minutes
	}
	p := priors{uBias: math.Max(c.UC, 0.02), sigma: c.sigma()}
	if o != nil && c.StartSolidsPct > 0 {
		perPct := 0.0
		p.start, perPct = curve.atSolids(c.StartSolidsPct)
		p.uStart = math.Abs(perPct) * c.uStart()
		p.lnPower = math.Log(heatingPower(o.HeatingCPerMin, c.StartSolidsPct))
		p.uLnPower = uPowerHeating
	}
	theta, err := p.first(curve, boil)
	if err != nil {
		return cookFit{}, err
	}
	cov, err := p.fit(curve, boil, f.from, &theta)
	if err != nil {
		return cookFit{}, err
	}
	f.start, f.power, f.bias, f.cov = theta[0], math.Exp(theta[1]), theta[2], cov
	// Under a hundredth of a kilowatt per kilogram nothing boils down.
	if !(f.power > 0.6) {
		return cookFit{}, fmt.Errorf("net power %.3g kW/kg: %w", f.power/60, ErrNotHeating)
	}
	return f, nil
}

// priors is what is known before the boil's readings are looked at; a zero
// uncertainty of start or power means that it is not known.
type priors struct {
	sigma, uBias      float64
	start, uStart     float64
	lnPower, uLnPower float64
}

// first is where the fit starts.
func (p priors) first(curve energyCurve, boil []Reading) ([3]float64, error) {
	if p.uStart > 0 {
		return [3]float64{p.start, p.lnPower, 0}, nil
	}
	head, tail := boil[0], boil[len(boil)-1]
	a, _ := curve.at(head.TempC)
	b, _ := curve.at(tail.TempC)
	rate := (b - a) / (tail.Minutes - head.Minutes)
	if !(tail.TempC > head.TempC) {
		return [3]float64{}, fmt.Errorf("from %g to %g degC: %w", head.TempC, tail.TempC, ErrNotHeating)
	}
	return [3]float64{a, math.Log(rate), 0}, nil
}

// residuals are the scaled misfits of theta, readings first, then what is known
// beforehand, with their derivatives.
func (p priors) residuals(curve energyCurve, boil []Reading, from float64, theta [3]float64) (res []float64, jac [][3]float64) {
	power := math.Exp(theta[1])
	for _, r := range boil {
		dt := r.Minutes - from
		t, slope := curve.temp(theta[0] + power*dt)
		res = append(res, (r.TempC-theta[2]-t)/p.sigma)
		jac = append(jac, [3]float64{slope / p.sigma, slope * power * dt / p.sigma, 1 / p.sigma})
	}
	res = append(res, -theta[2]/p.uBias)
	jac = append(jac, [3]float64{0, 0, 1 / p.uBias})
	if p.uStart > 0 {
		res = append(res, (p.start-theta[0])/p.uStart)
		jac = append(jac, [3]float64{1 / p.uStart, 0, 0})
		res = append(res, (p.lnPower-theta[1])/p.uLnPower)
		jac = append(jac, [3]float64{0, 1 / p.uLnPower, 0})
	}
	return res, jac
}

// fit improves theta and returns its covariance, widened when the readings
// scatter more than their sigma.
func (p priors) fit(curve energyCurve, boil []Reading, from float64, theta *[3]float64) (*mat.SymDense, error) {
	res, jac := p.residuals(curve, boil, from, *theta)
	cost := sumSquares(res)
	damping := 1e-3
	normal := mat.NewSymDense(3, nil)
	for range 60 {
		right := mat.NewVecDense(3, nil)
		normal.Zero()
		for i, row := range jac {
			for a := range 3 {
				right.SetVec(a, right.AtVec(a)+row[a]*res[i])
				for b := a; b < 3; b++ {
					normal.SetSym(a, b, normal.At(a, b)+row[a]*row[b])
				}
			}
		}
		damped := mat.NewSymDense(3, nil)
		damped.CopySym(normal)
		for a := range 3 {
			damped.SetSym(a, a, normal.At(a, a)*(1+damping)+1e-12)
		}
		var chol mat.Cholesky
		var step mat.VecDense
		if !chol.Factorize(damped) || chol.SolveVecTo(&step, right) != nil {
			return nil, fmt.Errorf("the readings do not determine a power: %w", ErrTooFewReadings)
		}
		next := *theta
		for a := range 3 {
			next[a] += step.AtVec(a)
		}
		next[1] = math.Min(math.Max(next[1], theta[1]-1), theta[1]+1)
		nextRes, nextJac := p.residuals(curve, boil, from, next)
		nextCost := sumSquares(nextRes)
		if !(nextCost <= cost) {
			damping *= 10
			if damping > 1e9 {
				break
			}
			continue
		}
		done := cost-nextCost < 1e-10*(1+cost)
		*theta, res, jac, cost = next, nextRes, nextJac, nextCost
		damping = math.Max(damping/10, 1e-9)
		if done {
			break
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e14 {
		return nil, fmt.Errorf("the readings do not determine a power: %w", ErrTooFewReadings)
	}
	cov := mat.NewSymDense(3, nil)
	if err := chol.InverseTo(cov); err != nil {
		return nil, fmt.Errorf("%w: %w", err, ErrTooFewReadings)
	}
	if free := float64(len(boil) - 2); free > 0 {
		if scatter := sumSquares(res[:len(boil)]) / free; scatter > 1 {
			cov.ScaleSym(scatter, cov)
		}
	}
	return cov, nil
}

func sumSquares(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x * x
	}
	return sum
}
