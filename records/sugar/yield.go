package sugar

import (
	"errors"
	"fmt"
	"math"
)

// InversionWaterShare is the water taken up when sucrose inverts, as a share of
// the sucrose inverted: 18.015268/342.2965 = 0.0526 (molar masses).
const InversionWaterShare = molWater / molSucrose

// Yield is what a cook should have given, by the mass of its dry solids.
type Yield struct {
	// ExpectedKg is dry solids divided by the solids content at the pull.
	ExpectedKg float64
	// UKg is its standard uncertainty, kg, from that of the solids content.
	UKg float64
	// SolidsPct is the solids content used, per cent by mass; zero when
	// BeyondData.
	SolidsPct float64
	// BeyondData says that the pull lies above 98 % solids: the yield is the
	// middle of what 98 to 100 % make, UKg covers both ends as a rectangle.
	BeyondData bool
	// WaterKg is the water left in the batch at the pull, kg.
	WaterKg float64
}

// ExpectedYield is the mass of syrup that drySolidsKg of dry solids make at a
// solids content solidsPct (above 0 to 100 %) with standard uncertainty uPct in
// percentage points: solids stay, so mass = solids / content. invertedShare
// (0..1) is the part of the solids that is sucrose which inverts on the way and
// takes up InversionWaterShare of its mass; 0 leaves that out. Errors:
// ErrNotANumber, ErrMass, ErrUncertainty.
func ExpectedYield(drySolidsKg, solidsPct, uPct, invertedShare float64) (Yield, error) {
	if err := checkMass("dry solids", drySolidsKg); err != nil {
		return Yield{}, err
	}
	if err := finite("solids", solidsPct, invertedShare); err != nil {
		return Yield{}, err
	}
	if err := checkU(uPct); err != nil {
		return Yield{}, err
	}
	if solidsPct <= 0 || solidsPct > 100 {
		return Yield{}, fmt.Errorf("%g %% solids: %w", solidsPct, ErrMass)
	}
	if invertedShare < 0 || invertedShare > 1 {
		return Yield{}, fmt.Errorf("share inverted %g: %w", invertedShare, ErrMass)
	}
	solids := drySolidsKg * (1 + invertedShare*InversionWaterShare)
	mass := solids * 100 / solidsPct
	if math.IsInf(mass, 0) {
		return Yield{}, fmt.Errorf("a yield from %g kg at %g %%: %w", drySolidsKg, solidsPct, ErrMass)
	}
	return Yield{
		ExpectedKg: mass,
		UKg:        mass * uPct / solidsPct,
		SolidsPct:  solidsPct,
		WaterKg:    mass - solids,
	}, nil
}

// YieldAtPull is ExpectedYield with the solids content read off the corrected
// temperature of the pull: tempC with standard uncertainty uC (degC) under
// pressureHPa. Beyond the sucrose data it is bounded, not extrapolated: the solids
// are between 98 and 100 %. Errors: those of SolidsPct otherwise, and of ExpectedYield.
func (s Syrup) YieldAtPull(drySolidsKg, tempC, uC, pressureHPa, invertedShare float64) (Yield, error) {
	if err := checkU(uC); err != nil {
		return Yield{}, err
	}
	w, err := s.SolidsPct(tempC, pressureHPa)
	if errors.Is(err, ErrBeyondSucroseData) && !errors.Is(err, ErrNotBoiling) {
		const half = 0.5 * (100 - MaxSolidsPct)
		y, err := ExpectedYield(drySolidsKg, 100-half, half/math.Sqrt(3), invertedShare)
		y.SolidsPct, y.BeyondData = 0, err == nil
		return y, err
	}
	if err != nil {
		return Yield{}, err
	}
	return ExpectedYield(drySolidsKg, w.Pct, w.UWith(uC), invertedShare)
}
