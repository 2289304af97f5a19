package thermometry_test

import (
	"errors"
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

func sensor(t *testing.T, name string) (SensorTolerance, bool) {
	t.Helper()
	for _, s := range SensorTolerances() {
		if s.Name == name {
			return s, true
		}
	}
	return SensorTolerance{}, false
}

// IEC 60584-1:2013: every class of the table whose range reaches a boiling pan.
func TestThermocoupleTolerances(t *testing.T) {
	checked := 0
	for _, row := range table(t, "iec60584_thermocouple_tolerance.csv") {
		s, known := sensor(t, row["type"]+" class "+row["class"])
		if row["type"] == "R/S" || number(t, row, "t_high_C") < 100 {
			continue
		}
		checked++
		if !known || s.FixedC != number(t, row, "fixed_C") || s.PerC != number(t, row, "fraction_of_abs_t") ||
			s.LowC != number(t, row, "t_low_C") || s.HighC != number(t, row, "t_high_C") {
			t.Errorf("%s class %s: %+v", row["type"], row["class"], s)
		}
	}
	if checked != 10 {
		t.Errorf("%d classes checked", checked)
	}
	// At 150 degC: K class 1 1.5, class 2 2.5, T class 1 0.6.
	for name, want := range map[string]float64{"K class 1": 1.5, "K class 2": 2.5, "T class 1": 0.6} {
		s, _ := sensor(t, name)
		if got, err := s.AtC(150); err != nil || math.Abs(got-want) > 1e-12 {
			t.Errorf("%s at 150: %v, %v", name, got, err)
		}
	}
}

// IEC 60751: tolerance = a + b |t|, tabulated at 0, 100 and 150 degC.
func TestResistanceTolerances(t *testing.T) {
	for _, row := range table(t, "iec60751_rtd_tolerance.csv") {
		s, known := sensor(t, "Pt class "+row["class"])
		if !known {
			t.Errorf("class %s is not known", row["class"])
			continue
		}
		for tempC, column := range map[float64]string{0: "tol_0C", 100: "tol_100C", 150: "tol_150C"} {
			if got, err := s.AtC(tempC); err != nil || math.Abs(got-number(t, row, column)) > 1e-9 {
				t.Errorf("class %s at %v: %v, %v", row["class"], tempC, got, err)
			}
		}
	}
	b, _ := sensor(t, "Pt class B")
	if _, err := b.AtC(700); !errors.Is(err, ErrOutOfRange) {
		t.Errorf("beyond the class: %v", err)
	}
	if got := b.GrowthPerC(); math.Abs(got-0.0028868) > 1e-7 {
		t.Errorf("growth %v", got)
	}
}
