package thermometry_test

import (
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

// IAPWS R7-97(2012), Tables 35 and 36: nine digits.
func TestSaturationLineTables35And36(t *testing.T) {
	const kelvin = 273.15
	for _, row := range table(t, "if97_region4_check.csv") {
		in, want := number(t, row, "input"), number(t, row, "official")
		var got float64
		var err error
		switch row["quantity"] {
		case "psat_MPa":
			got, err = SaturationPressureHPa(in - kelvin)
			got /= 1e4
		case "Tsat_K":
			got, err = BoilingPointC(in * 1e4)
			got += kelvin
		default:
			t.Fatalf("unknown quantity %q", row["quantity"])
		}
		if err != nil || math.Abs(got/want-1) > 5e-9 {
			t.Errorf("%s at %v: %.10g, %v; want %.9g", row["quantity"], in, got, err, want)
		}
	}
}

// The normal boiling point and its slope: 99.9743 degC and 3.6165 kPa/K by
// IAPWS-IF97 (computed, and 99.9743 by Debian's python3-iapws); ITS-90 gives
// 99.974 degC (from memory).
func TestNormalBoilingPoint(t *testing.T) {
	tempC, err := BoilingPointC(1013.25)
	if err != nil || math.Abs(tempC-99.9743) > 5e-5 {
		t.Errorf("boiling point %v, %v", tempC, err)
	}
	slope, err := BoilingSlopeCPerHPa(1013.25)
	if err != nil || math.Abs(slope-0.02765) > 5e-6 || math.Abs(1/slope-36.165) > 5e-3 {
		t.Errorf("slope %v, %v", slope, err)
	}
}

// Debian's python3-iapws (IAPWS97 region 4) at three kitchen pressures.
func TestBoilingPointAgainstReferenceLibrary(t *testing.T) {
	for pressureHPa, want := range map[float64]float64{1013.25: 99.9743, 845.56: 94.9830, 794.95: 93.3150} {
		got, err := BoilingPointC(pressureHPa)
		if err != nil || math.Abs(got-want) > 6e-5 {
			t.Errorf("%v hPa: %v, %v; want %v", pressureHPa, got, err, want)
		}
	}
}

func TestBoilingSlopeIsTheDerivative(t *testing.T) {
	for pressureHPa := 500.0; pressureHPa <= 1100; pressureHPa += 25 {
		const step = 0.01
		above, _ := BoilingPointC(pressureHPa + step)
		below, _ := BoilingPointC(pressureHPa - step)
		slope, err := BoilingSlopeCPerHPa(pressureHPa)
		if err != nil || math.Abs(slope-(above-below)/(2*step)) > 1e-8 {
			t.Errorf("%v hPa: slope %v, difference quotient %v", pressureHPa, slope, (above-below)/(2*step))
		}
	}
}

// water_saturation_table.csv: IAPWS-IF97, kPa to four decimals.
func TestSaturationTable(t *testing.T) {
	for _, row := range table(t, "water_saturation_table.csv") {
		tempC, want := number(t, row, "t_C"), number(t, row, "psat_kPa")*10
		got, err := SaturationPressureHPa(tempC)
		if err != nil || math.Abs(got/want-1) > 2e-6 {
			t.Errorf("%v degC: %v, %v; want %v", tempC, got, err, want)
		}
	}
}
