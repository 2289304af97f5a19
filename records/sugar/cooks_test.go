package sugar

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// benchCook is a finished cook with the answer: what was read, what the dial was
// to reach, when the boil began and when it got there.
type benchCook struct {
	name       string
	cook       Cook
	targetC    float64
	onset, end float64 // minutes
}

// halfway are the readings up to the middle of the boil.
func (b benchCook) halfway() Cook {
	c := b.cook
	middle := b.onset + 0.5*(b.end-b.onset)
	n := 0
	for n < len(c.Readings) && c.Readings[n].Minutes <= middle {
		n++
	}
	c.Readings = c.Readings[:n]
	return c
}

// pan simulates one cook by small steps of the heat balance with things that the
// forecast does not know: power that wanders, losses that grow with temperature,
// a flame taken back or not, a formula weighed a little wrong, a boiling curve a
// little off the model, a thermometer with bias, lag, noise and division. Its latent
// heat is the table's, not the package's parabola.
type pan struct {
	rng    *rand.Rand
	latent []float64 // kJ/kg from latentFrom degC on, a degree a step
	t      testing.TB
}

const latentFrom = 80.0

func newPan(t testing.TB, seed uint64) *pan {
	p := &pan{rng: rand.New(rand.NewPCG(seed, 20)), t: t}
	for _, r := range table(t, "water_saturation_table") {
		p.latent = append(p.latent, num(t, r["hfg_kJ_per_kg"]))
	}
	return p
}

func (p *pan) normal(sd float64) float64         { return sd * p.rng.NormFloat64() }
func (p *pan) between(low, high float64) float64 { return low + (high-low)*p.rng.Float64() }
func (p *pan) hfg(tempC float64) float64 {
	i := min(max(int(tempC-latentFrom), 0), len(p.latent)-2)
	return p.latent[i] + (tempC-latentFrom-float64(i))*(p.latent[i+1]-p.latent[i])
}

var recipes = []struct {
	name     string
	solids   float64
	standard float64
}{
	{"fondant", 70, 115}, {"caramel", 68, 119}, {"nougat", 72, 125.5},
	{"taffy", 75, 135}, {"brittle", 75, 151}, {"thread syrup", 66, 110.5},
}

// cook simulates one cook to its end.
func (p *pan) cook(s Syrup) benchCook {
	r := recipes[p.rng.IntN(len(recipes))]
	hPa := p.between(750, 1030)
	limit, err := s.MoveLimit(r.standard, StandardPressureHPa, hPa)
	if err != nil {
		p.t.Fatal(err)
	}
	target := limit.TempC
	// The true boiling curve: the model with its solids shifted.
	shift := p.normal(0.8)
	boils := make([]float64, 0, 400)
	for pct := 50.0; pct <= 98; pct += 0.125 {
		t, err := s.BoilingC(math.Min(pct+shift*(100-pct)/15, MaxSolidsPct), hPa)
		if err != nil {
			p.t.Fatal(err)
		}
		boils = append(boils, t)
	}
	boil := func(w float64) float64 {
		x := (100*w - 50) / 0.125
		i := min(max(int(x), 0), len(boils)-2)
		return boils[i] + (x-float64(i))*(boils[i+1]-boils[i])
	}
	w := (r.solids + p.normal(1)) / 100
	temp := p.between(20, 40)
	power := p.between(0.7, 1.6)               // kW per kg of solids before losses
	loss := p.between(0.04, 0.15) * power / 75 // kW/(kg K)
	easeWithin, easeShare := 0.0, 1.0
	if p.rng.Float64() < 0.6 {
		easeWithin, easeShare = p.between(1, 3), p.between(0.4, 0.9)
	}
	uC := []float64{0.15, 0.3, 0.6}[p.rng.IntN(3)]
	resolution := []float64{0.1, 0.1, 0.5, 1, 2 / 1.8}[p.rng.IntN(5)]
	bias, noise, lag := p.normal(uC), p.between(0.03, 0.2), p.between(2, 8)
	every := []float64{15, 30, 30, 60}[p.rng.IntN(4)]
	out := benchCook{name: r.name, targetC: target, cook: Cook{
		PressureHPa: hPa, UPressureHPa: 1, UC: uC, ResolutionC: resolution, StartSolidsPct: r.solids, DrySolidsKg: 5,
	}}
	if p.rng.Float64() < 0.25 {
		out.cook.StartSolidsPct = 0 // nobody wrote it down
	}
	const dt = 0.5 // s
	wander, probe := 0.0, temp
	boiling := false
	for sec := 0.0; sec < 3*3600; sec += dt {
		wander += -wander*dt/240 + p.normal(0.06*math.Sqrt(2*dt/240))
		net := power*(1+wander) - loss*(temp-25)
		if temp > target-bias-easeWithin {
			net -= power * (1 - easeShare)
		}
		cp := liquorHeat(w)
		switch {
		case temp < boil(w):
			if boiling {
				p.t.Fatal("boil stopped")
			}
			temp += net * dt * w / cp
		default:
			if !boiling {
				boiling, out.onset = true, sec/60
			}
			// P = (m cp dT/dw + h m/w) dw/dt with m = 1/w.
			slope := (boil(w+0.001) - boil(w)) / 0.001
			w += net * dt / (cp/w*slope + p.hfg(temp)/(w*w))
			temp = boil(w)
		}
		probe += (temp - probe) * dt / lag
		shown := probe + bias
		if math.Mod(sec, every) < dt/2 {
			read := math.Round((shown+p.normal(noise))/resolution) * resolution
			out.cook.Readings = append(out.cook.Readings, Reading{Minutes: sec / 60, TempC: read})
		}
		if shown >= target {
			out.end = sec / 60
			return out
		}
	}
	p.t.Fatalf("%s never reached %g degC", r.name, target)
	return out
}

