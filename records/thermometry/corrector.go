package thermometry

import "math"

// CookOptions describes how an instrument is read in the pan.
type CookOptions struct {
	// ReadToC is what the person reads to, in degC (above 0, up to 50).
	ReadToC float64
	// StemStandardC is the standard uncertainty, degC, from a stem that stands
	// deeper in the check than in the pan or the other way (0 to 50; see
	// StemDepthTerm).
	StemStandardC float64
}

// Corrector is the prepared judge of one instrument: its curve and how it is
// read. Its methods allocate nothing, save Budget. It is read-only and safe to
// share.
type Corrector struct {
	curve           Curve
	opt             CookOptions
	readingVariance float64
}

// NewCorrector prepares the judge of one instrument. An empty curve is
// ErrNoPoints, a refused option an InputError.
func NewCorrector(curve Curve, opt CookOptions) (*Corrector, error) {
	if curve.Points == 0 {
		return nil, ErrNoPoints
	}
	if opt.ReadToC == 0 {
		return nil, &InputError{"readToC", opt.ReadToC, ErrOutOfRange}
	}
	if err := withinAll(
		input{"readToC", opt.ReadToC, 0, largestReadToC},
		input{"stemStandardC", opt.StemStandardC, 0, largestReadToC},
	); err != nil {
		return nil, err
	}
	reading := ReadingTerm(opt.ReadToC).StandardC
	return &Corrector{curve: curve, opt: opt, readingVariance: reading*reading + opt.StemStandardC*opt.StemStandardC}, nil
}

// Curve is the correction curve behind the judge.
func (c *Corrector) Curve() Curve { return c.curve }

// Corrected is a reading with its correction.
type Corrected struct {
	// CorrectedC is the reading plus its correction, degC.
	CorrectedC float64
	// ErrorC is the instrument's error at that reading, degC.
	ErrorC float64
	// StandardC is the combined standard uncertainty of CorrectedC, degC.
	StandardC float64
	// ExpandedC is the expanded uncertainty U, k = 2.
	ExpandedC float64
	// Extrapolated: the reading lies outside the range of the check points.
	Extrapolated bool
}

// Correct gives the corrected value of a reading in degC, with its uncertainty:
// that of the curve there and that of the reading itself. A reading that is not
// finite gives NaN throughout.
func (c *Corrector) Correct(readingC float64) Corrected {
	at := c.curve.At(readingC)
	standardC := math.Sqrt(at.StandardC*at.StandardC + c.readingVariance)
	return Corrected{
		CorrectedC: readingC - at.ErrorC, ErrorC: at.ErrorC,
		StandardC: standardC, ExpandedC: CoverageFactor * standardC,
		Extrapolated: at.Extrapolated,
	}
}

// ReadingFor is what the instrument shows, in degC, when the corrected value is
// correctedC. A curve so steep that readings would run backwards (slope 1 or
// more) gives NaN.
func (c *Corrector) ReadingFor(correctedC float64) float64 {
	slope := 1 - c.curve.SlopePerC
	if !(slope > 0) {
		return math.NaN()
	}
	return (correctedC + c.curve.CentreErrorC - c.curve.SlopePerC*c.curve.CentreC) / slope
}

// Bound is one bound of a limit, moved to today's kitchen.
type Bound struct {
	// TempC is the bound, degC.
	TempC float64
	// Budget holds what moves it: the kitchen pressure times the limit's own
	// slope (Pressure.Terms), the weather since that pressure was read
	// (WeatherTerm), the model of the syrup. Empty for a limit that is a
	// temperature.
	Budget Budget
}

// Difference is a corrected reading minus a bound.
type Difference struct {
	// DifferenceC is corrected minus bound, degC.
	DifferenceC float64
	// StandardC is the combined standard uncertainty of the difference, degC:
	// what reading and bound share counts once, with its sign.
	StandardC float64
	// ExpandedC is the expanded uncertainty of the difference, k = 2.
	ExpandedC float64
	// Extrapolated: the reading lies outside the range of the check points.
	Extrapolated bool
}

// Against is a corrected reading minus a bound, with the uncertainty of the
// difference. An error in the pressure, the barometer, the superheat or a
// certificate that moves both alike drops out; the reading's own part does not.
func (c *Corrector) Against(readingC float64, bound Bound) Difference {
	corrected := c.Correct(readingC)
	own := bound.Budget.Combined()
	variance := corrected.StandardC*corrected.StandardC + own*own
	x := readingC - c.curve.CentreC
	for i := range c.curve.shared {
		effect := &c.curve.shared[i]
		for j := range bound.Budget {
			if effect.term.sharesWith(bound.Budget[j]) {
				variance -= 2 * (effect.atCentre + effect.slopePerC*x) * bound.Budget[j].StandardC
			}
		}
	}
	standardC := math.Sqrt(math.Max(0, variance))
	return Difference{
		DifferenceC: corrected.CorrectedC - bound.TempC,
		StandardC:   standardC, ExpandedC: CoverageFactor * standardC,
		Extrapolated: corrected.Extrapolated,
	}
}

// Weather between a pressure and its use. Our judgement, no source: pressure
// moves by some tenths of a hPa an hour, and never by more than the weather's
// whole swing.
const (
	// DefaultWeatherHPaPerHour is the standard uncertainty of the pressure's
	// movement in one hour.
	DefaultWeatherHPaPerHour = 0.4
)

// WeatherTerm is the term of a pressure that was read hours before (or after)
// its use, in a temperature that moves by slopeCPerHPa degC per hPa. It grows by
// 0.4 hPa an hour up to the default weather allowance, and is independent of the
// pressure's own error.
func WeatherTerm(hours, slopeCPerHPa float64) Term {
	hPa := math.Min(math.Abs(hours)*DefaultWeatherHPaPerHour, DefaultWeatherHalfWidthHPa/math.Sqrt(3))
	return Term{Name: "weather since the pressure was read", StandardC: hPa * slopeCPerHPa, Shape: Normal}
}
