package thermometry_test

import (
	"testing"

	. "kettlebook/records/thermometry"
)

// Check points from the paper sheets of an invented kitchen at 1480 m, and what
// a careful reviewer finds in them.
func TestCheckPointsOfAPaperDay(t *testing.T) {
	const toleranceC, toleranceF = 1_000_000, 1_111_111 // 1 degC; 2 degF
	pressure := func(hPa float64) Pressure { return must[Pressure](t)(MeasuredPressure(hPa, 0, 0)) }
	assumed := must[Pressure](t)(AssumedPressure(1480, 0))
	fahrenheit := func(tenths int64) float64 { return must[MicroC](t)(MicroFromMicroF(tenths * 100_000)).C() }
	boil := func(readingC, readToC float64, p Pressure) Point {
		return must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: readingC, ReadToC: readToC, Pressure: p}))
	}
	freeze := func(readingC, readToC float64) Point {
		return must[Point](t)(IcePoint(IceOptions{ReadingC: readingC, ReadToC: readToC}))
	}
	const tenthF, two = 0.1 / 1.8, 2 / 1.8
	for _, c := range []struct {
		name      string
		point     Point
		tolerance int64
		rule      Rule
		want      ErrorVerdict
	}{
		{"probe, ice", freeze(0.2, 0.1), toleranceC, RuleSimple, InTolerance},
		{"probe, boiling at 843.1 hPa", boil(95.2, 0.1, pressure(843.1)), toleranceC, RuleSimple, InTolerance},
		{"thermocouple, ice, first day", freeze(fahrenheit(332), tenthF), toleranceF, RuleSimple, InTolerance},
		{"thermocouple, boiling, first day", boil(fahrenheit(2047), tenthF, pressure(843.1)), toleranceF, RuleSimple, InTolerance},
		{"thermocouple against the reference at 150", comparison(t, fahrenheit(3045), 150.21, 0), toleranceF, RuleSimple, OutOfTolerance},
		{"thermocouple, boiling, second day, by a hair", boil(fahrenheit(2051), tenthF, pressure(846.6)), toleranceF, RuleSimple, OutOfTolerance},
		{"thermocouple, ice, third day", freeze(fahrenheit(358), tenthF), toleranceF, RuleSimple, OutOfTolerance},
		{"bimetal, nobody read the barometer", boil(95, 1, assumed), toleranceC, RuleProvisional, ProvisionallyIn},
	} {
		expanded := must[MicroC](t)(RoundUpCentiC(c.point.Budget.Expanded()))
		errorMicroC := must[MicroC](t)(MicroFromC(c.point.ErrorC()))
		if got := JudgeError(int64(errorMicroC), c.tolerance, int64(expanded), c.rule); got.Verdict != c.want {
			t.Errorf("%s: error %v, U %v: %v, want %v", c.name, errorMicroC, expanded, got.Verdict, c.want)
		}
	}
	for _, hPa := range []float64{843.1, 846.6, 840.3} {
		glass := boil(100, two, pressure(hPa))
		expected := must[MicroC](t)(MicroFromC(glass.TrueC))
		expanded := must[MicroC](t)(RoundUpCentiC(glass.Budget.Expanded()))
		if !NotBelieved(100_000_000, int64(expected), 1_111_111, toleranceF, int64(expanded)) {
			t.Errorf("212 degF under %v hPa is believed", hPa)
		}
	}
}
