package thermometry_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	. "kettlebook/records/thermometry"
)

func TestWaterInvertsAndIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pressureHPa := rapid.Float64Range(300, 1100).Draw(t, "pressureHPa")
		tempC, err := BoilingPointC(pressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		back, err := SaturationPressureHPa(tempC)
		if err != nil || math.Abs(back/pressureHPa-1) > 1e-9 {
			t.Fatalf("%v hPa boils at %v, back to %v, %v", pressureHPa, tempC, back, err)
		}
		higher, err := BoilingPointC(pressureHPa + 0.001)
		if err != nil || higher <= tempC {
			t.Fatalf("not monotone at %v hPa", pressureHPa)
		}
	})
}

// drawPoints draws one to six points of one or two checks, good and bad.
func drawPoints(t *rapid.T) []Point {
	readTo := rapid.SampledFrom([]float64{0.1, 0.5, 1, 2 / 1.8}).Draw(t, "readToC")
	offset := rapid.Float64Range(-3, 3).Draw(t, "offsetC")
	gain := rapid.Float64Range(-0.02, 0.02).Draw(t, "gainPerC")
	n := rapid.IntRange(1, 6).Draw(t, "points")
	var points []Point
	for range n {
		age := rapid.SampledFrom([]float64{0.2, 1, 5, 80, 700}).Draw(t, "ageHours")
		noise := rapid.Float64Range(-1, 1).Draw(t, "noiseC")
		read := func(trueC float64) float64 {
			return math.Round((trueC+offset+gain*trueC+noise)/readTo) * readTo
		}
		var p Point
		var err error
		switch rapid.SampledFrom([]PointKind{PointIce, PointBoiling, PointComparison}).Draw(t, "kind") {
		case PointIce:
			p, err = IcePoint(IceOptions{ReadingC: read(0), ReadToC: readTo, AgeHours: age,
				Quality: rapid.SampledFrom([]IceQuality{IceCrushedSlush, IceLooseCubes}).Draw(t, "quality")})
		case PointBoiling:
			var pressure Pressure
			if pressure, err = AssumedPressure(1480, 0); rapid.Bool().Draw(t, "measured") {
				pressure, err = MeasuredPressure(843.1, 0, 0)
			}
			if err == nil {
				p, err = BoilingPoint(BoilingOptions{ReadingC: read(94.9), ReadToC: readTo, Pressure: pressure, AgeHours: age})
			}
		default:
			bath := rapid.Float64Range(100, 180).Draw(t, "bathC")
			p, err = ComparisonPoint(ComparisonOptions{ReadingC: read(bath), ReadToC: readTo, ReferenceReadingC: bath,
				ReferenceReadToC: 0.01, CertificateExpandedC: 0.1, Certificate: "C", AgeHours: age})
		}
		if err != nil {
			t.Fatal(err)
		}
		points = append(points, p)
	}
	return points
}

// The curve lies within its own U of every point, or the misfit is flagged; U is
// positive and does not shrink beyond the points; the printed budget gives it.
func TestCurveIsHonestAboutItsPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := drawPoints(t)
		curve, err := FitCurve(points, DefaultCurveOptions())
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range points {
			at := curve.At(p.ReadingC)
			if math.Abs(at.ErrorC-p.ErrorC()) > at.ExpandedC+1e-9 && !curve.Misfit {
				t.Fatalf("%v of a point with U %v and no flag", at.ErrorC-p.ErrorC(), at.ExpandedC)
			}
		}
		last := curve.At(curve.HighC).ExpandedC
		for beyond := 5.0; beyond <= 60; beyond += 5 {
			at := curve.At(curve.HighC + beyond)
			if !at.Extrapolated || !(at.ExpandedC >= last-1e-9) || !(at.ExpandedC > 0) {
				t.Fatalf("%v degC beyond the points U is %v after %v", beyond, at.ExpandedC, last)
			}
			last = at.ExpandedC
		}
		reading := rapid.Float64Range(-20, 200).Draw(t, "readingC")
		if got, want := curve.Budget(reading).Combined(), curve.At(reading).StandardC; math.Abs(got-want) > 1e-6 {
			t.Fatalf("budget %v, uncertainty %v", got, want)
		}
	})
}

