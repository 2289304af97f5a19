package records_test

import (
	"math"
	"testing"

	"kettlebook/records"
	"kettlebook/records/sugar"
)

// Inverse of Starzak and Peacock at 101 325 Pa (computed independently): 115 degC -> 85.80 %, 130 -> 92.68, 150 -> 97.12; 90 %
// boils at 122.406.
func TestSolidsFigures(t *testing.T) {
	for tempC, pct := range map[float64]float64{115: 85.80, 130: 92.68, 150: 97.12} {
		got, err := records.SolidsAt(tempC, 0.3, airOf(1013.25), nil)
		if err != nil {
			t.Fatal(err)
		}
		closeTo(t, "solids", *got.SolidsPct, pct, 0.006)
		if u := *got.SolidsUPct; u < 1.4 || u > 2.6 { // twice 0.7 to 1 % (spread of the tables), and a little for the temperature
			t.Errorf("%g degC: U %.2f %%", tempC, u)
		}
	}
	got, err := records.BoilingOf(90, 0, airOf(1013.25), nil)
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "90 % boils", got.BoilingC, 122.406, 1e-3)
	// Printed for 90 %: McGee 121, Browne 1912 5 degC above the model, Thieme 4.5 below: inside U.
	if *got.BoilingUC < 4 || *got.BoilingUC > 6 {
		t.Errorf("U of a boiling point at 90 %%: %.2f degC", *got.BoilingUC)
	}
	// Above 98 % no figure.
	if got, err = records.SolidsAt(165, 0, airOf(1013.25), nil); err != nil || !got.BeyondData || got.SolidsPct != nil {
		t.Errorf("165 degC: %+v, %v", got, err)
	}
	// Glucose syrup raises the boiling point less, mass for mass (factor 0.8): a blend boils cooler than sucrose.
	blend := []sugar.Component{{Kind: sugar.Sucrose, Kg: 2}, {Kind: sugar.GlucoseSyrup, Kg: 1, DE: 42}}
	mixed, err := records.BoilingOf(90, 0, airOf(1013.25), blend)
	if err != nil || !mixed.Estimate || mixed.BoilingC >= 122.4 || mixed.EquivalentPct == nil {
		t.Errorf("blend: %+v, %v", mixed, err)
	}
}

// Grover 1947 (factors from memory): sucrose 1.0, glucose syrup of 42 DE 0.8. 100 kg and 50 kg are 140 kg of sucrose; by hand.
func TestBlendFigures(t *testing.T) {
	got, err := records.ReduceBlend([]sugar.Component{{Kind: sugar.Sucrose, Kg: 100}, {Kind: sugar.GlucoseSyrup, Kg: 50, DE: 42}}, f64(80))
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "factor", got.Factor, 140.0/150, 1e-9)
	closeTo(t, "share", got.SucroseShare, 2.0/3, 1e-9)
	// 80 % solids are 4 kg to 1 kg of water: 4 * 140/150 = 3.733 kg, 78.87 %.
	closeTo(t, "equivalent", *got.EquivalentSolidsPct, 100*3.7333333/4.7333333, 1e-4)
}

// One table of bands in degC, read: soft ball 112-116, hard crack 146-154; at 1500 m the drop is 5.34 degC at 85 % and 6.56 at
// 98 % (computed).
func TestStagesFigures(t *testing.T) {
	got, err := records.StagesIn(airOf(1013.25), f64(115), 0.5)
	if err != nil {
		t.Fatal(err)
	}
	byName := func(name string) sugar.Band {
		for _, b := range got.Bands {
			if b.Name == name {
				return b
			}
		}
		t.Fatalf("no %s", name)
		return sugar.Band{}
	}
	if b := byName("soft ball"); b.LowC != 112 || b.HighC != 116 || got.Place.Label != "soft ball" {
		t.Errorf("%+v %+v", b, got.Place)
	}
	if got, err = records.StagesIn(airOf(845.597), nil, 0); err != nil {
		t.Fatal(err)
	}
	closeTo(t, "hard crack at 1500 m", byName("hard crack").HighC, 154-6.56, 0.05)
	closeTo(t, "soft ball at 1500 m", byName("soft ball").LowC, 112-5.3, 0.05)
	if b := byName("caramel"); b.LowC != 160 || b.Basis != sugar.TemperatureBasis {
		t.Errorf("caramel moved: %+v", b)
	}
	if got, err = records.StagesIn(airOf(1013.25), f64(190), 0); err != nil || got.Place.Label != sugar.Burnt {
		t.Errorf("past caramel: %+v, %v", got.Place, err)
	}
}

