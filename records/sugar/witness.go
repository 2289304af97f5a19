package sugar

import "math"

// Agreement is the answer of a second witness.
type Agreement struct {
	// Contradicts says that the corrected temperature, with its uncertainty,
	// stands a whole stage or more away from what the witness says: a probable
	// instrument fault, to be offered as a deviation.
	Contradicts bool
	// Steps is how far the temperature stands from the witness, in stages: 0
	// agrees, 0.5 is the gap beside the witness's stage (no contradiction), 1 or
	// more contradicts. Positive: the thermometer says hotter.
	Steps float64
	// Witness is the stage the cold-water test named.
	Witness string
	// Thermometer is the label of the corrected temperature (StageAt).
	Thermometer string
	// TouchesWithinU says that the two named different places but that the
	// uncertainty, or a gap between bands, reconciles them.
	TouchesWithinU bool
	// LikelyErrorC is the least error of the thermometer in degC that would
	// explain a contradiction (positive: it reads high); 0 without one.
	LikelyErrorC float64
}

// SecondWitness sets a cold-water test (a stage by name) against a corrected
// temperature tempC with expanded uncertainty uC (k = 2), both degC, under
// pressureHPa (50..1200 hPa). Everything that tempC-uC to tempC+uC may mean is
// compared: neighbouring stages that touch within the uncertainty agree, and so
// does the unnamed gap beside the witness's stage. The published tables'
// disagreement is not added, so that a real fault is not argued away. Errors:
// ErrUnknownStage, ErrUncertainty, and those of StageAt.
func (s Syrup) SecondWitness(coldWaterStage string, tempC, uC, pressureHPa float64) (Agreement, error) {
	want, err := StageIndex(coldWaterStage)
	if err != nil {
		return Agreement{}, err
	}
	if err := checkU(uC); err != nil {
		return Agreement{}, err
	}
	at, err := s.StageAt(tempC, pressureHPa)
	if err != nil {
		return Agreement{}, err
	}
	low, err := s.StageAt(math.Max(tempC-uC, minTempC), pressureHPa)
	if err != nil {
		return Agreement{}, err
	}
	high, err := s.StageAt(math.Min(tempC+uC, maxTempC), pressureHPa)
	if err != nil {
		return Agreement{}, err
	}
	a := Agreement{Witness: stageName(want), Thermometer: at.Label}
	w := float64(want)
	switch {
	case low.Position > w:
		a.Steps = low.Position - w
	case high.Position < w:
		a.Steps = high.Position - w
	}
	a.Contradicts = math.Abs(a.Steps) >= 1
	a.TouchesWithinU = !a.Contradicts && at.Position != w
	if a.Contradicts {
		a.LikelyErrorC, err = s.leastError(want, tempC, pressureHPa)
		if err != nil {
			return Agreement{}, err
		}
	}
	return a, nil
}

func stageName(index int) string {
	if index == burntIndex {
		return Burnt
	}
	return stages[index].Name
}

// leastError is the distance from tempC to the nearer end of the witness's band
// at this pressure, positive when tempC lies above the band.
func (s Syrup) leastError(want int, tempC, pressureHPa float64) (float64, error) {
	if want == burntIndex {
		return tempC - BurntAboveC, nil
	}
	low, high := stages[want].LowC, stages[want].HighC
	if stages[want].Basis == SolidsBasis {
		l, err := s.MoveLimit(low, StandardPressureHPa, pressureHPa)
		if err != nil {
			return 0, err
		}
		h, err := s.MoveLimit(high, StandardPressureHPa, pressureHPa)
		if err != nil {
			return 0, err
		}
		low, high = l.TempC, h.TempC
	}
	switch {
	case tempC > high:
		return tempC - high, nil
	case tempC < low:
		return tempC - low, nil
	}
	return 0, nil
}

// RefractometerWitness sets a refractometer (brix, degrees Brix taken as per cent
// solids, 0..98, with expanded uncertainty uBrix) against a corrected temperature
// tempC with expanded uncertainty uC (k = 2, degC), under pressureHPa (50..1200
// hPa). Brix is turned into the temperature at which such a syrup boils here; the
// spread of the published boiling tables is added to its uncertainty, since it
// stands between the two. What the two ranges may mean is compared in stages, as
// in SecondWitness. Errors: ErrBeyondSucroseData for Brix out of range,
// ErrUncertainty, and those of StageAt.
func (s Syrup) RefractometerWitness(brix, uBrix, tempC, uC, pressureHPa float64) (Agreement, error) {
	for _, u := range [...]float64{uBrix, uC} {
		if err := checkU(u); err != nil {
			return Agreement{}, err
		}
	}
	boilsC, err := s.BoilingC(brix, pressureHPa)
	if err != nil {
		return Agreement{}, err
	}
	slope, err := s.slope(moleFraction(brix), boilsC)
	if err != nil {
		return Agreement{}, err
	}
	uWitness := math.Hypot(uBrix, 2*literatureU(brix, slope)) * slope
	at := func(tempC float64) (Place, error) {
		return s.StageAt(math.Min(math.Max(tempC, minTempC), maxTempC), pressureHPa)
	}
	var places [6]Place
	for i, t := range [...]float64{boilsC, boilsC - uWitness, boilsC + uWitness, tempC, tempC - uC, tempC + uC} {
		if i == 3 {
			if err := checkTemp(tempC); err != nil {
				return Agreement{}, err
			}
		}
		if places[i], err = at(t); err != nil {
			return Agreement{}, err
		}
	}
	a := Agreement{Witness: places[0].Label, Thermometer: places[3].Label}
	switch {
	case places[4].Position > places[2].Position:
		a.Steps = places[4].Position - places[2].Position
	case places[5].Position < places[1].Position:
		a.Steps = places[5].Position - places[1].Position
	}
	a.Contradicts = math.Abs(a.Steps) >= 1
	a.TouchesWithinU = !a.Contradicts && places[0].Position != places[3].Position
	switch {
	case a.Contradicts && a.Steps > 0:
		a.LikelyErrorC = tempC - boilsC - uWitness
	case a.Contradicts:
		a.LikelyErrorC = tempC - boilsC + uWitness
	}
	return a, nil
}
