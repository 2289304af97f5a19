package thermometry

import "math"

// PointKind is the kind of a check point.
type PointKind int

// The kinds of check point.
const (
	// PointUnknown is the zero value.
	PointUnknown PointKind = iota
	// PointIce is the ice point.
	PointIce
	// PointBoiling is the boiling point of water at the kitchen pressure.
	PointBoiling
	// PointComparison is a comparison with a reference in one bath.
	PointComparison
)

// String is the kind in words, as printed.
func (k PointKind) String() string {
	switch k {
	case PointIce:
		return "ice point"
	case PointBoiling:
		return "boiling point"
	case PointComparison:
		return "comparison"
	}
	return "unknown"
}

// Point is one point of a check: what was true, what was read, and how well
// either is known.
type Point struct {
	// Kind is the kind of point.
	Kind PointKind
	// TrueC is the true temperature in degC, rounded once to 0.001 degC by the
	// constructors.
	TrueC float64
	// ReadingC is what the instrument showed, in degC.
	ReadingC float64
	// AgeHours is how long before the reading to be corrected the point was
	// taken, in hours, 0 or more.
	AgeHours float64
	// Budget holds the terms of the error, reading minus true.
	Budget Budget
	// Provisional: the pressure was assumed, not read.
	Provisional bool
	// ReferenceExpired: the reference's certificate was past its due date, so
	// the point cannot support a pass.
	ReferenceExpired bool
}

// ErrorC is reading minus true, in degC.
func (p Point) ErrorC() float64 { return p.ReadingC - p.TrueC }

// IceQuality says how the ice point was made.
type IceQuality int

// The ice qualities. Standard uncertainties: our estimate for kitchens, no
// source; a laboratory reaches 0.01 degC (ASTM E563 realisation).
const (
	// IceCrushedSlush is well-packed crushed ice with water, stirred: 0.05 degC.
	IceCrushedSlush IceQuality = iota
	// IceLooseCubes is ice cubes in a glass of water: 0.25 degC.
	IceLooseCubes
)

// StandardC is the standard uncertainty in degC of an ice point of this quality.
func (q IceQuality) StandardC() float64 {
	if q == IceLooseCubes {
		return 0.25
	}
	return 0.05
}

// String is the quality in words, as printed.
func (q IceQuality) String() string {
	if q == IceLooseCubes {
		return "loose cubes"
	}
	return "crushed slush"
}

// BoilingPlace says where in the pan the bulb was.
type BoilingPlace int

// The places. Superheat figures are from memory: bulk boiling water is 0 to 0.3
// degC hotter at the bottom of a pot, next to nothing in the vapour.
const (
	// MidDepth is mid-depth in a proven rolling boil: hotter by 0 to 0.1 degC,
	// not corrected for.
	MidDepth BoilingPlace = iota
	// InVapour is in the steam above the water: no superheat.
	InVapour
	// NearBottom is near the bottom: 0.15 degC is added to the true value, and
	// what is left is rectangular, 0.15 degC either way.
	NearBottom
)

// superheat is the bias in degC added to the true value and the term left.
func (b BoilingPlace) superheat(source string) (biasC float64, terms []Term) {
	const midDepthC, bottomC = 0.1, 0.3
	switch b {
	case InVapour:
		return 0, nil
	case NearBottom:
		return bottomC / 2, []Term{{Name: "superheat near the bottom", StandardC: bottomC / math.Sqrt(12), Shape: OneSided, Shared: SharedSuperheat, Source: source}}
	}
	// Uncorrected, so its mean square about zero counts: a^2/3.
	return 0, []Term{{Name: "superheat at mid-depth", StandardC: midDepthC / math.Sqrt(3), Shape: OneSided, Shared: SharedSuperheat, Source: source}}
}

// ReadingTerm is the term of one reading: anywhere within half of what the
// person reads to (in degC), readToC/sqrt(12). It counts once a reading;
// repeats of a steady digital display do not make it smaller.
func ReadingTerm(readToC float64) Term {
	return Term{Name: "reading", StandardC: readToC / math.Sqrt(12), Shape: Rectangular}
}

// ranges of what a point may hold; wider than any kitchen thermometer.
const (
	lowestReadingC  = -100.0
	highestReadingC = 500.0
	largestReadToC  = 50.0
	largestAgeHours = 1e6
)

func checkReading(readingC, readToC, ageHours float64) error {
	if readToC == 0 {
		return &InputError{"readToC", readToC, ErrOutOfRange}
	}
	return withinAll(
		input{"readingC", readingC, lowestReadingC, highestReadingC},
		input{"readToC", readToC, 0, largestReadToC},
		input{"ageHours", ageHours, 0, largestAgeHours},
	)
}

// IceOptions describes an ice point.
type IceOptions struct {
	// ReadingC is what was read, in degC (-100 to 500).
	ReadingC float64
	// ReadToC is what the person reads to, in degC (above 0, up to 50).
	ReadToC float64
	// Quality says how the slush was made.
	Quality IceQuality
	// AgeHours is the age of the point, as in Point.
	AgeHours float64
}

// IcePoint makes the ice point: true value 0 degC (altitude moves it by 0.001
// degC at 1500 m, which is left out). A refused input is an InputError.
func IcePoint(opt IceOptions) (Point, error) {
	if err := checkReading(opt.ReadingC, opt.ReadToC, opt.AgeHours); err != nil {
		return Point{}, err
	}
	return Point{
		Kind: PointIce, TrueC: 0, ReadingC: opt.ReadingC, AgeHours: opt.AgeHours,
		Budget: Budget{
			{Name: "ice quality, " + opt.Quality.String(), StandardC: opt.Quality.StandardC(), Shape: Normal, Shared: SharedIceQuality},
			ReadingTerm(opt.ReadToC),
		},
	}, nil
}

