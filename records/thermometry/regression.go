package thermometry

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Line is an ordinary least-squares line y = Intercept + Slope x, with its
// statistics. It is computed about the means, which keeps its digits where x is
// large against its spread (checked to 10 digits on NIST StRD Norris).
type Line struct {
	// Intercept and Slope are the parameters.
	Intercept, Slope float64
	// InterceptStandard and SlopeStandard are their standard deviations.
	InterceptStandard, SlopeStandard float64
	// Correlation is the correlation of the two parameters.
	Correlation float64
	// Residual is the residual standard deviation.
	Residual float64
	// RSquared is the coefficient of determination; 1 when all y are equal.
	RSquared float64
	// F is the regression's mean square over the residual's; +Inf for a perfect
	// fit, 0 when all y are equal.
	F float64
	// SumOfSquaresRegression and SumOfSquaresResidual are the parts of the sum
	// of squares.
	SumOfSquaresRegression, SumOfSquaresResidual float64
	// Freedom is the number of degrees of freedom, n - 2.
	Freedom int

	meanX, meanY, spreadX float64 // spreadX is the sum of squares of x about its mean
}

// FitLine fits a line to three or more pairs. ErrTooFew for fewer, ErrInconsistent
// when the slices differ in length or all x are equal, an InputError for a value
// that is not finite or larger than 1e12 in size.
func FitLine(x, y []float64) (Line, error) {
	if len(x) != len(y) {
		return Line{}, ErrInconsistent
	}
	if len(x) < 3 {
		return Line{}, ErrTooFew
	}
	const largest = 1e12
	for i := range x {
		if err := withinAll(input{"x", x[i], -largest, largest}, input{"y", y[i], -largest, largest}); err != nil {
			return Line{}, err
		}
	}
	n := float64(len(x))
	l := Line{Freedom: len(x) - 2, meanX: stat.Mean(x, nil), meanY: stat.Mean(y, nil)}
	var together, spreadY float64
	for i := range x {
		dx, dy := x[i]-l.meanX, y[i]-l.meanY
		l.spreadX += dx * dx
		together += dx * dy
		spreadY += dy * dy
	}
	if l.spreadX <= 1e-24*n*l.meanX*l.meanX {
		return Line{}, ErrInconsistent
	}
	l.Slope = together / l.spreadX
	l.Intercept = l.meanY - l.Slope*l.meanX
	for i := range x {
		rest := y[i] - l.meanY - l.Slope*(x[i]-l.meanX)
		l.SumOfSquaresResidual += rest * rest
		fitted := l.Slope * (x[i] - l.meanX)
		l.SumOfSquaresRegression += fitted * fitted
	}
	square := l.SumOfSquaresResidual / float64(l.Freedom)
	l.Residual = math.Sqrt(square)
	l.SlopeStandard = l.Residual / math.Sqrt(l.spreadX)
	l.InterceptStandard = l.Residual * math.Sqrt(1/n+l.meanX*l.meanX/l.spreadX)
	l.Correlation = -l.meanX / math.Sqrt(l.spreadX/n+l.meanX*l.meanX)
	l.RSquared, l.F = 1, 0
	if spreadY > 0 {
		l.RSquared = 1 - l.SumOfSquaresResidual/spreadY
	}
	if l.SumOfSquaresRegression > 0 {
		l.F = l.SumOfSquaresRegression / square
	}
	return l, nil
}

// At is the line at x.
func (l Line) At(x float64) float64 { return l.meanY + l.Slope*(x-l.meanX) }

// StandardAt is the standard deviation of the line at x.
func (l Line) StandardAt(x float64) float64 {
	return l.Residual * math.Sqrt(1/float64(l.Freedom+2)+(x-l.meanX)*(x-l.meanX)/l.spreadX)
}

// PredictionStandardAt is the standard deviation of one new y at x.
func (l Line) PredictionStandardAt(x float64) float64 {
	return math.Hypot(l.Residual, l.StandardAt(x))
}

// PredictionInterval is the interval that holds one new y at x with the given
// confidence (0 to 1, exclusive), by Student's t.
func (l Line) PredictionInterval(x, confidence float64) (low, high float64, err error) {
	if err := within("x", x, -1e12, 1e12); err != nil {
		return 0, 0, err
	}
	half, err := studentHalf(confidence, l.Freedom)
	if err != nil {
		return 0, 0, err
	}
	half *= l.PredictionStandardAt(x)
	return l.At(x) - half, l.At(x) + half, nil
}

// studentHalf is the two-sided Student factor of a confidence.
func studentHalf(confidence float64, freedom int) (float64, error) {
	if err := within("confidence", confidence, 0, 1); err != nil {
		return 0, err
	}
	if confidence == 0 || confidence == 1 || freedom < 1 {
		return 0, &InputError{"confidence", confidence, ErrOutOfRange}
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(freedom)}.Quantile((1 + confidence) / 2), nil
}
