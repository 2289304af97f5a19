package thermometry_test

import (
	"testing"

	. "kettlebook/records/thermometry"
)

// softBall is a limit that moves with an assumed pressure shared with the check.
func softBall(t testing.TB) (Bound, Pressure) {
	pressure := must[Pressure](t)(AssumedPressure(1480, 0))
	slope := must[float64](t)(BoilingSlopeCPerHPa(pressure.HPa))
	return Bound{TempC: 109, Budget: append(pressure.Terms(1.07*slope), WeatherTerm(3, 1.07*slope))}, pressure
}

// The prepared judge: a corrected value with U, under 2 microseconds, nothing
// allocated.
func BenchmarkCorrect(b *testing.B) {
	judge := corrector(b, 0.1, ice(b, 0.2, 3), boiling(b, 95.2, 843.1, 3), comparison(b, 150.5, 150.21, 3))
	var sum float64
	b.ReportAllocs()
	for i := range b.N {
		sum += judge.Correct(100 + float64(i%60)).ExpandedC
	}
	if sum == 0 {
		b.Fatal("no uncertainty")
	}
}

// The same against a limit that shares the pressure.
func BenchmarkAgainst(b *testing.B) {
	bound, pressure := softBall(b)
	point := must[Point](b)(BoilingPoint(BoilingOptions{ReadingC: 95, ReadToC: 0.1, Pressure: pressure}))
	judge := corrector(b, 0.1, ice(b, 0.2, 3), point, comparison(b, 150.5, 150.21, 3))
	var sum float64
	b.ReportAllocs()
	for i := range b.N {
		sum += judge.Against(100+float64(i%60), bound).ExpandedC
	}
	if sum == 0 {
		b.Fatal("no uncertainty")
	}
}

// Preparation: points, curve and judge, under 200 microseconds.
func BenchmarkPrepare(b *testing.B) {
	for _, c := range []struct {
		name     string
		oldC     float64
		oldHours float64
	}{{"one check", 150.5, 3}, {"old comparison that agrees", 150.5, 50}, {"old comparison contradicted", 152.5, 50}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				corrector(b, 0.1, ice(b, 0.2, 3), boiling(b, 95.2, 843.1, 3), comparison(b, c.oldC, 150.21, c.oldHours))
			}
		})
	}
}

func TestJudgeAllocatesNothing(t *testing.T) {
	bound, pressure := softBall(t)
	point := must[Point](t)(BoilingPoint(BoilingOptions{ReadingC: 95, ReadToC: 0.1, Pressure: pressure}))
	judge := corrector(t, 0.1, ice(t, 0.2, 3), point, comparison(t, 150.5, 150.21, 3))
	if n := testing.AllocsPerRun(100, func() { judge.Correct(116); judge.Against(116, bound) }); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}
