package sugar

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// 85 % boils at 113.995 degC and 92 % at 127.786 at standard pressure (Starzak and
// Peacock test values, computed elsewhere); 85 % is soft ball, 92 % hard ball by the
// printed concentrations and bands.
func TestRefractometerWitness(t *testing.T) {
	s := testSyrup(t)
	for _, c := range []struct {
		brix, tempC float64
		contradicts bool
		sign        float64
	}{
		{85, 114, false, 0},
		{85, 117, false, 0}, // the gap above soft ball
		{85, 128, true, 1},
		{92, 128, false, 0},
		{92, 113, true, -1},
		{40, 101, false, 0}, // both below thread
	} {
		a, err := s.RefractometerWitness(c.brix, 1, c.tempC, 0.5, StandardPressureHPa)
		if err != nil || a.Contradicts != c.contradicts || a.Steps*c.sign < 0 || c.contradicts && a.LikelyErrorC*c.sign <= 0 {
			t.Errorf("%g Brix against %g degC: %+v, %v", c.brix, c.tempC, a, err)
		}
	}
	// The least error that explains it: 128 degC against the upper end of what 85 +- 2.2 Brix may mean, about 117.
	a, err := s.RefractometerWitness(85, 1, 128, 0.5, StandardPressureHPa)
	if err != nil || math.Abs(a.LikelyErrorC-11.3) > 0.5 {
		t.Errorf("likely error %.2f, %v", a.LikelyErrorC, err)
	}
}

func TestRefractometerWitnessRefuses(t *testing.T) {
	s := testSyrup(t)
	for _, c := range []struct {
		brix, uBrix, tempC, uC, hPa float64
		want                        error
	}{
		{99, 1, 115, 0.5, 1013, ErrBeyondSucroseData}, {-1, 1, 115, 0.5, 1013, ErrBeyondSucroseData}, {85, -1, 115, 0.5, 1013, ErrUncertainty},
		{85, 1, 115, -1, 1013, ErrUncertainty}, {85, 1, 400, 0.5, 1013, ErrTemperature}, {85, 1, 115, 0.5, 10, ErrPressure},
		{math.NaN(), 1, 115, 0.5, 1013, ErrNotANumber}, {85, 1, math.NaN(), 0.5, 1013, ErrNotANumber}, {85, math.Inf(1), 115, 0.5, 1013, ErrNotANumber},
	} {
		if a, err := s.RefractometerWitness(c.brix, c.uBrix, c.tempC, c.uC, c.hPa); !errors.Is(err, c.want) {
			t.Errorf("%+v: %+v, %v", c, a, err)
		}
	}
}

// A thermometer that shows what the solids boil at is never contradicted, under any
// pressure; a larger uncertainty never makes a contradiction.
func TestRefractometerAgreesWithTheModel(t *testing.T) {
	s := testSyrup(t)
	rapid.Check(t, func(r *rapid.T) {
		brix := rapid.Float64Range(5, 98).Draw(r, "brix")
		hPa := rapid.Float64Range(600, 1080).Draw(r, "hPa")
		boils, err := s.BoilingC(brix, hPa)
		if err != nil {
			r.Fatal(err)
		}
		a, err := s.RefractometerWitness(brix, 0, boils, 0, hPa)
		if err != nil || a.Contradicts || a.Witness != a.Thermometer {
			r.Fatalf("%+v, %v", a, err)
		}
		off := rapid.Float64Range(-60, 60).Draw(r, "off")
		narrow, err := s.RefractometerWitness(brix, 0.5, boils+off, 0.2, hPa)
		if err != nil {
			r.Fatal(err)
		}
		wide, err := s.RefractometerWitness(brix, 2, boils+off, 1, hPa)
		if err != nil || math.Abs(wide.Steps) > math.Abs(narrow.Steps) || wide.Contradicts && !narrow.Contradicts {
			r.Fatalf("%+v, then %+v, %v", narrow, wide, err)
		}
	})
}
