package thermometry_test

// An invented world of kitchens whose truth is known: air, water, ice, syrup
// temperatures and thermometers with errors of their own. This file imports
// nothing of ours (a test sees to it): it has its own water and its own air, and
// its own idea of the best uncertainty anyone could state.

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
)

// world is what thermometers and kitchens are like, as standard deviations.
type world struct {
	offsetC, gainPerC, bendC      float64 // an instrument's error: offset, slope, sag half-way to 150 degC
	walkC                         float64 // its movement in one day
	weatherHPa, weatherHPaPerHour float64
	barometerHPa                  float64 // constant error of a barometer
	slushC, cubesC                float64 // what an ice point is off by
	superheatC                    float64 // most that boiling water is too hot by
	referenceC, bathC             float64
	// Some instruments are knocked between an old comparison and this morning's
	// check: how often, and by how much. Nobody who plans knows of it.
	knocks, knockC float64
}

func commonWorld() world {
	return world{
		offsetC: 0.6, gainPerC: 0.0025, bendC: 0.05, walkC: 0.02,
		weatherHPa: 8, weatherHPaPerHour: 0.4, barometerHPa: 0.6,
		slushC: 0.05, cubesC: 0.25, superheatC: 0.1, referenceC: 0.05, bathC: 0.05,
	}
}

// sheetPoint is a check point as a person writes it down.
type sheetPoint struct {
	kind       string // "ice", "boiling", "comparison"
	readingC   float64
	referenceC float64 // what the reference showed
	ageHours   float64
}

// sheet is what is written down of one batch on a checked instrument.
type sheet struct {
	elevationM   float64
	pressureHPa  float64 // what the barometer showed; NaN when nobody read it
	crushed      bool
	readToC      float64
	points       []sheetPoint
	pullReadingC float64
	truthC       float64 // not written down: the syrup at the pull
	idealC       float64 // not written down: standard uncertainty of the best estimate
	knocked      bool    // not written down: it was knocked since its oldest point
}

// airHPa is the pressure of the invented air: a hydrostatic column of constant
// lapse rate, by its own constants.
func airHPa(elevationM float64) float64 {
	return 1013.25 * math.Pow(1-2.25577e-5*elevationM, 5.2559)
}

// steamC is where water boils in the invented world: Wagner and Pruss'
// saturation pressure (coefficients from memory), solved by bisection.
func steamC(pressureHPa float64) float64 {
	const criticalK, criticalHPa = 647.096, 220640.0
	saturation := func(tempK float64) float64 {
		v := 1 - tempK/criticalK
		sum := -7.85951783*v + 1.84408259*math.Pow(v, 1.5) - 11.7866497*math.Pow(v, 3) +
			22.6807411*math.Pow(v, 3.5) - 15.9618719*math.Pow(v, 4) + 1.80122502*math.Pow(v, 7.5)
		return criticalHPa * math.Exp(criticalK/tempK*sum)
	}
	low, high := 300.0, 450.0
	for range 45 {
		if middle := (low + high) / 2; saturation(middle) < pressureHPa {
			low = middle
		} else {
			high = middle
		}
	}
	return low - 273.15
}

// steamSlope is degC a hPa, near enough for every kitchen.
var steamSlope = steamC(900) - steamC(899)

// gauge is a thermometer with a known error that walks in time.
type gauge struct {
	offsetC, gainPerC, bendC float64
	movedC                   float64
	readToC                  float64
}

func (g gauge) errorC(tempC float64) float64 {
	half := tempC / 150
	return g.offsetC + g.movedC + g.gainPerC*tempC + g.bendC*4*half*(1-half)
}

func (g gauge) show(tempC float64) float64 {
	return math.Round((tempC+g.errorC(tempC))/g.readToC) * g.readToC
}

