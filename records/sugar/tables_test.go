package sugar

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

// deviation is model minus table over some rows.
type deviation struct {
	n             int
	mean, rms, hi float64
}

func (d *deviation) add(v float64) {
	d.mean = (d.mean*float64(d.n) + v) / float64(d.n+1)
	d.rms = math.Sqrt((d.rms*d.rms*float64(d.n) + v*v) / float64(d.n+1))
	d.hi = math.Max(d.hi, math.Abs(v))
	d.n++
}

// elevation is the model's boiling point above that of water, degC.
func elevation(t *testing.T, s Syrup, pct, hPa float64) float64 {
	t.Helper()
	b, err := s.BoilingC(pct, hPa)
	if err != nil {
		t.Fatal(err)
	}
	w, err := satC(hPa)
	if err != nil {
		t.Fatal(err)
	}
	return b - w
}

// Every published boiling table against the model. The tolerances are the
// deviations found when the model was chosen: mean, root mean square and largest,
// model minus table, degC; the sources stand in the first line of each file. The
// README's table is made here.
func TestPublishedTablesOfBoilingPoints(t *testing.T) {
	s := testSyrup(t)
	type row struct{ pct, hPa, elevation, printed float64 }
	load := func(name, pct, bpe, dev string, scale float64) []row {
		var out []row
		for _, r := range table(t, name) {
			w := scale * num(t, r[pct])
			hPa := StandardPressureHPa
			if r["p_mbar"] != "" {
				hPa = num(t, r["p_mbar"])
			}
			printed := math.NaN()
			if r[dev] != "" {
				printed = num(t, r[dev])
			}
			out = append(out, row{w, hPa, num(t, r[bpe]), printed})
		}
		return out
	}
	browne := load("sucrose_boiling_point_browne1912", "sucrose_pct", "bpe_C", "dev_sp_minus_table_C", 1)
	gean := load("sucrose_boiling_point_geankoplis", "sucrose_mass_fraction", "bpe_C", "dev_sp_minus_table_C", 100)
	crapiste := load("sucrose_boiling_point_crapiste_lozano", "brix", "bpe_C", "dev_sp_minus_eq_C", 1)
	thieme := load("sucrose_boiling_point_thieme_hugot", "sucrose_pct", "bpe_C", "dev_sp_minus_table_C", 1)
	lines := []string{
		"| table | flag | range | n | mean degC | rms degC | largest degC |",
		"| --- | --- | --- | --- | --- | --- | --- |",
	}
	for _, c := range []struct {
		name, flag, span string
		rows             []row
		from, to         float64
		fromHPa, toHPa   float64
		n                int
		mean, rms, hi    float64
	}{
		{"Browne 1912", "read", "2-58 %", browne, 0, 59, 0, 2000, 29, -0.23, 0.25, 0.36},
		{"Browne 1912", "read", "60-80 %", browne, 59, 81, 0, 2000, 11, -1.37, 1.62, 2.54},
		{"Browne 1912", "read", "82-90 %", browne, 81, 91, 0, 2000, 5, -4.08, 4.18, 5.37},
		{"Geankoplis 1983", "read", "5-65 %", gean, 0, 66, 0, 2000, 8, -0.28, 0.36, 0.62},
		{"Crapiste and Lozano 1988", "coefficients from memory", "20-72 %, 200-700 hPa", crapiste, 0, 99, 0, 1000, 24, 0.11, 0.12, 0.19},
		{"the same, extrapolated", "from memory", "20-72 %, 1013 hPa", crapiste, 0, 99, 1000, 2000, 8, 0.14, 0.15, 0.21},
		{"Thieme in Hugot", "from memory", "10-80 %", thieme, 0, 81, 0, 2000, 10, 0.01, 0.12, 0.26},
		{"Thieme in Hugot", "from memory", "85-94 %", thieme, 81, 99, 0, 2000, 3, 2.79, 3.13, 4.50},
	} {
		var d deviation
		for _, r := range c.rows {
			if r.pct < c.from || r.pct > c.to || r.hPa < c.fromHPa || r.hPa > c.toHPa {
				continue
			}
			dev := elevation(t, s, r.pct, r.hPa) - r.elevation
			near(t, fmt.Sprintf("%s at %g %%", c.name, r.pct), dev, r.printed, 0.0016)
			d.add(dev)
		}
		what := c.name + " " + c.span
		if d.n != c.n {
			t.Errorf("%s: %d rows, want %d", what, d.n, c.n)
		}
		near(t, what+" mean", d.mean, c.mean, 0.0105)
		near(t, what+" rms", d.rms, c.rms, 0.0105)
		near(t, what+" largest", d.hi, c.hi, 0.0105)
		lines = append(lines, fmt.Sprintf("| %s | %s | %s | %d | %+.2f | %.2f | %.2f |", c.name, c.flag, c.span, d.n, d.mean, d.rms, d.hi))
	}
	readme(t, "tables", strings.Join(lines, "\n"))
}

