package sugar

import (
	"errors"
	"fmt"
	"math"
)

// The errors of the package. Each returned error wraps one of them, so
// errors.Is tells them apart, and its text names the value that was refused.
var (
	// ErrNotANumber: an input is NaN or infinite.
	ErrNotANumber = errors.New("not a finite number")
	// ErrBeyondSucroseData: the answer would lie outside 0..98 % solids, where
	// the sucrose data end. No figure is given instead.
	ErrBeyondSucroseData = errors.New("beyond sucrose data")
	// ErrNotBoiling: the temperature is below the boiling point of water at
	// that pressure, so it says nothing about solids. An error that wraps it
	// wraps ErrBeyondSucroseData too.
	ErrNotBoiling = errors.New("below the boiling point of water")
	// ErrPressure: a pressure outside 50..1200 hPa.
	ErrPressure = errors.New("pressure out of range")
	// ErrTemperature: a temperature that no pan of sugar has (outside -50..300 degC).
	ErrTemperature = errors.New("temperature out of range")
	// ErrUncertainty: an uncertainty that is negative.
	ErrUncertainty = errors.New("uncertainty out of range")
	// ErrMass: a mass that is not above zero, or a share outside its range.
	ErrMass = errors.New("mass out of range")
	// ErrWater: the saturation functions are missing or do not describe water.
	ErrWater = errors.New("saturation functions are not those of water")
	// ErrTooFewReadings: the readings do not reach far enough to answer.
	ErrTooFewReadings = errors.New("too few readings")
	// ErrReadings: readings out of order, or two at one time.
	ErrReadings = errors.New("readings out of order")
	// ErrNotHeating: the readings show no rise that a forecast could use.
	ErrNotHeating = errors.New("the pan is not heating")
	// ErrNoOnset: the readings do not show where the boil starts.
	ErrNoOnset = errors.New("no onset of boiling in the readings")
	// ErrUnknownStage: a name that is none of the stages.
	ErrUnknownStage = errors.New("unknown stage")
)

// Bounds of what is accepted. The pressures span what any kitchen has, and a
// vacuum pan down to 50 hPa; the temperatures any pan of sugar.
const (
	minPressureHPa = 50.0
	maxPressureHPa = 1200.0
	minTempC       = -50.0
	maxTempC       = 300.0
)

func finite(what string, values ...float64) error {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s %v: %w", what, v, ErrNotANumber)
		}
	}
	return nil
}

func checkPressure(pressureHPa float64) error {
	if err := finite("pressure", pressureHPa); err != nil {
		return err
	}
	if pressureHPa < minPressureHPa || pressureHPa > maxPressureHPa {
		return fmt.Errorf("%g hPa is outside %g to %g hPa: %w", pressureHPa, minPressureHPa, maxPressureHPa, ErrPressure)
	}
	return nil
}

func checkTemp(tempC float64) error {
	if err := finite("temperature", tempC); err != nil {
		return err
	}
	if tempC < minTempC || tempC > maxTempC {
		return fmt.Errorf("%g degC is outside %g to %g degC: %w", tempC, minTempC, maxTempC, ErrTemperature)
	}
	return nil
}

func checkSolids(solidsPct float64) error {
	if err := finite("solids", solidsPct); err != nil {
		return err
	}
	if solidsPct < 0 || solidsPct > MaxSolidsPct {
		return fmt.Errorf("%g %% solids is outside 0 to %g %%: %w", solidsPct, MaxSolidsPct, ErrBeyondSucroseData)
	}
	return nil
}

func checkU(u float64) error {
	if err := finite("uncertainty", u); err != nil {
		return err
	}
	if u < 0 {
		return fmt.Errorf("uncertainty %g is negative: %w", u, ErrUncertainty)
	}
	return nil
}

func checkMass(what string, kg float64) error {
	if err := finite(what, kg); err != nil {
		return err
	}
	if kg <= 0 {
		return fmt.Errorf("%s %g kg: %w", what, kg, ErrMass)
	}
	return nil
}
