package thermometry_test

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

// numbers cuts bytes into floating-point numbers, bit for bit, so that NaN,
// infinities and subnormals come up.
func numbers(data []byte) []float64 {
	var out []float64
	for ; len(data) >= 8; data = data[8:] {
		out = append(out, math.Float64frombits(binary.LittleEndian.Uint64(data)))
	}
	return out
}

func bytesOf(values ...float64) []byte {
	var out []byte
	for _, v := range values {
		out = binary.LittleEndian.AppendUint64(out, math.Float64bits(v))
	}
	return out
}

// typed fails unless an error wraps one of the package's sentinels.
func typed(t *testing.T, err error) {
	t.Helper()
	for _, sentinel := range []error{ErrNotFinite, ErrOutOfRange, ErrInconsistent, ErrNoPoints, ErrTooFew} {
		if errors.Is(err, sentinel) {
			return
		}
	}
	t.Fatalf("untyped error %v", err)
}

// answers checks what a function gave: a typed error, or finite numbers.
func answers(t *testing.T, err error, values ...float64) {
	t.Helper()
	if err != nil {
		typed(t, err)
		return
	}
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%v without an error", values)
		}
	}
}

var oddities = []float64{0, 1, -1, 95, 843.1, 1013.25, 1480, math.NaN(), math.Inf(1), math.Inf(-1), 1e300, 5e-324}

func FuzzWaterAndAir(f *testing.F) {
	for _, a := range oddities {
		for _, b := range oddities {
			f.Add(a, b)
		}
	}
	f.Fuzz(func(t *testing.T, a, b float64) {
		v, err := BoilingPointC(a)
		answers(t, err, v)
		v, err = SaturationPressureHPa(a)
		answers(t, err, v)
		v, err = BoilingSlopeCPerHPa(a)
		answers(t, err, v)
		v, err = StandardPressureHPa(a)
		answers(t, err, v)
		v, err = StationPressureHPa(a, b)
		answers(t, err, v)
		v, err = StemCorrectionC(StemSpirit, a, b, 30)
		answers(t, err, v)
		p, err := MeasuredPressure(a, b, 0)
		answers(t, err, p.HPa, p.StandardHPa)
		p, err = AltimeterPressure(a, b, 0)
		answers(t, err, p.HPa, p.StandardHPa)
		p, err = AssumedPressure(a, b)
		answers(t, err, p.HPa, p.StandardHPa)
		if ProbablySeaLevel(a, b) && !OutOfFamily(a, b) {
			t.Fatal("sea-level pressure in family")
		}
		m, err := RoundMilliHalfEven(a)
		answers(t, err, m.C())
		m, err = RoundUpCentiC(a)
		answers(t, err, m.C())
		m, err = MicroFromC(a)
		answers(t, err, m.C())
	})
}

func FuzzPoints(f *testing.F) {
	f.Add(bytesOf(95, 0.1, 843.1, 1, 0.2, 0.5))
	f.Add(bytesOf(oddities...))
	f.Fuzz(func(t *testing.T, data []byte) {
		v := append(numbers(data), 0, 0, 0, 0, 0, 0)
		p, err := IcePoint(IceOptions{ReadingC: v[0], ReadToC: v[1], AgeHours: v[2], Quality: IceQuality(len(data))})
		answers(t, err, p.ErrorC(), p.Budget.Expanded())
		p, err = BoilingPoint(BoilingOptions{ReadingC: v[0], ReadToC: v[1], AgeHours: v[3], Place: BoilingPlace(len(data) % 4),
			Pressure: Pressure{HPa: v[2], Kind: PressureMeasured, StandardHPa: v[4], BarometerBiasHPa: v[5]}})
		answers(t, err, p.ErrorC(), p.Budget.Expanded())
		p, err = ComparisonPoint(ComparisonOptions{ReadingC: v[0], ReadToC: v[1], ReferenceReadingC: v[2], ReferenceReadToC: v[1],
			CertificateCorrectionC: v[3], CertificateExpandedC: v[4], BathC: v[5], AgeHours: v[5]})
		answers(t, err, p.ErrorC(), p.Budget.Expanded())
	})
}

