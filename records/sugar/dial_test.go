package sugar

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func reads(high, u float64) ErrorAt {
	return func(float64) (float64, float64, error) { return high, u, nil }
}

func TestDialNumber(t *testing.T) {
	s := testSyrup(t)
	open := math.Inf(1)
	for _, c := range []struct {
		name   string
		limit  Limit
		dial   Dial
		hPa    float64
		mark   float64
		reason string
	}{
		// The issue's own example.
		{"reads 1.0 high", Limit{LowC: 109.6, HighC: 109.6, Basis: TemperatureBasis}, Dial{Division: 0.1, ErrorAt: reads(1, 0.2)}, 847.6, 110.6, ""},
		{"a minimum", Limit{LowC: 109.6, HighC: open, Basis: TemperatureBasis}, Dial{Division: 0.1, ErrorAt: reads(1, 0.2)}, 847.6, 110.6, ""},
		{"a maximum", Limit{LowC: -open, HighC: 109.65, Basis: TemperatureBasis}, Dial{Division: 0.1, ErrorAt: reads(1, 0.2)}, 847.6, 110.6, ""},
		// 114 to 116 at standard pressure is 108.6 to 110.5 under 843.1 hPa (by the
		// shift table's 5.4 degC): the mark of a whole-degree dial is 110, of a
		// 2 degF dial 228 (108.9 degC; 230 is 110.0).
		{"fondant, whole degrees", Limit{LowC: 114, HighC: 116, EstablishedHPa: 1013.25}, Dial{Division: 1, ErrorAt: reads(0, 0)}, 843.1, 110, ""},
		{"fondant, 2 degF", Limit{LowC: 114, HighC: 116, EstablishedHPa: 1013.25}, Dial{Division: 2, Fahrenheit: true, ErrorAt: reads(0, 0)}, 843.1, 230, ""},
		{"fondant, 2 degF, 4 degC high", Limit{LowC: 114, HighC: 116, EstablishedHPa: 1013.25}, Dial{Division: 2, Fahrenheit: true, ErrorAt: reads(4, 0)}, 843.1, 236, ""},
		{"caramel does not move", Limit{LowC: 170, HighC: 176, Basis: TemperatureBasis}, Dial{Division: 1, ErrorAt: reads(0, 0)}, 843.1, 173, ""},
		{"no mark inside", Limit{LowC: 110.1, HighC: 110.9, Basis: TemperatureBasis}, Dial{Division: 1, ErrorAt: reads(0, 0)}, 843.1, 0, reasonNoMark},
		{"an edge counts", Limit{LowC: 110, HighC: 110.9, Basis: TemperatureBasis}, Dial{Division: 1, ErrorAt: reads(0, 0)}, 843.1, 110, ""},
		{"guarded away from the edge", Limit{LowC: 110, HighC: 114, Basis: TemperatureBasis, Guarded: true}, Dial{Division: 1, ErrorAt: reads(0, 1.5)}, 843.1, 112, ""},
		{"guarded to nothing", Limit{LowC: 110, HighC: 112, Basis: TemperatureBasis, Guarded: true}, Dial{Division: 1, ErrorAt: reads(0, 1.5)}, 843.1, 0, reasonUnsure},
		{"guarded minimum", Limit{LowC: 170, HighC: open, Basis: TemperatureBasis, Guarded: true}, Dial{Division: 1, ErrorAt: reads(0.2, 1.5)}, 843.1, 172, ""},
		{"off the scale", Limit{LowC: 170, HighC: 176, Basis: TemperatureBasis}, Dial{Division: 1, Low: 0, High: 150, ErrorAt: reads(0, 0)}, 843.1, 0, reasonOffDial},
	} {
		n, err := s.DialNumber(c.limit, c.dial, c.hPa)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if n.Mark != c.mark || n.Reason != c.reason || n.CanShow != (c.reason == "") {
			t.Errorf("%s: %+v, want %g %q", c.name, n, c.mark, c.reason)
		}
	}
}

// A mark that is shown lies inside the window, and is a mark.
func TestDialMarkLiesInsideItsWindow(t *testing.T) {
	s := testSyrup(t)
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(104, 150).Draw(t, "low")
		l := Limit{LowC: low, HighC: low + rapid.Float64Range(0, 6).Draw(t, "width"), EstablishedHPa: StandardPressureHPa}
		d := Dial{
			Division:   rapid.SampledFrom([]float64{0.1, 0.2, 0.5, 1, 2, 5}).Draw(t, "division"),
			Fahrenheit: rapid.Bool().Draw(t, "degF"),
			ErrorAt:    reads(rapid.Float64Range(-5, 5).Draw(t, "error"), 0.1),
		}
		n, err := s.DialNumber(l, d, rapid.Float64Range(700, 1050).Draw(t, "hPa"))
		if err != nil {
			t.Fatal(err)
		}
		if !n.CanShow {
			if n.WindowHigh-n.WindowLow > d.Division {
				t.Fatalf("a window of %g has no mark of %g", n.WindowHigh-n.WindowLow, d.Division)
			}
			return
		}
		if n.Mark < n.WindowLow-1e-5 || n.Mark > n.WindowHigh+1e-5 {
			t.Fatalf("%+v", n)
		}
		if q := n.Mark / d.Division; math.Abs(q-math.Round(q)) > 1e-6 {
			t.Fatalf("%g is no mark of %g", n.Mark, d.Division)
		}
	})
}

func TestDialRefuses(t *testing.T) {
	s := testSyrup(t)
	good := Limit{LowC: 114, HighC: 116, EstablishedHPa: 1013.25}
	dial := Dial{Division: 1, ErrorAt: reads(0, 0)}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name  string
		limit Limit
		dial  Dial
		want  error
	}{
		{"upside down", Limit{LowC: 116, HighC: 114, EstablishedHPa: 1013}, dial, ErrTemperature},
		{"open at both ends", Limit{LowC: -inf, HighC: inf}, dial, ErrTemperature},
		{"no pressure", Limit{LowC: 114, HighC: 116}, dial, ErrPressure},
		{"NaN", Limit{LowC: nan, HighC: 116}, dial, ErrNotANumber},
		{"no division", good, Dial{ErrorAt: reads(0, 0)}, ErrUncertainty},
		{"no error known", good, Dial{Division: 1}, ErrUncertainty},
		{"NaN error", good, Dial{Division: 1, ErrorAt: reads(nan, 0)}, ErrNotANumber},
		{"negative uncertainty", good, Dial{Division: 1, ErrorAt: reads(0, -1)}, ErrUncertainty},
		{"scale upside down", good, Dial{Division: 1, Low: 9, High: 3, ErrorAt: reads(0, 0)}, ErrTemperature},
		{"failing error", good, Dial{Division: 1, ErrorAt: func(float64) (float64, float64, error) { return 0, 0, errSteam }}, errSteam},
	} {
		if _, err := s.DialNumber(c.limit, c.dial, 847.6); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}
