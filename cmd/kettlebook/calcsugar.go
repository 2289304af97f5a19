package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

func calcLimit() *cobra.Command {
	var a airFlags
	var l limitFlags
	c := reckoning(&cobra.Command{Use: "limit LIMIT", Short: "Where a cook limit stands at the kitchen's pressure", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc limit 114C..116C --pressure 843.1hPa\n  kettlebook calc limit 157C --elevation 1480m"},
		func(ctx context.Context, r *reckoner, args []string) error {
			air, limit, err := airAndLimit(&a, &l, args[0])
			if err != nil {
				return err
			}
			m, err := r.MoveLimit(ctx, &sv.MoveLimitRequest{Limit: limit, Air: air})
			return answer(r, m, err, fields(airFields("air"), limitFields(args[0])), func(m *sv.MoveLimitResponse) {
				r.out.line(0, "The limit is "+l.basisText()+".")
				low, high := m.GetLow(), m.GetHigh()
				if low != nil && high != nil && low.GetWrittenC() == high.GetWrittenC() {
					low = nil
					r.out.bound("", high)
				} else {
					r.out.bound("lower: ", low)
					r.out.bound("upper: ", high)
				}
				r.out.fields(2, "pressure", airText(m.GetAir()))
			})
		})
	a.flags(c)
	l.flags(c)
	return c
}

func (p *printer) bound(which string, b *sv.MovedBound) {
	if b == nil {
		return
	}
	p.line(0, fmt.Sprintf("%s%s written is %s here, U %s degC.", which, celsiusText(b.GetWrittenC()), both(b.GetHereC()), upward(b.GetUC(), 2)))
	p.fields(2, "solids", orNothing(b.SolidsPct, percent), "at standard pressure", celsiusText(b.GetStandardC()), "moves by", figure(b.GetSlopeCPerHpa(), 4)+" degC for each hPa",
		"by water's own shift", orNothing(b.WaterRuleC, celsiusText), "which is too high by", orNothing(b.ShortfallC, celsiusText),
		"by 1 degF a 500 ft", orNothing(b.FootRuleC, celsiusText))
}

func percent(v float64) string { return figure(v, 1) + " %" }

// solidKinds are the words for dissolved solids.
var solidKinds = map[string]sv.SolidKind{
	"sucrose": sv.SolidKind_SOLID_KIND_SUCROSE, "glucose-syrup": sv.SolidKind_SOLID_KIND_GLUCOSE_SYRUP, "invert": sv.SolidKind_SOLID_KIND_INVERT_SUGAR,
	"honey": sv.SolidKind_SOLID_KIND_HONEY, "lactose": sv.SolidKind_SOLID_KIND_LACTOSE, "milk-protein": sv.SolidKind_SOLID_KIND_MILK_PROTEIN,
	"starch": sv.SolidKind_SOLID_KIND_GEL_STARCH, "sorbitol": sv.SolidKind_SOLID_KIND_SORBITOL, "glycerol": sv.SolidKind_SOLID_KIND_GLYCEROL,
	"salt": sv.SolidKind_SOLID_KIND_SALT, "acid": sv.SolidKind_SOLID_KIND_ACID, "fat": sv.SolidKind_SOLID_KIND_FAT,
}

const solidHelp = "dry solids, such as sucrose=2kg and glucose-syrup=1kg:42 (dextrose equivalent behind the colon); also invert, honey, lactose, milk-protein, starch, sorbitol, glycerol, salt, acid, fat"

// blendOf reads KIND=MASS or KIND=MASS:DE, and notes which argument each came from.
func blendOf(args []string, field string, at map[string]string) ([]*sv.BlendComponent, error) {
	var out []*sv.BlendComponent
	for i, text := range args {
		word, mass, ok := strings.Cut(text, "=")
		kind := solidKinds[word]
		if !ok || kind == 0 {
			return nil, usage("%s: no such solids\nhint: %s", text, solidHelp)
		}
		mass, de, hasDE := strings.Cut(mass, ":")
		c := &sv.BlendComponent{Kind: kind}
		var err error
		if c.Kg, err = quantity(text, mass, kgUnits); err != nil {
			return nil, err
		}
		if hasDE {
			if c.DextroseEquivalent, err = quantity(text, de, noUnits); err != nil {
				return nil, err
			}
		}
		at[fmt.Sprintf("%s[%d]", field, i)] = text
		out = append(out, c)
	}
	return out, nil
}

func calcSolids() *cobra.Command {
	var a airFlags
	var u string
	var blend []string
	c := reckoning(&cobra.Command{Use: "solids TEMPERATURE|SOLIDS", Short: "Solids from a boiling temperature, or the boiling temperature of solids", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc solids 112C --pressure 843.1hPa\n  kettlebook calc solids 85% --elevation 1480m --of sucrose=2kg --of glucose-syrup=1kg:42"},
		func(ctx context.Context, r *reckoner, args []string) error {
			air, err := a.air()
			if err != nil {
				return err
			}
			at := fields(airFields("air"), map[string]string{"temp_c": args[0], "solids_pct": args[0], "u": "--u", "blend": "--of"})
			q := &sv.SolidsRequest{Air: air}
			if strings.HasSuffix(args[0], "%") {
				pct, err := quantity(args[0], args[0], pctUnits)
				if err != nil {
					return err
				}
				q.Known = &sv.SolidsRequest_SolidsPct{SolidsPct: pct}
				if u != "" {
					if q.U, err = quantity("--u", u, pctUnits); err != nil {
						return err
					}
				}
			} else {
				t, err := tempC(args[0], args[0])
				if err != nil {
					return err
				}
				q.Known = &sv.SolidsRequest_TempC{TempC: t}
				if q.U, err = spanC("--u", u); err != nil {
					return err
				}
			}
			if q.Blend, err = blendOf(blend, "blend", at); err != nil {
				return err
			}
			m, err := r.Solids(ctx, q)
			return answer(r, m, err, at, func(m *sv.SolidsResponse) {
				switch {
				case m.GetBeyondData():
					r.out.line(0, celsiusText(m.GetBoilingC())+" lies beyond the sucrose data: above 98 % solids no figure is given.")
				case m.SolidsUPct != nil:
					r.out.line(0, fmt.Sprintf("A syrup that boils at %s here holds %s solids, U %s percentage points.", both(m.GetBoilingC()), percent(m.GetSolidsPct()), upward(m.GetSolidsUPct(), 1)))
				default:
					r.out.line(0, fmt.Sprintf("A syrup of %s solids boils at %s here, U %s degC.", percent(m.GetSolidsPct()), both(m.GetBoilingC()), upward(m.GetBoilingUC(), 1)))
				}
				r.out.fields(2, "as sucrose", orNothing(m.EquivalentPct, percent), "stage", m.GetStage(), "pressure", airText(m.GetAir()))
			})
		})
	a.flags(c)
	c.Flags().StringVar(&u, "u", "", "uncertainty (k = 2) of what is given: 0.5C, or 1%")
	c.Flags().StringArrayVar(&blend, "of", nil, "when it is not sucrose alone: "+solidHelp)
	return c
}

func calcBlend() *cobra.Command {
	var solids string
	c := reckoning(&cobra.Command{Use: "blend KIND=MASS ...", Short: "A syrup that is not all sucrose, reduced to sucrose", Args: cobra.MinimumNArgs(1),
		Long: "Reduces a syrup that is not all sucrose to sucrose. It takes " + solidHelp + ".", Example: "  kettlebook calc blend sucrose=2kg glucose-syrup=1kg:42 --solids 80%"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := map[string]string{"solids_pct": "--solids"}
			list, err := blendOf(args, "components", at)
			if err != nil {
				return err
			}
			q := &sv.BlendRequest{Components: list}
			if q.SolidsPct, err = optionalQuantity("--solids", solids, pctUnits); err != nil {
				return err
			}
			m, err := r.Blend(ctx, q)
			return answer(r, m, err, at, func(m *sv.BlendResponse) {
				r.out.line(0, fmt.Sprintf("%s kg dissolved solids count as %s kg of sucrose: factor %s.", figure(m.GetDissolvedKg(), 3), figure(m.GetEquivalentKg(), 3), figure(m.GetFactor(), 3)))
				var rows [][]string
				for _, s := range m.GetComponents() {
					rows = append(rows, []string{s.GetName(), figure(s.GetFactor(), 2), figure(s.GetEquivalentKg(), 3)})
				}
				r.out.table([]string{"SOLIDS", "FACTOR", "AS SUCROSE kg"}, rows)
				r.out.fields(2, "sucrose", percent(100*m.GetSucroseShare()), "as sucrose", orNothing(m.EquivalentPct, percent),
					"U of a boiling point", orNothing(m.BoilingUC, func(v float64) string { return upward(v, 1) + " degC" }))
			})
		})
	c.Flags().StringVar(&solids, "solids", "", "dissolved solids, to give them as sucrose too: 80%")
	return c
}

func calcStages() *cobra.Command {
	var a airFlags
	var u string
	var uses bool
	c := reckoning(&cobra.Command{Use: "stages [TEMPERATURE]", Short: "The stages of boiled sugar here, and the stage of a corrected temperature", Args: cobra.MaximumNArgs(1),
		Example: "  kettlebook calc stages --pressure 843.1hPa\n  kettlebook calc stages 112C --elevation 1480m --uses"},
		func(ctx context.Context, r *reckoner, args []string) error {
			air, err := a.air()
			if err != nil {
				return err
			}
			q := &sv.StagesRequest{Air: air}
			at := airFields("air")
			if len(args) == 1 {
				at["temp_c"], at["temp_u_c"] = args[0], "--u"
				if q.TempC, err = optionalTempC(args[0], args[0]); err != nil {
					return err
				}
			}
			if q.TempUC, err = spanC("--u", u); err != nil {
				return err
			}
			m, err := r.Stages(ctx, q)
			return answer(r, m, err, at, func(m *sv.StagesResponse) { r.out.stages(m, q, uses) })
		})
	a.flags(c)
	c.Flags().StringVar(&u, "u", "", "uncertainty (k = 2) of the temperature: 0.5C")
	c.Flags().BoolVar(&uses, "uses", false, "also what each stage is cooked for, and what a drop does in cold water")
	return c
}

func (p *printer) stages(m *sv.StagesResponse, q *sv.StagesRequest, uses bool) {
	if pl := m.GetPlace(); pl != nil {
		p.line(0, fmt.Sprintf("%s here is %s.", both(q.GetTempC()), pl.GetLabel()))
		disagree := ""
		if pl.GetSoftEdge() {
			disagree = "yes, here"
		}
		p.fields(2, "within U also", strings.Join(pl.GetWithinU(), "; "), "at standard pressure", celsiusText(pl.GetStandardC()), "published tables disagree", disagree)
	}
	var rows [][]string
	for _, b := range m.GetBands() {
		solids := "a temperature"
		if b.GetBasis() == kb.LimitBasis_LIMIT_BASIS_SOLIDS {
			solids = figure(b.GetLowPct(), 1) + " to " + percent(b.GetHighPct())
		}
		rows = append(rows, []string{
			b.GetName(), figure(b.GetLowC(), 1) + " to " + figure(b.GetHighC(), 1), figure(b.GetLowC()*1.8+32, 1) + " to " + figure(b.GetHighC()*1.8+32, 1), solids, upward(b.GetUC(), 2),
		})
	}
	p.table([]string{"STAGE", "degC HERE", "degF HERE", "SOLIDS", "U degC"}, rows)
	p.line(0, "Above "+celsiusText(m.GetBurntAboveC())+" it is burnt.")
	p.fields(2, "pressure", airText(m.GetAir()))
	if !uses {
		return
	}
	for _, b := range m.GetBands() {
		p.line(0, b.GetName()+": "+b.GetColdWater())
		for _, u := range b.GetUses() {
			p.line(2, u.GetProduct()+" ("+u.GetSource()+")")
		}
	}
}
