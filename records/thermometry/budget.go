package thermometry

import "math"

// Shape is the distribution that a term was taken to have.
type Shape int

// The shapes in use (JCGM 100:2008, 4.3 and 4.4).
const (
	// Normal: a standard deviation was known or judged.
	Normal Shape = iota
	// Rectangular: anywhere within a half-width a, standard uncertainty
	// a/sqrt(3); a read-to r is a half-width of r/2, hence r/sqrt(12).
	Rectangular
	// OneSided: the effect only ever has one sign.
	OneSided
)

// String is the shape in words, as printed.
func (s Shape) String() string {
	switch s {
	case Rectangular:
		return "rectangular"
	case OneSided:
		return "one-sided"
	}
	return "normal"
}

// SharedInput says which input a term has in common with other results. Terms
// of one shared input and one source rise and fall together: they are added
// with their signs, not in quadrature.
type SharedInput int

// The shared inputs.
const (
	// SharedNone: independent of everything else.
	SharedNone SharedInput = iota
	// SharedPressure: the kitchen pressure itself.
	SharedPressure
	// SharedBarometerBias: the constant error of the barometer.
	SharedBarometerBias
	// SharedSuperheat: water at the bulb hotter than its boiling point.
	SharedSuperheat
	// SharedReferenceCertificate: the correction on the reference's certificate.
	SharedReferenceCertificate
	// SharedIceQuality: how well this kitchen makes its ice slush.
	SharedIceQuality
	// SharedDrift: what the instrument moved by since one check event.
	SharedDrift
)

// String is the shared input in words, as printed.
func (s SharedInput) String() string {
	switch s {
	case SharedPressure:
		return "pressure"
	case SharedBarometerBias:
		return "barometer bias"
	case SharedSuperheat:
		return "superheat"
	case SharedReferenceCertificate:
		return "reference certificate"
	case SharedIceQuality:
		return "ice quality"
	case SharedDrift:
		return "drift since the check"
	}
	return "independent"
}

// CoverageFactor is k of every expanded uncertainty here: about 95 %.
const CoverageFactor = 2

// Term is one line of an uncertainty budget.
type Term struct {
	// Name is what the line is called in print.
	Name string
	// StandardC is the standard uncertainty in degC. For a shared term the sign
	// counts: positive when a rise of the input raises the value.
	StandardC float64
	// Shape is the distribution it was taken to have.
	Shape Shape
	// Shared is the input that it has in common with other results.
	Shared SharedInput
	// Source names the realisation of a shared input (a pressure record, a
	// barometer, a certificate). Only terms of equal Shared and Source go
	// together.
	Source string
}

// Budget is the list of terms behind one uncertainty.
type Budget []Term

// sharesWith reports whether two terms are one input.
func (t Term) sharesWith(other Term) bool {
	return t.Shared != SharedNone && t.Shared == other.Shared && t.Source == other.Source
}

// Combined is the combined standard uncertainty in degC: shared terms of one
// source are added with their signs, all else in quadrature (JCGM 100:2008,
// 5.1.2 and 5.2.2 with correlation 1). An empty budget gives 0.
func (b Budget) Combined() float64 {
	sum := 0.0
	for i, t := range b {
		if t.Shared == SharedNone {
			sum += t.StandardC * t.StandardC
			continue
		}
		first, together := true, 0.0
		for j, other := range b {
			if !t.sharesWith(other) {
				continue
			}
			if j < i {
				first = false
				break
			}
			together += other.StandardC
		}
		if first {
			sum += together * together
		}
	}
	return math.Sqrt(sum)
}

// Expanded is the expanded uncertainty U in degC, k = 2.
func (b Budget) Expanded() float64 { return CoverageFactor * b.Combined() }

// finite reports whether every term is a finite number.
func (b Budget) finite() error {
	for _, t := range b {
		if err := within(t.Name, t.StandardC, -largestC, largestC); err != nil {
			return err
		}
	}
	return nil
}

// covariance is the covariance in degC^2 of two different values, through the
// inputs that they share.
func covariance(a, b Budget) float64 {
	sum := 0.0
	for _, s := range a {
		for _, t := range b {
			if s.sharesWith(t) {
				sum += s.StandardC * t.StandardC
			}
		}
	}
	return sum
}
