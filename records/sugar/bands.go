package sugar

import "errors"

// Bands are the bands of all stages at one pressure, prepared so that a stage is
// found in well under a microsecond and without memory. The zero value knows no
// stage; BandsAt makes them.
type Bands struct {
	// PressureHPa is the pressure they were made for.
	PressureHPa float64
	list        [len(stages)]Band
	between     [len(stages)]string // label of the gap below the stage of that index
}

// Band is the temperature band of one stage at a kitchen's pressure.
type Band struct {
	// Name is the stage's, Basis whether its band moved.
	Name  string
	Basis Basis
	// LowC and HighC are the band here, degC; StandardLowC and StandardHighC at
	// standard pressure.
	LowC, HighC, StandardLowC, StandardHighC float64
	// LowSoftC and HighSoftC are the soft edges here, degC (see Stage).
	LowSoftC, HighSoftC float64
	// UC is the standard uncertainty of the move at HighC, where it is largest,
	// degC; zero for caramel.
	UC float64
	// BeyondData says that a soft edge lies above 98 % solids.
	BeyondData bool
}

// BandsAt prepares the bands at pressureHPa (50..1200 hPa). Errors: as MoveLimit.
func (s Syrup) BandsAt(pressureHPa float64) (Bands, error) {
	if err := checkPressure(pressureHPa); err != nil {
		return Bands{}, err
	}
	b := Bands{PressureHPa: pressureHPa}
	for i := range stages {
		st := &stages[i]
		band := Band{
			Name: st.Name, Basis: st.Basis, LowC: st.LowC, HighC: st.HighC,
			StandardLowC: st.LowC, StandardHighC: st.HighC,
			LowSoftC: st.LowSoftC, HighSoftC: st.HighSoftC,
		}
		if st.Basis == SolidsBasis {
			if err := s.moveBand(&band, pressureHPa); err != nil {
				return Bands{}, err
			}
		}
		b.list[i] = band
		if i == 0 {
			b.between[i] = belowThread
		} else {
			b.between[i] = "between " + stages[i-1].Name + " and " + st.Name
		}
	}
	return b, nil
}

// moveBand carries the edges of a band from standard pressure.
func (s Syrup) moveBand(band *Band, pressureHPa float64) error {
	for _, edge := range [...]*float64{&band.LowC, &band.HighC, &band.LowSoftC, &band.HighSoftC} {
		x, err := s.moleFractionBoiling(*edge, StandardPressureHPa)
		beyond := errors.Is(err, ErrBeyondSucroseData) && !errors.Is(err, ErrNotBoiling)
		if err != nil && !beyond {
			return err
		}
		band.BeyondData = band.BeyondData || beyond
		if *edge, err = s.carry(x, beyond, *edge, StandardPressureHPa, pressureHPa); err != nil {
			return err
		}
	}
	m, err := s.MoveLimit(band.StandardHighC, StandardPressureHPa, pressureHPa)
	band.UC = m.UC
	return err
}

// List is a copy of the bands in order, thread to caramel.
func (b *Bands) List() []Band { return append([]Band(nil), b.list[:]...) }

// Stage is the label and the position (see Place) of a corrected temperature in
// degC at the bands' pressure: the same answer as StageAt. Errors: ErrNotANumber,
// ErrTemperature.
func (b *Bands) Stage(tempC float64) (label string, position float64, err error) {
	if err := checkTemp(tempC); err != nil {
		return "", 0, err
	}
	if tempC > BurntAboveC {
		return Burnt, burntIndex, nil
	}
	for i := len(b.list) - 1; i >= 0; i-- {
		if tempC > b.list[i].HighC+edgeC {
			return b.between[i+1], float64(i) + 0.5, nil
		}
		if tempC >= b.list[i].LowC-edgeC {
			return b.list[i].Name, float64(i), nil
		}
	}
	return belowThread, -0.5, nil
}
