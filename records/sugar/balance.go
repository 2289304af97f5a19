package sugar

import (
	"fmt"
	"math"
)

// Handling is what a kitchen expects to leave on pans, scrapers and slab, as a
// share of the expected yield, with its standard uncertainty.
type Handling struct {
	Share, UShare float64
}

// DefaultHandling is 1.5 % give or take 1 % (common practice, no source; a kitchen
// sets its own from its past batches).
var DefaultHandling = Handling{Share: 0.015, UShare: 0.01}

// MassBalance sets what a cook gave against what it should have given.
type MassBalance struct {
	// ExpectedKg is before handling, ActualKg what was weighed.
	ExpectedKg, ActualKg float64
	// LossKg is expected less actual, negative for a gain; LossPct the same in
	// per cent of expected.
	LossKg, LossPct float64
	// HandlingKg is the part of the loss that handling explains.
	HandlingKg float64
	// UnexplainedKg is the rest, and UKg its expanded uncertainty (k = 2).
	UnexplainedKg, UKg float64
	// Unexplained says that the rest is larger than UKg: mass went somewhere
	// (a spill, a sample, an error of a scale), or, when negative, more came
	// out than the solids can make (a wrong weight, a thermometer reading high).
	Unexplained bool
}

// Balance compares the expected yield y with actualKg, weighed with standard
// uncertainty uActualKg, after handling h (DefaultHandling for the zero value).
// Errors: ErrNotANumber, ErrMass, ErrUncertainty.
func (y Yield) Balance(actualKg, uActualKg float64, h Handling) (MassBalance, error) {
	if err := checkMass("expected yield", y.ExpectedKg); err != nil {
		return MassBalance{}, err
	}
	if err := checkMass("yield", actualKg); err != nil {
		return MassBalance{}, err
	}
	for _, u := range [...]float64{y.UKg, uActualKg, h.UShare} {
		if err := checkU(u); err != nil {
			return MassBalance{}, err
		}
	}
	if err := finite("handling", h.Share); err != nil {
		return MassBalance{}, err
	}
	if h == (Handling{}) {
		h = DefaultHandling
	}
	if h.Share < 0 || h.Share >= 1 || h.UShare > 1 {
		return MassBalance{}, fmt.Errorf("handling %+v: %w", h, ErrMass)
	}
	m := MassBalance{ExpectedKg: y.ExpectedKg, ActualKg: actualKg, LossKg: y.ExpectedKg - actualKg}
	m.LossPct = 100 * m.LossKg / y.ExpectedKg
	m.HandlingKg = h.Share * y.ExpectedKg
	m.UnexplainedKg = m.LossKg - m.HandlingKg
	m.UKg = 2 * math.Sqrt(sq(y.UKg)+sq(uActualKg)+sq(h.UShare*y.ExpectedKg))
	m.Unexplained = math.Abs(m.UnexplainedKg) > m.UKg
	return m, nil
}

// EvaporatedKg is the water boiled off between two solids contents (per cent,
// above 0 to 100, the second not below the first): S (1/w1 - 1/w2). Errors:
// ErrNotANumber, ErrMass.
func EvaporatedKg(drySolidsKg, fromPct, toPct float64) (float64, error) {
	if err := checkMass("dry solids", drySolidsKg); err != nil {
		return 0, err
	}
	if err := finite("solids", fromPct, toPct); err != nil {
		return 0, err
	}
	if fromPct <= 0 || toPct > 100 || toPct < fromPct {
		return 0, fmt.Errorf("from %g to %g %% solids: %w", fromPct, toPct, ErrMass)
	}
	kg := drySolidsKg * 100 * (1/fromPct - 1/toPct)
	if math.IsInf(kg, 0) {
		return 0, fmt.Errorf("from %g to %g %% solids: %w", fromPct, toPct, ErrMass)
	}
	return kg, nil
}
