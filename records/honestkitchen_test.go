package records_test

// Invented kitchens as they stand on paper for three days: four thermometers and a
// reference, checked each morning, eight batches a day. Nobody writes down how the
// ice was made. This file imports nothing of ours.

import (
	"math"
	"math/rand/v2"
)

// paperBatch is one batch of a kitchen on paper.
type paperBatch struct {
	writtenBatch
	instrument int  // 0 probe, 1 thermocouple that goes wrong, 2 glass with a figure from a book, 3 dial without a barometer
	checked    bool // this morning
}

// paperKitchen is three days of one kitchen.
func paperKitchen(w inventedWorld, r *rand.Rand) []paperBatch {
	elevation := math.Round(900 + 1400*r.Float64()) // high enough that nobody can take 212 degF for boiling
	gauges := []inventedGauge{
		{division: 0.1, decimals: 1, offsetC: 0.3 * r.NormFloat64()},
		{division: 0.1, decimals: 1, fahrenheit: true, offsetC: 0.6 * r.NormFloat64()},
		{division: 2, fahrenheit: true, offsetC: 0.4 * r.NormFloat64()},
		{division: 1, offsetC: 0.4 * r.NormFloat64()},
	}
	for i := range gauges {
		gauges[i].gainPerC, gauges[i].bendC = w.gainPerC*r.NormFloat64(), w.bendC*r.NormFloat64()
	}
	barometer := w.barometerHPa * r.NormFloat64()
	certificate := w.referenceC * r.NormFloat64()
	iceOff := w.slushC
	if r.Float64() < 0.5 {
		iceOff = w.cubesC
	}
	type dated struct {
		madePoint
		day, hour float64
		of        int
	}
	var checks []dated
	var out []paperBatch
	weather := w.weatherHPa * r.NormFloat64()
	for day := range 3 {
		weather = 0.7*weather + 0.7*w.weatherHPa*r.NormFloat64()
		morning := inventedAirHPa(elevation) + weather
		boils := inventedBoilingC(morning)
		for i := range gauges {
			if day > 0 {
				gauges[i].movedC += w.walkC * r.NormFloat64()
				if i == 1 {
					gauges[i].movedC += 0.5 * r.NormFloat64() // something is wrong with it
				}
			}
			if i == 3 && day == 1 {
				continue // forgotten
			}
			add := func(p madePoint) {
				p.reading = gauges[i].show(p.trueC)
				checks = append(checks, dated{p, float64(day), 6, i})
			}
			add(madePoint{writtenPoint: writtenPoint{kind: atIce}, trueC: iceOff * r.NormFloat64()})
			boil := madePoint{writtenPoint: writtenPoint{kind: atBoiling, pressureHPa: math.Round((morning+barometer)*10) / 10}, trueC: boils + w.superheatC*r.Float64()}
			if i == 3 {
				boil.pressureHPa = math.NaN()
			}
			add(boil)
			if i == 2 {
				checks[len(checks)-1].reading = 212
			}
			if day == 0 && i < 2 {
				bath := 150 + 0.5*r.Float64()
				add(madePoint{writtenPoint: writtenPoint{kind: atBath, referenceC: math.Round((bath-certificate)*100) / 100}, trueC: bath + w.bathC*r.NormFloat64()})
			}
		}
		for n := range 8 {
			i := n % 4
			hour := 7.25 + 0.6*float64(n)
			b := paperBatch{instrument: i, checked: i != 3 || day != 1}
			b.elevationM, b.fahrenheit, b.division, b.decimals = elevation, gauges[i].fahrenheit, gauges[i].division, gauges[i].decimals
			for _, c := range checks {
				if c.of == i {
					p := c.writtenPoint
					p.hoursBefore = 24*(float64(day)-c.day) + hour - c.hour
					b.points = append(b.points, p)
				}
			}
			b.cook(r, gauges[i], morning+w.weatherHPaPerHour*(hour-6)*r.NormFloat64())
			out = append(out, b)
		}
	}
	return out
}
