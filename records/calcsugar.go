package records

import (
	"errors"
	"fmt"
	"math"

	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// maxComponents is the most components of a blend.
const maxComponents = 20

// blendOf adds up what is dissolved; ok is false for sucrose alone by default.
func blendOf(field string, components []sugar.Component, w *Worked) (b sugar.Blend, ok bool, err error) {
	if len(components) == 0 {
		return b, false, nil
	}
	if len(components) > maxComponents {
		return b, false, invalid(field, fmt.Sprintf("at most %d", maxComponents), "%d components", len(components))
	}
	for i, c := range components {
		if err := aboveZero(indexed(field, i)+".kg", c.Kg, 100_000, "kg"); err != nil {
			return b, false, err
		}
		if c.DE != 0 {
			if err := finiteIn(indexed(field, i)+".dextrose_equivalent", c.DE, 20, 100, ""); err != nil {
				return b, false, err
			}
		}
		if _, err := c.Factor(); err != nil {
			return b, false, refused(indexed(field, i)+".kind", err)
		}
	}
	if b, err = sugar.NewBlend(components); err != nil {
		return b, false, refused(field, err)
	}
	if b.Estimate {
		w.source(srcGrover)
		w.note("Not sucrose alone: an estimate with a larger uncertainty.")
	}
	return b, b.Estimate, nil
}

// SolidsOf are solids and boiling temperature of a syrup, one from the other.
type SolidsOf struct {
	// BoilingC is the boiling temperature; BoilingUC its expanded uncertainty
	// (k = 2) when it was worked out, degC.
	BoilingC  float64
	BoilingUC *float64
	// SolidsPct are the dissolved solids, nil beyond the data; SolidsUPct their
	// expanded uncertainty when they were worked out, percentage points.
	SolidsPct, SolidsUPct *float64
	// EquivalentPct is the sucrose-equivalent content of a blend.
	EquivalentPct *float64
	// Estimate: not sucrose alone. BeyondData: above 98 %.
	Estimate, BeyondData bool
	// Stage is the stage at this pressure.
	Stage string
	// Air is the pressure it follows from.
	Air AirUsed
	Worked
}

// SolidsAt gives the solids of a syrup that boils at tempC (degC, with expanded
// uncertainty uC) in air. Beyond the sucrose data there is no figure. Errors:
// ErrInvalid, also for a temperature below the boiling point of water.
func SolidsAt(tempC, uC float64, a Air, blend []sugar.Component) (SolidsOf, error) {
	out, k, b, err := solids(a, blend)
	if err != nil {
		return out, err
	}
	if err := allIn(span{"temp_c", tempC, 0, 300, "degC"}, span{"u", uC, 0, 50, "degC"}); err != nil {
		return out, err
	}
	out.BoilingC = tempC
	var s sugar.Solids
	if out.Estimate {
		s, err = syrup.BlendSolidsPct(b, tempC, k.pressure.HPa)
	} else {
		s, err = syrup.SolidsPct(tempC, k.pressure.HPa)
	}
	switch {
	case errors.Is(err, sugar.ErrBeyondSucroseData) && !errors.Is(err, sugar.ErrNotBoiling):
		out.BeyondData = true
		out.note("Above 98 %% solids the sucrose data end: no figure is given, never an extrapolated one.")
	case err != nil:
		return out, refused("temp_c", err)
	default:
		// The boiling point moves with the pressure as water's does, a little more.
		slope, err := thermometry.BoilingSlopeCPerHPa(k.pressure.HPa)
		if err != nil {
			return out, refused("air", err)
		}
		standardC := math.Hypot(uC/2, slope*k.used.UHPa/2)
		out.SolidsPct, out.SolidsUPct = ptr(s.Pct), ptr(2*s.UWith(standardC))
		if out.Estimate {
			out.EquivalentPct = ptr(b.EquivalentPct(s.Pct))
		}
	}
	return out, out.stage(k)
}

// BoilingOf gives the temperature at which a syrup of solidsPct (per cent, with
// expanded uncertainty uPct) boils in air. Errors: ErrInvalid.
func BoilingOf(solidsPct, uPct float64, a Air, blend []sugar.Component) (SolidsOf, error) {
	out, k, b, err := solids(a, blend)
	if err != nil {
		return out, err
	}
	if err := allIn(span{"solids_pct", solidsPct, 0, sugar.MaxSolidsPct, "%"}, span{"u", uPct, 0, 50, "percentage points"}); err != nil {
		return out, err
	}
	if !out.Estimate {
		b, err = sugar.NewBlend([]sugar.Component{{Kind: sugar.Sucrose, Kg: 1}})
		if err != nil {
			return out, refused("blend", err)
		}
	}
	got, err := syrup.BlendBoilingC(b, solidsPct, k.pressure.HPa)
	if err != nil {
		return out, refused("solids_pct", err)
	}
	perPct, err := blendSlope(b, solidsPct, k.pressure.HPa)
	if err != nil {
		return out, refused("solids_pct", err)
	}
	slope, err := thermometry.BoilingSlopeCPerHPa(k.pressure.HPa)
	if err != nil {
		return out, refused("air", err)
	}
	out.BoilingC, out.SolidsPct = got.TempC, ptr(solidsPct)
	out.BoilingUC = ptr(2 * math.Sqrt(got.UC*got.UC+math.Pow(perPct*uPct/2, 2)+math.Pow(slope*k.used.UHPa/2, 2)))
	if out.Estimate {
		out.EquivalentPct = ptr(got.EquivalentPct)
	}
	return out, out.stage(k)
}

// blendSlope is how far the boiling point of a blend rises for one percentage
// point of solids, degC.
func blendSlope(b sugar.Blend, solidsPct, pressureHPa float64) (float64, error) {
	low, high := math.Max(solidsPct-0.5, 0), math.Min(solidsPct+0.5, sugar.MaxSolidsPct)
	if b.EquivalentPct(high) > sugar.MaxSolidsPct {
		high = solidsPct
	}
	below, err := syrup.BlendBoilingC(b, low, pressureHPa)
	if err != nil {
		return 0, err
	}
	above, err := syrup.BlendBoilingC(b, high, pressureHPa)
	return (above.TempC - below.TempC) / (high - low), err
}

func solids(a Air, components []sugar.Component) (SolidsOf, known, sugar.Blend, error) {
	var out SolidsOf
	k, err := a.work("air")
	if err != nil {
		return out, k, sugar.Blend{}, err
	}
	out.Air, out.Worked = k.used, k.Worked
	out.source(srcWater, srcSyrup, srcSpread, srcGUM)
	b, estimate, err := blendOf("blend", components, &out.Worked)
	out.Estimate = estimate
	return out, k, b, err
}

func (s *SolidsOf) stage(k known) error {
	place, err := syrup.StageAt(s.BoilingC, k.pressure.HPa)
	if err != nil {
		return refused("temp_c", err)
	}
	s.Stage = place.Label
	s.source(srcStages)
	return nil
}

// BlendShare is one component of a blend, reduced to sucrose.
type BlendShare struct {
	// Name is what it is.
	Name string
	// Factor is the sucrose-equivalent mass per mass of it, EquivalentKg that mass.
	Factor, EquivalentKg float64 // ratio, kilograms
}

// BlendOf is a blend reduced to sucrose.
type BlendOf struct {
	// Blend is the sum.
	sugar.Blend
	// Components in the order given.
	Components []BlendShare
	// EquivalentSolidsPct is the sucrose-equivalent content of the solids asked
	// for, BoilingUC what the estimate puts into their boiling temperature (k = 2,
	// degC); nil when none were.
	EquivalentSolidsPct, BoilingUC *float64
	Worked
}

// ReduceBlend reduces a syrup that is not all sucrose to sucrose; solidsPct are
// its dissolved solids in per cent, when they are known. Errors: ErrInvalid.
func ReduceBlend(components []sugar.Component, solidsPct *float64) (BlendOf, error) {
	var out BlendOf
	if len(components) == 0 {
		return out, invalid("components", "give what is dissolved", "is empty")
	}
	out.source(srcGrover)
	b, _, err := blendOf("components", components, &out.Worked)
	if err != nil {
		return out, err
	}
	out.Blend = b
	for _, c := range components {
		f, err := c.Factor()
		if err != nil {
			return out, refused("components", err)
		}
		out.Components = append(out.Components, BlendShare{Name: c.Kind.String(), Factor: f, EquivalentKg: f * c.Kg})
	}
	if solidsPct == nil {
		return out, nil
	}
	if err := finiteIn("solids_pct", *solidsPct, 0, sugar.MaxSolidsPct, "%"); err != nil {
		return out, err
	}
	boils, err := syrup.BlendBoilingC(b, *solidsPct, sugar.StandardPressureHPa)
	if err != nil {
		return out, refused("solids_pct", err)
	}
	out.EquivalentSolidsPct, out.BoilingUC = ptr(boils.EquivalentPct), ptr(2*boils.UC)
	out.source(srcSpread, srcGUM)
	return out, nil
}

// StagesHere are the stages at a kitchen's pressure.
type StagesHere struct {
	// Bands are thread to caramel; Stages what is known of each, in the same order.
	Bands  []sugar.Band
	Stages []sugar.Stage
	// Place is where the temperature asked for stands; nil when none was.
	Place *sugar.Place
	// WithinU are the labels at both ends of its uncertainty, when they differ.
	WithinU []string
	// Air is the pressure they follow from.
	Air AirUsed
	Worked
}

// StagesIn gives the bands of all stages in air, and the place of a corrected
// temperature (degC, with expanded uncertainty uC) when one is given. Errors:
// ErrInvalid.
func StagesIn(a Air, tempC *float64, uC float64) (StagesHere, error) {
	k, err := a.work("air")
	if err != nil {
		return StagesHere{}, err
	}
	out := StagesHere{Air: k.used, Worked: k.Worked, Stages: sugar.Stages()}
	out.source(srcStages, srcSyrup, srcWater, srcGUM)
	bands, err := syrup.BandsAt(k.pressure.HPa)
	if err != nil {
		return out, refused("air.pressure_hpa", err)
	}
	out.Bands = bands.List()
	if tempC == nil {
		return out, nil
	}
	if err := allIn(span{"temp_c", *tempC, 0, 300, "degC"}, span{"temp_u_c", uC, 0, 50, "degC"}); err != nil {
		return out, err
	}
	place, err := syrup.StageAt(*tempC, k.pressure.HPa)
	if err != nil {
		return out, refused("temp_c", err)
	}
	out.Place = &place
	for _, t := range []float64{*tempC - uC, *tempC + uC} {
		p, err := syrup.StageAt(math.Min(math.Max(t, 0), 300), k.pressure.HPa)
		if err != nil {
			return out, refused("temp_c", err)
		}
		if p.Label != place.Label {
			out.WithinU = append(out.WithinU, p.Label)
		}
	}
	return out, nil
}
