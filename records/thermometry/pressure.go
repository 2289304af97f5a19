package thermometry

import "math"

// Constants of the U.S. Standard Atmosphere 1976 (NOAA-S/T 76-1562), lowest
// layer; ISO 2533 is the same there.
const (
	atmosphereLapseKPerM = 0.0065
	atmosphereT0K        = 288.15
	atmosphereExponent   = 9.80665 * 0.0289644 / (8.31432 * atmosphereLapseKPerM)
	earthRadiusM         = 6_356_766.0

	lowestElevationM  = -1000.0
	highestElevationM = 11_000.0
)

// Limits of judgement about a pressure that was entered.
const (
	// OutOfFamilyHPa is how far a kitchen pressure may lie from the standard
	// atmosphere of its elevation before it is questioned: about twice the
	// weather's usual swing (our judgement, no source).
	OutOfFamilyHPa = 50.0
	// Sea-level pressures that weather reports print: the records are about 870
	// and 1084 hPa (from memory); reports outside this are rare.
	lowestReportedHPa  = 940.0
	highestReportedHPa = 1085.0
)

// StandardPressureHPa is the pressure in hPa of the U.S. Standard Atmosphere
// 1976 at an elevation in metres above sea level. The elevation is geometric
// (what a map gives); it is turned into geopotential metres first. Range -1000
// to 11000 m; otherwise an InputError.
func StandardPressureHPa(elevationM float64) (float64, error) {
	if err := within("elevationM", elevationM, lowestElevationM, highestElevationM); err != nil {
		return 0, err
	}
	geopotentialM := earthRadiusM * elevationM / (earthRadiusM + elevationM)
	return standardAtmosphereHPa * math.Pow(1-atmosphereLapseKPerM*geopotentialM/atmosphereT0K, atmosphereExponent), nil
}

// StationPressureHPa is the kitchen pressure in hPa from an altimeter setting
// in hPa (what an airfield reports, reduced to sea level) and the kitchen's
// elevation in metres. Source: Smithsonian Meteorological Tables, 6th ed.,
// 1951, p. 269, with its 0.3 hPa. Range 850 to 1090 hPa and -1000 to 11000 m;
// otherwise an InputError.
func StationPressureHPa(altimeterHPa, elevationM float64) (float64, error) {
	if err := within("altimeterHPa", altimeterHPa, 850, 1090); err != nil {
		return 0, err
	}
	if err := within("elevationM", elevationM, lowestElevationM, highestElevationM); err != nil {
		return 0, err
	}
	const n, t0K, offsetHPa = 0.190284, 288.0, 0.3
	reduced := math.Pow(altimeterHPa, n) - math.Pow(standardAtmosphereHPa, n)*atmosphereLapseKPerM*elevationM/t0K
	return math.Pow(reduced, 1/n) + offsetHPa, nil
}

// OutOfFamily reports whether a kitchen pressure in hPa lies more than 50 hPa
// off the standard atmosphere at an elevation in metres. A value that is not
// finite, or an elevation without a standard atmosphere, is out of family too.
func OutOfFamily(pressureHPa, elevationM float64) bool {
	standard, err := StandardPressureHPa(elevationM)
	return err != nil || !(math.Abs(pressureHPa-standard) <= OutOfFamilyHPa)
}

// ProbablySeaLevel reports whether a pressure in hPa given as kitchen pressure
// is out of family because it is too high for the elevation in metres, and
// looks like a figure from a weather report, which is reduced to sea level.
func ProbablySeaLevel(pressureHPa, elevationM float64) bool {
	standard, err := StandardPressureHPa(elevationM)
	return err == nil && pressureHPa-standard > OutOfFamilyHPa &&
		pressureHPa >= lowestReportedHPa && pressureHPa <= highestReportedHPa
}

// PressureKind says how the kitchen pressure became known.
type PressureKind int

// The kinds of kitchen pressure; each has an uncertainty of its own.
const (
	// PressureUnknown is the zero value; no point is made from it.
	PressureUnknown PressureKind = iota
	// PressureMeasured was read from a barometer in the kitchen.
	PressureMeasured
	// PressureAltimeter came from an altimeter setting and the elevation.
	PressureAltimeter
	// PressureStandard is the standard atmosphere of the elevation: nobody read
	// a barometer.
	PressureStandard
)

// String is the kind in words, as printed.
func (k PressureKind) String() string {
	switch k {
	case PressureMeasured:
		return "measured in the kitchen"
	case PressureAltimeter:
		return "altimeter setting and elevation"
	case PressureStandard:
		return "standard atmosphere from elevation"
	}
	return "unknown"
}

// Uncertainty of pressures where a caller states none. Our judgement, no
// source: a kitchen barometer is good to about 1 hPa, an elevation to 10 m.
const (
	// DefaultBarometerReadToHPa is what a barometer is read to.
	DefaultBarometerReadToHPa = 0.1
	// DefaultBarometerBiasHPa is the standard uncertainty of a barometer's
	// constant error.
	DefaultBarometerBiasHPa = 0.6
	// DefaultAltimeterHPa is the standard uncertainty of an altimeter setting
	// used some way from the airfield, its printed digit included.
	DefaultAltimeterHPa = 0.8
	// DefaultElevationHalfWidthM is the half-width of a kitchen's elevation.
	DefaultElevationHalfWidthM = 10.0
	// DefaultWeatherHalfWidthHPa is the allowance for weather where nobody read
	// a barometer: rectangular, 15 hPa either way (about 0.4 degC).
	DefaultWeatherHalfWidthHPa = 15.0
)