// dayCooks are the 24 cooks of the three invented days, corrected by what the
// checks of the same morning show: the mean error of the points that can be
// believed. The target is the corrected reading at which each was pulled.
func dayCooks(t testing.TB) []benchCook {
	t.Helper()
	type correction struct{ offset, u, resolution float64 }
	// Errors worked out by hand from testdata/days/checks.csv. TH-01: ice 0.2 and
	// 0.3, boiling 0.3 to 0.4 high, 150.5 against 150.21. TH-02: ice 1.2 to 3.8 F,
	// boiling 1.0 to 2.4 degC, 150 degC 1.2 high. TH-03's boiling point was not
	// believable, TH-04's was judged without a barometer.
	errorsOf := map[string]map[string]correction{
		"26061": {"TH-01": {0.26, 0.15, 0.1}, "TH-02": {1.0, 0.3, 0.056}, "TH-03": {0, 1.5, 1.11}, "TH-04": {0, 0.4, 1}},
		"26062": {"TH-01": {0.35, 0.15, 0.1}, "TH-02": {1.1, 0.3, 0.056}, "TH-03": {0, 1.5, 1.11}, "TH-04": {0, 0.4, 1}},
		"26063": {"TH-01": {0.35, 0.15, 0.1}, "TH-02": {2.3, 0.3, 0.056}, "TH-03": {0, 1.5, 1.11}, "TH-04": {0, 0.4, 1}},
	}
	pressure := map[string]float64{"26061": 843.1, "26062": 846.6, "26063": 840.3}
	water := map[string]float64{}
	for _, r := range table(t, "days/formulas") {
		water[r["formula"]] = num(t, r["water_fraction"])
	}
	minutes := func(cell string) float64 {
		at, err := time.Parse(time.RFC3339, cell)
		if err != nil {
			t.Fatal(err)
		}
		return float64(at.Unix()-1772000000) / 60
	}
	readings := map[string][]Reading{}
	for _, r := range table(t, "days/readings") {
		temp := num(t, r["reading"])
		if r["unit"] == "F" {
			temp = (temp - 32) * 5 / 9
		}
		temp -= errorsOf[r["batch"][:5]][r["instrument"]].offset
		readings[r["batch"]] = append(readings[r["batch"]], Reading{minutes(r["time"]), temp})
	}
	var out []benchCook
	for _, r := range table(t, "days/batches") {
		id := r["batch"]
		k := errorsOf[id[:5]][r["instrument"]]
		list := readings[id]
		b := benchCook{name: r["formula"], cook: Cook{
			Readings: list, PressureHPa: pressure[id[:5]], UPressureHPa: 1, UC: k.u, ResolutionC: k.resolution,
			StartSolidsPct: 100 * (1 - water[r["formula"]]), DrySolidsKg: num(t, r["solids_kg"]),
		}, targetC: list[len(list)-1].TempC, end: minutes(r["ended"])}
		// The boil starts where the rise of the bare readings breaks off: the first
		// that rose by less than a third of the first half minute's rise.
		for i := 2; i < len(list) && b.onset == 0; i++ {
			if list[i].TempC > 85 && list[i].TempC-list[i-1].TempC < (list[1].TempC-list[0].TempC)/3 {
				b.onset = list[i-1].Minutes
			}
		}
		b.name = id + " " + b.name
		out = append(out, b)
	}
	return out
}
