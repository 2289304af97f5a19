package records_test

// Invented kitchens whose truth is known: air, water, ice, boiling syrup, cooks
// who watch a dial, and thermometers with errors of their own. This file imports
// nothing of ours (a test sees to it). It has its own water, its own air and its
// own syrup, and its own idea of the best uncertainty that anybody could state.

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
)

// inventedWorld says what kitchens and thermometers are like, as standard
// deviations.
type inventedWorld struct {
	offsetC, gainPerC, bendC float64 // an instrument's error: offset, slope, sag half-way to 150 degC
	walkC                    float64 // its movement in a day
	weatherHPa, barometerHPa float64
	weatherHPaPerHour        float64
	slushC, cubesC           float64 // what an ice point is off by
	superheatC               float64 // most that boiling water is too hot by
	referenceC, bathC        float64
}

func usualWorld() inventedWorld {
	return inventedWorld{
		offsetC: 0.6, gainPerC: 0.0025, bendC: 0.05, walkC: 0.02, weatherHPa: 8, barometerHPa: 0.6, weatherHPaPerHour: 0.4,
		slushC: 0.05, cubesC: 0.25, superheatC: 0.1, referenceC: 0.05, bathC: 0.05,
	}
}

// The points of a check, in the generator's own words.
const (
	atIce     = "ice"
	atBoiling = "boiling"
	atBath    = "bath"
)

// writtenPoint is a check point as a person writes it down.
type writtenPoint struct {
	kind        string
	reading     float64 // degrees of the dial's scale
	referenceC  float64 // what the reference showed
	pressureHPa float64 // what the barometer showed; NaN when nobody read it
	hoursBefore float64 // before the pull
	crushed     bool
}

// writtenBatch is what is written down of one batch on a checked instrument, and
// what is not: the truth.
type writtenBatch struct {
	elevationM  float64
	fahrenheit  bool
	decimals    int     // digits that the dial shows
	division    float64 // degrees of its scale
	points      []writtenPoint
	pulled      float64 // what the dial showed when the pan left the heat
	lowC, highC float64 // the formula's limit at standard pressure
	truthC      float64 // the syrup at the pull
	truthLowC   float64 // where the limit's solids really boil in this air
	truthHighC  float64
	bestC       float64 // standard uncertainty of the best estimate
}

// inventedAirHPa is the pressure of the invented air: a column of constant lapse
// rate, by its own constants.
func inventedAirHPa(elevationM float64) float64 {
	return 1013.25 * math.Pow(1-2.25577e-5*elevationM, 5.2559)
}

// inventedSteamHPa is the saturation pressure of the invented water: Wagner and
// Pruss' auxiliary equation (coefficients from memory).
func inventedSteamHPa(tempC float64) float64 {
	const criticalK, criticalHPa = 647.096, 220640.0
	v := 1 - (tempC+273.15)/criticalK
	sum := -7.85951783*v + 1.84408259*math.Pow(v, 1.5) - 11.7866497*math.Pow(v, 3) +
		22.6807411*math.Pow(v, 3.5) - 15.9618719*math.Pow(v, 4) + 1.80122502*math.Pow(v, 7.5)
	return criticalHPa * math.Exp(criticalK/(tempC+273.15)*sum)
}