// testdata/sucrose_boiling_point_other_points.csv and the lists recalled from
// confectionery books: each point deviates as noted when it was taken down, within
// 0.01 degC (they were rounded), and points above 98 % are refused.
func TestPublishedTablesOfSinglePoints(t *testing.T) {
	s := testSyrup(t)
	for _, r := range table(t, "sucrose_boiling_point_other_points") {
		pct := num(t, r["sucrose_pct"])
		if pct > MaxSolidsPct {
			if _, err := s.BoilingC(pct, StandardPressureHPa); !errors.Is(err, ErrBeyondSucroseData) {
				t.Errorf("%s: %v", r["source"], err)
			}
			continue
		}
		dev := elevation(t, s, pct, StandardPressureHPa) - num(t, r["bpe_C"])
		near(t, r["source"], dev, num(t, r["dev_sp_minus_point_C"]), 0.0101)
		if math.Abs(dev) > 3.7 {
			t.Errorf("%s: off by %.1f degC", r["source"], dev)
		}
	}
	for _, r := range table(t, "sucrose_boiling_point_confectionery_texts_memory") {
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
		near(t, r["list"]+" "+r["sucrose_pct"], got-num(t, r["boil_C"]), num(t, r["dev_sp_minus_list_C"]), 0.006)
	}
	// The solids printed with the stages: within 1.3 degC of their band but for the
	// 99 % of hard crack, which no boiling syrup holds there.
	for _, r := range table(t, "sucrose_boiling_point_candy_stage_concentrations") {
		low, err := s.SolidsPct(num(t, r["t_low_C"]), StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		high, err := s.SolidsPct(num(t, r["t_high_C"]), StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["t_low_C"]+" degC", low.Pct, num(t, r["sp_solids_at_t_low_pct"]), 0.006)
		near(t, r["t_high_C"]+" degC", high.Pct, num(t, r["sp_solids_at_t_high_pct"]), 0.006)
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
		near(t, r["sucrose_pct"]+" %", got, num(t, r["sp_boil_C"]), 0.006)
		if got < num(t, r["t_low_C"])-1.3 || got > num(t, r["t_high_C"])+1.3 {
			t.Errorf("%g %% boils at %.1f degC, outside its stage", pct, got)
		}
	}
}

// The soft edges of the stages are the spread of the tables that were read: no
// named band of a table reaches outside them, and the computed spread in degF is
// theirs within 0.06 degC, apart from a stage's own band that reaches further.
func TestPublishedStagesLieInsideTheSoftEdges(t *testing.T) {
	byName := map[string]Stage{}
	for _, st := range Stages() {
		byName[st.Name] = st
	}
	seen := 0
	for _, r := range table(t, "sugar_stages_published") {
		st, ok := byName[r["stage"]]
		if !ok || r["flag"] != "read" || r["low_C"] == "" || st.Name == "caramel" {
			continue
		}
		seen++
		low := num(t, r["low_C"])
		if low < st.LowSoftC-0.06 || low > math.Max(st.HighSoftC, st.LowLatestC)+0.06 {
			t.Errorf("%s %s starts at %g", r["source_key"], st.Name, low)
		}
		if r["high_C"] == "" {
			continue
		}
		if high := num(t, r["high_C"]); high > st.HighSoftC+0.06 || high < st.HighEarliestC-0.06 {
			t.Errorf("%s %s ends at %g", r["source_key"], st.Name, high)
		}
	}
	if seen < 55 {
		t.Errorf("%d bands compared", seen)
	}
	toC := func(cell string) float64 { return (num(t, cell) - 32) * 5 / 9 }
	for _, r := range table(t, "sugar_stages_spread") {
		st := byName[r["stage"]]
		near(t, st.Name+" low", st.LowSoftC, math.Min(toC(r["low_min_F"]), st.LowC), 0.06)
		near(t, st.Name+" latest low", st.LowLatestC, toC(r["low_max_F"]), 0.06)
		near(t, st.Name+" earliest high", st.HighEarliestC, toC(r["high_min_F"]), 0.06)
		near(t, st.Name+" high", st.HighSoftC, math.Max(toC(r["high_max_F"]), st.HighC), 0.06)
	}
}

// The printed altitude table follows 1 degF per 500 ft within its rounding; the
// model moves every stage by less than the rule at soft ball and by more at hard
// crack, as the shift table says.
func TestAltitudeRuleBesideTheModel(t *testing.T) {
	s := testSyrup(t)
	toC := func(f float64) float64 { return (f - 32) * 5 / 9 }
	ends := func(cell string) (low, high float64) {
		a, b, ok := strings.Cut(cell, "-")
		if !ok {
			t.Fatalf("%q", cell)
		}
		return toC(num(t, a)), toC(num(t, b))
	}
	// 843.07 and 766.4 hPa: 1976 standard atmosphere at 1524 and 2286 m.
	for _, site := range []struct {
		column string
		metres float64
	}{{"at_5000ft_F", 1524}, {"at_7500ft_F", 2286}} {
		for _, r := range table(t, "sugar_stages_colorado_altitude") {
			sea, seaHigh := ends(r["sea_level_F"])
			here, hereHigh := ends(r[site.column])
			for _, pair := range [][2]float64{{sea, here}, {seaHigh, hereHigh}} {
				rule, err := FootRule(pair[0], site.metres)
				if err != nil {
					t.Fatal(err)
				}
				near(t, r["stage"]+" "+site.column, rule, pair[1], 0.01)
			}
		}
	}
	for _, c := range []struct{ tempC, under float64 }{{114, -0.2}, {127.8, 0.1}, {149.4, 0.7}} {
		m, err := s.MoveLimit(c.tempC, StandardPressureHPa, 843.07)
		if err != nil {
			t.Fatal(err)
		}
		rule, err := FootRule(c.tempC, 1524)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("rule beside the model at %g degC", c.tempC), rule-m.TempC, c.under, 0.25)
	}
}