// BoilingOptions describes a boiling point.
type BoilingOptions struct {
	// ReadingC is what was read, in degC (-100 to 500).
	ReadingC float64
	// ReadToC is what the person reads to, in degC (above 0, up to 50).
	ReadToC float64
	// Pressure is the kitchen pressure.
	Pressure Pressure
	// Place says where the bulb was.
	Place BoilingPlace
	// AgeHours is the age of the point, as in Point.
	AgeHours float64
}

// BoilingPoint makes a boiling point: true value by IAPWS-IF97 from the kitchen
// pressure, rounded to 0.001 degC. A refused input is an InputError; a pressure
// of unknown kind is ErrInconsistent.
func BoilingPoint(opt BoilingOptions) (Point, error) {
	if err := checkReading(opt.ReadingC, opt.ReadToC, opt.AgeHours); err != nil {
		return Point{}, err
	}
	if opt.Pressure.Kind == PressureUnknown {
		return Point{}, &InputError{"pressureHPa", opt.Pressure.HPa, ErrInconsistent}
	}
	if err := withinAll(
		input{"pressureStandardHPa", opt.Pressure.StandardHPa, 0, 1000},
		input{"barometerBiasHPa", opt.Pressure.BarometerBiasHPa, 0, 1000},
	); err != nil {
		return Point{}, err
	}
	boilingC, err := BoilingPointC(opt.Pressure.HPa)
	if err != nil {
		return Point{}, err
	}
	slope, err := BoilingSlopeCPerHPa(opt.Pressure.HPa)
	if err != nil {
		return Point{}, err
	}
	biasC, terms := opt.Place.superheat("")
	expected, err := RoundMilliHalfEven(boilingC + biasC)
	if err != nil {
		return Point{}, err
	}
	budget := Budget(opt.Pressure.Terms(slope))
	budget = append(budget, terms...)
	budget = append(budget, ReadingTerm(opt.ReadToC))
	return Point{
		Kind: PointBoiling, TrueC: expected.C(), ReadingC: opt.ReadingC, AgeHours: opt.AgeHours,
		Budget: budget, Provisional: opt.Pressure.Kind == PressureStandard,
	}, nil
}

// DefaultBathC is the standard uncertainty in degC of a bath that is not quite
// the same everywhere (our judgement, no source).
const DefaultBathC = 0.05

// ComparisonOptions describes a comparison with a reference.
type ComparisonOptions struct {
	// ReadingC is what the instrument showed, in degC (-100 to 500).
	ReadingC float64
	// ReadToC is what the person reads it to, in degC (above 0, up to 50).
	ReadToC float64
	// ReferenceReadingC is what the reference showed, in degC (-100 to 500).
	ReferenceReadingC float64
	// ReferenceReadToC is what the reference is read to (above 0, up to 50).
	ReferenceReadToC float64
	// CertificateCorrectionC is what the certificate says to add to the
	// reference's reading, in degC (-10 to 10).
	CertificateCorrectionC float64
	// CertificateExpandedC is the certificate's expanded uncertainty, k = 2, in
	// degC (0 to 10).
	CertificateExpandedC float64
	// Certificate names the certificate; comparisons under one share its error.
	Certificate string
	// CertificateExpired: the check was made after the certificate's due date.
	CertificateExpired bool
	// BathC is the standard uncertainty of the bath, in degC (0 to 10; 0 means
	// DefaultBathC).
	BathC float64
	// AgeHours is the age of the point, as in Point.
	AgeHours float64
}

// ComparisonPoint makes a comparison: the true value is the reference's reading
// with its certificate's correction, rounded to 0.001 degC. A refused input is
// an InputError.
func ComparisonPoint(opt ComparisonOptions) (Point, error) {
	if err := checkReading(opt.ReadingC, opt.ReadToC, opt.AgeHours); err != nil {
		return Point{}, err
	}
	if err := checkReading(opt.ReferenceReadingC, opt.ReferenceReadToC, opt.AgeHours); err != nil {
		return Point{}, err
	}
	if err := withinAll(
		input{"certificateCorrectionC", opt.CertificateCorrectionC, -10, 10},
		input{"certificateExpandedC", opt.CertificateExpandedC, 0, 10},
		input{"bathC", opt.BathC, 0, 10},
	); err != nil {
		return Point{}, err
	}
	expected, err := RoundMilliHalfEven(opt.ReferenceReadingC + opt.CertificateCorrectionC)
	if err != nil {
		return Point{}, err
	}
	reference := ReadingTerm(opt.ReferenceReadToC)
	reference.Name = "reading of the reference"
	return Point{
		Kind: PointComparison, TrueC: expected.C(), ReadingC: opt.ReadingC, AgeHours: opt.AgeHours,
		Budget: Budget{
			{Name: "certificate of the reference", StandardC: opt.CertificateExpandedC / CoverageFactor, Shape: Normal,
				Shared: SharedReferenceCertificate, Source: opt.Certificate},
			reference,
			{Name: "bath not the same everywhere", StandardC: orDefault(opt.BathC, DefaultBathC), Shape: Normal},
			ReadingTerm(opt.ReadToC),
		},
		ReferenceExpired: opt.CertificateExpired,
	}, nil
}
