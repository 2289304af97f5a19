package thermometry_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	. "kettlebook/records/thermometry"
)

// Each line of advice buys what doing it buys: the same check made again with
// that one thing changed has the U that was promised.
func TestAdviceKeepsItsPromises(t *testing.T) {
	const elevationM, readingC = 1480.0, 146.0
	cook := CookOptions{ReadToC: 1}
	settings := DefaultCurveOptions()
	assumed := must[Pressure](t)(AssumedPressure(elevationM, 20))
	read := must[Pressure](t)(MeasuredPressure(assumed.HPa, 0, 0))
	points := func(quality IceQuality, pressure Pressure, ageHours float64) []Point {
		return []Point{
			must[Point](t)(IcePoint(IceOptions{ReadingC: 0, ReadToC: 1, Quality: quality, AgeHours: ageHours})),
			must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: 95, ReadToC: 1, Pressure: pressure, AgeHours: ageHours})),
		}
	}
	expanded := func(points []Point, cook CookOptions) float64 {
		curve := must[Curve](t)(FitCurve(points, settings))
		return must[*Corrector](t)(NewCorrector(curve, cook)).Correct(readingC).ExpandedC
	}
	present := points(IceLooseCubes, assumed, 300)
	now, advice, err := WhatWouldHelp(present, settings, cook, readingC, nil)
	if err != nil || math.Abs(now-expanded(present, cook)) > 1e-12 {
		t.Fatalf("U now %v, %v; want %v", now, err, expanded(present, cook))
	}
	want := map[string]float64{
		"read the barometer": expanded(points(IceLooseCubes, read, 300), cook),
		"crush the ice":      expanded(points(IceCrushedSlush, assumed, 300), cook),
		"check again now":    expanded(points(IceLooseCubes, assumed, 0), cook),
		"read between":       expanded(present, CookOptions{ReadToC: 0.5}),
	}
	seen := 0
	for i, a := range advice {
		if i > 0 && a.ExpandedC < advice[i-1].ExpandedC {
			t.Errorf("advice out of order: %+v", advice)
		}
		if math.Abs(now-a.ExpandedC-a.GainC) > 1e-12 || a.GainC <= 0 {
			t.Errorf("%s: gain %v from %v to %v", a.Action, a.GainC, now, a.ExpandedC)
		}
		for prefix, u := range want {
			if strings.HasPrefix(a.Action, prefix) {
				seen++
				if math.Abs(a.ExpandedC-u) > 1e-6 {
					t.Errorf("%s promises %v, doing it gives %v", a.Action, a.ExpandedC, u)
				}
			}
		}
	}
	if seen != len(want) || !strings.HasPrefix(advice[0].Action, "compare with a reference at 150 degC") {
		t.Errorf("advice: %+v", advice)
	}
}

// Against a limit that shares the assumed pressure, the barometer buys less than
// for the corrected value alone.
func TestAdviceAgainstASharedLimit(t *testing.T) {
	pressure := must[Pressure](t)(AssumedPressure(0, 0))
	slope := must[float64](t)(BoilingSlopeCPerHPa(pressure.HPa))
	points := []Point{must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: 100, ReadToC: 0.1, Pressure: pressure}))}
	bound := &Bound{TempC: 114, Budget: pressure.Terms(1.07 * slope)}
	gain := func(bound *Bound) float64 {
		_, advice, err := WhatWouldHelp(points, DefaultCurveOptions(), CookOptions{ReadToC: 0.1}, 114, bound)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range advice {
			if a.Action == "read the barometer" {
				return a.GainC
			}
		}
		return 0
	}
	if alone, shared := gain(nil), gain(bound); alone < 0.1 || shared > 0.05 {
		t.Errorf("the barometer buys %v for the value and %v against the limit", alone, shared)
	}
	if _, _, err := WhatWouldHelp(points, DefaultCurveOptions(), CookOptions{ReadToC: 0.1}, math.NaN(), nil); !errors.Is(err, ErrNotFinite) {
		t.Errorf("NaN reading: %v", err)
	}
}
