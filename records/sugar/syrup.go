package sugar

import (
	"fmt"
	"math"
)

// StandardPressureHPa is the standard atmosphere, 1013.25 hPa, at which books
// print their cook limits.
const StandardPressureHPa = 1013.25

// Water is the saturation line of water, as two functions that invert each
// other (IAPWS-IF97 region 4 serves).
type Water struct {
	// PressureHPa is the saturation pressure in hPa at tempC in degC; it is
	// asked for temperatures of a sugar pan, from just above 0 to 330 degC.
	PressureHPa func(tempC float64) (float64, error)
	// BoilingC is the boiling temperature in degC at a pressure in hPa; it is
	// asked for kitchen pressures only, 50..1200 hPa.
	BoilingC func(pressureHPa float64) (float64, error)
}

// Syrup answers questions about boiling sucrose syrup over one saturation line
// of water. It holds no state and may be shared.
type Syrup struct {
	water Water
}

// New makes a Syrup over the saturation line w. It returns ErrWater when a
// function is missing, when 100 degC does not saturate near 1014 hPa (a table in
// other units, say) or when the two functions do not invert each other.
func New(w Water) (Syrup, error) {
	if w.PressureHPa == nil || w.BoilingC == nil {
		return Syrup{}, fmt.Errorf("a function is missing: %w", ErrWater)
	}
	p, err := w.PressureHPa(100)
	if err != nil {
		return Syrup{}, fmt.Errorf("at 100 degC: %w: %w", err, ErrWater)
	}
	if !(p > 1012 && p < 1016) {
		return Syrup{}, fmt.Errorf("%g hPa at 100 degC: %w", p, ErrWater)
	}
	t, err := w.BoilingC(p)
	if err != nil {
		return Syrup{}, fmt.Errorf("at %g hPa: %w: %w", p, err, ErrWater)
	}
	if !(math.Abs(t-100) < 1e-6) {
		return Syrup{}, fmt.Errorf("%g degC at the pressure of 100 degC: %w", t, ErrWater)
	}
	return Syrup{water: w}, nil
}

// ready refuses a Syrup that New did not make.
func (s Syrup) ready() error {
	if s.water.PressureHPa == nil || s.water.BoilingC == nil {
		return fmt.Errorf("this Syrup was not made by New: %w", ErrWater)
	}
	return nil
}

// saturation is the saturation pressure at tempC, refused when it is not a
// positive number.
func (s Syrup) saturation(tempC float64) (float64, error) {
	p, err := s.water.PressureHPa(tempC)
	if err != nil {
		return 0, fmt.Errorf("water at %g degC: %w", tempC, err)
	}
	if !(p > 0) || math.IsInf(p, 1) {
		return 0, fmt.Errorf("water at %g degC saturates at %g hPa: %w", tempC, p, ErrWater)
	}
	return p, nil
}

// waterBoils is the boiling point of water, refused when it is not finite.
func (s Syrup) waterBoils(pressureHPa float64) (float64, error) {
	t, err := s.water.BoilingC(pressureHPa)
	if err != nil {
		return 0, fmt.Errorf("water at %g hPa: %w", pressureHPa, err)
	}
	if !(t > minTempC && t < maxTempC) {
		return 0, fmt.Errorf("water at %g hPa boils at %g degC: %w", pressureHPa, t, ErrWater)
	}
	return t, nil
}

// WaterActivity is a_w (0..1) of a sucrose solution of solidsPct (0..98 % by
// mass) at tempC: the Starzak-Peacock equation of 1997. Errors: ErrNotANumber,
// ErrBeyondSucroseData, ErrTemperature.
func WaterActivity(solidsPct, tempC float64) (float64, error) {
	if err := checkSolids(solidsPct); err != nil {
		return 0, err
	}
	if err := checkTemp(tempC); err != nil {
		return 0, err
	}
	return math.Exp(lnActivity(moleFraction(solidsPct), tempC)), nil
}