// The French trade table gives grams of sugar per kilogram: up to 700 the model
// boils within 2 degC of it; above it is off by more than 4 and nothing is taken from
// it (testdata/french_cuisson_du_sucre.csv, a trade heuristic).
func TestFrenchTableIsNotSolids(t *testing.T) {
	s := testSyrup(t)
	rows := 0
	for _, r := range table(t, "french_cuisson_du_sucre") {
		g := num(t, r["sugar_g"])
		if g > 10*MaxSolidsPct {
			continue
		}
		got, err := s.BoilingC(g/10, StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		rows++
		off := math.Abs(got - num(t, r["t_C"]))
		if g <= 700 && off > 2 || g >= 825 && off < 4 {
			t.Errorf("%s: %.1f degC off", r["name"], off)
		}
	}
	if rows != 9 {
		t.Errorf("%d rows", rows)
	}
}

// testdata/sucrose_glucose_syrup_boiling_estimate.csv: the same derivation done
// elsewhere, printed to 0.1 degC.
func TestBlendAgainstEstimateTable(t *testing.T) {
	s := testSyrup(t)
	blends := map[string][]Component{
		"100 sucrose":                 {{Kind: Sucrose, Kg: 1}},
		"70 sucrose / 30 GS42 solids": {{Kind: Sucrose, Kg: 70}, {Kind: GlucoseSyrup, Kg: 30, DE: 42}},
		"60 sucrose / 40 GS42 solids": {{Kind: Sucrose, Kg: 60}, {Kind: GlucoseSyrup, Kg: 40}},
		"50 sucrose / 50 GS42 solids": {{Kind: Sucrose, Kg: 50}, {Kind: GlucoseSyrup, Kg: 50}},
		"40 sucrose / 60 GS42 solids": {{Kind: Sucrose, Kg: 40}, {Kind: GlucoseSyrup, Kg: 60}},
		"90 sucrose / 10 invert":      {{Kind: Sucrose, Kg: 90}, {Kind: InvertSugar, Kg: 10}},
		"80 sucrose / 20 invert":      {{Kind: Sucrose, Kg: 80}, {Kind: InvertSugar, Kg: 20}},
	}
	rows := 0
	for _, r := range table(t, "sucrose_glucose_syrup_boiling_estimate") {
		list, ok := blends[r["blend_dry_basis"]]
		if !ok {
			t.Fatalf("no blend %q", r["blend_dry_basis"])
		}
		b, err := NewBlend(list)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["blend_dry_basis"], b.Factor, num(t, r["sucrose_equiv_factor"]), 1e-9)
		for _, pct := range []float64{75, 80, 85, 88, 90, 92, 95, 97} {
			got, err := s.BlendBoilingC(b, pct, StandardPressureHPa)
			if err != nil {
				t.Fatal(err)
			}
			near(t, fmt.Sprintf("%s at %g %%", r["blend_dry_basis"], pct), got.TempC, num(t, r[fmt.Sprintf("s%g", pct)]), 0.051)
			back, err := s.BlendSolidsPct(b, got.TempC, StandardPressureHPa)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "back", back.Pct, pct, 1e-7)
			if b.Estimate {
				// At least the stated 2 degC (5 above 90 %) as a rectangle.
				want := 2 / math.Sqrt(3)
				if pct >= 92 {
					want = 5 / math.Sqrt(3)
				}
				if got.UC < want || !got.Estimate || back.UPct*back.CPerPct < want {
					t.Errorf("%s at %g %%: u %.2f degC, %.2f %%", r["blend_dry_basis"], pct, got.UC, back.UPct)
				}
			}
			rows++
		}
	}
	if rows != 56 {
		t.Errorf("%d points", rows)
	}
}

