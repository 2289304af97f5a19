package sugar

import "errors"

// Place is where a temperature stands in the line of stages.
type Place struct {
	// Label is what to print: "soft ball", "between soft ball and firm ball",
	// "below thread", "between hard crack and caramel" or "burnt".
	Label string
	// Position is the index of the stage, or half a step between two: 1.5 is
	// between soft ball and firm ball, -0.5 below thread, 7 burnt.
	Position float64
	// StandardC is the temperature that means the same solids at standard
	// pressure, degC; the temperature itself from caramel on, and below boiling.
	StandardC float64
	// InStage says that Stage holds it; otherwise Stage is the zero value.
	InStage bool
	Stage   Stage
	// SoftEdge says that published tables disagree here: at least one prints
	// another stage, or none, for this temperature.
	SoftEdge bool
	// BeyondData says that the solids are above 98 %, so that StandardC was
	// found at constant water activity.
	BeyondData bool
}

// StageAt is the stage of a corrected temperature tempC (degC) under
// pressureHPa (50..1200 hPa). Thread to hard crack are solids contents: the
// temperature is first carried to standard pressure by the model (MoveLimit).
// Caramel is a temperature and does not move; above BurntAboveC it is burnt. Where
// two bands touch the later stage is given. Errors: as MoveLimit, but a
// temperature below the boiling point of water is "below thread", no error.
func (s Syrup) StageAt(tempC, pressureHPa float64) (Place, error) {
	if err := checkTemp(tempC); err != nil {
		return Place{}, err
	}
	if err := checkPressure(pressureHPa); err != nil {
		return Place{}, err
	}
	last := len(stages) - 1
	caramel := stages[last]
	switch {
	case tempC > BurntAboveC:
		return Place{Label: Burnt, Position: burntIndex, StandardC: tempC, SoftEdge: tempC <= caramel.HighSoftC}, nil
	case tempC >= caramel.LowC:
		return within(caramel, tempC, false), nil
	}
	m, err := s.MoveLimit(tempC, pressureHPa, StandardPressureHPa)
	if errors.Is(err, ErrNotBoiling) {
		return Place{Label: belowThread, Position: -0.5, StandardC: tempC}, nil
	}
	if err != nil {
		return Place{}, err
	}
	for i := last - 1; i >= 0; i-- {
		st := stages[i]
		if m.TempC >= st.LowC-edgeC && m.TempC <= st.HighC+edgeC {
			return within(st, m.TempC, m.BeyondData), nil
		}
		if m.TempC > st.HighC+edgeC {
			next := stages[i+1]
			return Place{
				Label:     "between " + st.Name + " and " + next.Name,
				Position:  float64(i) + 0.5,
				StandardC: m.TempC,
				// A named band of some table may reach into the gap.
				SoftEdge:   m.TempC <= st.HighSoftC || m.TempC >= next.LowSoftC,
				BeyondData: m.BeyondData,
			}, nil
		}
	}
	return Place{
		Label: belowThread, Position: -0.5, StandardC: m.TempC,
		SoftEdge: m.TempC >= stages[0].LowSoftC,
	}, nil
}

// belowThread is the label under the first stage.
const belowThread = "below thread"

// edgeC keeps a limit moved there and back, which returns to about 1e-12 degC,
// on the edge that it started from.
const edgeC = 1e-9

func within(st Stage, standardC float64, beyond bool) Place {
	return Place{
		Label: st.Name, Position: float64(st.Index), StandardC: standardC,
		InStage: true, Stage: st, BeyondData: beyond,
		SoftEdge: softInside(st.Index, standardC),
	}
}

// softInside says that the widest printed band of a neighbour reaches into the
// stage's own band at standardC.
func softInside(index int, standardC float64) bool {
	return index > 0 && standardC <= stages[index-1].HighSoftC ||
		index < len(stages)-1 && standardC >= stages[index+1].LowSoftC ||
		index == len(stages)-1 && standardC >= 176.7 // a table prints burnt from here on, from memory
}
