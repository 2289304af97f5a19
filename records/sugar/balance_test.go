package sugar

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Worked by hand: rises 1.0, 1.4, 0.9, 1.1: mean 1.1, s 0.216; t(3, 95 %) = 2.353
// (any table of Student's t), spread 2.353 x 0.216 x sqrt(1.25) = 0.568.
func TestCarryOver(t *testing.T) {
	past := []PastPull{
		{"F-CAR", "kettle", 112.0, 113.0}, {"F-CAR", "kettle", 112.6, 114.0},
		{"F-CAR", "kettle", 113.1, 114.0}, {"F-CAR", "kettle", 112.9, 114.0},
		{"F-CAR", "saucepan", 112.0, 119.0}, {"F-NOU", "kettle", 118.0, 124.0},
	}
	c, err := CarryOverFor(past, "F-CAR", "kettle")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rise", c.RiseC, 1.1, 1e-9)
	near(t, "scatter", c.ScatterC, 0.216, 0.001)
	near(t, "spread", c.SpreadC, 0.568, 0.001)
	near(t, "pull at", c.PullAt(114), 112.9, 1e-9)
	near(t, "least", c.LeastC, 0.9, 1e-9)
	near(t, "most", c.MostC, 1.4, 1e-9)
	if c.Batches != 4 {
		t.Errorf("%d batches", c.Batches)
	}
	for _, k := range []struct {
		past []PastPull
		want error
	}{
		{past[:2], ErrTooFewReadings},
		{append(past[:3:3], PastPull{"F-CAR", "kettle", 113, 112}), ErrReadings},
		{append(past[:3:3], PastPull{"F-CAR", "kettle", math.NaN(), 112}), ErrNotANumber},
		{append(past[:3:3], PastPull{"F-CAR", "kettle", 112, 1200}), ErrTemperature},
	} {
		if _, err := CarryOverFor(k.past, "F-CAR", "kettle"); !errors.Is(err, k.want) {
			t.Errorf("%v, want %v", err, k.want)
		}
	}
}

// The worked figures of the evaporation: from 70 % solids to 115 degC 0.263 kg of
// water leaves 1 kg of sucrose, to 121 0.310, to 130 0.350, to 150 0.399 (computed
// elsewhere).
func TestEvaporated(t *testing.T) {
	s := testSyrup(t)
	for temp, want := range map[float64]float64{115: 0.263, 118: 0.290, 121: 0.310, 130: 0.350, 143: 0.384, 150: 0.399} {
		w, err := s.SolidsPct(temp, StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		got, err := EvaporatedKg(1, 70, w.Pct)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "evaporated", got, want, 0.0006)
	}
	if _, err := EvaporatedKg(1, 80, 70); !errors.Is(err, ErrMass) {
		t.Error(err)
	}
	if _, err := EvaporatedKg(1, math.Inf(1), 70); !errors.Is(err, ErrNotANumber) {
		t.Error(err)
	}
}

func TestBalance(t *testing.T) {
	y, err := ExpectedYield(10, 85, 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		actual      float64
		unexplained bool
	}{{11.6, false}, {11.76, false}, {11.4, false}, {10.8, true}, {12.4, true}} {
		m, err := y.Balance(c.actual, 0.01, Handling{})
		if err != nil {
			t.Fatal(err)
		}
		if m.Unexplained != c.unexplained {
			t.Errorf("%g kg: %+v", c.actual, m)
		}
		near(t, "sum", m.HandlingKg+m.UnexplainedKg+m.ActualKg, m.ExpectedKg, 1e-12)
	}
	for _, c := range []struct {
		call func() error
		want error
	}{
		{func() error { _, err := y.Balance(math.NaN(), 0, Handling{}); return err }, ErrNotANumber},
		{func() error { _, err := y.Balance(0, 0, Handling{}); return err }, ErrMass},
		{func() error { _, err := y.Balance(1, -1, Handling{}); return err }, ErrUncertainty},
		{func() error { _, err := y.Balance(1, 0, Handling{Share: 1.5}); return err }, ErrMass},
		{func() error { _, err := Yield{}.Balance(1, 0, Handling{}); return err }, ErrMass},
		{func() error { _, err := ExpectedYield(1, 101, 0, 0); return err }, ErrMass},
		{func() error { _, err := ExpectedYield(1, 80, 0, 2); return err }, ErrMass},
		{func() error { _, err := ExpectedYield(0, 80, 0, 0); return err }, ErrMass},
		{func() error { _, err := ExpectedYield(1, math.NaN(), 0, 0); return err }, ErrNotANumber},
		{func() error { _, err := ExpectedYield(1, 80, -1, 0); return err }, ErrUncertainty},
	} {
		if err := c.call(); !errors.Is(err, c.want) {
			t.Errorf("%v, want %v", err, c.want)
		}
	}
}

