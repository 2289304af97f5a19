package sugar

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// EaseOff is how the heat is taken back before the pull: common practice, no
// source. Within the last WithinC degrees below the target the net power is Share
// of what it was, give or take UShare.
type EaseOff struct {
	WithinC, Share, UShare float64
}

// DefaultEaseOff is what a cook is taken to do when nothing is said: something
// between holding the flame and halving it over the last two degrees (common
// practice, no source).
var DefaultEaseOff = EaseOff{WithinC: 2, Share: 0.65, UShare: 0.2}

// FullHeat is a cook whose flame is held to the end.
var FullHeat = EaseOff{Share: 1}

// Forecast is when a running cook reaches its target.
type Forecast struct {
	// Boiling says that the boil has started; before it the forecast rests on
	// the formula's solids.
	Boiling bool
	// Reached says that the last reading is at or above the target.
	Reached bool
	// NetPowerKWPerKg is the net power into the pan per kilogram of dry solids,
	// kW/kg, fitted from the readings; NetPowerKW the same for the batch, zero
	// when its mass is not known.
	NetPowerKWPerKg, NetPowerKW float64
	// MinutesLeft from the last reading to the target, with the ends of its 90 %
	// interval.
	MinutesLeft, LowLeft, HighLeft float64
	// EndMinutes is the same on the readings' clock.
	EndMinutes, EndLow, EndHigh float64
	// RateCPerMin is how fast the temperature rises now, RateAtTargetCPerMin how
	// fast it will rise on reaching the target at the power that is on now.
	RateCPerMin, RateAtTargetCPerMin float64
	// NextC is the temperature expected at the next reading, degC, and
	// WouldOvershoot that the target may be passed before it: the early end of
	// the interval falls inside the next reading interval.
	NextC          float64
	WouldOvershoot bool
	// SolidsPct is the solids content in the pan now by the fit, per cent; zero
	// beyond the data.
	SolidsPct float64
	// BiasC is what the fit takes off the readings to fit model and formula, degC,
	// always within the readings' own uncertainty; it is no correction.
	BiasC float64
	// BeyondData says that the target lies above 98 % solids, where the last
	// stretch is our inference and the interval wider.
	BeyondData bool
}

// Standard relative uncertainties of what the readings cannot show (our
// inference, set by the benchmark in the README): how far the net power wanders
// for the rest of the cook, how far heat and boiling curve miss a real pan, and
// how well the rise before the boil tells the power in it.
const (
	uPowerAhead   = 0.06
	uModelAhead   = 0.05
	uBeyondAhead  = 0.08
	uPowerHeating = 0.12
	ninetyPct     = 1.645
)

// Forecast fits the net power of a running cook and says when it reaches targetC
// (degC, corrected, 50..250). nextMinutes is the time to the next reading, 0 when
// there is none planned. ease is how the heat is taken back before the pull;
// DefaultEaseOff when it is the zero value.
//
// The fit: energy per kilogram of dry solids rises in a straight line with time;
// its start, its slope (the net power) and a common bias of the readings are found
// by least squares on the temperatures, with what is known beforehand beside them
// (bias 0 within UC, the formula's solids at the onset, the power that heated the
// syrup up to it). Sources: the balance is derived in energy.go; latent heat IAPWS,
// specific heat Geankoplis. Errors: those of a bad Cook, ErrTooFewReadings (fewer
// than three readings of the boil, or before it fewer than three in all or no
// StartSolidsPct), ErrNotHeating.
func (s Syrup) Forecast(c Cook, targetC, nextMinutes float64, ease EaseOff) (Forecast, error) {
	if err := s.ready(); err != nil {
		return Forecast{}, err
	}
	if err := c.check(); err != nil {
		return Forecast{}, err
	}
	if err := checkTarget(targetC, nextMinutes); err != nil {
		return Forecast{}, err
	}
	ease, err := ease.orDefault()
	if err != nil {
		return Forecast{}, err
	}
	curve, err := s.energyCurve(c.PressureHPa)
	if err != nil {
		return Forecast{}, err
	}
	fit, err := s.fitCook(c, curve)
	if err != nil {
		return Forecast{}, err
	}
	return fit.forecast(c, targetC, nextMinutes, ease), nil
}

func checkTarget(targetC, nextMinutes float64) error {
	if err := checkTemp(targetC); err != nil {
		return err
	}
	if targetC < 50 || targetC > 250 {
		return fmt.Errorf("target %g degC is outside 50 to 250 degC: %w", targetC, ErrTemperature)
	}
	if err := finite("next reading", nextMinutes); err != nil {
		return err
	}
	if nextMinutes < 0 || nextMinutes > 1e6 {
		return fmt.Errorf("next reading in %g minutes: %w", nextMinutes, ErrReadings)
	}
	return nil
}

func (e EaseOff) orDefault() (EaseOff, error) {
	if e == (EaseOff{}) {
		return DefaultEaseOff, nil
	}
	if err := finite("ease-off", e.WithinC, e.Share, e.UShare); err != nil {
		return EaseOff{}, err
	}
	if e.WithinC < 0 || e.WithinC > 50 || e.Share < 0.05 || e.Share > 1 || e.UShare < 0 || e.UShare > 1 {
		return EaseOff{}, fmt.Errorf("ease-off %+v: %w", e, ErrUncertainty)
	}
	return e, nil
}

// cookFit is a fitted cook: the line energy = start + power (t - from), and the
// covariance of {start, ln power, bias}.
type cookFit struct {
	curve   energyCurve
	boiling bool
	from    float64 // minute
	start   float64 // kJ/kg at from
	power   float64 // kJ/(kg min)
	bias    float64 // degC
	cov     *mat.SymDense
	// heating is the rise before the boil, degC a minute; used until it starts.
	heating float64
}

