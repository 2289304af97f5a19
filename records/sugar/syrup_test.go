package sugar

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// testdata/sucrose_starzak_peacock_test_values.csv: computed elsewhere from the
// 1997 equation and IF97; to 1e-3 degC. The 98.5 % row is outside the domain.
func TestBoilingAgainstComputedValues(t *testing.T) {
	s := testSyrup(t)
	rows := 0
	for _, r := range table(t, "sucrose_starzak_peacock_test_values") {
		pct := num(t, r["sucrose_pct"])
		got, err := s.BoilingC(pct, StandardPressureHPa)
		if pct > MaxSolidsPct {
			if !errors.Is(err, ErrBeyondSucroseData) {
				t.Errorf("%g %%: %v", pct, err)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		rows++
		near(t, r["sucrose_pct"]+" % boils", got, num(t, r["boil_C"]), 1e-3)
		aw, err := WaterActivity(pct, got)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["sucrose_pct"]+" % a_w", aw, num(t, r["a_w_at_boil"]), 1e-5)
		back, err := s.SolidsPct(got, StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["sucrose_pct"]+" % slope", back.CPerPct, num(t, r["dT_dw_C_per_pct"]), 2e-3)
	}
	if rows != 28 {
		t.Errorf("%d rows compared", rows)
	}
}

// testdata/sucrose_water_content_by_temperature.csv: computed elsewhere at the
// standard atmosphere's pressures, 0.01 % water; rows above 98 % solids must be refused.
func TestSolidsAgainstWaterContentTable(t *testing.T) {
	s := testSyrup(t)
	columns := map[string]float64{
		"water_pct_0m": 1013.25, "water_pct_500m": 954.613, "water_pct_1000m": 898.763,
		"water_pct_1500m": 845.597, "water_pct_2000m": 795.014,
	}
	inside, beyond := 0, 0
	for _, r := range table(t, "sucrose_water_content_by_temperature") {
		for column, p := range columns {
			water := num(t, r[column])
			got, err := s.SolidsPct(num(t, r["t_C"]), p)
			if water < 2 {
				beyond++
				if !errors.Is(err, ErrBeyondSucroseData) {
					t.Errorf("%s at %s degC: %v %v", column, r["t_C"], got, err)
				}
				continue
			}
			if err != nil {
				t.Fatalf("%s at %s degC: %v", column, r["t_C"], err)
			}
			inside++
			near(t, column+" "+r["t_C"], 100-got.Pct, water, 0.006)
		}
	}
	if inside < 200 || beyond < 10 {
		t.Errorf("%d inside, %d beyond", inside, beyond)
	}
}

// Solids and temperature invert each other to 1e-9 relative, and both rise.
func TestSolidsAndTemperatureInvert(t *testing.T) {
	s := testSyrup(t)
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(minPressureHPa, maxPressureHPa).Draw(t, "hPa")
		w := rapid.Float64Range(0.5, MaxSolidsPct).Draw(t, "pct")
		temp, err := s.BoilingC(w, p)
		if err != nil {
			t.Fatal(err)
		}
		back, err := s.SolidsPct(temp, p)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(back.Pct/w-1) > 1e-9 {
			t.Fatalf("%v %% -> %v degC -> %v %%", w, temp, back.Pct)
		}
		again, err := s.BoilingC(back.Pct, p)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(again/temp-1) > 1e-9 {
			t.Fatalf("%v degC -> %v degC", temp, again)
		}
		more := rapid.Float64Range(w, MaxSolidsPct).Draw(t, "more")
		if more-w > 1e-9 {
			hotter, err := s.BoilingC(more, p)
			if err != nil {
				t.Fatal(err)
			}
			if hotter <= temp {
				t.Fatalf("%v %% boils at %v, %v %% at %v", w, temp, more, hotter)
			}
		}
		higher := math.Min(p*1.01, maxPressureHPa)
		if higher-p > 1e-6 {
			hotter, err := s.BoilingC(w, higher)
			if err != nil {
				t.Fatal(err)
			}
			if hotter <= temp {
				t.Fatalf("%v %% boils at %v under %v hPa, at %v under %v", w, temp, p, hotter, higher)
			}
		}
	})
}

func TestEndsOfTheDomain(t *testing.T) {
	s := testSyrup(t)
	for _, p := range []float64{50, 700, 847.6, 1013.25, 1200} {
		water, err := s.BoilingC(0, p)
		if err != nil {
			t.Fatal(err)
		}
		none, err := s.SolidsPct(water, p)
		if err != nil || none.Pct > 1e-6 {
			t.Errorf("water at %g hPa: %+v %v", p, none, err)
		}
		top, err := s.BoilingC(MaxSolidsPct, p)
		if err != nil {
			t.Fatal(err)
		}
		full, err := s.SolidsPct(top, p)
		if err != nil || math.Abs(full.Pct-MaxSolidsPct) > 1e-7 {
			t.Errorf("98 %% at %g hPa: %+v %v", p, full, err)
		}
		if got, err := s.SolidsPct(top+0.01, p); !errors.Is(err, ErrBeyondSucroseData) || errors.Is(err, ErrNotBoiling) {
			t.Errorf("above 98 %% at %g hPa: %+v %v", p, got, err)
		}
		if got, err := s.SolidsPct(water-0.01, p); !errors.Is(err, ErrNotBoiling) || !errors.Is(err, ErrBeyondSucroseData) {
			t.Errorf("below boiling at %g hPa: %+v %v", p, got, err)
		}
	}
}