// On the invented days every yield of a cook on a checked thermometer balances;
// brittle and sauce are beyond the sucrose data and still bounded.
func TestBalanceOnTheDays(t *testing.T) {
	s := testSyrup(t)
	weighed := map[string]float64{}
	for _, r := range table(t, "days/batches") {
		weighed[r["batch"]] = num(t, r["yield_kg"])
	}
	beyond := 0
	for _, b := range dayCooks(t) {
		pull := b.cook.Readings[len(b.cook.Readings)-1]
		y, err := s.YieldAtPull(b.cook.DrySolidsKg, pull.TempC, math.Hypot(b.cook.UC, b.cook.ResolutionC/math.Sqrt(12)), b.cook.PressureHPa, 0)
		if err != nil {
			t.Errorf("%s: %v", b.name, err)
			continue
		}
		if y.BeyondData {
			beyond++
			if y.SolidsPct != 0 || y.ExpectedKg < b.cook.DrySolidsKg {
				t.Errorf("%s: %+v", b.name, y)
			}
		}
		m, err := y.Balance(weighed[b.name[:8]], 0.01, Handling{})
		if err != nil {
			t.Fatal(err)
		}
		if m.Unexplained {
			t.Errorf("%s: %+v", b.name, m)
		}
	}
	if beyond != 6 {
		t.Errorf("%d batches beyond the data", beyond)
	}
}

func TestScale(t *testing.T) {
	// Thirds: 1 kg each of three, for 10 kg in steps of 0.01: 3.33 + 3.33 + 3.34.
	s, err := Scale([]Ingredient{{"sugar", 1}, {"glucose syrup", 1}, {"water", 1}}, 3, 10, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "factor", s.Factor, 10.0/3, 1e-12)
	near(t, "total", s.TotalKg, 10, 1e-9)
	var steps int64
	for _, l := range s.Lines {
		steps += l.Steps
	}
	if steps != 1000 || s.Lines[0].Steps != 334 || s.Lines[2].Steps != 333 {
		t.Errorf("%+v", s.Lines)
	}
	salt, err := Scale([]Ingredient{{"sugar", 10}, {"salt", 0.002}}, 10, 10, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	if !salt.Lines[1].Lost || salt.Lines[0].Lost {
		t.Errorf("%+v", salt.Lines)
	}
	for _, c := range []struct {
		formula        []Ingredient
		from, to, step float64
		want           error
	}{
		{nil, 1, 1, 0.01, ErrMass},
		{[]Ingredient{{"sugar", 0}}, 1, 1, 0.01, ErrMass},
		{[]Ingredient{{"sugar", math.NaN()}}, 1, 1, 0.01, ErrNotANumber},
		{[]Ingredient{{"sugar", 1}}, 0, 1, 0.01, ErrMass},
		{[]Ingredient{{"sugar", 1}}, 1, math.Inf(1), 0.01, ErrNotANumber},
		{[]Ingredient{{"sugar", 1}}, 1, 1, 0, ErrMass},
		{[]Ingredient{{"sugar", 1}}, 1, 1e20, 1e-9, ErrMass},
	} {
		if _, err := Scale(c.formula, c.from, c.to, c.step); !errors.Is(err, c.want) {
			t.Errorf("%v: %v, want %v", c.formula, err, c.want)
		}
	}
}

// The rounded lines add up to the rounded total, and none is off by a whole step.
func TestScaleKeepsTheTotal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var formula []Ingredient
		for range rapid.IntRange(1, 12).Draw(t, "lines") {
			formula = append(formula, Ingredient{"x", rapid.Float64Range(0.001, 50).Draw(t, "kg")})
		}
		step := rapid.SampledFrom([]float64{0.001, 0.005, 0.01, 0.1, 0.5}).Draw(t, "step")
		s, err := Scale(formula, 10, rapid.Float64Range(0.5, 500).Draw(t, "wanted"), step)
		if err != nil {
			t.Fatal(err)
		}
		var steps int64
		var exact float64
		for _, l := range s.Lines {
			steps += l.Steps
			exact += l.ExactKg
			if math.Abs(l.Kg-l.ExactKg) > step*(1+1e-6) {
				t.Fatalf("%+v in steps of %g", l, step)
			}
		}
		if float64(steps) != math.Round(exact/step) {
			t.Fatalf("%d steps of %g for %g kg", steps, step, exact)
		}
	})
}

// The prepared bands give the same stage as StageAt, away from the very edges.
func TestBandsAgreeWithStageAt(t *testing.T) {
	s := testSyrup(t)
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(600, 1100).Draw(t, "hPa")
		temp := rapid.Float64Range(70, 220).Draw(t, "degC")
		b, err := s.BandsAt(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, band := range b.List() {
			if math.Abs(temp-band.LowC) < 1e-6 || math.Abs(temp-band.HighC) < 1e-6 {
				return // on the edge itself rounding decides
			}
		}
		label, position, err := b.Stage(temp)
		if err != nil {
			t.Fatal(err)
		}
		place, err := s.StageAt(temp, p)
		if err != nil {
			t.Fatal(err)
		}
		if label != place.Label || position != place.Position {
			t.Fatalf("%v degC at %v hPa: %s and %s", temp, p, label, place.Label)
		}
	})
	b, err := s.BandsAt(847.6)
	if err != nil {
		t.Fatal(err)
	}
	last := 0.0
	for _, band := range b.List() {
		if band.LowC < last || band.HighC <= band.LowC || band.LowSoftC > band.LowC+1e-9 || band.HighSoftC < band.HighC-1e-9 {
			t.Errorf("%+v", band)
		}
		if (band.Basis == TemperatureBasis) != (band.LowC == band.StandardLowC) {
			t.Errorf("%+v", band)
		}
		last = band.HighC - 1e-9
	}
	if _, _, err := b.Stage(math.NaN()); !errors.Is(err, ErrNotANumber) {
		t.Error(err)
	}
	// A stage costs no memory.
	if n := testing.AllocsPerRun(100, func() { _, _, _ = b.Stage(118.3) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