// batch draws one batch in one kitchen of the world.
func (w world) batch(r *rand.Rand) sheet {
	s := sheet{elevationM: r.Float64() * 2300, crushed: r.Float64() < 0.7}
	s.readToC = []float64{0.1, 0.1, 0.1, 0.5, 1, 1 / 1.8}[r.IntN(6)]
	g := gauge{
		offsetC: w.offsetC * r.NormFloat64(), gainPerC: w.gainPerC * r.NormFloat64(),
		bendC: w.bendC * r.NormFloat64(), readToC: s.readToC,
	}
	weather := w.weatherHPa * r.NormFloat64()
	barometer := w.barometerHPa * r.NormFloat64()
	reads := r.Float64() < 0.75
	reference := w.referenceC * r.NormFloat64()

	// A comparison some days ago or this morning, in two kitchens of three.
	checkHours := 0.5 + 8*r.Float64()
	var ages, trueC []float64
	var kinds []string
	add := func(kind string, temp, age float64) {
		kinds, trueC, ages = append(kinds, kind), append(trueC, temp), append(ages, age)
	}
	shows := map[int]float64{}
	if r.Float64() < 0.67 {
		age := checkHours
		if r.Float64() < 0.6 {
			age += 24 * float64(1+r.IntN(45))
		}
		bath := []float64{120, 140, 150, 160}[r.IntN(4)] + r.Float64()
		add("comparison", bath+w.bathC*r.NormFloat64(), age)
		shows[0] = math.Round((bath-reference)*100) / 100
	}
	if r.Float64() < 0.9 {
		off := w.cubesC
		if s.crushed {
			off = w.slushC
		}
		add("ice", off*r.NormFloat64(), checkHours)
	}
	pressure := airHPa(s.elevationM) + weather
	boilsC := steamC(pressure)
	add("boiling", boilsC+w.superheatC*r.Float64(), checkHours)
	s.pressureHPa = math.NaN()
	if reads {
		s.pressureHPa = math.Round((pressure+barometer)*10) / 10
	}

	// The instrument walks from its oldest point to the pull.
	last := ages[0]
	for i := range kinds {
		if last-ages[i] > 1 && r.Float64() < w.knocks {
			s.knocked = true
			g.movedC += w.knockC * r.NormFloat64()
		}
		g.movedC += w.walkC * math.Sqrt((last-ages[i])/24) * r.NormFloat64()
		last = ages[i]
		s.points = append(s.points, sheetPoint{kind: kinds[i], readingC: g.show(trueC[i]), referenceC: shows[i], ageHours: ages[i]})
	}
	g.movedC += w.walkC * math.Sqrt(last/24) * r.NormFloat64()
	// A boil between soft ball and hard crack, moved by the air.
	s.truthC = 112 + 42*r.Float64() - 1.1*(99.97-boilsC)
	s.pullReadingC = g.show(s.truthC)
	s.idealC = w.best(s, kinds, trueC, ages, reads)
	return s
}

// best is the standard uncertainty of the best linear estimate of the error at
// the pull, by someone who knows every standard deviation of this world: the
// Gaussian conditional variance, and the reading's own.
func (w world) best(s sheet, kinds []string, trueC, ages []float64, reads bool) float64 {
	n := len(kinds)
	temps := append(append([]float64(nil), trueC...), s.truthC)
	hours := append(append([]float64(nil), ages...), 0)
	prior := func(i, j int) float64 {
		sag := func(t float64) float64 { return 4 * t / 150 * (1 - t/150) }
		// Movement is measured from the present, so that the pull has none.
		walk := w.walkC * w.walkC * math.Min(hours[i], hours[j]) / 24
		return w.offsetC*w.offsetC + w.gainPerC*w.gainPerC*temps[i]*temps[j] +
			w.bendC*w.bendC*sag(temps[i])*sag(temps[j]) + walk
	}
	reading := s.readToC * s.readToC / 12
	slope := steamSlope
	v := mat.NewSymDense(n, nil)
	c := mat.NewVecDense(n, nil)
	for i, kind := range kinds {
		for j := i; j < n; j++ {
			v.SetSym(i, j, prior(i, j))
		}
		noise := reading
		switch kind {
		case "ice":
			noise += w.cubesC * w.cubesC
			if s.crushed {
				noise += w.slushC*w.slushC - w.cubesC*w.cubesC
			}
		case "boiling":
			hPa := w.weatherHPa
			if reads {
				hPa = math.Hypot(w.barometerHPa, 0.1/math.Sqrt(12))
			}
			noise += slope*slope*hPa*hPa + w.superheatC*w.superheatC/12
		case "comparison":
			noise += w.referenceC*w.referenceC + w.bathC*w.bathC
		}
		v.SetSym(i, i, v.At(i, i)+noise)
		c.SetVec(i, prior(i, n))
	}
	var factor mat.Cholesky
	if !factor.Factorize(v) {
		return math.NaN()
	}
	solved := mat.NewVecDense(n, nil)
	if err := factor.SolveVecTo(solved, c); err != nil {
		return math.NaN()
	}
	return math.Sqrt(prior(n, n) - mat.Dot(c, solved) + reading)
}