func FuzzCurve(f *testing.F) {
	f.Add(bytesOf(0, 0.1, 1, 0.05, 94.9, 95.2, 1, 0.1, 150.2, 150.5, 50, 0.1), 116.0, 0.003, 0.03)
	f.Add(bytesOf(0, 0, 0, 0), 116.0, 0.0, 0.0)
	f.Add(bytesOf(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0), 0.0, 0.0, 0.0)
	f.Add(bytesOf(0, 1e-9, 0, 1e-300, 1e-300, 0, 0, 0, 100, 100, 1e6, 1e5), 1e300, 1.0, 10.0)
	f.Add(bytesOf(oddities...), math.NaN(), 0.1, 0.1)
	f.Fuzz(func(t *testing.T, data []byte, readingC, growth, drift float64) {
		v := numbers(data)
		var points []Point
		for ; len(v) >= 4 && len(points) < 8; v = v[4:] {
			points = append(points, Point{
				Kind: PointKind(len(points) % 4), TrueC: v[0], ReadingC: v[1], AgeHours: v[2], Provisional: len(points)%2 == 1,
				Budget: Budget{{StandardC: v[3], Shared: SharedInput(len(points) % 6)}, {StandardC: v[3] / 2}},
			})
		}
		opt := CurveOptions{GrowthPerC: growth, DriftPerSqrtDayC: drift}
		curve, err := FitCurve(points, opt)
		if err != nil {
			typed(t, err)
			return
		}
		at := curve.At(readingC)
		if within := math.Abs(readingC) <= 500; within {
			answers(t, nil, at.ErrorC, at.StandardC, at.ExpandedC, curve.MisfitC, curve.Budget(readingC).Combined())
		}
		judge, err := NewCorrector(curve, CookOptions{ReadToC: 0.1})
		if err != nil {
			t.Fatal(err)
		}
		bound := Bound{TempC: 114, Budget: Budget{{StandardC: 0.4, Shared: SharedPressure}}}
		if d := judge.Against(readingC, bound); d.StandardC < 0 {
			t.Fatalf("negative uncertainty %+v", d)
		}
		FitForLimit(judge, Window{Low: &bound, High: &Bound{TempC: readingC}}, MarksF(growth), true)
		if _, _, err := WhatWouldHelp(points, opt, CookOptions{ReadToC: 1}, readingC, &bound); err != nil {
			typed(t, err)
		}
	})
}

func FuzzVerdicts(f *testing.F) {
	f.Add(int64(100_000_000), int64(94_912_000), int64(1_111_111), int64(700_000), int64(0), false)
	f.Add(int64(math.MinInt64), int64(math.MaxInt64), int64(math.MinInt64), int64(math.MinInt64), int64(math.MaxInt64), true)
	f.Fuzz(func(t *testing.T, a, b, c, d, e int64, flag bool) {
		for _, rule := range []Rule{RuleSimple, RuleGuarded, RuleProvisional} {
			if JudgeError(a, b, c, rule).Verdict == ErrorUnknown {
				t.Fatal("no verdict on an error")
			}
		}
		if NotBelieved(a, b, c, d, e) && NotBelieved(a, a, c, d, e) {
			t.Fatal("a reading at the expected value is not believed")
		}
		if verdict := JudgeLimit(a, b, c, d, flag, !flag, e > 0); verdict == LimitUnknown || verdict == Met && !flag && e <= 0 {
			t.Fatalf("verdict %v", verdict)
		}
		m, err := MicroFromMicroF(a)
		answers(t, err, m.C())
	})
}

func FuzzSeries(f *testing.F) {
	f.Add(bytesOf(0, 0.1, 20, 0.2, 40, 0.3, 60, 0.4), 1.0, 0.95)
	f.Add(bytesOf(oddities...), 1.0, 0.3)
	f.Add(bytesOf(1, 1, 1, 1, 1, 1), math.NaN(), math.Inf(1))
	f.Fuzz(func(t *testing.T, data []byte, a, b float64) {
		v := numbers(data)
		half := len(v) / 2
		if line, err := FitLine(v[:half], v[half:2*half]); err != nil {
			typed(t, err)
		} else if _, _, err := line.PredictionInterval(a, b); err != nil {
			typed(t, err)
		}
		var history []Observation
		for i := 0; i+1 < len(v) && i < 40; i += 2 {
			history = append(history, Observation{Day: v[i], ErrorC: v[i+1], StandardC: math.Abs(a), Adjusted: i%14 == 8})
		}
		if _, err := ErrorCharts(history, b); err != nil {
			typed(t, err)
		}
		if d, err := FitDrift(history, a, b); err != nil {
			typed(t, err)
		} else if d.SuggestedIntervalDays() < 0 || d.ExitDay < d.ToDay {
			t.Fatalf("drift %+v", d)
		}
		if _, err := CusumChart(v, a, b, b); err != nil {
			typed(t, err)
		}
		var rack []RackReading
		for _, x := range v {
			rack = append(rack, RackReading{Name: "x", ReadingC: x, ReadToC: 0.1, StandardC: math.Abs(b)})
		}
		if _, err := CompareRack(RackReading{ReadingC: a, ReadToC: 0.1}, rack, b); err != nil {
			typed(t, err)
		}
	})
}