// BoilingC is the temperature in degC at which a sucrose syrup of solidsPct
// (0..98 % by mass) boils under pressureHPa (50..1200 hPa): the root T of
// a_w(x, T) psat(T) = p, to about 1e-12 degC. Errors: ErrNotANumber,
// ErrBeyondSucroseData, ErrPressure, or what the water functions return.
// Against published tables see the README of the package: within 0.7 degC up to
// 65 % solids; above 85 % the literature itself spreads by about 5 degC.
func (s Syrup) BoilingC(solidsPct, pressureHPa float64) (float64, error) {
	if err := s.ready(); err != nil {
		return 0, err
	}
	if err := checkSolids(solidsPct); err != nil {
		return 0, err
	}
	if err := checkPressure(pressureHPa); err != nil {
		return 0, err
	}
	return s.boilsAt(moleFraction(solidsPct), pressureHPa)
}

// boilsAt is the temperature at which mole fraction x boils under pressureHPa.
func (s Syrup) boilsAt(x, pressureHPa float64) (float64, error) {
	waterC, err := s.waterBoils(pressureHPa)
	if err != nil || x == 0 {
		return waterC, err
	}
	return s.root(x, pressureHPa, waterC, waterC+100)
}

// root solves ln a_w(x, T) + ln psat(T) = ln p for T between lo and hi, by a
// secant search that falls back to halving its bracket.
func (s Syrup) root(x, pressureHPa, lo, hi float64) (float64, error) {
	lnP := math.Log(pressureHPa)
	gap := func(t float64) (float64, error) {
		p, err := s.saturation(t)
		if err != nil {
			return 0, err
		}
		return lnActivity(x, t) + math.Log(p) - lnP, nil
	}
	fLo, err := gap(lo)
	if err != nil {
		return 0, err
	}
	if fLo >= 0 {
		return lo, nil
	}
	// Clausius-Clapeyron with about 40 kJ/mol gives a start within a degree or
	// two and a second point beside it.
	t := 1/(1/(lo+zeroCelsiusK)+fLo*gasConstant/40.0e3) - zeroCelsiusK
	tPrev, fPrev := lo, fLo
	for range 100 {
		if !(t > lo && t < hi) {
			t = 0.5 * (lo + hi)
		}
		f, err := gap(t)
		if err != nil {
			return 0, err
		}
		switch {
		case f < 0:
			lo = t
		case f > 0:
			hi = t
		default:
			return t, nil
		}
		if f == fPrev || hi-lo < 1e-13 {
			return t, nil
		}
		next := t - f*(t-tPrev)/(f-fPrev)
		if math.Abs(next-t) < 1e-13 {
			return next, nil
		}
		tPrev, fPrev, t = t, f, next
	}
	return t, nil
}

// Solids is a solids content read off a boiling temperature.
type Solids struct {
	// Pct is the solids content, per cent by mass, 0..98.
	Pct float64
	// UPct is the standard uncertainty of Pct from the disagreement of the
	// literature alone, in percentage points (our inference from the spread of
	// the tables in the README): it leaves out that of the temperature.
	UPct float64
	// CPerPct is the slope of the boiling curve there, degC per percentage
	// point: an error of the temperature divided by it is an error of Pct.
	CPerPct float64
}

// UWith is the standard uncertainty of the solids in percentage points when the
// temperature has the standard uncertainty uC in degC: the literature's spread
// and uC through the slope, added as squares.
func (s Solids) UWith(uC float64) float64 { return math.Hypot(s.UPct, uC/s.CPerPct) }

