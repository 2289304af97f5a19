package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
)

func calcActivity() *cobra.Command {
	var water, moisture, ph string
	var crystallised, packaged bool
	c := reckoning(&cobra.Command{Use: "activity KIND=MASS ...", Short: "Water activity of a finished product, by three routes; for a qualified person", Args: cobra.MinimumNArgs(1),
		Long:    "Estimates the water activity of a finished product. It takes " + solidHelp + ". It informs a qualified person and decides nothing.",
		Example: "  kettlebook calc activity sucrose=2kg glucose-syrup=1kg:42 --moisture 12% --ph 5"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := map[string]string{"water_kg": "--water", "moisture_pct": "--moisture", "ph": "--ph"}
			q := &sv.WaterActivityRequest{Crystallised: crystallised, Packaged: packaged}
			var err error
			if q.Solids, err = blendOf(args, "solids", at); err != nil {
				return err
			}
			switch {
			case water != "" && moisture != "":
				return usage("give --water or --moisture, not both")
			case water != "":
				kg, err := quantity("--water", water, kgUnits)
				if err != nil {
					return err
				}
				q.Water = &sv.WaterActivityRequest_WaterKg{WaterKg: kg}
			case moisture != "":
				pct, err := quantity("--moisture", moisture, pctUnits)
				if err != nil {
					return err
				}
				q.Water = &sv.WaterActivityRequest_MoisturePct{MoisturePct: pct}
			default:
				return usage("how much water is in it?\nhint: --water 0.3kg, or --moisture 12%%")
			}
			if q.Ph, err = optionalQuantity("--ph", ph, noUnits); err != nil {
				return err
			}
			m, err := r.WaterActivity(ctx, q)
			return answer(r, m, err, at, r.out.activity)
		})
	f := c.Flags()
	f.StringVar(&water, "water", "", "water in the product: 0.3kg")
	f.StringVar(&moisture, "moisture", "", "water in the whole product: 12%")
	f.StringVar(&ph, "ph", "", "pH, for the interaction tables of water activity and pH")
	f.BoolVar(&crystallised, "crystallised", false, "fondant, fudge and the like: part of the sucrose is crystal")
	f.BoolVar(&packaged, "packaged", false, "heat-treated to destroy vegetative cells and then packaged")
	return c
}

func (p *printer) activity(m *sv.WaterActivityResponse) {
	p.line(0, fmt.Sprintf("Water activity %s at 25 degC, between %s and %s.", figure(m.GetAw(), 2), figure(m.GetLowAw(), 2), figure(m.GetHighAw(), 2)))
	crystal := ""
	if m.GetCrystalKg() > 0 {
		crystal = figure(m.GetCrystalKg(), 3) + " kg"
	}
	p.fields(2, "moisture", percent(m.GetMoisturePct()), "sucrose as crystal", crystal)
	if m.GetInteraction() != "" {
		p.line(2, fmt.Sprintf("table %s, at the upper end: %s", m.GetInteractionTable(), m.GetInteraction()))
	}
	p.line(0, "By route:")
	for _, r := range m.GetRoutes() {
		used := ""
		if !r.GetValid() {
			used = ", does not hold here"
		}
		p.line(2, fmt.Sprintf("%s  %s%s (%s)", figure(r.GetAw(), 3), r.GetName(), used, r.GetNote()))
	}
	p.line(0, "Against published limits:")
	for _, l := range m.GetLimits() {
		p.line(2, fmt.Sprintf("%s  %s (%s)", figure(l.GetAw(), 2), l.GetStanding(), l.GetSays()))
	}
	p.line(0, m.GetNotice())
}

