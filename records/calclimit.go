package records

import (
	"math"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// moveSolids carries a solids-basis bound of tempC from the pressure it was
// established at to a kitchen's, with what is uncertain about it: the pressure
// by the bound's own slope (degC per hPa), the model, and the weather when the
// pressure was read ageHours before.
func moveSolids(tempC, fromHPa float64, pressure thermometry.Pressure, ageHours float64) (thermometry.Bound, sugar.Moved, float64, error) {
	moved, err := syrup.MoveLimit(tempC, fromHPa, pressure.HPa)
	if err != nil {
		return thermometry.Bound{}, moved, 0, err
	}
	up, err := syrup.MoveLimit(tempC, fromHPa, pressure.HPa+1)
	if err != nil {
		return thermometry.Bound{}, moved, 0, err
	}
	slope := up.TempC - moved.TempC
	b := thermometry.Bound{TempC: moved.TempC, Budget: pressure.Terms(slope)}
	b.Budget = append(b.Budget, thermometry.Term{Name: "sucrose model", StandardC: moved.UC})
	if ageHours > 0 {
		b.Budget = append(b.Budget, thermometry.WeatherTerm(ageHours, slope))
	}
	return b, moved, slope, nil
}

// CookLimit is a limit of a cook as stated for a calculation.
type CookLimit struct {
	// LowC and HighC are the bounds as written, degC.
	LowC, HighC *float64
	// Basis says whether it moves with pressure.
	Basis kb.LimitBasis
	// EstablishedAt and EstablishedHPa (hPa) say at which pressure it was
	// established.
	EstablishedAt  kb.EstablishedAt
	EstablishedHPa *float64
	// Class says what a miss means.
	Class kb.LimitClass
	// Unguarded: a critical limit is not to be guarded.
	Unguarded bool
}

// guarded says whether the limit keeps its uncertainty away from the bounds.
func (l CookLimit) guarded() bool {
	return l.Class == kb.LimitClass_LIMIT_CLASS_CRITICAL && !l.Unguarded
}

// MovedBound is one bound of a limit, moved to a kitchen's pressure.
type MovedBound struct {
	// WrittenC is the bound as written, HereC as moved, StandardC the same at
	// standard pressure, degC.
	WrittenC, HereC, StandardC float64
	// UC is the expanded uncertainty (k = 2) of HereC, degC.
	UC float64
	// SlopeCPerHPa is how far it moves for one hPa, degC per hPa.
	SlopeCPerHPa float64
	// SolidsPct is the solids content held constant, per cent.
	SolidsPct *float64
	// BeyondData: above 98 % solids, moved at constant water activity.
	BeyondData bool
	// WaterRuleC and FootRuleC are where the trade's rules put it, degC;
	// ShortfallC is how far the first leaves it too high.
	WaterRuleC, FootRuleC, ShortfallC *float64

	bound thermometry.Bound
}

// MovedLimit is a limit moved to a kitchen's pressure.
type MovedLimit struct {
	// Low and High are its bounds; nil when open.
	Low, High *MovedBound
	// Air is the pressure it follows from.
	Air AirUsed
	Worked
}

// MoveLimit moves a limit to the pressure of air. Errors: ErrInvalid.
func MoveLimit(l CookLimit, a Air) (MovedLimit, error) {
	k, err := a.work("air")
	if err != nil {
		return MovedLimit{}, err
	}
	return l.move("limit", k)
}

func (l CookLimit) move(field string, k known) (MovedLimit, error) {
	out := MovedLimit{Air: k.used, Worked: k.Worked}
	out.source(srcGUM)
	if l.LowC == nil && l.HighC == nil {
		return out, invalid(field+".low_c", "give a lower bound, an upper bound, or both", "the limit has no bound")
	}
	from, err := l.established(field, k)
	if err != nil {
		return out, err
	}
	for _, end := range []struct {
		field string
		v     *float64
		out   **MovedBound
	}{{".low_c", l.LowC, &out.Low}, {".high_c", l.HighC, &out.High}} {
		if end.v == nil {
			continue
		}
		if err := finiteIn(field+end.field, *end.v, 0, 300, "degC"); err != nil {
			return out, err
		}
		b, err := l.bound(*end.v, from, k)
		if err != nil {
			return out, refused(field+end.field, err)
		}
		if b.BeyondData {
			out.source(srcBeyond)
			out.note("%.4g degC lies beyond the sucrose data (98 %% solids): moved at constant water activity, with a larger uncertainty.", b.WrittenC)
		}
		*end.out = &b
	}
	if out.Low != nil && out.High != nil && out.Low.WrittenC > out.High.WrittenC {
		return out, invalid(field+".high_c", "give the lower bound first", "lies below the lower bound")
	}
	if l.Basis == kb.LimitBasis_LIMIT_BASIS_SOLIDS {
		out.source(srcWater, srcSyrup, srcRule)
	} else {
		out.note("A temperature-basis limit does not move with pressure.")
	}
	return out, nil
}

// established is the pressure that a solids limit was established at, hPa.
func (l CookLimit) established(field string, k known) (float64, error) {
	if err := optional(field+".established_hpa", l.EstablishedHPa, 1100, "hPa"); err != nil {
		return 0, err
	}
	switch l.Basis {
	case kb.LimitBasis_LIMIT_BASIS_TEMPERATURE:
		return sugar.StandardPressureHPa, nil
	case kb.LimitBasis_LIMIT_BASIS_SOLIDS:
	default:
		return 0, invalid(field+".basis", "solids (moves with pressure) or temperature (does not)", "does not say whether the limit moves")
	}
	switch l.EstablishedAt {
	case kb.EstablishedAt_ESTABLISHED_AT_STANDARD:
		return sugar.StandardPressureHPa, nil
	case kb.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN:
		if k.used.StandardHPa == nil {
			return 0, invalid("air.elevation_m", "give the elevation of this kitchen", "is missing")
		}
		return *k.used.StandardHPa, nil
	case kb.EstablishedAt_ESTABLISHED_AT_STATED:
		if l.EstablishedHPa == nil {
			return 0, invalid(field+".established_hpa", "give 300 to 1100 hPa", "is missing")
		}
		return *l.EstablishedHPa, finiteIn(field+".established_hpa", *l.EstablishedHPa, 300, 1100, "hPa")
	}
	return 0, invalid(field+".established_at", "standard pressure (a book), this kitchen, or a stated pressure", "a solids limit must say at which pressure it was established")
}

// bound moves one bound.
func (l CookLimit) bound(tempC, fromHPa float64, k known) (MovedBound, error) {
	if l.Basis != kb.LimitBasis_LIMIT_BASIS_SOLIDS {
		return MovedBound{WrittenC: tempC, HereC: tempC, StandardC: tempC, bound: thermometry.Bound{TempC: tempC}}, nil
	}
	bound, moved, slope, err := moveSolids(tempC, fromHPa, k.pressure, k.ageHours)
	if err != nil {
		return MovedBound{}, err
	}
	out := MovedBound{
		WrittenC: tempC, HereC: moved.TempC, StandardC: moved.StandardC, UC: bound.Budget.Expanded(), SlopeCPerHPa: slope,
		BeyondData: moved.BeyondData, WaterRuleC: ptr(moved.WaterRuleC), ShortfallC: ptr(moved.ShortfallC()), bound: bound,
	}
	if !moved.BeyondData {
		out.SolidsPct = ptr(moved.SolidsPct)
	}
	if k.elevationM != nil && l.EstablishedAt == kb.EstablishedAt_ESTABLISHED_AT_STANDARD && *k.elevationM <= 5000 {
		foot, err := sugar.FootRule(tempC, *k.elevationM)
		if err != nil {
			return MovedBound{}, err
		}
		out.FootRuleC = &foot
	}
	return out, nil
}

// window is the limit as thermometry judges it.
func (m MovedLimit) window() thermometry.Window {
	var w thermometry.Window
	if m.Low != nil {
		w.Low = &m.Low.bound
	}
	if m.High != nil {
		w.High = &m.High.bound
	}
	return w
}

// beyond says that a bound lies beyond the sucrose data.
func (m MovedLimit) beyond() bool {
	return m.Low != nil && m.Low.BeyondData || m.High != nil && m.High.BeyondData
}

// middleC is what a cook aims at, degC: the middle of the limit, or its only
// bound.
func (m MovedLimit) middleC() float64 {
	switch {
	case m.Low == nil:
		return m.High.HereC
	case m.High == nil:
		return m.Low.HereC
	}
	return (m.Low.HereC + m.High.HereC) / 2
}

// microBounds are the bounds rounded to 0.01 degC, as printed and judged.
func (m MovedLimit) microBounds() (low, high int64, err error) {
	low, high = thermometry.NoLowMicroC, thermometry.NoHighMicroC
	if m.Low != nil {
		if low, err = centiMicro(m.Low.HereC); err != nil {
			return 0, 0, err
		}
	}
	if m.High != nil {
		high, err = centiMicro(m.High.HereC)
	}
	return low, high, err
}

// centiMicro rounds a temperature in degC to 0.01 degC, in millionths.
func centiMicro(tempC float64) (int64, error) {
	m, err := thermometry.MicroFromC(tempC)
	return roundMicro(int64(m), 10_000), err
}

// celsius turns degrees of a scale into degC, spanC a difference of them.
func celsius(v float64, unit kb.TemperatureUnit) float64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return (v - 32) / 1.8
	}
	return v
}

func spanC(v float64, unit kb.TemperatureUnit) float64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return v / 1.8
	}
	return v
}

// onScale turns degC into degrees of a scale, spanOn a difference.
func onScale(c float64, unit kb.TemperatureUnit) float64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return c*1.8 + 32
	}
	return c
}

func spanOn(c float64, unit kb.TemperatureUnit) float64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return c * 1.8
	}
	return c
}

// isFinite says that a number is neither NaN nor infinite.
func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
