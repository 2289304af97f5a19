package thermometry

import "math"

// SensorTolerance is a maker's tolerance of a sensor class: the greater of a
// fixed part and a part of the temperature for thermocouples, the sum of both
// for resistance sensors.
type SensorTolerance struct {
	// Name is the type and class, as in "K class 1" or "Pt class B".
	Name string
	// FixedC is the fixed part, degC.
	FixedC float64
	// PerC is the part of the temperature, degC per degC.
	PerC float64
	// Sum: the parts are added; otherwise the greater one counts.
	Sum bool
	// LowC and HighC are the range that it holds for, degC.
	LowC, HighC float64
}

// Sensor classes that kitchens meet. Thermocouples: IEC 60584-1:2013 (reference
// junction at 0 degC). Resistance sensors: IEC 60751, wire-wound ranges (the
// ranges from memory).
var sensorTolerances = []SensorTolerance{
	{Name: "T class 1", FixedC: 0.5, PerC: 0.004, LowC: -40, HighC: 350},
	{Name: "T class 2", FixedC: 1.0, PerC: 0.0075, LowC: -40, HighC: 350},
	{Name: "K class 1", FixedC: 1.5, PerC: 0.004, LowC: -40, HighC: 1000},
	{Name: "K class 2", FixedC: 2.5, PerC: 0.0075, LowC: -40, HighC: 1200},
	{Name: "N class 1", FixedC: 1.5, PerC: 0.004, LowC: -40, HighC: 1000},
	{Name: "N class 2", FixedC: 2.5, PerC: 0.0075, LowC: -40, HighC: 1200},
	{Name: "J class 1", FixedC: 1.5, PerC: 0.004, LowC: -40, HighC: 750},
	{Name: "J class 2", FixedC: 2.5, PerC: 0.0075, LowC: -40, HighC: 750},
	{Name: "E class 1", FixedC: 1.5, PerC: 0.004, LowC: -40, HighC: 800},
	{Name: "E class 2", FixedC: 2.5, PerC: 0.0075, LowC: -40, HighC: 900},
	{Name: "Pt class AA", FixedC: 0.1, PerC: 0.0017, Sum: true, LowC: -50, HighC: 250},
	{Name: "Pt class A", FixedC: 0.15, PerC: 0.002, Sum: true, LowC: -100, HighC: 450},
	{Name: "Pt class B", FixedC: 0.3, PerC: 0.005, Sum: true, LowC: -196, HighC: 600},
	{Name: "Pt class C", FixedC: 0.6, PerC: 0.01, Sum: true, LowC: -196, HighC: 600},
}

// SensorTolerances are the known sensor classes, a copy.
func SensorTolerances() []SensorTolerance {
	return append([]SensorTolerance(nil), sensorTolerances...)
}

// AtC is the tolerance at a temperature, degC either way. Outside the class's
// range, or for a value that is not finite, an InputError.
func (s SensorTolerance) AtC(tempC float64) (float64, error) {
	if err := within("tempC", tempC, s.LowC, s.HighC); err != nil {
		return 0, err
	}
	part := s.PerC * math.Abs(tempC)
	if s.Sum {
		return s.FixedC + part, nil
	}
	return math.Max(s.FixedC, part), nil
}

// GrowthPerC is the standard uncertainty of such a sensor's growing error, degC
// per degC, for CurveOptions: the class's proportional part as a rectangular
// half-width.
func (s SensorTolerance) GrowthPerC() float64 { return s.PerC / math.Sqrt(3) }