// forecast reads the end and its interval off the fit.
func (f cookFit) forecast(c Cook, targetC, nextMinutes float64, ease EaseOff) Forecast {
	last := c.Readings[len(c.Readings)-1]
	out := Forecast{
		Boiling:         f.boiling,
		NetPowerKWPerKg: f.power / 60,
		NetPowerKW:      f.power / 60 * c.DrySolidsKg,
		BiasC:           f.bias,
		BeyondData:      targetC > f.curve.topC,
	}
	now := f.start + f.power*(last.Minutes-f.from)
	nowC, slope := f.curve.temp(now)
	out.RateCPerMin = f.power * slope
	if !f.boiling {
		out.RateCPerMin = f.heating
	} else if now < 0 {
		out.SolidsPct = f.curve.solids(now)
	}
	_, slope = f.curve.at(targetC)
	out.RateAtTargetCPerMin = f.power / slope
	out.NextC = f.nextC(last, nowC, nextMinutes)
	if last.TempC >= targetC {
		out.Reached, out.WouldOvershoot = true, true
		out.EndMinutes, out.EndLow, out.EndHigh = last.Minutes, last.Minutes, last.Minutes
		return out
	}
	left, sd := f.left(c, last.Minutes, targetC, ease)
	// A cook that should have been there by now is there soon.
	left = math.Max(left, 0.02)
	rel := math.Min(sd/left, 1.5)
	out.MinutesLeft = left
	out.LowLeft, out.HighLeft = left*math.Exp(-ninetyPct*rel), left*math.Exp(ninetyPct*rel)
	out.EndMinutes, out.EndLow, out.EndHigh = last.Minutes+left, last.Minutes+out.LowLeft, last.Minutes+out.HighLeft
	out.WouldOvershoot = nextMinutes > 0 && out.LowLeft < nextMinutes
	return out
}

// nextC is the temperature expected after nextMinutes, as the thermometer will
// show it.
func (f cookFit) nextC(last Reading, nowC, nextMinutes float64) float64 {
	boilAt := last.Minutes
	if !f.boiling {
		if last.Minutes+nextMinutes <= f.from {
			return last.TempC + f.heating*nextMinutes
		}
		boilAt = f.from
	}
	then, _ := f.curve.temp(f.start + f.power*(math.Max(boilAt, last.Minutes+nextMinutes)-f.from))
	if !f.boiling {
		return then + f.bias
	}
	// The step from now on is the model's, its foot the reading and the fit evenly.
	return then - nowC + 0.5*(last.TempC+nowC+f.bias)
}

// left is the time to the target in minutes and its standard deviation.
func (f cookFit) left(c Cook, now, targetC float64, ease EaseOff) (left, sd float64) {
	end := func(start, lnPower, bias float64) float64 {
		goal, _ := f.curve.at(targetC - bias)
		return f.from + (goal-start)/math.Exp(lnPower)
	}
	theta := [3]float64{f.start, math.Log(f.power), f.bias}
	base := end(theta[0], theta[1], theta[2])
	var grad [3]float64
	for i, step := range [3]float64{1, 1e-3, 1e-2} {
		moved := theta
		moved[i] += step
		grad[i] = (end(moved[0], moved[1], moved[2]) - base) / step
	}
	g := mat.NewVecDense(3, grad[:])
	variance := mat.Inner(g, f.cov, g)

	// The last stretch at less heat.
	goal, _ := f.curve.at(targetC - f.bias)
	easing, _ := f.curve.at(targetC - f.bias - ease.WithinC)
	nowEnergy := math.Max(f.start+f.power*(now-f.from), easing)
	stretch := math.Max(goal-nowEnergy, 0) / f.power
	left = base - now + stretch*(1/ease.Share-1)
	variance += sq(stretch * ease.UShare / (ease.Share * ease.Share))

	rel := math.Hypot(uPowerAhead, uModelAhead)
	variance += sq(rel * left)
	if targetC > f.curve.topC {
		variance += sq(uBeyondAhead * left)
	}
	return left, math.Sqrt(variance)
}

func sq(v float64) float64 { return v * v }

// solids is the solids content at an energy, per cent.
func (c energyCurve) solids(energy float64) float64 {
	t, _ := c.temp(energy)
	i := 0
	for i < len(c.tempC)-2 && c.tempC[i+1] < t {
		i++
	}
	f := (t - c.tempC[i]) / (c.tempC[i+1] - c.tempC[i])
	return 100 / (c.inverse[i] + f*(c.inverse[i+1]-c.inverse[i]))
}

// fitCook finds the boil in the readings and fits it, or, before the boil, takes
// the power from the rise and the start of the boil from the formula.
func (s Syrup) fitCook(c Cook, curve energyCurve) (cookFit, error) {
	if len(c.Readings) < 3 {
		return cookFit{}, fmt.Errorf("%d readings: %w", len(c.Readings), ErrTooFewReadings)
	}
	o, err := s.Onset(c)
	switch {
	case err == nil:
		return fitBoil(c, curve, c.Readings[o.FirstBoiling:], &o)
	case !errors.Is(err, ErrNoOnset):
		return cookFit{}, err
	}
	waterC, err := s.waterBoils(c.PressureHPa)
	if err != nil {
		return cookFit{}, err
	}
	if c.Readings[0].TempC >= waterC-2*c.UC-1 {
		return fitBoil(c, curve, c.Readings, nil)
	}
	return fitHeating(c, curve)
}
