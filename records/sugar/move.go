package sugar

import (
	"errors"
	"fmt"
	"math"
)

// Moved is a solids-basis limit carried from one pressure to another.
type Moved struct {
	// TempC is the limit at the pressure asked for, degC.
	TempC float64
	// UC is the standard uncertainty of the move, degC: zero when the pressures
	// are equal. It leaves out that of either pressure.
	UC float64
	// SolidsPct is the solids content held constant, per cent by mass; zero
	// when BeyondData.
	SolidsPct float64
	// BeyondData says that the limit lies above 98 % solids and was moved at
	// constant water activity p/psat(T) instead.
	BeyondData bool
	// StandardC is the same limit at standard pressure (1013.25 hPa), degC.
	StandardC float64
	// WaterRuleC is where the trade's rule puts the limit: lowered by no more
	// than the boiling point of water is. Shown beside TempC, never used.
	WaterRuleC float64
}

// ShortfallC is how many degC the trade's rule leaves the limit too high:
// WaterRuleC minus TempC.
func (m Moved) ShortfallC() float64 { return m.WaterRuleC - m.TempC }

// MoveLimit carries a solids-basis limit of tempC, established at fromHPa, to
// toHPa (both 50..1200 hPa).
//
// Up to 98 % solids it is moved at constant solids by the Starzak-Peacock model;
// because its activity depends a little on temperature too, the activity is
// constant only to about 1 % of itself. Above 98 % there is no solids figure: the
// limit is moved at constant water activity a_w = p/psat(T), BeyondData is set and
// UC is larger. Where the two meet they differ by about 0.2 degC at 1500 m, which
// UC covers. Errors: ErrNotANumber, ErrPressure, ErrTemperature, ErrNotBoiling
// when tempC is below the boiling point of water at fromHPa, or what the water
// functions return.
func (s Syrup) MoveLimit(tempC, fromHPa, toHPa float64) (Moved, error) {
	if err := checkPressure(toHPa); err != nil {
		return Moved{}, err
	}
	x, err := s.moleFractionBoiling(tempC, fromHPa)
	beyond := errors.Is(err, ErrBeyondSucroseData) && !errors.Is(err, ErrNotBoiling)
	if err != nil && !beyond {
		return Moved{}, err
	}
	waterFrom, err := s.waterBoils(fromHPa)
	if err != nil {
		return Moved{}, err
	}
	waterTo, err := s.waterBoils(toHPa)
	if err != nil {
		return Moved{}, err
	}
	m := Moved{BeyondData: beyond, WaterRuleC: tempC + waterTo - waterFrom}
	if !beyond {
		m.SolidsPct = math.Min(solidsOf(x), MaxSolidsPct)
	}
	if m.TempC, err = s.carry(x, beyond, tempC, fromHPa, toHPa); err != nil {
		return Moved{}, err
	}
	if m.StandardC, err = s.carry(x, beyond, tempC, fromHPa, StandardPressureHPa); err != nil {
		return Moved{}, err
	}
	if m.UC, err = s.moveU(m, tempC, fromHPa, toHPa); err != nil {
		return Moved{}, err
	}
	return m, nil
}

// carry moves one temperature at constant mole fraction x, or at constant
// p/psat(T) when beyond.
func (s Syrup) carry(x float64, beyond bool, tempC, fromHPa, toHPa float64) (float64, error) {
	if fromHPa == toHPa {
		return tempC, nil
	}
	if beyond {
		return s.atConstantActivity(tempC, fromHPa, toHPa)
	}
	return s.boilsAt(x, toHPa)
}

// atConstantActivity is the temperature at toHPa with the same p/psat(T).
func (s Syrup) atConstantActivity(tempC, fromHPa, toHPa float64) (float64, error) {
	p, err := s.saturation(tempC)
	if err != nil {
		return 0, err
	}
	target := p * toHPa / fromHPa
	if target < p {
		waterC, err := s.waterBoils(toHPa)
		if err != nil {
			return 0, err
		}
		return s.root(0, target, waterC, tempC)
	}
	// The saturation pressure rises by more than 1 % a degree below 330 degC,
	// so this bracket holds the root.
	return s.root(0, target, tempC, tempC+100*math.Log(toHPa/fromHPa)+1)
}

// moveU is the standard uncertainty of a move. Its terms: the gap between the
// two ways to hold the syrup constant (solids, activity), taken as the half-width
// of a rectangle; 5 % of what the model adds to water's own shift, 15 % beyond the
// data (our inference: the tables give no slopes against pressure up there).
func (s Syrup) moveU(m Moved, tempC, fromHPa, toHPa float64) (float64, error) {
	if fromHPa == toHPa {
		return 0, nil
	}
	share := 0.05
	var gap float64
	if m.BeyondData {
		share = 0.15
		top := moleFraction(MaxSolidsPct)
		edge, err := s.boilsAt(top, fromHPa)
		if err != nil {
			return 0, err
		}
		solidsWay, err := s.boilsAt(top, toHPa)
		if err != nil {
			return 0, err
		}
		activityWay, err := s.atConstantActivity(edge, fromHPa, toHPa)
		if err != nil {
			return 0, err
		}
		gap = solidsWay - activityWay
	} else {
		activityWay, err := s.atConstantActivity(tempC, fromHPa, toHPa)
		if err != nil {
			return 0, err
		}
		gap = m.TempC - activityWay
	}
	return math.Hypot(gap/math.Sqrt(3), share*m.ShortfallC()), nil
}

// FootRule is the trade's printed rule for altitude, one degree Fahrenheit down
// for each 500 ft (read in extension leaflets): the limit tempC in degC at
// elevationM metres (-500..5000). Shown beside the model's figure, never used:
// it over-corrects plain water and under-corrects the crack stages. Errors:
// ErrNotANumber, ErrTemperature, ErrPressure for an elevation outside the range.
func FootRule(tempC, elevationM float64) (float64, error) {
	if err := checkTemp(tempC); err != nil {
		return 0, err
	}
	if err := finite("elevation", elevationM); err != nil {
		return 0, err
	}
	if elevationM < -500 || elevationM > 5000 {
		return 0, fmt.Errorf("%g m is outside -500 to 5000 m: %w", elevationM, ErrPressure)
	}
	return tempC - elevationM/0.3048/500*5/9, nil
}
