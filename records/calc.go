package records

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// Worked goes with every result of a calculation.
type Worked struct {
	// Sources say where the figures come from, one a line.
	Sources []string
	// Notes are what the reader must mind.
	Notes []string
}

func (w *Worked) source(lines ...string) {
	for _, l := range lines {
		if !slices.Contains(w.Sources, l) {
			w.Sources = append(w.Sources, l)
		}
	}
}

func (w *Worked) note(format string, args ...any) {
	if l := fmt.Sprintf(format, args...); !slices.Contains(w.Notes, l) {
		w.Notes = append(w.Notes, l)
	}
}

func (w *Worked) also(other Worked) {
	w.source(other.Sources...)
	for _, n := range other.Notes {
		w.note("%s", n)
	}
}

// Where the figures of calculations come from, as printed.
const (
	srcWater      = "boiling point of water: IAPWS R7-97(2012), region 4"
	srcAtmosphere = "air at an elevation: U.S. Standard Atmosphere 1976"
	srcAltimeter  = "altimeter setting to kitchen pressure: Smithsonian Meteorological Tables, 6th ed., 1951, p. 269"
	srcAirU       = "uncertainty of barometer, altimeter setting and weather: our judgement, no source"
	srcGUM        = "uncertainty with k = 2: JCGM 100:2008"
	srcPoints     = "superheat of boiling water: from memory; quality of ice: our estimate, no source"
	srcCurve      = "correction: least squares after JCGM 100:2008, annex H.3; growth and drift: our judgement, no source"
	srcVerdict    = "verdicts: simple and guarded acceptance after JCGM 106:2012, outcomes after ILAC-G8:09/2019"
	srcSyrup      = "boiling sugar: equation of Starzak and Peacock 1997 (constants read, shape from memory)"
	srcSpread     = "uncertainty of solids: spread of the published boiling tables (our inference)"
	srcBeyond     = "above 98 % solids: constant water activity (our inference)"
	srcRule       = "the trade's rules for altitude: extension leaflets, read; shown, never used"
	srcStages     = "stages: published tables, their spread as soft edges"
	srcGrover     = "syrups that are not all sucrose: factors of Grover 1947, from memory; an estimate"
	srcPractice   = "common practice, no source"
)

// finiteIn refuses a number that is not finite or lies outside low to high.
func finiteIn(field string, v, low, high float64, unit string) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return invalid(field, fmt.Sprintf("give %g to %g %s", low, high, unit), "is not a finite number")
	}
	if v < low || v > high {
		return invalid(field, fmt.Sprintf("give %g to %g %s", low, high, unit), "%g is out of range", v)
	}
	return nil
}

// aboveZero refuses a number that is not finite, not above zero or above high.
func aboveZero(field string, v, high float64, unit string) error {
	if err := finiteIn(field, v, 0, high, unit); err != nil {
		return err
	}
	if v < 1e-9 {
		return invalid(field, fmt.Sprintf("give more than 0, up to %g %s", high, unit), "%g is not above 0", v)
	}
	return nil
}

// CheckFinite refuses numbers that are not finite, at any depth of a message, with
// their field named. Error: ErrInvalid.
func CheckFinite(m proto.Message) error { return finiteFields("", m.ProtoReflect()) }

func finiteFields(path string, m protoreflect.Message) (err error) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		name := string(fd.Name())
		if path != "" {
			name = path + "." + name
		}
		one := func(name string, v protoreflect.Value) error {
			switch fd.Kind() {
			case protoreflect.MessageKind, protoreflect.GroupKind:
				return finiteFields(name, v.Message())
			case protoreflect.DoubleKind, protoreflect.FloatKind:
				if !isFinite(v.Float()) {
					return invalid(name, "give a plain number", "is not a finite number")
				}
			}
			return nil
		}
		if !fd.IsList() {
			err = one(name, v)
			return err == nil
		}
		for i := range v.List().Len() {
			if err = one(indexed(name, i), v.List().Get(i)); err != nil {
				return false
			}
		}
		return true
	})
	return err
}

// span is one number with the range it may have.
type span struct {
	field     string
	v         float64
	low, high float64
	unit      string
}

func allIn(list ...span) error {
	for _, s := range list {
		if err := finiteIn(s.field, s.v, s.low, s.high, s.unit); err != nil {
			return err
		}
	}
	return nil
}

// or gives an optional number, or what stands in for it.
func or(v *float64, other float64) float64 {
	if v == nil {
		return other
	}
	return *v
}

// optional checks an optional number that is above zero when it is given.
func optional(field string, v *float64, high float64, unit string) error {
	if v == nil {
		return nil
	}
	return aboveZero(field, *v, high, unit)
}

func ptr[T any](v T) *T { return &v }

