package thermometry_test

import (
	"errors"
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

// must gives a value or ends the test.
func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func ice(t testing.TB, readingC float64, ageHours float64) Point {
	return must[Point](t)(IcePoint(IceOptions{ReadingC: readingC, ReadToC: 0.1, AgeHours: ageHours}))
}

func boiling(t testing.TB, readingC, pressureHPa, ageHours float64) Point {
	pressure := must[Pressure](t)(MeasuredPressure(pressureHPa, 0, 0))
	return must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: readingC, ReadToC: 0.1, Pressure: pressure, AgeHours: ageHours}))
}

func comparison(t testing.TB, readingC, referenceC, ageHours float64) Point {
	return must[Point](t)(ComparisonPoint(ComparisonOptions{
		ReadingC: readingC, ReadToC: 0.1, ReferenceReadingC: referenceC, ReferenceReadToC: 0.01,
		CertificateExpandedC: 0.1, Certificate: "REF-1", AgeHours: ageHours,
	}))
}

// JCGM 100:2008, Annex H.3: eleven comparisons; correction b over reading t,
// t0 = 20 degC. Error is minus the correction.
func TestCurveReproducesGUMAnnexH3(t *testing.T) {
	var points []Point
	for _, row := range table(t, "gum_h3.csv") {
		reading, correction := number(t, row, "t_k_C"), number(t, row, "b_k_C")
		points = append(points, Point{Kind: PointComparison, ReadingC: reading, TrueC: reading + correction})
	}
	curve := must[Curve](t)(FitCurve(points, CurveOptions{}))
	if curve.Form != FormLeastSquares || curve.Points != 11 {
		t.Fatalf("form %v of %d points", curve.Form, curve.Points)
	}
	at20, at30 := curve.At(20), curve.At(30)
	for name, c := range map[string]struct{ got, want, within float64 }{
		"y1":         {at20.CorrectionC, -0.1712, 0.00005},
		"s(y1)":      {at20.StandardC, 0.0029, 0.00005},
		"y2":         {-curve.SlopePerC, 0.00218, 0.000005},
		"s(y2)":      {curve.SlopeStandardPerC, 0.00067, 0.000005},
		"s":          {curve.ResidualC, 0.0035, 0.00005},
		"b(30)":      {at30.CorrectionC, -0.1494, 0.00005},
		"u(b(30))":   {at30.StandardC, 0.0041, 0.00005},
		"U is twice": {at30.ExpandedC, 2 * at30.StandardC, 1e-15},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s = %v, published %v", name, c.got, c.want)
		}
	}
	// r(y1, y2) is the correlation about t0 = 20: covariance there over both.
	x := 20 - curve.CentreC
	cov := curve.Correlation*curve.CentreStandardC*curve.SlopeStandardPerC + x*curve.SlopeStandardPerC*curve.SlopeStandardPerC
	if r := cov / (at20.StandardC * curve.SlopeStandardPerC); math.Abs(r+0.930) > 0.0005 {
		t.Errorf("r(y1, y2) = %v, published -0.930", r)
	}
	if !at30.Extrapolated || curve.At(25).Extrapolated {
		t.Error("30 degC lies beyond the readings, 25 degC does not")
	}
}