// Saturated sucrose stands near 0.85 (New York State Agriculture, read; FDA tables from memory): 67.89 % at 25 degC (Mohos).
func TestWaterActivityFigures(t *testing.T) {
	got, err := records.WaterActivityOf([]sugar.Component{{Kind: sugar.Sucrose, Kg: 67.89}}, f64(32.11), nil, false, f64(5), true)
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "saturated sucrose", got.Aw, 0.85, 0.01)
	if got.LowAw > 0.8441 || got.HighAw < 0.8441 || got.Interaction == nil || len(got.Limits) == 0 {
		t.Errorf("%+v", got)
	}
	// By moisture it is the same product.
	other, err := records.WaterActivityOf([]sugar.Component{{Kind: sugar.Sucrose, Kg: 67.89}}, nil, f64(32.11), false, nil, false)
	if err != nil || math.Abs(other.Aw-got.Aw) > 1e-9 {
		t.Errorf("%v, %v", other.Aw, err)
	}
}

// Mass balance by hand: 6.3 kg of solids at 87.5 % are 7.2 kg, 0.9 kg of it water; from 70 % they gave off 1.8 kg. Inverting all
// of it takes up 5.26 % (molar masses 18.015 and 342.30).
func TestYieldFigures(t *testing.T) {
	got, err := records.YieldFor(records.YieldAsked{DrySolidsKg: 6.3, SolidsPct: f64(87.5), U: 1, StartSolidsPct: f64(70), ActualKg: f64(6.4), ActualUKg: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "yield", got.ExpectedKg, 7.2, 1e-9)
	closeTo(t, "water", got.WaterKg, 0.9, 1e-9)
	closeTo(t, "boiled off", *got.EvaporatedKg, 1.8, 1e-9)
	closeTo(t, "loss", got.Balance.LossKg, 0.8, 1e-9)
	if !got.Balance.Unexplained {
		t.Errorf("a loss of 11 %% passes: %+v", got.Balance)
	}
	all, err := records.YieldFor(records.YieldAsked{DrySolidsKg: 1, SolidsPct: f64(100), InvertedShare: 1})
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "inverted", all.ExpectedKg, 1+18.015/342.30, 1e-4)
	air := airOf(1013.25)
	pulled, err := records.YieldFor(records.YieldAsked{DrySolidsKg: 6.3, TempC: f64(115), U: 0.4, Air: &air})
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "from the pull", pulled.ExpectedKg, 6.3/0.8580, 0.005)
	if u := 2 * pulled.UKg; u < 0.14 || u > 0.25 { // 2 % of 7.34 kg and more
		t.Errorf("U %.3f kg", u)
	}
}

// Three thirds of 1 kg in steps of 0.01 kg by largest remainders, by hand: 0.34, 0.33, 0.33.
func TestScaleFigures(t *testing.T) {
	lines := []sugar.Ingredient{{Name: "a", Kg: 1}, {Name: "b", Kg: 1}, {Name: "c", Kg: 1}}
	got, err := records.ScaleFor(lines, 3, 1, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.34, 0.33, 0.33} {
		closeTo(t, "line", got.Lines[i].Kg, want, 1e-12)
	}
	closeTo(t, "total", got.TotalKg, 1, 1e-12)
}
