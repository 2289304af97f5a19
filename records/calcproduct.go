package records

import (
	"math"
	"strings"

	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// ActivityLimit is a published limit of water activity and where a product
// stands.
type ActivityLimit struct {
	// AwLimit is the limit.
	sugar.AwLimit
	// Standing is where the product's whole range stands, in words.
	Standing string
}

// Activity is the water activity of a product.
type Activity struct {
	// WaterActivityResult are the routes and their spread.
	sugar.WaterActivityResult
	// Limits are the published ones, highest first.
	Limits []ActivityLimit
	// Interaction is the reading of the tables with pH; nil without a pH.
	Interaction *sugar.Interaction
	Worked
}

// WaterActivityOf estimates the water activity of a product from its dry solids
// and its water: waterKg in kilograms, or moisturePct in per cent of the whole.
// pH may be nil. It informs a qualified person and decides nothing. Errors:
// ErrInvalid.
func WaterActivityOf(solids []sugar.Component, waterKg, moisturePct *float64, crystallised bool, pH *float64, packaged bool) (Activity, error) {
	var out Activity
	if len(solids) == 0 {
		return out, invalid("solids", "give the dry solids of the product", "is empty")
	}
	var unused Worked
	if _, _, err := blendOf("solids", solids, &unused); err != nil {
		return out, err
	}
	p := sugar.Product{Solids: solids, Crystallised: crystallised}
	switch {
	case waterKg != nil:
		if err := aboveZero("water_kg", *waterKg, 100_000, "kg"); err != nil {
			return out, err
		}
		p.WaterKg = *waterKg
	case moisturePct != nil:
		if err := aboveZero("moisture_pct", *moisturePct, 99.9, "%"); err != nil {
			return out, err
		}
		dry := 0.0
		for _, s := range solids {
			dry += s.Kg
		}
		p.WaterKg = dry * *moisturePct / (100 - *moisturePct)
	default:
		return out, invalid("water_kg", "give the water in kilograms, or the moisture in per cent", "is missing")
	}
	got, err := sugar.EstimateWaterActivity(p)
	if err != nil {
		return out, refused("solids", err)
	}
	out.WaterActivityResult = got
	out.source("water activity: Norrish 1966 with Ross 1975, Grover 1947, Starzak and Peacock 1997 side by side",
		"their spread is the uncertainty (our inference)", "some constants of Norrish and the factors of Grover: from memory")
	for _, n := range got.Notes {
		if n != sugar.AwNotice {
			out.note("%s", n)
		}
	}
	for _, l := range sugar.AwLimits() {
		out.Limits = append(out.Limits, ActivityLimit{l, got.Against(l.Aw).String()})
	}
	if pH == nil {
		return out, nil
	}
	if err := finiteIn("ph", *pH, 0, 14, ""); err != nil {
		return out, err
	}
	cell, err := got.Interaction(*pH, packaged)
	if err != nil {
		return out, refused("ph", err)
	}
	out.Interaction = &cell
	out.source("interaction of water activity and pH: FDA Food Code 1-201.10, tables A and B, read in state adoptions")
	return out, nil
}

// YieldAsked is what a yield is worked out from.
type YieldAsked struct {
	// DrySolidsKg is the charge's dry solids, kilograms.
	DrySolidsKg float64
	// TempC is the corrected temperature of the pull (degC) or SolidsPct the solids
	// then (per cent); U the expanded uncertainty (k = 2) of the one given.
	TempC, SolidsPct *float64
	U                float64 // degC or percentage points
	// Air is the air at the pull; needed with a temperature.
	Air *Air
	// InvertedShare is the share of the solids that inverts.
	InvertedShare float64
	// ActualKg is what came out, ActualUKg its expanded uncertainty, kilograms.
	ActualKg  *float64
	ActualUKg float64
	// HandlingShare is what stays on pans, HandlingUShare its expanded uncertainty.
	HandlingShare, HandlingUShare *float64
	// StartSolidsPct are the solids at the start, per cent.
	StartSolidsPct *float64
}

// YieldFound is a yield.
type YieldFound struct {
	// Yield is what the solids make; its UKg is a standard uncertainty.
	sugar.Yield
	// EvaporatedKg is the water boiled off, kilograms; nil when not known.
	EvaporatedKg *float64
	// Balance weighs it against what came out; nil when nothing was weighed.
	Balance *sugar.MassBalance
	Worked
}

// YieldFor gives the yield that dry solids make, and weighs it against what came
// out. Errors: ErrInvalid.
func YieldFor(q YieldAsked) (YieldFound, error) {
	var out YieldFound
	if err := aboveZero("dry_solids_kg", q.DrySolidsKg, 100_000, "kg"); err != nil {
		return out, err
	}
	if err := allIn(span{"u", q.U, 0, 50, "degC or percentage points"}, span{"inverted_share", q.InvertedShare, 0, 1, ""}); err != nil {
		return out, err
	}
	out.source("yield: mass balance of the solids; inversion 18.015/342.30 of the sucrose inverted", srcGUM)
	var err error
	switch {
	case q.TempC != nil:
		if q.Air == nil {
			return out, invalid("air", "give the air at the pull", "is missing")
		}
		k, err := q.Air.work("air")
		if err != nil {
			return out, err
		}
		out.also(k.Worked)
		out.source(srcSyrup, srcSpread, srcWater)
		if err := finiteIn("temp_c", *q.TempC, 0, 300, "degC"); err != nil {
			return out, err
		}
		slope, err := thermometry.BoilingSlopeCPerHPa(k.pressure.HPa)
		if err != nil {
			return out, refused("air", err)
		}
		// The solids move with the pressure as well as with the temperature.
		standardC := math.Hypot(q.U/2, slope*k.used.UHPa/2)
		if out.Yield, err = syrup.YieldAtPull(q.DrySolidsKg, *q.TempC, standardC, k.pressure.HPa, q.InvertedShare); err != nil {
			return out, refused("temp_c", err)
		}
	case q.SolidsPct != nil:
		if err := aboveZero("solids_pct", *q.SolidsPct, 100, "%"); err != nil {
			return out, err
		}
		if *q.SolidsPct < 1 {
			return out, invalid("solids_pct", "1 to 100 %", "%g is no syrup", *q.SolidsPct)
		}
		if out.Yield, err = sugar.ExpectedYield(q.DrySolidsKg, *q.SolidsPct, q.U/2, q.InvertedShare); err != nil {
			return out, refused("solids_pct", err)
		}
	default:
		return out, invalid("temp_c", "give the temperature of the pull, or the solids then", "is missing")
	}
	if out.BeyondData {
		out.note("The pull lies above 98 %% solids: the yield is the middle of what 98 to 100 %% make.")
	}
	if err := out.evaporated(q); err != nil {
		return out, err
	}
	return out, out.balance(q)
}

func (y *YieldFound) evaporated(q YieldAsked) error {
	if q.StartSolidsPct == nil {
		return nil
	}
	if err := finiteIn("start_solids_pct", *q.StartSolidsPct, 1, 100, "%"); err != nil {
		return err
	}
	if y.BeyondData {
		return nil
	}
	kg, err := sugar.EvaporatedKg(q.DrySolidsKg, *q.StartSolidsPct, y.SolidsPct)
	if err != nil {
		return refused("start_solids_pct", err)
	}
	y.EvaporatedKg = &kg
	return nil
}

func (y *YieldFound) balance(q YieldAsked) error {
	if q.HandlingShare != nil {
		if err := finiteIn("handling_share", *q.HandlingShare, 0, 0.99, ""); err != nil {
			return err
		}
	}
	if q.HandlingUShare != nil {
		if err := finiteIn("handling_u_share", *q.HandlingUShare, 0, 1, ""); err != nil {
			return err
		}
	}
	if q.ActualKg == nil {
		return nil
	}
	if err := aboveZero("actual_kg", *q.ActualKg, 100_000, "kg"); err != nil {
		return err
	}
	if err := finiteIn("actual_u_kg", q.ActualUKg, 0, 1000, "kg"); err != nil {
		return err
	}
	h := sugar.Handling{Share: or(q.HandlingShare, sugar.DefaultHandling.Share), UShare: or(q.HandlingUShare, 2*sugar.DefaultHandling.UShare) / 2}
	if h == (sugar.Handling{}) {
		h.UShare = 1e-12 // the zero value would mean the default
	}
	if q.HandlingShare == nil || q.HandlingUShare == nil {
		y.source("what stays on pans and slab: " + srcPractice)
	}
	b, err := y.Yield.Balance(*q.ActualKg, q.ActualUKg/2, h)
	if err != nil {
		return refused("actual_kg", err)
	}
	y.Balance = &b
	return nil
}

// ScaledFormula is a formula scaled and rounded.
type ScaledFormula struct {
	// Scaled are its lines.
	sugar.Scaled
	// WithinKg is what each line is rounded by at most, kilograms.
	WithinKg float64
	Worked
}

// maxLines is the most ingredients of a formula.
const maxLines = 200

// ScaleFor scales a formula from the yield it gives to the yield wanted, in
// kilograms, each line rounded to stepKg so that the total is kept. Errors:
// ErrInvalid.
func ScaleFor(lines []sugar.Ingredient, formulaYieldKg, wantedYieldKg, stepKg float64) (ScaledFormula, error) {
	var out ScaledFormula
	if len(lines) == 0 || len(lines) > maxLines {
		return out, invalid("lines", "give 1 to 200 ingredients", "%d ingredients", len(lines))
	}
	for i, l := range lines {
		if err := text(indexed("lines", i)+".name", l.Name, 1, 80); err != nil {
			return out, err
		}
		if err := aboveZero(indexed("lines", i)+".kg", l.Kg, 100_000, "kg"); err != nil {
			return out, err
		}
	}
	if err := aboveZero("formula_yield_kg", formulaYieldKg, 100_000, "kg"); err != nil {
		return out, err
	}
	if err := aboveZero("wanted_yield_kg", wantedYieldKg, 100_000, "kg"); err != nil {
		return out, err
	}
	if err := finiteIn("step_kg", stepKg, 1e-6, 1000, "kg"); err != nil {
		return out, err
	}
	got, err := sugar.Scale(lines, formulaYieldKg, wantedYieldKg, stepKg)
	if err != nil {
		return out, refused("lines", err)
	}
	out.Scaled, out.WithinKg = got, stepKg
	out.source("scaling: largest remainders, so that the total is kept")
	var lost []string
	for _, l := range got.Lines {
		if l.Lost {
			lost = append(lost, l.Name)
		}
	}
	if len(lost) > 0 {
		out.note("Rounded to nothing: %s. Weigh on a finer scale.", strings.Join(lost, ", "))
	}
	return out, nil
}