func TestCurveForms(t *testing.T) {
	opt := DefaultCurveOptions()
	for _, c := range []struct {
		name   string
		points []Point
		form   CurveForm
		errorC map[float64]float64 // at a reading, within 0.02
	}{
		{"one point", []Point{boiling(t, 95.2, 843.1, 1)}, FormOffset, map[float64]float64{0: 0.288, 95: 0.288, 150: 0.288}},
		{"two that agree", []Point{ice(t, 0.2, 1), boiling(t, 95.2, 843.1, 1)}, FormMeanOffset, map[float64]float64{0: 0.244, 150: 0.244}},
		{"two that differ", []Point{ice(t, 0, 1), boiling(t, 96.912, 843.1, 1)}, FormLine, map[float64]float64{0: 0, 96.912: 2, 145.368: 3}},
		{"three", []Point{ice(t, 0.2, 1), boiling(t, 95.2, 843.1, 1), comparison(t, 150.5, 150.21, 1)}, FormLeastSquares, map[float64]float64{0: 0.2, 120: 0.29}},
	} {
		curve := must[Curve](t)(FitCurve(c.points, opt))
		if curve.Form != c.form {
			t.Errorf("%s: form %v, want %v", c.name, curve.Form, c.form)
		}
		for reading, want := range c.errorC {
			if got := curve.At(reading); math.Abs(got.ErrorC-want) > 0.02 || got.CorrectionC != -got.ErrorC {
				t.Errorf("%s: error at %v is %v, want %v", c.name, reading, got.ErrorC, want)
			}
		}
		if curve.Misfit {
			t.Errorf("%s: flagged as misfit by %v", c.name, curve.MisfitC)
		}
		if curve.At(curve.HighC).Extrapolated || !curve.At(curve.HighC+0.1).Extrapolated || !curve.At(curve.LowC-0.1).Extrapolated {
			t.Errorf("%s: range %v to %v not kept", c.name, curve.LowC, curve.HighC)
		}
		if curve.At(170).ExpandedC <= curve.At(curve.HighC).ExpandedC {
			t.Errorf("%s: U does not grow beyond the points", c.name)
		}
	}
}

// An instrument that drifted by 1.4 degC since it was compared at 150 degC: the
// old comparison must not pull the correction with a small U.
func TestStalePointThatNewerOnesContradict(t *testing.T) {
	points := []Point{ice(t, 2.1, 2), boiling(t, 97.28, 841, 2), comparison(t, 151.39, 150.21, 50)}
	curve := must[Curve](t)(FitCurve(points, DefaultCurveOptions()))
	if !curve.Misfit || curve.StaleC < 0.5 {
		t.Errorf("misfit %v, stale %v: want flagged and doubted", curve.Misfit, curve.StaleC)
	}
	at := curve.At(150)
	if !at.Extrapolated {
		t.Error("the doubted comparison still covers 150 degC")
	}
	if math.Abs(at.ErrorC-2.6) > at.ExpandedC {
		t.Errorf("error at 150 is %v +- %v, truth near 2.6", at.ErrorC, at.ExpandedC)
	}
	if new := curve.At(95); math.Abs(new.ErrorC-2.4) > 0.15 {
		t.Errorf("error at 95 is %v, the newest check says 2.4", new.ErrorC)
	}
	agree := must[Curve](t)(FitCurve([]Point{ice(t, 0.2, 2), boiling(t, 95.2, 843.1, 2), comparison(t, 150.5, 150.21, 50)}, DefaultCurveOptions()))
	if agree.Misfit || agree.StaleC != 0 || agree.At(150).Extrapolated {
		t.Errorf("an old comparison that agrees is doubted: %+v", agree)
	}
}

func TestCurveRefusals(t *testing.T) {
	if _, err := FitCurve(nil, DefaultCurveOptions()); !errors.Is(err, ErrNoPoints) {
		t.Errorf("no points: %v", err)
	}
	bad := ice(t, 0, 0)
	bad.ReadingC = math.NaN()
	_, err := FitCurve([]Point{bad}, DefaultCurveOptions())
	var input *InputError
	if !errors.Is(err, ErrNotFinite) || !errors.As(err, &input) || input.Input != "readingC" {
		t.Errorf("NaN reading: %v", err)
	}
	if _, err := IcePoint(IceOptions{ReadingC: 0, ReadToC: 0}); !errors.Is(err, ErrOutOfRange) {
		t.Errorf("read to nothing: %v", err)
	}
	if _, err := BoilingPoint(BoilingOptions{ReadingC: 95, ReadToC: 1}); !errors.Is(err, ErrInconsistent) {
		t.Errorf("pressure of unknown kind: %v", err)
	}
	if at := (&Curve{}).At(100); !math.IsNaN(at.ErrorC) || !at.Extrapolated {
		t.Errorf("an empty curve answers %+v", at)
	}
}
