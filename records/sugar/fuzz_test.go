package sugar

import (
	"errors"
	"math"
	"testing"
)

// typed are the errors that any call may end in.
var typed = []error{
	ErrNotANumber, ErrBeyondSucroseData, ErrPressure, ErrTemperature, ErrUncertainty, ErrMass, ErrWater,
	ErrUnknownStage, ErrTooFewReadings, ErrReadings, ErrNotHeating, ErrNoOnset, errSteam,
}

// sound fails when an error has no type, or when there is none and a figure is not
// finite.
func sound(t *testing.T, what string, err error, figures ...float64) {
	t.Helper()
	if err != nil {
		for _, k := range typed {
			if errors.Is(err, k) {
				return
			}
		}
		t.Fatalf("%s: an error without a type: %v", what, err)
	}
	for _, v := range figures {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%s: %v", what, figures)
		}
	}
}

func FuzzSyrup(f *testing.F) {
	s := testSyrup(f)
	f.Add(115.0, 847.6, 1013.25, 85.0, 0.3, "soft ball")
	f.Add(math.NaN(), math.Inf(1), -1.0, 98.0, -0.5, "burnt")
	f.Add(157.0, 50.0, 1200.0, 0.0, 1e300, "squishy")
	f.Add(300.0, 50.0, 1200.0, 98.0000001, 0.0, "caramel")
	f.Fuzz(func(t *testing.T, temp, from, to, pct, u float64, stage string) {
		b, err := s.BoilingC(pct, from)
		sound(t, "BoilingC", err, b)
		if err == nil {
			back, err := s.SolidsPct(b, from)
			sound(t, "SolidsPct of BoilingC", err, back.Pct, back.UPct, back.CPerPct)
			if err != nil || math.Abs(back.Pct-pct) > 1e-9*math.Max(pct, 1) {
				t.Fatalf("%v %% -> %v degC -> %v %% %v", pct, b, back.Pct, err)
			}
		}
		w, err := s.SolidsPct(temp, from)
		sound(t, "SolidsPct", err, w.Pct, w.UPct)
		if w.Pct < 0 || w.Pct > MaxSolidsPct {
			t.Fatalf("%v %% solids", w.Pct)
		}
		m, err := s.MoveLimit(temp, from, to)
		sound(t, "MoveLimit", err, m.TempC, m.UC, m.StandardC, m.SolidsPct)
		if err == nil && (to < from && m.TempC > temp || to > from && m.TempC < temp) {
			t.Fatalf("%v degC moved from %v to %v hPa: %v", temp, from, to, m.TempC)
		}
		p, err := s.StageAt(temp, from)
		sound(t, "StageAt", err, p.Position, p.StandardC)
		a, err := s.SecondWitness(stage, temp, u, from)
		sound(t, "SecondWitness", err, a.Steps, a.LikelyErrorC)
		aw, err := WaterActivity(pct, temp)
		sound(t, "WaterActivity", err, aw)
		r, err := FootRule(temp, from)
		sound(t, "FootRule", err, r)
		y, err := s.YieldAtPull(pct, temp, u, from, to)
		sound(t, "YieldAtPull", err, y.ExpectedKg, y.WaterKg)
		if err == nil {
			mb, err := y.Balance(pct, u, Handling{Share: to, UShare: u})
			sound(t, "Balance", err, mb.LossPct)
		}
		kg, err := EvaporatedKg(pct, temp, from)
		sound(t, "EvaporatedKg", err, kg)
	})
}

func FuzzDialNumber(f *testing.F) {
	s := testSyrup(f)
	f.Add(114.0, 116.0, 1013.25, 847.6, 1.0, 0.5, 0.2, false, true)
	f.Add(math.Inf(-1), 116.0, 1013.25, 847.6, 2.0, -30.0, 1e9, true, false)
	f.Add(110.0, math.Inf(1), math.NaN(), 0.0, 1e-9, math.NaN(), -1.0, true, true)
	f.Fuzz(func(t *testing.T, low, high, est, hPa, division, errC, u float64, fahrenheit, guarded bool) {
		for _, basis := range [...]Basis{SolidsBasis, TemperatureBasis} {
			n, err := s.DialNumber(Limit{low, high, basis, est, guarded}, Dial{Division: division, Fahrenheit: fahrenheit, ErrorAt: reads(errC, u)}, hPa)
			sound(t, "DialNumber", err, n.Mark)
			if err == nil && n.CanShow == (n.Reason != "") {
				t.Fatalf("%+v", n)
			}
		}
	})
}