// solve finds where a rising function passes a value, by bisection.
func solve(low, high, value float64, f func(float64) float64) float64 {
	for range 44 {
		if middle := (low + high) / 2; f(middle) < value {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// inventedBoilingC is where the invented water boils: Newton's steps on the logarithm
// of the pressure against the inverse temperature, which is nearly a straight line.
func inventedBoilingC(hPa float64) float64 {
	inverse := 1 / (100 + 273.15)
	at := func(inverse float64) float64 { return math.Log(inventedSteamHPa(1/inverse-273.15) / hPa) }
	for range 6 {
		const step = 1e-7
		here := at(inverse)
		inverse -= here * step / (at(inverse+step) - here)
	}
	return 1/inverse - 273.15
}

// syrupAbove is how far above water a sucrose syrup boils at one atmosphere: per
// cent solids and degC, after a published equation of water activity (computed
// apart from this project).
var syrupAbove = [][2]float64{
	{50, 1.86}, {60, 2.938}, {70, 4.989}, {75, 6.72}, {80, 9.464}, {85, 14.021}, {87, 16.740}, {90, 22.432}, {92, 27.812}, {95, 39.402}, {97, 49.438}, {98, 54.212}, {99.5, 61},
}

// inventedSyrupC is where syrup of a solids content boils: at one atmosphere by the
// table, under other pressures at the same ratio of its pressure to steam's.
func inventedSyrupC(pct, hPa float64) float64 {
	above := syrupAbove[len(syrupAbove)-1][1]
	for i := 1; i < len(syrupAbove); i++ {
		if a, b := syrupAbove[i-1], syrupAbove[i]; pct <= b[0] {
			above = a[1] + (b[1]-a[1])*(pct-a[0])/(b[0]-a[0])
			break
		}
	}
	return inventedBoilingC(hPa / 1013.25 * inventedSteamHPa(99.974+above))
}

// boilingCurve is where syrup boils under one pressure, a quarter per cent a step
// from 50 % solids on.
func boilingCurve(hPa float64) func(pct float64) float64 {
	curve := make([]float64, 199)
	for i := range curve {
		curve[i] = inventedSyrupC(50+float64(i)/4, hPa)
	}
	return func(pct float64) float64 {
		x := (pct - 50) * 4
		i := min(max(int(x), 0), len(curve)-2)
		return curve[i] + (x-float64(i))*(curve[i+1]-curve[i])
	}
}

// standardCurve is that at one atmosphere.
var standardCurve = boilingCurve(1013.25)

// inventedGauge is a thermometer with a known error that moves in time.
type inventedGauge struct {
	offsetC, gainPerC, bendC, movedC float64
	fahrenheit                       bool
	division                         float64
	decimals                         int
}

// scales are the dials and displays of kitchens: scale, division, digits.
var scales = []inventedGauge{
	{division: 0.1, decimals: 1}, {division: 0.1, decimals: 1}, {division: 0.5, decimals: 1}, {division: 1},
	{fahrenheit: true, division: 0.1, decimals: 1}, {fahrenheit: true, division: 1}, {fahrenheit: true, division: 2},
}

func (g inventedGauge) errorC(tempC float64) float64 {
	half := tempC / 150
	return g.offsetC + g.movedC + g.gainPerC*tempC + g.bendC*4*half*(1-half)
}

// show is what is read, to the division.
func (g inventedGauge) show(tempC float64) float64 {
	v := tempC + g.errorC(tempC)
	if g.fahrenheit {
		v = v*1.8 + 32
	}
	v = math.Round(v/g.division) * g.division
	return math.Round(v*100) / 100
}

// readC is the standard uncertainty of one reading, degC.
func (g inventedGauge) readC() float64 {
	if g.fahrenheit {
		return g.division / 1.8 / math.Sqrt(12)
	}
	return g.division / math.Sqrt(12)
}

// gauge draws an instrument.
func (w inventedWorld) gauge(r *rand.Rand) inventedGauge {
	g := scales[r.IntN(len(scales))]
	g.offsetC, g.gainPerC, g.bendC = w.offsetC*r.NormFloat64(), w.gainPerC*r.NormFloat64(), w.bendC*r.NormFloat64()
	return g
}

// madePoint is a point with its truth.
type madePoint struct {
	writtenPoint
	trueC    float64 // of ice, water or bath
	assumedU float64 // standard uncertainty of what is known of it
}

// checkDay makes the points of one instrument: a comparison some days ago or this
// morning in two kitchens of three, ice nearly always, boiling water always.
func (w inventedWorld) checkDay(r *rand.Rand, hPa float64, hours float64) []madePoint {
	crushed := r.Float64() < 0.7
	shown := math.NaN()
	reads := r.Float64() < 0.75
	barometer := w.barometerHPa * r.NormFloat64()
	if reads {
		shown = math.Round((hPa+barometer)*10) / 10
	}
	var out []madePoint
	if r.Float64() < 0.67 {
		age := hours
		if r.Float64() < 0.6 {
			age += 24 * float64(1+r.IntN(45))
		}
		bath := []float64{120, 140, 150, 160}[r.IntN(4)] + r.Float64()
		certificate := w.referenceC * r.NormFloat64()
		out = append(out, madePoint{writtenPoint{kind: atBath, referenceC: math.Round((bath-certificate)*100) / 100, hoursBefore: age}, bath + w.bathC*r.NormFloat64(), math.Hypot(w.referenceC, w.bathC)})
	}
	if r.Float64() < 0.9 {
		off := w.cubesC
		if crushed {
			off = w.slushC
		}
		out = append(out, madePoint{writtenPoint{kind: atIce, crushed: crushed, hoursBefore: hours}, off * r.NormFloat64(), off})
	}
	weather := w.weatherHPa
	if reads {
		weather = math.Hypot(w.barometerHPa, 0.1/math.Sqrt(12))
	}
	boils := inventedBoilingC(hPa)
	slope := inventedBoilingC(hPa+1) - boils
	return append(out, madePoint{
		writtenPoint{kind: atBoiling, pressureHPa: shown, hoursBefore: hours}, boils + w.superheatC*r.Float64(), math.Hypot(slope*weather, w.superheatC/math.Sqrt(12)),
	})
}

// recipes: limits at standard pressure, degC, solids at the start, per cent.
var inventedRecipes = [][3]float64{{114, 116, 70}, {118, 120, 68}, {124, 127, 72}, {132, 138, 75}, {149, 154, 75}}

// batch draws one batch in one kitchen.
func (w inventedWorld) batch(r *rand.Rand) writtenBatch {
	b := writtenBatch{elevationM: math.Round(r.Float64() * 2300)}
	g := w.gauge(r)
	b.fahrenheit, b.division, b.decimals = g.fahrenheit, g.division, g.decimals
	hours := 0.5 + 8*r.Float64()
	morning := inventedAirHPa(b.elevationM) + w.weatherHPa*r.NormFloat64()
	made := w.checkDay(r, morning, hours)
	// It moves from its oldest point to the pull.
	last := made[0].hoursBefore
	for i := range made {
		g.movedC += w.walkC * math.Sqrt((last-made[i].hoursBefore)/24) * r.NormFloat64()
		last = made[i].hoursBefore
		made[i].reading = g.show(made[i].trueC)
		b.points = append(b.points, made[i].writtenPoint)
	}
	g.movedC += w.walkC * math.Sqrt(last/24) * r.NormFloat64()
	cooking := morning + w.weatherHPaPerHour*hours*r.NormFloat64()
	b.cook(r, g, cooking)
	b.bestC = w.best(g, made, b.truthC)
	return b
}

// cook boils a pan down until its cook pulls it, at the number on the dial.
func (b *writtenBatch) cook(r *rand.Rand, g inventedGauge, hPa float64) {
	recipe := inventedRecipes[r.IntN(len(inventedRecipes))]
	b.lowC, b.highC = recipe[0], recipe[1]
	boil := boilingCurve(hPa)
	b.truthLowC, b.truthHighC = boil(solve(50, 99.4, b.lowC, standardCurve)), boil(solve(50, 99.4, b.highC, standardCurve))
	// The cook knows about where to stop here, and is not exact about it.
	aim := (b.truthLowC+b.truthHighC)/2 + 0.7*r.NormFloat64()
	if g.fahrenheit {
		aim = aim*1.8 + 32
	}
	aim = math.Round(aim/g.division) * g.division
	power := 0.6 + 0.8*r.Float64() // kW for each kg of solids
	pct := recipe[2] + r.NormFloat64()
	temp := boil(pct)
	const step = 1.0 // s
	left := -1.0
	for range 3 * 3600 {
		// Evaporation takes most of the heat: 2.2 MJ/kg, and the syrup's own warming.
		w := pct / 100
		rise := boil(pct+0.05) - temp // degC for 0.05 percentage points
		pct += step * power / (2200/(w*w*100) + (4.19-2.35*w)/w*rise/0.05)
		temp = boil(pct)
		if left < 0 && g.show(temp) >= aim-1e-9 {
			left = math.Round(1 + 6*r.Float64()) // from the glance to the pull
		}
		if left >= 0 {
			if left -= step; left < 0 {
				break
			}
		}
	}
	b.truthC, b.pulled = temp, g.show(temp)
}

// best is the standard uncertainty of the best linear estimate of the true
// temperature at the pull, by someone who knows every standard deviation of this
// world: the Gaussian conditional variance, and the reading's own.
func (w inventedWorld) best(g inventedGauge, made []madePoint, pullC float64) float64 {
	n := len(made)
	at := func(i int) (tempC, hours float64) {
		if i == n {
			return pullC, 0
		}
		return made[i].trueC, made[i].hoursBefore
	}
	prior := func(i, j int) float64 {
		sag := func(t float64) float64 { return 4 * t / 150 * (1 - t/150) }
		a, ha := at(i)
		b, hb := at(j)
		return w.offsetC*w.offsetC + w.gainPerC*w.gainPerC*a*b + w.bendC*w.bendC*sag(a)*sag(b) + w.walkC*w.walkC*math.Min(ha, hb)/24
	}
	reading := g.readC() * g.readC()
	v, c := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range made {
		for j := i; j < n; j++ {
			v.SetSym(i, j, prior(i, j))
		}
		v.SetSym(i, i, v.At(i, i)+reading+made[i].assumedU*made[i].assumedU)
		c.SetVec(i, prior(i, n))
	}
	var factor mat.Cholesky
	if !factor.Factorize(v) {
		return math.NaN()
	}
	solved := mat.NewVecDense(n, nil)
	if factor.SolveVecTo(solved, c) != nil {
		return math.NaN()
	}
	return math.Sqrt(prior(n, n) - mat.Dot(c, solved) + reading)
}