// SolidsPct is the solids content of a sucrose syrup that boils at tempC under
// pressureHPa (50..1200 hPa): the inverse of BoilingC. There is an answer from 0
// to 98 % solids; outside it the error wraps ErrBeyondSucroseData, and
// ErrNotBoiling as well when tempC is below the boiling point of water. Other
// errors: ErrNotANumber, ErrPressure, ErrTemperature, or what the water
// functions return.
func (s Syrup) SolidsPct(tempC, pressureHPa float64) (Solids, error) {
	x, err := s.moleFractionBoiling(tempC, pressureHPa)
	if err != nil {
		return Solids{}, err
	}
	pct := math.Min(solidsOf(x), MaxSolidsPct)
	slope, err := s.slope(x, tempC)
	if err != nil {
		return Solids{}, err
	}
	return Solids{Pct: pct, UPct: literatureU(pct, slope), CPerPct: slope}, nil
}

// boundarySlack is how far, in ln a_w, an input may miss the ends of the domain
// and still count as on them: the rounding of the saturation functions.
const boundarySlack = 1e-10

// moleFractionBoiling is the mole fraction of a syrup boiling at tempC.
func (s Syrup) moleFractionBoiling(tempC, pressureHPa float64) (float64, error) {
	if err := s.ready(); err != nil {
		return 0, err
	}
	if err := checkTemp(tempC); err != nil {
		return 0, err
	}
	if err := checkPressure(pressureHPa); err != nil {
		return 0, err
	}
	if tempC <= 0 {
		return 0, fmt.Errorf("%g degC: %w: %w", tempC, ErrNotBoiling, ErrBeyondSucroseData)
	}
	p, err := s.saturation(tempC)
	if err != nil {
		return 0, err
	}
	lnA := math.Log(pressureHPa / p)
	if lnA > boundarySlack {
		return 0, fmt.Errorf("%g degC at %g hPa: %w: %w", tempC, pressureHPa, ErrNotBoiling, ErrBeyondSucroseData)
	}
	if lnA >= 0 {
		return 0, nil
	}
	xMax := moleFraction(MaxSolidsPct)
	lnMin := lnActivity(xMax, tempC)
	if lnA < lnMin-boundarySlack {
		return 0, fmt.Errorf("%g degC at %g hPa is above %g %% solids: %w", tempC, pressureHPa, MaxSolidsPct, ErrBeyondSucroseData)
	}
	if lnA <= lnMin {
		return xMax, nil
	}
	return moleFractionAt(lnA, tempC, xMax), nil
}

// slope is dT/dw of the boiling curve in degC per percentage point of solids at
// mole fraction x and temperature tempC, by implicit differentiation of
// ln a_w(x, T) + ln psat(T) = ln p.
func (s Syrup) slope(x, tempC float64) (float64, error) {
	const step = 0.01 // degC, for the slope of the saturation line
	up, err := s.saturation(tempC + step)
	if err != nil {
		return 0, err
	}
	down, err := s.saturation(tempC - step)
	if err != nil {
		return 0, err
	}
	k := tempC + zeroCelsiusK
	c := margulesQ / (gasConstant * k)
	dT := math.Log(up/down)/(2*step) - c/k*excess(x)
	dX := -1/(1-x) + c*x*(2+x*(3*margulesA+4*x*margulesB))
	// x = s/(s+v) with s = w/Ms, v = (100-w)/Mw.
	w := solidsOf(x)
	sum := w/molSucrose + (100-w)/molWater
	dXdW := 100 / (molSucrose * molWater * sum * sum)
	return -dX * dXdW / dT, nil
}

// literatureU is the standard uncertainty in percentage points that the spread
// of the published boiling tables leaves on a solids content: 1 % from 75 to
// 94 %, 0.7 % above 96 %, and below 75 % never less than the 0.25 degC by which
// the better tables differ, read through the slope (all our inference).
func literatureU(pct, cPerPct float64) float64 {
	const spreadC = 0.25
	u := 1.0
	switch {
	case pct >= 96:
		u = 0.7
	case pct > 94:
		u = 1 - 0.15*(pct-94)
	}
	return math.Max(u, spreadC/cPerPct)
}