// The bytes are steps of a cook: each pair a time and a temperature that follow
// the reading before, so that most of what is tried looks like a pan.
func FuzzForecast(f *testing.F) {
	s := testSyrup(f)
	cook := newPan(f, 3).cook(s)
	var steps []byte
	last := cook.cook.Readings[0]
	for _, r := range cook.cook.Readings[1:] {
		steps = append(steps, byte(64*(r.Minutes-last.Minutes)-1), byte(int8(min(max(8*(r.TempC-last.TempC), -128), 127))))
		last = r
	}
	f.Add(steps, 0.0, 30.0, cook.cook.PressureHPa, 0.3, 0.1, 70.0, cook.targetC, 0.5)
	f.Add(steps[:20], 1e7, 90.0, 1013.25, 0.0, 0.0, 0.0, 115.0, 0.0)
	f.Add(steps, math.NaN(), math.Inf(1), math.NaN(), -1.0, math.Inf(1), 99.0, -300.0, math.NaN())
	f.Fuzz(func(t *testing.T, steps []byte, minute, temp, hPa, uC, resolution, solids, target, next float64) {
		c := Cook{PressureHPa: hPa, UC: uC, ResolutionC: resolution, StartSolidsPct: solids, DrySolidsKg: 2}
		c.Readings = append(c.Readings, Reading{minute, temp})
		for len(steps) >= 2 && len(c.Readings) < 200 {
			minute += (float64(steps[0]) + 1) / 64
			temp += float64(int8(steps[1])) / 8
			c.Readings = append(c.Readings, Reading{minute, temp})
			steps = steps[2:]
		}
		fc, err := s.Forecast(c, target, next, EaseOff{})
		sound(t, "Forecast", err, fc.MinutesLeft, fc.LowLeft, fc.HighLeft, fc.EndMinutes, fc.NetPowerKW, fc.NextC, fc.RateCPerMin, fc.RateAtTargetCPerMin, fc.SolidsPct, fc.BiasC)
		if err == nil && !(fc.LowLeft <= fc.MinutesLeft && fc.MinutesLeft <= fc.HighLeft) {
			t.Fatalf("%+v", fc)
		}
		h, err := s.OnsetHint(c)
		sound(t, "OnsetHint", err, h.GapC, h.UC)
	})
}

func FuzzWaterActivity(f *testing.F) {
	f.Add(60.0, 40.0, 42.0, 5.0, 10.0, 5.0, true, 4)
	f.Add(math.NaN(), -1.0, 0.0, math.Inf(1), 0.0, 15.0, false, -3)
	f.Fuzz(func(t *testing.T, sucrose, syrup, de, other, water, pH float64, grained bool, kind int) {
		p := Product{Solids: []Component{{Kind: Sucrose, Kg: sucrose}, {Kind: GlucoseSyrup, Kg: syrup, DE: de}, {Kind: Kind(kind), Kg: other}}, WaterKg: water, Crystallised: grained}
		r, err := EstimateWaterActivity(p)
		sound(t, "EstimateWaterActivity", err, r.Aw, r.LowAw, r.HighAw, r.MoisturePct)
		if err != nil {
			return
		}
		if !(0 <= r.LowAw && r.LowAw <= r.Aw && r.Aw <= r.HighAw && r.HighAw <= 1) {
			t.Fatalf("%+v", r)
		}
		_, err = r.Interaction(pH, grained)
		sound(t, "Interaction", err)
		_ = r.Against(0.85)
	})
}

func FuzzScale(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 10.0, 0.01)
	f.Add(math.NaN(), -1.0, 1e300, 1e-300, 0.0)
	f.Fuzz(func(t *testing.T, a, b, from, to, step float64) {
		s, err := Scale([]Ingredient{{"a", a}, {"b", b}}, from, to, step)
		sound(t, "Scale", err, s.TotalKg, s.Factor)
		c, err := CarryOverFor([]PastPull{{PullC: a, HighestC: b}, {PullC: from, HighestC: to}, {PullC: step, HighestC: step}}, "", "")
		sound(t, "CarryOverFor", err, c.RiseC, c.SpreadC)
	})
}
