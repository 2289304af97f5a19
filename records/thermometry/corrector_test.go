package thermometry_test

import (
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

func corrector(t testing.TB, readToC float64, points ...Point) *Corrector {
	curve := must[Curve](t)(FitCurve(points, DefaultCurveOptions()))
	return must[*Corrector](t)(NewCorrector(curve, CookOptions{ReadToC: readToC}))
}

// The budget printed behind a U gives that U again, whatever the form.
func TestBudgetGivesTheUncertainty(t *testing.T) {
	for name, points := range map[string][]Point{
		"offset":        {boiling(t, 95.2, 843.1, 3)},
		"mean offset":   {ice(t, 0.2, 3), boiling(t, 95.2, 843.1, 3)},
		"line":          {ice(t, 0, 3), boiling(t, 96.9, 843.1, 3)},
		"stale line":    {ice(t, 0, 3), boiling(t, 96.9, 843.1, 50)},
		"least squares": {ice(t, 0.2, 3), boiling(t, 95.2, 843.1, 3), comparison(t, 150.5, 150.21, 3)},
		"scattered":     {ice(t, 0.2, 3), boiling(t, 97.2, 843.1, 3), comparison(t, 150.5, 150.21, 3)},
		"stale":         {ice(t, 2.1, 3), boiling(t, 97.28, 841, 3), comparison(t, 151.39, 150.21, 50)},
		"one reference": {comparison(t, 110.3, 110, 3), comparison(t, 130.4, 130, 3), comparison(t, 150.5, 150, 3)},
	} {
		judge := corrector(t, 0.1, points...)
		for _, readingC := range []float64{-5, 0, 50, 95, 116, 150, 175} {
			budget := judge.Budget(readingC)
			if got, want := budget.Combined(), judge.Correct(readingC).StandardC; math.Abs(got-want) > 1e-6 {
				t.Errorf("%s at %v: budget %v, uncertainty %v\n%+v", name, readingC, got, want, budget)
			}
		}
	}
}

func TestReadingForUndoesCorrect(t *testing.T) {
	judge := corrector(t, 0.1, ice(t, 0, 3), boiling(t, 96.9, 843.1, 3))
	for _, correctedC := range []float64{0, 95, 116.3, 150} {
		if got := judge.Correct(judge.ReadingFor(correctedC)).CorrectedC; math.Abs(got-correctedC) > 1e-9 {
			t.Errorf("reading for %v corrects to %v", correctedC, got)
		}
	}
	// A limit of 109.6 on a dial that reads 1.0 high is 110.6.
	high := corrector(t, 0.1, Point{Kind: PointComparison, TrueC: 110, ReadingC: 111})
	if got := high.ReadingFor(109.6); math.Abs(got-110.6) > 1e-9 {
		t.Errorf("a dial 1.0 high shows %v for 109.6", got)
	}
}

// Nobody read the barometer. The check's boiling point and the soft-ball limit
// move together with the pressure: 15 hPa on it moves the verdict's difference
// by under 0.05 degC with an offset correction. Soft ball (85 % solids) drops
// 1.07 times as far as water (Starzak-Peacock with IAPWS-IF97: 5.34 degC for
// water's 4.99 at 1500 m).
func TestSharedPressureDropsOutOfTheDifference(t *testing.T) {
	const elevationM, readingC, softBallRatio = 0, 115.0, 5.34 / 4.99
	difference := func(pressure Pressure) (Difference, float64) {
		point := must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: 100.4, ReadToC: 0.1, Pressure: pressure}))
		slope := must[float64](t)(BoilingSlopeCPerHPa(pressure.HPa))
		boilingC := must[float64](t)(BoilingPointC(pressure.HPa))
		standardC := must[float64](t)(BoilingPointC(1013.25))
		limit := Bound{TempC: 113.995 + softBallRatio*(boilingC-standardC), Budget: pressure.Terms(softBallRatio * slope)}
		judge := corrector(t, 0.1, point)
		return judge.Against(readingC, limit), judge.Correct(readingC).StandardC
	}
	assumed := must[Pressure](t)(AssumedPressure(elevationM, 15))
	moved := assumed
	moved.HPa += 15
	first, alone := difference(assumed)
	second, _ := difference(moved)
	if shift := math.Abs(second.DifferenceC - first.DifferenceC); shift >= 0.05 || shift == 0 {
		t.Errorf("15 hPa moves the difference by %.4f degC", shift)
	}
	// The uncertainty says so too: that of the difference is below that of the
	// corrected reading alone, and what is left of the pressure is under 0.05.
	without := assumed
	without.StandardHPa = 0
	none, _ := difference(without)
	left := CoverageFactor * math.Sqrt(first.StandardC*first.StandardC-none.StandardC*none.StandardC)
	if first.StandardC >= alone || left >= 0.05 {
		t.Errorf("difference %v, reading alone %v, pressure leaves U %v", first.StandardC, alone, left)
	}
	// Another weather is not shared: a check of two days before helps nothing.
	old := must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: 100.4, ReadToC: 0.1, Pressure: assumed, AgeHours: 48}))
	slope := must[float64](t)(BoilingSlopeCPerHPa(assumed.HPa))
	apart := corrector(t, 0.1, old).Against(readingC, Bound{TempC: 114, Budget: assumed.Terms(softBallRatio * slope)})
	if apart.StandardC < 1.3*alone {
		t.Errorf("pressures two days apart are taken for one: %v", apart.StandardC)
	}
}

// What a shared input does is what moving it does: move the certificate, the ice
// or the barometer, and the corrected value moves by the line of the budget.
func TestSharedLinesAreTheSensitivities(t *testing.T) {
	points := []Point{ice(t, 0.2, 3), boiling(t, 95.3, 843.1, 3), comparison(t, 150.5, 150.21, 3)}
	judge := corrector(t, 0.1, points...)
	for _, line := range judge.Budget(120) {
		if line.Shared == SharedNone || line.Shared == SharedDrift {
			continue
		}
		moved := append([]Point(nil), points...)
		for i := range moved {
			for _, term := range moved[i].Budget {
				if term.Shared == line.Shared && term.Source == line.Source {
					moved[i].TrueC += term.StandardC
				}
			}
		}
		got := corrector(t, 0.1, moved...).Correct(120).CorrectedC - judge.Correct(120).CorrectedC
		if math.Abs(got-line.StandardC) > 1e-6 {
			t.Errorf("%s: moves the corrected value by %v, the budget says %v", line.Name, got, line.StandardC)
		}
	}
}

func TestWeatherTermGrowsAndIsBounded(t *testing.T) {
	if got := WeatherTerm(4, 0.028).StandardC; math.Abs(got-4*0.4*0.028) > 1e-12 {
		t.Errorf("four hours: %v", got)
	}
	if got, most := WeatherTerm(500, 1).StandardC, 15/math.Sqrt(3); got != most {
		t.Errorf("after weeks: %v, want the whole allowance %v", got, most)
	}
}
