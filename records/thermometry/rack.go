package thermometry

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// RackReading is one instrument in a bath with others.
type RackReading struct {
	// Name is the instrument.
	Name string
	// ReadingC is what it showed, degC (-100 to 500).
	ReadingC float64
	// ReadToC is what it was read to, degC (above 0, up to 50).
	ReadToC float64
	// CorrectionC is what to add to the reading, degC (-100 to 100); 0 as read.
	CorrectionC float64
	// StandardC is the standard uncertainty of the correction, degC (0 to 100);
	// for an instrument as read, the tolerance over sqrt 3.
	StandardC float64
}

// RackLine is one instrument's result.
type RackLine struct {
	// Name is the instrument.
	Name string
	// ErrorC is its reading, uncorrected, minus the reference, degC.
	ErrorC float64
	// DifferenceC is its corrected reading minus the reference, degC.
	DifferenceC float64
	// ExpandedC is the expanded uncertainty of DifferenceC, k = 2.
	ExpandedC float64
	// Normalised is DifferenceC over ExpandedC (the E_n of comparisons between
	// laboratories); beyond 1 either way they disagree.
	Normalised float64
}

// RackComparison is the result of one comparison of a rack.
type RackComparison struct {
	// Lines are the instruments in the order given.
	Lines []RackLine
	// Agree: all of them, the reference too, agree within their uncertainties.
	Agree bool
	// Odd is the name of the odd one out; empty when all agree, or when no
	// single one explains the disagreement.
	Odd string
	// OddIsReference: the odd one is the reference itself.
	OddIsReference bool
}

// CompareRack compares instruments in one bath with the reference, in one event,
// and names the odd one: the one without which the others agree. bathC is the
// standard uncertainty between two places of the bath, degC (0 means
// DefaultBathC). A refused input is an InputError, an empty rack ErrTooFew.
func CompareRack(reference RackReading, rack []RackReading, bathC float64) (RackComparison, error) {
	if len(rack) == 0 {
		return RackComparison{}, ErrTooFew
	}
	all := append([]RackReading{reference}, rack...)
	values, variances := make([]float64, len(all)), make([]float64, len(all))
	if err := within("bathC", bathC, 0, 10); err != nil {
		return RackComparison{}, err
	}
	bath := orDefault(bathC, DefaultBathC)
	for i, r := range all {
		if err := checkReading(r.ReadingC, r.ReadToC, 0); err != nil {
			return RackComparison{}, err
		}
		if err := withinAll(
			input{"correctionC", r.CorrectionC, -100, 100},
			input{"standardC", r.StandardC, 0, 100},
		); err != nil {
			return RackComparison{}, err
		}
		reading := ReadingTerm(r.ReadToC).StandardC
		values[i] = r.ReadingC + r.CorrectionC
		variances[i] = reading*reading + r.StandardC*r.StandardC + bath*bath
	}
	var out RackComparison
	for i, r := range rack {
		difference := values[i+1] - values[0]
		u := CoverageFactor * math.Sqrt(variances[i+1]+variances[0])
		out.Lines = append(out.Lines, RackLine{
			Name: r.Name, ErrorC: r.ReadingC - values[0], DifferenceC: difference, ExpandedC: u, Normalised: difference / u,
		})
	}
	out.Agree = agree(values, variances, -1)
	if out.Agree {
		return out, nil
	}
	out.Odd, out.OddIsReference = odd(all, values, variances)
	return out, nil
}

// odd names the one whose absence lets the rest agree. Two alone cannot tell:
// then it is the instrument, since the reference has a certificate.
func odd(all []RackReading, values, variances []float64) (name string, isReference bool) {
	if len(all) == 2 {
		return all[1].Name, false
	}
	best, least := -1, math.Inf(1)
	for i := range all {
		if rest := spreadSquare(values, variances, i); rest < least {
			best, least = i, rest
		}
	}
	if !agree(values, variances, best) {
		return "", false
	}
	return all[best].Name, best == 0
}

// agree reports whether the values, without one of them, scatter no more than
// their uncertainties allow (chi-square, 95 %).
func agree(values, variances []float64, without int) bool {
	freedom := len(values) - 1
	if without >= 0 {
		freedom--
	}
	if freedom < 1 {
		return true
	}
	limit := distuv.ChiSquared{K: float64(freedom)}.Quantile(0.95)
	return spreadSquare(values, variances, without) <= limit
}

// spreadSquare is chi-square about the weighted mean, without one of the values.
func spreadSquare(values, variances []float64, without int) float64 {
	var weights, mean float64
	for i, v := range values {
		if i != without {
			weights += 1 / variances[i]
			mean += v / variances[i]
		}
	}
	mean /= weights
	sum := 0.0
	for i, v := range values {
		if i != without {
			sum += (v - mean) * (v - mean) / variances[i]
		}
	}
	return sum
}