// refusals say what the caller of a calculation can do about what a science
// refused.
var refusals = []struct {
	is   error
	cure string
}{
	{sugar.ErrNotBoiling, "a boiling syrup is hotter than boiling water; check the temperature and the pressure"},
	{sugar.ErrBeyondSucroseData, "the sucrose data end at 98 % solids; no figure is given beyond"},
	{sugar.ErrNotHeating, "wait until the readings rise steadily"},
	{sugar.ErrTooFewReadings, "give more readings, or the solids at the start"},
	{sugar.ErrReadings, "give readings in order of time, no two at one time"},
	{sugar.ErrNoOnset, "give readings from before the boil until well into it"},
	{sugar.ErrUnknownStage, "thread, soft ball, firm ball, hard ball, soft crack, hard crack, caramel or burnt"},
	{sugar.ErrPressure, "check the pressure"},
	{sugar.ErrTemperature, "check the temperature"},
	{sugar.ErrMass, "check the masses and shares"},
	{sugar.ErrUncertainty, "check the uncertainties"},
	{thermometry.ErrTooFew, "give more values"},
	{thermometry.ErrInconsistent, "check the values against one another"},
	{thermometry.ErrNoPoints, "give a check point"},
}

// refused turns an error of a science into one about a field of the request.
// Errors that are about a field already pass.
func refused(field string, err error) error {
	var fe *FieldError
	if err == nil || errors.As(err, &fe) {
		return err
	}
	for _, r := range refusals {
		if errors.Is(err, r.is) {
			return &FieldError{Kind: ErrInvalid, Field: field, Problem: err.Error(), Cure: r.cure}
		}
	}
	return &FieldError{Kind: ErrInvalid, Field: field, Problem: err.Error(), Cure: "check the digits and the unit"}
}

// Air is what is known of the air pressure in a kitchen.
type Air struct {
	// Kind says what the pressure is.
	Kind kb.PressureKind
	// PressureHPa is the pressure in hPa, ElevationM the elevation in metres.
	PressureHPa, ElevationM *float64
	// ReadToHPa and BarometerStandardHPa are of the barometer, hPa.
	ReadToHPa, BarometerStandardHPa *float64
	// ElevationHalfWidthM is how well the elevation is known, metres.
	ElevationHalfWidthM *float64
	// WeatherHalfWidthHPa is the allowance for weather, hPa.
	WeatherHalfWidthHPa *float64
	// AgeHours is the time between reading the pressure and its use.
	AgeHours float64
}

// AirUsed is the kitchen pressure that an answer rests on.
type AirUsed struct {
	// PressureHPa is the pressure in the kitchen, UHPa its expanded uncertainty
	// (k = 2), hPa.
	PressureHPa, UHPa float64
	// Kind says what it is.
	Kind kb.PressureKind
	// StandardHPa is the standard atmosphere at the elevation, hPa.
	StandardHPa *float64
	// Questioned: it is out of family with the elevation.
	Questioned bool
}

// known is air worked out.
type known struct {
	pressure   thermometry.Pressure
	used       AirUsed
	elevationM *float64
	ageHours   float64
	Worked
}

// work turns air as stated into a kitchen pressure. Errors: ErrInvalid with the
// field named below field.
func (a Air) work(field string) (known, error) {
	k := known{ageHours: a.AgeHours, elevationM: a.ElevationM}
	k.used.Kind = a.Kind
	k.source(srcAirU)
	if err := finiteIn(field+".age_hours", a.AgeHours, 0, 1e6, "hours"); err != nil {
		return k, err
	}
	if a.ElevationM != nil {
		if err := finiteIn(field+".elevation_m", *a.ElevationM, -430, 5500, "m"); err != nil {
			return k, err
		}
		standard, err := thermometry.StandardPressureHPa(*a.ElevationM)
		if err != nil {
			return k, refused(field+".elevation_m", err)
		}
		k.used.StandardHPa = &standard
	}
	for _, o := range []struct {
		field string
		v     *float64
		high  float64
		unit  string
	}{
		{".read_to_hpa", a.ReadToHPa, 50, "hPa"}, {".barometer_standard_hpa", a.BarometerStandardHPa, 50, "hPa"},
		{".elevation_half_width_m", a.ElevationHalfWidthM, 1000, "m"}, {".weather_half_width_hpa", a.WeatherHalfWidthHPa, 100, "hPa"},
	} {
		if err := optional(field+o.field, o.v, o.high, o.unit); err != nil {
			return k, err
		}
	}
	if err := a.pressure(field, &k); err != nil {
		return k, err
	}
	if a.Kind == kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE {
		k.ageHours = 0 // its allowance covers the weather whenever it is used
	}
	// Two airs stated alike are one reading of the barometer.
	k.pressure.Source = fmt.Sprint(a.Kind, k.pressure.HPa)
	k.used.PressureHPa = k.pressure.HPa
	k.used.UHPa = k.terms(1).Expanded()
	return k, nil
}

