package thermometry

import "math"

// StemLiquid is the liquid of a liquid-in-glass thermometer.
type StemLiquid int

// The liquids, by how much more they expand than their glass.
const (
	// StemMercury stands for mercury and the metal alloys that replace it:
	// 0.00016 per degC (read in a note to a science reference table).
	StemMercury StemLiquid = iota
	// StemSpirit is coloured alcohol or another organic liquid: about 0.001 per
	// degC (from memory).
	StemSpirit
)

// PerC is the liquid's apparent expansion in glass, per degC.
func (l StemLiquid) PerC() float64 {
	if l == StemSpirit {
		return 0.001
	}
	return 0.00016
}

// String is the liquid in words, as printed.
func (l StemLiquid) String() string {
	if l == StemSpirit {
		return "spirit"
	}
	return "mercury"
}

// StemCorrectionC is what to add to the reading of a total-immersion
// liquid-in-glass thermometer whose column stands out of the bath: k n (bath -
// stem), with n the emergent part of the column in degC of its scale, the bath's
// temperature and the mean temperature of the emergent part, degC. Range:
// emergent 0 to 500, temperatures -100 to 500 degC; otherwise an InputError.
func StemCorrectionC(liquid StemLiquid, emergentC, bathC, stemC float64) (float64, error) {
	if err := withinAll(
		input{"emergentC", emergentC, 0, highestReadingC},
		input{"bathC", bathC, lowestReadingC, highestReadingC},
		input{"stemC", stemC, lowestReadingC, highestReadingC},
	); err != nil {
		return 0, err
	}
	return liquid.PerC() * emergentC * (bathC - stemC), nil
}

// StemDepthTerm is the term of a stem that stands deeper in the check than in
// the pan, or the other way, by differenceC degC of its scale: the correction
// that the difference could make, as a half-width. Its StandardC is the
// StemStandardC of CookOptions. Ranges as for StemCorrectionC, the difference of
// either sign.
func StemDepthTerm(liquid StemLiquid, differenceC, bathC, stemC float64) (Term, error) {
	most, err := StemCorrectionC(liquid, math.Abs(differenceC), bathC, stemC)
	if err != nil {
		return Term{}, err
	}
	return Term{Name: "stem deeper in one than in the other", StandardC: math.Abs(most) / math.Sqrt(3), Shape: OneSided}, nil
}