// The order in which points are given changes nothing, and a dial shifted by a
// constant has its error shifted by it, with the same U.
func TestCurveKeepsItsSymmetries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := drawPoints(t)
		reading := rapid.Float64Range(90, 180).Draw(t, "readingC")
		fit := func(points []Point) Curve {
			curve, err := FitCurve(points, DefaultCurveOptions())
			if err != nil {
				t.Fatal(err)
			}
			return curve
		}
		first := fit(points)
		at := first.At(reading)
		reversed := make([]Point, 0, len(points))
		for i := len(points) - 1; i >= 0; i-- {
			reversed = append(reversed, points[i])
		}
		other := fit(reversed)
		if b := other.At(reading); math.Abs(b.ErrorC-at.ErrorC) > 1e-6 || math.Abs(b.StandardC-at.StandardC) > 1e-6 || other.Misfit != first.Misfit {
			t.Fatalf("order matters: %+v, %+v", at, b)
		}
		const shift = 0.25
		shifted := append([]Point(nil), points...)
		for i := range shifted {
			shifted[i].TrueC -= shift
		}
		moved := fit(shifted)
		if b := moved.At(reading); math.Abs(b.ErrorC-at.ErrorC-shift) > 1e-6 || math.Abs(b.StandardC-at.StandardC) > 1e-6 {
			t.Fatalf("a shift of %v: %+v, %+v", shift, at, b)
		}
	})
}

// A temperature written in degC or in degF gets the same verdict.
func TestVerdictUnchangedByUnit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tenths := rapid.Int64Range(-200, 2500).Draw(t, "tenths of a degC")
		celsius := tenths * 100_000
		fromF, err := MicroFromMicroF(celsius*9/5 + 32_000_000)
		if err != nil || int64(fromF) != celsius {
			t.Fatalf("%d millionths of a degC by way of degF: %d, %v", celsius, fromF, err)
		}
		expected := rapid.Int64Range(0, 250_000).Draw(t, "expected milli") * 1000
		u := rapid.Int64Range(0, 200).Draw(t, "U centi") * 10_000
		for _, rule := range []Rule{RuleSimple, RuleGuarded, RuleProvisional} {
			if JudgeError(celsius-expected, 1_000_000, u, rule) != JudgeError(int64(fromF)-expected, 1_000_000, u, rule) {
				t.Fatal("the unit decides the verdict")
			}
		}
	})
}

// Guarded is never milder than simple, an extrapolated correction never makes a
// miss met, and a larger U never turns a verdict into its opposite.
func TestLimitVerdictsAreOrdered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Int64Range(100, 200).Draw(t, "corrected") * 100_000
		low, high := NoLowMicroC, NoHighMicroC
		if rapid.Bool().Draw(t, "low") {
			low = rapid.Int64Range(100, 150).Draw(t, "lowC") * 100_000
		}
		if rapid.Bool().Draw(t, "high") {
			high = rapid.Int64Range(150, 200).Draw(t, "highC") * 100_000
		}
		u := rapid.Int64Range(0, 500).Draw(t, "U") * 10_000
		asRead := rapid.Bool().Draw(t, "asRead")
		simple := JudgeLimit(value, low, high, u, false, false, asRead)
		guarded := JudgeLimit(value, low, high, u, true, false, asRead)
		if guarded == Met && simple != Met || guarded == NotMet && simple != NotMet || simple == LimitCannotBeShown {
			t.Fatalf("simple %v, guarded %v", simple, guarded)
		}
		if simple == Met != AsReadMet(value, low, high) {
			t.Fatal("simple acceptance is not inside the bounds")
		}
		for _, guard := range []bool{false, true} {
			if got := JudgeLimit(value, low, high, u, guard, true, false); got == Met {
				t.Fatal("extrapolation turned a miss into met")
			}
		}
		if wider := JudgeLimit(value, low, high, u+10_000, true, false, asRead); wider != guarded && wider != LimitCannotBeShown {
			t.Fatalf("more uncertainty turned %v into %v", guarded, wider)
		}
	})
}
