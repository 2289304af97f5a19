package sugar

import "math"

// The water activity of a sucrose solution, after M. Starzak and S. D. Peacock,
// "Water activity coefficient in aqueous solutions of sucrose - a comprehensive
// data analysis", Zuckerindustrie 122 (1997) 380-387:
//
//	R T ln(gamma) = Q x^2 (1 + a x + b x^2),  a_w = (1 - x) gamma
//
// with x the mole fraction of sucrose. Q, a and b were read; the shape of the
// equation is from memory. It is confirmed by its minimum of gamma near 96 %
// solids, which Starzak and Mathlouthi, Food Chem. 96 (2006) 346-370, print.
// a_w therefore depends on the solids and, weakly, on the temperature.
const (
	margulesQ   = -17638.0  // J/mol
	margulesA   = -1.0038   // of x
	margulesB   = -0.24653  // of x^2
	gasConstant = 8.3143    // J/(mol K), the value used with Q
	molSucrose  = 342.2965  // g/mol
	molWater    = 18.015268 // g/mol

	zeroCelsiusK = 273.15
)

// MaxSolidsPct is the upper end of the sucrose data, per cent by mass
// (Starzak and Mathlouthi 2006 fit up to 98 %, read in the abstract). Above it
// sucrose decomposes and no solids figure is given.
const MaxSolidsPct = 98.0

// moleFraction turns solids in per cent by mass into the mole fraction of sucrose.
func moleFraction(solidsPct float64) float64 {
	s := solidsPct / molSucrose
	return s / (s + (100-solidsPct)/molWater)
}

// solidsOf is the inverse of moleFraction.
func solidsOf(x float64) float64 {
	s := x * molSucrose
	return 100 * s / (s + (1-x)*molWater)
}

// excess is x^2 (1 + a x + b x^2).
func excess(x float64) float64 { return x * x * (1 + x*(margulesA+x*margulesB)) }

// lnActivity is ln a_w of mole fraction x at tempC.
func lnActivity(x, tempC float64) float64 {
	return math.Log1p(-x) + margulesQ/(gasConstant*(tempC+zeroCelsiusK))*excess(x)
}

// moleFractionAt finds the mole fraction whose ln a_w at tempC is lnA, between
// 0 and xMax, by Newton steps kept inside a shrinking bracket. It assumes that
// the activity falls with x there, which it does at every boiling temperature
// above 50 hPa.
func moleFractionAt(lnA, tempC, xMax float64) float64 {
	c := margulesQ / (gasConstant * (tempC + zeroCelsiusK))
	lo, hi := 0.0, xMax
	x := 0.5 * xMax
	for range 100 {
		f := math.Log1p(-x) + c*excess(x) - lnA
		switch {
		case f > 0:
			lo = x
		case f < 0:
			hi = x
		default:
			return x
		}
		slope := -1/(1-x) + c*x*(2+x*(3*margulesA+4*x*margulesB))
		next := x - f/slope
		if !(next > lo && next < hi) {
			next = 0.5 * (lo + hi)
		}
		if next == x || math.Abs(next-x) < 1e-16*math.Max(x, 1e-6) {
			return next
		}
		x = next
	}
	return x
}