// Pressure is a kitchen pressure with what is known of it. Make it with
// MeasuredPressure, AltimeterPressure or AssumedPressure.
type Pressure struct {
	// HPa is the absolute pressure in the kitchen.
	HPa float64
	// Kind says how it became known.
	Kind PressureKind
	// StandardHPa is the standard uncertainty of this one value, without the
	// constant error of the barometer.
	StandardHPa float64
	// Shape is the distribution of that part.
	Shape Shape
	// BarometerBiasHPa is the standard uncertainty of the barometer's constant
	// error, the same for every pressure read from it; 0 without a barometer.
	BarometerBiasHPa float64
	// Source names this value (the record it came from): two points or a point
	// and a limit with the same source share the value's error.
	Source string
	// Barometer names the barometer; readings of one barometer share its bias.
	Barometer string
}

// MeasuredPressure is a pressure in hPa read from a barometer in the kitchen
// that shows readToHPa, whose constant error has a standard uncertainty of
// biasHPa; zero for either means the default. Range 300 to 1100 hPa, readToHPa
// and biasHPa 0 to 50; otherwise an InputError.
func MeasuredPressure(pressureHPa, readToHPa, biasHPa float64) (Pressure, error) {
	if err := withinAll(
		input{"pressureHPa", pressureHPa, 300, 1100},
		input{"readToHPa", readToHPa, 0, 50},
		input{"biasHPa", biasHPa, 0, 50},
	); err != nil {
		return Pressure{}, err
	}
	return Pressure{
		HPa: pressureHPa, Kind: PressureMeasured,
		StandardHPa:      orDefault(readToHPa, DefaultBarometerReadToHPa) / math.Sqrt(12),
		Shape:            Rectangular,
		BarometerBiasHPa: orDefault(biasHPa, DefaultBarometerBiasHPa),
	}, nil
}

// AltimeterPressure is the kitchen pressure from an altimeter setting in hPa
// and the elevation in metres, known to +-elevationHalfWidthM metres (zero: the
// default). Ranges as for StationPressureHPa, half-width 0 to 1000 m.
func AltimeterPressure(altimeterHPa, elevationM, elevationHalfWidthM float64) (Pressure, error) {
	if err := within("elevationHalfWidthM", elevationHalfWidthM, 0, 1000); err != nil {
		return Pressure{}, err
	}
	station, err := StationPressureHPa(altimeterHPa, elevationM)
	if err != nil {
		return Pressure{}, err
	}
	// Hydrostatic: dp/dz = -p g M / (R T), the standard atmosphere's own.
	hPaPerM := station * atmosphereExponent * atmosphereLapseKPerM / (atmosphereT0K - atmosphereLapseKPerM*elevationM)
	elevation := orDefault(elevationHalfWidthM, DefaultElevationHalfWidthM) * hPaPerM / math.Sqrt(3)
	return Pressure{
		HPa: station, Kind: PressureAltimeter,
		StandardHPa: math.Hypot(DefaultAltimeterHPa, elevation),
		Shape:       Normal,
	}, nil
}

// AssumedPressure is the standard atmosphere at an elevation in metres, with a
// rectangular allowance of +-halfWidthHPa for the weather (zero: the default,
// 15 hPa). Range of the elevation as for StandardPressureHPa, half-width 0 to
// 100 hPa.
func AssumedPressure(elevationM, halfWidthHPa float64) (Pressure, error) {
	if err := within("halfWidthHPa", halfWidthHPa, 0, 100); err != nil {
		return Pressure{}, err
	}
	standard, err := StandardPressureHPa(elevationM)
	if err != nil {
		return Pressure{}, err
	}
	return Pressure{
		HPa: standard, Kind: PressureStandard,
		StandardHPa: orDefault(halfWidthHPa, DefaultWeatherHalfWidthHPa) / math.Sqrt(3),
		Shape:       Rectangular,
	}, nil
}

// Terms are the terms that this pressure puts into a temperature that moves by
// slopeCPerHPa degC per hPa (BoilingSlopeCPerHPa for water; a limit's own slope
// for a limit).
func (p Pressure) Terms(slopeCPerHPa float64) []Term {
	name := "kitchen pressure, " + p.Kind.String()
	terms := []Term{{Name: name, StandardC: p.StandardHPa * slopeCPerHPa, Shape: p.Shape, Shared: SharedPressure, Source: p.Source}}
	if p.BarometerBiasHPa != 0 {
		terms = append(terms, Term{Name: "barometer's constant error", StandardC: p.BarometerBiasHPa * slopeCPerHPa,
			Shape: Normal, Shared: SharedBarometerBias, Source: p.Barometer})
	}
	return terms
}

// input is a value with the range it must lie in.
type input struct {
	name             string
	value, low, high float64
}

// withinAll gives the first refusal of several values.
func withinAll(inputs ...input) error {
	for _, in := range inputs {
		if err := within(in.name, in.value, in.low, in.high); err != nil {
			return err
		}
	}
	return nil
}

func orDefault(value, fallback float64) float64 {
	if value == 0 {
		return fallback
	}
	return value
}
