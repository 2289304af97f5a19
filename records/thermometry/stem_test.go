package thermometry_test

import (
	"errors"
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

// The coefficients are those of the table; the worked example is 80 degC of
// emergent column at 30 degC in syrup of 150 degC: +1.5 degC for mercury, +9.6
// for spirit.
func TestEmergentStem(t *testing.T) {
	for _, row := range table(t, "stem_correction_coefficients.csv") {
		k := number(t, row, "k_per_C")
		switch row["liquid"] {
		case "mercury in glass":
			if k != StemMercury.PerC() {
				t.Errorf("mercury: %v, table %v", StemMercury.PerC(), k)
			}
		case "mercury (0.000085 per F)":
			if math.Abs(k/StemMercury.PerC()-1) > 0.05 {
				t.Errorf("mercury: %v, the other source %v", StemMercury.PerC(), k)
			}
		default:
			if k != StemSpirit.PerC() {
				t.Errorf("spirit: %v, table %v", StemSpirit.PerC(), k)
			}
		}
	}
	for liquid, want := range map[StemLiquid]float64{StemMercury: 1.5, StemSpirit: 9.6} {
		got, err := StemCorrectionC(liquid, 80, 150, 30)
		if err != nil || math.Abs(got-want) > 0.05 {
			t.Errorf("%v: %v, %v; want %v", liquid, got, err, want)
		}
	}
	term, err := StemDepthTerm(StemMercury, -20, 150, 30)
	if want := 0.00016 * 20 * 120 / math.Sqrt(3); err != nil || math.Abs(term.StandardC-want) > 1e-12 {
		t.Errorf("stem 20 degC deeper: %v, %v; want %v", term.StandardC, err, want)
	}
	if _, err := StemCorrectionC(StemMercury, -1, 150, 30); !errors.Is(err, ErrOutOfRange) {
		t.Errorf("negative column: %v", err)
	}
}
