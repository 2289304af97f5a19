package thermometry

import (
	"math"
)

// CurveForm is the form of a correction curve.
type CurveForm int

// The forms.
const (
	// FormNone is the zero value.
	FormNone CurveForm = iota
	// FormOffset is one point's error, everywhere.
	FormOffset
	// FormMeanOffset is the mean error of points that agree, everywhere.
	FormMeanOffset
	// FormLine is a line through two points whose errors differ by more than
	// their combined U.
	FormLine
	// FormLeastSquares is a least-squares line through three or more points.
	FormLeastSquares
)

// String is the form in words, as printed.
func (f CurveForm) String() string {
	switch f {
	case FormOffset:
		return "offset"
	case FormMeanOffset:
		return "mean offset"
	case FormLine:
		return "line"
	case FormLeastSquares:
		return "least squares"
	}
	return "none"
}

// Defaults of CurveOptions. Our judgement: no source gives them for kitchen
// thermometers.
const (
	// DefaultGrowthPerC is the standard uncertainty of the error's growth, degC
	// per degC away from the points. It is of the size of the proportional part
	// of IEC 60584 classes 1 and 2 (0.004 and 0.0075 of the temperature, as
	// half-widths: 0.0023 and 0.0043 as standard uncertainties).
	DefaultGrowthPerC = 0.003
	// DefaultDriftPerSqrtDayC is the standard uncertainty of an instrument's
	// movement in one day, degC; it grows with the square root of the days.
	DefaultDriftPerSqrtDayC = 0.03
)

// CurveOptions are the site's settings for a correction curve. The zero value
// states that nothing grows and nothing drifts, as in a worked example; a
// kitchen starts from DefaultCurveOptions.
type CurveOptions struct {
	// GrowthPerC is the standard uncertainty of the error's growth away from the
	// points, degC per degC (0 to 1). It is printed with the budget.
	GrowthPerC float64
	// DriftPerSqrtDayC is the standard uncertainty of the instrument's movement
	// since a check, degC in one day (0 to 10), growing with the square root of
	// the time (a random walk).
	DriftPerSqrtDayC float64
}

// DefaultCurveOptions are the settings of a kitchen that has set none.
func DefaultCurveOptions() CurveOptions {
	return CurveOptions{GrowthPerC: DefaultGrowthPerC, DriftPerSqrtDayC: DefaultDriftPerSqrtDayC}
}

const (
	// shortestLineSpanC: two points nearer than this carry no line.
	shortestLineSpanC = 10.0
	// shortestFitSpanC: three or more points nearer than this carry no line.
	shortestFitSpanC = 1.0
	// weatherHours: air pressures this far apart are two weathers.
	weatherHours = 12.0
	// eventGapHours: points less than this apart belong to one check.
	eventGapHours = 1.0
)

// Curve is the error of one instrument as a function of its reading, with its
// uncertainty. Make it with FitCurve; it is read-only and safe to share.
type Curve struct {
	// Form is the form of the curve.
	Form CurveForm
	// Points is the number of points behind it.
	Points int
	// LowC and HighC are the lowest and highest reading, degC, of the points
	// that newer points do not contradict. Outside, the curve is extrapolated.
	LowC, HighC float64
	// CentreC is the reading about which the curve is written, degC:
	// error(r) = CentreErrorC + SlopePerC * (r - CentreC).
	CentreC float64
	// CentreErrorC is the error at CentreC, degC.
	CentreErrorC float64
	// SlopePerC is the slope of the error, degC per degC; 0 for an offset.
	SlopePerC float64
	// CentreStandardC and SlopeStandardPerC are their standard uncertainties,
	// Correlation the correlation of the two (all without growth and model).
	CentreStandardC, SlopeStandardPerC, Correlation float64
	// ResidualC is the residual standard deviation of a least-squares fit, degC.
	ResidualC float64
	// Misfit: the curve passes a point farther away than its own U there, or an
	// older check contradicts a newer one beyond chance.
	Misfit bool
	// MisfitC is the largest distance of a point from the curve, degC.
	MisfitC float64
	// Widened is the factor by which the stated uncertainty of a least-squares
	// fit was raised because its points scatter by more (Birge ratio); 1: not.
	Widened float64
	// StaleC is the standard uncertainty, degC, that was added to older points
	// because they and newer ones stand farther apart than stated; 0: none.
	StaleC float64
	// Options are the settings that it was made with.
	Options CurveOptions

	v0, v1, v2      float64 // variance of the error: v0 + 2 v1 x + v2 x^2, x = r - CentreC
	modelPerC       float64 // standard uncertainty per degC away from pivotC: what the form leaves unseen
	pivotC          float64
	growthOutside   float64 // growth per degC beyond LowC and HighC
	shared          []sharedEffect
	points          []Point
	weight, weight1 []float64 // error(r) = sum (weight[i] + weight1[i] x) * error of point i
}

