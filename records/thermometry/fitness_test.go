package thermometry_test

import (
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

func TestFitForLimit(t *testing.T) {
	fine := corrector(t, 0.1, ice(t, 1, 3), boiling(t, 95.9, 843.1, 3), comparison(t, 151.2, 150.2, 3))
	coarse := corrector(t, 1, ice(t, 0, 3), boiling(t, 95, 843.1, 3))
	window := func(lowC, highC float64) Window {
		return Window{Low: &Bound{TempC: lowC}, High: &Bound{TempC: highC}}
	}
	for _, c := range []struct {
		name    string
		judge   *Corrector
		window  Window
		marks   Marks
		guarded bool
		fit     Fit
		dialC   float64 // NaN: none
	}{
		{"a dial 1.0 high, middle of the window", fine, window(118, 120), MarksC(0.1), false, FitCanShow, 120},
		{"guarded", fine, window(118, 120), MarksC(0.1), true, FitCanShow, 120},
		{"window narrower than U", coarse, window(149, 150), MarksC(1), false, FitTooNarrow, math.NaN()},
		{"no mark inside", fine, window(116.2, 117.8), MarksC(5), false, FitNoMark, math.NaN()},
		{"marks in degF", fine, window(118, 120), MarksF(2), false, FitCanShow, (248 - 32) / 1.8},
		{"minimum only, guarded", fine, Window{Low: &Bound{TempC: 170}}, MarksC(1), true, FitCanShow, 172},
		{"maximum only", fine, Window{High: &Bound{TempC: 118}}, MarksC(1), false, FitCanShow, 118},
	} {
		got := FitForLimit(c.judge, c.window, c.marks, c.guarded)
		if got.Fit != c.fit {
			t.Errorf("%s: %v (needs %.2f of %.2f)", c.name, got.Fit, got.NeededC, got.WindowC)
		}
		if math.IsNaN(c.dialC) {
			continue
		}
		if math.Abs(got.DialC-c.dialC) > 1e-9 {
			t.Errorf("%s: look for %v, want %v", c.name, got.DialC, c.dialC)
		}
		corrected := c.judge.Correct(got.DialC).CorrectedC
		if low := c.window.Low; low != nil && corrected < low.TempC || c.window.High != nil && corrected > c.window.High.TempC {
			t.Errorf("%s: the dial number corrects to %v, outside the limit", c.name, corrected)
		}
	}
	if got := FitForLimit(fine, Window{}, MarksC(1), true); got.Fit != FitUnknown {
		t.Errorf("no bounds: %v", got.Fit)
	}
}

func TestBestForLimit(t *testing.T) {
	rack := []Fitness{
		{Fit: FitTooNarrow, ExpandedC: 0.1},
		{Fit: FitCanShow, ExpandedC: 0.5},
		{Fit: FitCanShow, ExpandedC: 0.3, Extrapolated: true},
		{Fit: FitCanShow, ExpandedC: 0.4},
	}
	if got := BestForLimit(rack); got != 3 {
		t.Errorf("best is %d, want 3", got)
	}
	if got := BestForLimit(rack[:1]); got != -1 {
		t.Errorf("best of none is %d", got)
	}
}

func TestCompareRackNamesTheOddOne(t *testing.T) {
	reference := RackReading{Name: "REF-1", ReadingC: 150.21, ReadToC: 0.01, StandardC: 0.05}
	probe := func(name string, readingC float64) RackReading {
		return RackReading{Name: name, ReadingC: readingC, ReadToC: 0.1, StandardC: 0.1}
	}
	for _, c := range []struct {
		name      string
		rack      []RackReading
		agree     bool
		odd       string
		reference bool
	}{
		{"all agree", []RackReading{probe("A", 150.2), probe("B", 150.3), probe("C", 150.1)}, true, "", false},
		{"one stands off", []RackReading{probe("A", 150.2), probe("B", 152.3), probe("C", 150.1)}, false, "B", false},
		{"the reference stands off", []RackReading{probe("A", 152.2), probe("B", 152.3), probe("C", 152.1)}, false, "REF-1", true},
		{"no single one explains it", []RackReading{probe("A", 152.2), probe("B", 148.3), probe("C", 150.2), probe("D", 155)}, false, "", false},
		{"two alone", []RackReading{probe("A", 152.2)}, false, "A", false},
	} {
		got, err := CompareRack(reference, c.rack, 0)
		if err != nil || got.Agree != c.agree || got.Odd != c.odd || got.OddIsReference != c.reference {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
		for i, line := range got.Lines {
			if want := c.rack[i].ReadingC - 150.21; math.Abs(line.ErrorC-want) > 1e-9 || math.Abs(line.Normalised*line.ExpandedC-line.DifferenceC) > 1e-12 {
				t.Errorf("%s: %+v", c.name, line)
			}
		}
	}
	if _, err := CompareRack(reference, nil, 0); err == nil {
		t.Error("an empty rack is compared")
	}
}