// testdata/grover_factors.csv (from memory) is what Factor says, and a dairy
// caramel boiled with 62 DE syrup is hotter at 10 % moisture than one with 42 DE by
// about the 1.1 degC that was measured (testdata/caramel_moisture_cook_temperature.csv;
// the composition here is a plausible one, so 1 degC of slack).
func TestFactors(t *testing.T) {
	want := map[string]Component{
		"sucrose": {Kind: Sucrose}, "lactose": {Kind: Lactose},
		"glucose syrup solids about 42 DE":     {Kind: GlucoseSyrup, DE: 42},
		"glucose syrup solids high conversion": {Kind: GlucoseSyrup, DE: 62},
		"invert sugar / dextrose / fructose":   {Kind: InvertSugar},
		"gelatine or casein / egg white":       {Kind: MilkProtein},
		"starch gums pectin agar":              {Kind: GelStarch},
		"organic acids and their salts":        {Kind: Acid},
		"sorbitol":                             {Kind: Sorbitol},
		"glycerol":                             {Kind: Glycerol},
		"sodium chloride":                      {Kind: Salt},
		"fat":                                  {Kind: Fat},
	}
	for _, r := range table(t, "grover_factors") {
		c, ok := want[r["ingredient"]]
		if !ok {
			t.Errorf("no kind for %q", r["ingredient"])
			continue
		}
		got, err := c.Factor()
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["ingredient"], got, num(t, r["factor"]), 1e-12)
	}
	s := testSyrup(t)
	boil := func(de float64) float64 {
		b, err := NewBlend([]Component{
			{Kind: Sucrose, Kg: 33}, {Kind: GlucoseSyrup, Kg: 33, DE: de}, {Kind: Lactose, Kg: 5},
			{Kind: MilkProtein, Kg: 4}, {Kind: Fat, Kg: 15},
		})
		if err != nil {
			t.Fatal(err)
		}
		// 10 % water in 100: 75 dissolved, 15 fat.
		got, err := s.BlendBoilingC(b, 100*b.DissolvedKg/(b.DissolvedKg+10), StandardPressureHPa)
		if err != nil {
			t.Fatal(err)
		}
		return got.TempC
	}
	near(t, "62 DE against 42 DE", boil(62)-boil(42), 117.8-116.7, 1)
	near(t, "a dairy caramel of 10 % moisture", boil(42), 116.7, 5)
	for _, de := range []float64{20, 30, 42, 55, 62, 80, 100} {
		f, err := Component{Kind: GlucoseSyrup, DE: de}.Factor()
		if err != nil || f <= 0.3 || f > 1.3 {
			t.Errorf("%g DE: %g %v", de, f, err)
		}
	}
}