// pressure chooses by kind.
func (a Air) pressure(field string, k *known) (err error) {
	needs := func(what string, v *float64, low, high float64, unit string) error {
		if v == nil {
			return invalid(field+"."+what, fmt.Sprintf("give %g to %g %s", low, high, unit), "is missing")
		}
		return finiteIn(field+"."+what, *v, low, high, unit)
	}
	switch a.Kind {
	case kb.PressureKind_PRESSURE_KIND_MEASURED:
		if err := needs("pressure_hpa", a.PressureHPa, 300, 1100, "hPa"); err != nil {
			return err
		}
		k.pressure, err = thermometry.MeasuredPressure(*a.PressureHPa, or(a.ReadToHPa, 0), or(a.BarometerStandardHPa, 0))
		k.pressure.Barometer = "kitchen barometer"
		a.question(k)
		return refused(field+".pressure_hpa", err)
	case kb.PressureKind_PRESSURE_KIND_ALTIMETER:
		if err := needs("pressure_hpa", a.PressureHPa, 850, 1090, "hPa"); err != nil {
			return err
		}
		if err := needs("elevation_m", a.ElevationM, -430, 5500, "m"); err != nil {
			return err
		}
		k.source(srcAltimeter)
		k.pressure, err = thermometry.AltimeterPressure(*a.PressureHPa, *a.ElevationM, or(a.ElevationHalfWidthM, 0))
		return refused(field+".pressure_hpa", err)
	case kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE:
		if a.PressureHPa != nil {
			return invalid(field+".pressure_hpa", "say what kind of pressure it is, or leave it out", "standard atmosphere has no pressure of its own")
		}
		if err := needs("elevation_m", a.ElevationM, -430, 5500, "m"); err != nil {
			return err
		}
		k.source(srcAtmosphere)
		k.note("Nobody read a barometer: weather may move the pressure by %g hPa either way. Read one for less uncertainty.", or(a.WeatherHalfWidthHPa, thermometry.DefaultWeatherHalfWidthHPa))
		k.pressure, err = thermometry.AssumedPressure(*a.ElevationM, or(a.WeatherHalfWidthHPa, 0))
		return refused(field+".elevation_m", err)
	}
	return invalid(field+".kind", "measured in the kitchen, altimeter setting, or standard atmosphere", "does not say what the pressure is")
}

// question marks a measured pressure that does not fit the elevation.
func (a Air) question(k *known) {
	if a.ElevationM == nil || !thermometry.OutOfFamily(*a.PressureHPa, *a.ElevationM) {
		return
	}
	k.used.Questioned = true
	k.source(srcAtmosphere)
	what := "Check the figure and the elevation."
	if thermometry.ProbablySeaLevel(*a.PressureHPa, *a.ElevationM) {
		what = "It is probably reduced to sea level: give it as an altimeter setting, or read a barometer in the kitchen."
	}
	k.note("%.4g hPa is out of family with %.0f m, where %.1f hPa is usual. %s", *a.PressureHPa, *a.ElevationM, *k.used.StandardHPa, what)
}

// Boils is where water boils.
type Boils struct {
	// BoilingC is the boiling point and UC its expanded uncertainty (k = 2), degC.
	BoilingC, UC float64
	// SlopeCPerHPa is how far it moves for one hPa, degC per hPa.
	SlopeCPerHPa float64
	// Budget is behind UC.
	Budget thermometry.Budget
	// IfAltimeterC is where water boils when a questioned pressure is an
	// altimeter setting, degC; nil otherwise.
	IfAltimeterC *float64
	// Air is the pressure it follows from.
	Air AirUsed
	Worked
}

// BoilingPoint tells where water boils in air. Errors: ErrInvalid.
func BoilingPoint(a Air) (Boils, error) {
	k, err := a.work("air")
	if err != nil {
		return Boils{}, err
	}
	out := Boils{Air: k.used, Worked: k.Worked}
	out.source(srcWater, srcGUM)
	if out.BoilingC, err = thermometry.BoilingPointC(k.pressure.HPa); err != nil {
		return Boils{}, refused("air.pressure_hpa", err)
	}
	if out.SlopeCPerHPa, err = thermometry.BoilingSlopeCPerHPa(k.pressure.HPa); err != nil {
		return Boils{}, refused("air.pressure_hpa", err)
	}
	out.Budget = k.terms(out.SlopeCPerHPa)
	out.UC = out.Budget.Expanded()
	if !k.used.Questioned {
		return out, nil
	}
	if station, err := thermometry.StationPressureHPa(*a.PressureHPa, *a.ElevationM); err == nil && !thermometry.OutOfFamily(station, *a.ElevationM) {
		other, err := thermometry.BoilingPointC(station)
		if err != nil {
			return Boils{}, refused("air.pressure_hpa", err)
		}
		out.IfAltimeterC = &other
		out.source(srcAltimeter)
	}
	return out, nil
}

// terms are what the air puts into a temperature that moves by slope degC a hPa.
func (k known) terms(slopeCPerHPa float64) thermometry.Budget {
	b := thermometry.Budget(k.pressure.Terms(slopeCPerHPa))
	if k.ageHours > 0 {
		b = append(b, thermometry.WeatherTerm(k.ageHours, slopeCPerHPa))
	}
	return b
}