// sharedEffect is what one shared input does to a corrected value: degC at the
// centre and degC per degC away from it.
type sharedEffect struct {
	term      Term
	atCentre  float64
	slopePerC float64
}

// Estimate is what a curve says at one reading.
type Estimate struct {
	// ErrorC is reading minus true, degC.
	ErrorC float64
	// CorrectionC is what to add to the reading, minus the error.
	CorrectionC float64
	// StandardC is the combined standard uncertainty of either, degC.
	StandardC float64
	// ExpandedC is the expanded uncertainty, k = 2.
	ExpandedC float64
	// Extrapolated: the reading lies outside the range of the points.
	Extrapolated bool
}

// FitCurve makes the correction curve of one instrument from its points. One
// point gives an offset; two give their mean offset, or a line when their errors
// differ by more than their combined U; three or more a least-squares line,
// weighted by what is known of each point (generalised least squares with the
// covariance of shared inputs and of drift), or the weighted mean when all lie
// within 1 degC. Where the points state no uncertainty at all, the residual
// standard deviation takes its place (JCGM 100:2008, H.3).
//
// The points should be the latest believable ones, one or more whole checks. An
// older check that newer points contradict gets the uncertainty that makes it
// agree, counts for correspondingly less, and Misfit is set when chance would
// explain it in less than 1 of 20.
//
// No points: ErrNoPoints. A value that is not finite or out of range: InputError.
func FitCurve(points []Point, opt CurveOptions) (Curve, error) {
	if len(points) == 0 {
		return Curve{}, ErrNoPoints
	}
	if err := withinAll(
		input{"growthPerC", opt.GrowthPerC, 0, 1},
		input{"driftPerSqrtDayC", opt.DriftPerSqrtDayC, 0, 10},
	); err != nil {
		return Curve{}, err
	}
	own := make([]Point, len(points))
	for i, p := range points {
		if err := checkPoint(p); err != nil {
			return Curve{}, err
		}
		own[i] = withWeather(p)
	}
	f := newFit(own, opt)
	var err error
	switch span := f.span(); {
	case len(own) == 1:
		f.offset()
	case len(own) == 2:
		f.pair(span)
	default:
		err = f.leastSquares(span)
	}
	if err != nil {
		return Curve{}, err
	}
	return f.curve(), nil
}

func checkPoint(p Point) error {
	if err := withinAll(
		input{"trueC", p.TrueC, lowestReadingC, highestReadingC},
		input{"readingC", p.ReadingC, lowestReadingC, highestReadingC},
		input{"ageHours", p.AgeHours, 0, largestAgeHours},
	); err != nil {
		return err
	}
	return p.Budget.finite()
}

// At is the error at a reading in degC, with its uncertainty. It allocates
// nothing. A reading that is not finite gives NaN throughout.
func (c *Curve) At(readingC float64) Estimate {
	if math.IsNaN(readingC) || math.IsInf(readingC, 0) || c.Points == 0 {
		nan := math.NaN()
		return Estimate{ErrorC: nan, CorrectionC: nan, StandardC: nan, ExpandedC: nan, Extrapolated: true}
	}
	errorC := c.CentreErrorC + c.SlopePerC*(readingC-c.CentreC)
	standardC := math.Sqrt(c.variance(readingC))
	return Estimate{
		ErrorC: errorC, CorrectionC: -errorC,
		StandardC: standardC, ExpandedC: CoverageFactor * standardC,
		Extrapolated: c.outside(readingC) > 0,
	}
}

// variance is the variance of the error at a reading, degC^2.
func (c *Curve) variance(readingC float64) float64 {
	model := c.modelPerC * (readingC - c.pivotC)
	outside := c.outside(readingC)
	growth := c.growthOutside * outside
	fitted := c.fitted(readingC)
	if outside > 0 {
		// A doubted older point may lie out there; nearing it buys nothing.
		edgeC := math.Max(c.LowC, math.Min(c.HighC, readingC))
		fitted = math.Max(fitted, c.fitted(edgeC))
	}
	return fitted + model*model + growth*growth
}

// fitted is the variance of the error that the points themselves leave, degC^2.
func (c *Curve) fitted(readingC float64) float64 {
	x := readingC - c.CentreC
	return math.Max(0, c.v0+2*c.v1*x+c.v2*x*x)
}

// outside is how far a reading lies beyond the points, degC.
func (c *Curve) outside(readingC float64) float64 {
	return math.Max(0, math.Max(c.LowC-readingC, readingC-c.HighC))
}