func calcYield() *cobra.Command {
	var a airFlags
	var pulled, solids, u, inverted, actual, actualU, handling, handlingU, start string
	c := reckoning(&cobra.Command{Use: "yield DRY-SOLIDS", Short: "The yield that dry solids make, weighed against what came out", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc yield 6.3kg --solids 86% --actual 7.1kg\n  kettlebook calc yield 6.3kg --pulled 110C --u 0.4C --pressure 843.1hPa --start 70%"},
		func(ctx context.Context, r *reckoner, args []string) error {
			q := &sv.YieldOfRequest{}
			var err error
			if q.DrySolidsKg, err = quantity(args[0], args[0], kgUnits); err != nil {
				return err
			}
			switch {
			case pulled != "" && solids != "":
				return usage("give --pulled or --solids, not both")
			case pulled != "":
				t, err := tempC("--pulled", pulled)
				if err != nil {
					return err
				}
				q.At = &sv.YieldOfRequest_TempC{TempC: t}
				if q.Air, err = a.air(); err != nil {
					return err
				}
				if q.U, err = spanC("--u", u); err != nil {
					return err
				}
			case solids != "":
				pct, err := quantity("--solids", solids, pctUnits)
				if err != nil {
					return err
				}
				q.At = &sv.YieldOfRequest_SolidsPct{SolidsPct: pct}
				if u != "" {
					if q.U, err = quantity("--u", u, pctUnits); err != nil {
						return err
					}
				}
			default:
				return usage("how far was it boiled?\nhint: --pulled 110C with the air pressure, or --solids 86%%")
			}
			for _, o := range []struct {
				flag, text string
				units      map[string]float64
				to         **float64
			}{
				{"--actual", actual, kgUnits, &q.ActualKg}, {"--handling", handling, noUnits, &q.HandlingShare}, {"--handling-u", handlingU, noUnits, &q.HandlingUShare},
				{"--start", start, pctUnits, &q.StartSolidsPct},
			} {
				if *o.to, err = optionalQuantity(o.flag, o.text, o.units); err != nil {
					return err
				}
			}
			for _, o := range []struct {
				flag, text string
				units      map[string]float64
				to         *float64
			}{{"--inverted", inverted, noUnits, &q.InvertedShare}, {"--actual-u", actualU, kgUnits, &q.ActualUKg}} {
				if o.text == "" {
					continue
				}
				if *o.to, err = quantity(o.flag, o.text, o.units); err != nil {
					return err
				}
			}
			m, err := r.YieldOf(ctx, q)
			at := fields(airFields("air"), map[string]string{
				"dry_solids_kg": args[0], "temp_c": "--pulled", "solids_pct": "--solids", "u": "--u", "inverted_share": "--inverted", "actual_kg": "--actual",
				"actual_u_kg": "--actual-u", "handling_share": "--handling", "handling_u_share": "--handling-u", "start_solids_pct": "--start",
			})
			return answer(r, m, err, at, r.out.yield)
		})
	a.flags(c)
	f := c.Flags()
	f.StringVar(&pulled, "pulled", "", "corrected temperature of the pull: 110C")
	f.StringVar(&solids, "solids", "", "solids at the pull, when they are known otherwise: 86%")
	f.StringVar(&u, "u", "", "uncertainty (k = 2) of the one given: 0.4C or 1%")
	f.StringVar(&start, "start", "", "solids at the start, to tell the water boiled off: 70%")
	f.StringVar(&actual, "actual", "", "what came out: 7.1kg")
	f.StringVar(&actualU, "actual-u", "", "uncertainty (k = 2) of weighing it: 20g")
	f.StringVar(&handling, "handling", "", "share that stays on pans and slab, 0.015 when absent")
	f.StringVar(&handlingU, "handling-u", "", "uncertainty (k = 2) of that share, 0.02 when absent")
	f.StringVar(&inverted, "inverted", "", "share of the solids that is sucrose which inverts, 0 to 1")
	return c
}

func kilograms(v float64) string { return figure(v, 3) + " kg" }

func (p *printer) yield(m *sv.YieldOfResponse) {
	p.line(0, fmt.Sprintf("Expected yield %s, U %s kg, before handling.", kilograms(m.GetExpectedKg()), upward(m.GetUKg(), 3)))
	p.fields(2, "solids", orNothing(m.SolidsPct, percent), "water left", kilograms(m.GetWaterKg()), "water boiled off", orNothing(m.EvaporatedKg, kilograms), "pressure", "")
	b := m.GetBalance()
	if b == nil {
		return
	}
	verdict := "explained"
	if b.GetUnexplained() {
		verdict = "not explained: look for a spill, a sample, a wrong weight"
		if b.GetUnexplainedKg() < 0 {
			verdict = "not explained: more came out than the solids can make; look for a wrong weight, or a thermometer that reads high"
		}
	}
	p.fields(2, "loss", kilograms(b.GetLossKg())+", "+percent(b.GetLossPct()), "of it handling", kilograms(b.GetHandlingKg()),
		"the rest", kilograms(b.GetUnexplainedKg())+", U "+upward(b.GetUKg(), 3)+" kg", "which is", verdict)
}

func calcScale() *cobra.Command {
	var from, to, step string
	c := reckoning(&cobra.Command{Use: "scale NAME=MASS ...", Short: "Scale a formula to a wanted yield, rounded so that the total is kept", Args: cobra.MinimumNArgs(1),
		Example: "  kettlebook calc scale --yield 6kg --want 9kg --step 5g sugar=5kg water=2kg salt=12g"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := map[string]string{"formula_yield_kg": "--yield", "wanted_yield_kg": "--want", "step_kg": "--step"}
			q := &sv.ScaleFormulaRequest{}
			for i, text := range args {
				name, mass, ok := strings.Cut(text, "=")
				if !ok {
					return usage("%s: how much of it?\nhint: %s=500g", text, text)
				}
				kg, err := quantity(text, mass, kgUnits)
				if err != nil {
					return err
				}
				at[fmt.Sprintf("lines[%d]", i)] = text
				q.Lines = append(q.Lines, &sv.FormulaLine{Name: name, Kg: kg})
			}
			for _, o := range []struct {
				flag, text string
				to         *float64
			}{{"--yield", from, &q.FormulaYieldKg}, {"--want", to, &q.WantedYieldKg}, {"--step", step, &q.StepKg}} {
				if o.text == "" {
					return usage("%s is needed\nhint: %s 6kg", o.flag, o.flag)
				}
				var err error
				if *o.to, err = quantity(o.flag, o.text, kgUnits); err != nil {
					return err
				}
			}
			m, err := r.ScaleFormula(ctx, q)
			return answer(r, m, err, at, func(m *sv.ScaleFormulaResponse) {
				r.out.line(0, fmt.Sprintf("Times %s; together %s.", figure(m.GetFactor(), 4), grams(m.GetTotalKg())))
				var rows [][]string
				for _, l := range m.GetLines() {
					rows = append(rows, []string{l.GetName(), grams(l.GetKg()), grams(l.GetExactKg()), plus(l.GetChangePct(), 2) + " %"})
				}
				r.out.table([]string{"WEIGH", "AMOUNT", "EXACT", "ROUNDED BY"}, rows)
				r.out.fields(2, "each within", grams(m.GetWithinKg()))
			})
		})
	c.Flags().StringVar(&from, "yield", "", "what the formula yields: 6kg")
	c.Flags().StringVar(&to, "want", "", "what is wanted: 9kg")
	c.Flags().StringVar(&step, "step", "1g", "step of the scale")
	return c
}

// grams writes a mass to a tenth of a gram, in kilograms from one on.
func grams(kg float64) string {
	if kg >= 1 {
		return figure(kg, 4) + " kg"
	}
	return figure(kg*1000, 1) + " g"
}