func TestRefusedInputs(t *testing.T) {
	s := testSyrup(t)
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name string
		call func() error
		want error
	}{
		{"NaN solids", func() error { _, err := s.BoilingC(nan, 1013); return err }, ErrNotANumber},
		{"negative solids", func() error { _, err := s.BoilingC(-1, 1013); return err }, ErrBeyondSucroseData},
		{"98.1 % solids", func() error { _, err := s.BoilingC(98.1, 1013); return err }, ErrBeyondSucroseData},
		{"infinite pressure", func() error { _, err := s.BoilingC(50, inf); return err }, ErrNotANumber},
		{"pressure in pascals", func() error { _, err := s.BoilingC(50, 101325); return err }, ErrPressure},
		{"pressure in inches", func() error { _, err := s.SolidsPct(115, 29.92); return err }, ErrPressure},
		{"NaN temperature", func() error { _, err := s.SolidsPct(nan, 1013); return err }, ErrNotANumber},
		{"molten glass", func() error { _, err := s.SolidsPct(900, 1013); return err }, ErrTemperature},
		{"ice", func() error { _, err := s.SolidsPct(-5, 1013); return err }, ErrNotBoiling},
		{"moved from NaN", func() error { _, err := s.MoveLimit(115, nan, 1013); return err }, ErrNotANumber},
		{"moved to inches", func() error { _, err := s.MoveLimit(115, 1013, 30); return err }, ErrPressure},
		{"moved below boiling", func() error { _, err := s.MoveLimit(90, 1013, 850); return err }, ErrNotBoiling},
		{"zero Syrup", func() error { _, err := Syrup{}.BoilingC(50, 1013); return err }, ErrWater},
		{"no functions", func() error { _, err := New(Water{}); return err }, ErrWater},
		{"pascals", func() error {
			_, err := New(Water{PressureHPa: func(c float64) (float64, error) {
				p, err := satHPa(c)
				return 100 * p, err
			}, BoilingC: satC})
			return err
		}, ErrWater},
		{"failing function", func() error {
			broken := Syrup{water: Water{PressureHPa: func(float64) (float64, error) { return nan, nil }, BoilingC: satC}}
			_, err := broken.SolidsPct(115, 1013)
			return err
		}, ErrWater},
		{"stage", func() error { _, err := StageIndex("squishy"); return err }, ErrUnknownStage},
		{"negative U", func() error { _, err := s.SecondWitness("soft ball", 115, -1, 1013); return err }, ErrUncertainty},
	} {
		if err := c.call(); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

// The literature's spread in science terms: 1 % at 75..94 %, 0.7 % from 96 %.
func TestSpreadOfTheLiterature(t *testing.T) {
	s := testSyrup(t)
	for _, c := range []struct{ tempC, want, tol float64 }{
		{115, 1, 1e-12}, {122, 1, 1e-12}, {150, 0.7, 1e-12}, {103, 1.7, 0.1}, {100.2, 10, 4},
	} {
		got, err := s.SolidsPct(c.tempC, StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "UPct", got.UPct, c.want, c.tol)
		if with := got.UWith(0.5); with <= got.UPct {
			t.Errorf("%g degC: %g with 0.5 degC, %g without", c.tempC, with, got.UPct)
		}
	}
}

func BenchmarkSolidsFromTemperature(b *testing.B) {
	s := testSyrup(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.SolidsPct(118.3, 847.6); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkStageAt(b *testing.B) {
	s := testSyrup(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.StageAt(118.3, 847.6); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBandsAt(b *testing.B) {
	s := testSyrup(b)
	for b.Loop() {
		if _, err := s.BandsAt(847.6); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPreparedStage(b *testing.B) {
	bands, err := testSyrup(b).BandsAt(847.6)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := bands.Stage(118.3); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMoveLimit(b *testing.B) {
	s := testSyrup(b)
	for b.Loop() {
		if _, err := s.MoveLimit(118.3, StandardPressureHPa, 847.6); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkForecast(b *testing.B) {
	s := testSyrup(b)
	cook := newPan(b, 7).cook(s)
	half := cook.halfway()
	for b.Loop() {
		if _, err := s.Forecast(half, cook.targetC, 0.5, EaseOff{}); err != nil {
			b.Fatal(err)
		}
	}
}
