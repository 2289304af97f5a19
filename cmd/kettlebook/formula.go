package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func formulaCommand() *cobra.Command {
	return family("formula", "Formulas and their limits", formulaPut(), formulaApprove(), formulaList())
}

func formulaPut() *cobra.Command {
	m := new(kb.Formula)
	var water string
	var limits []string
	c := writing(&cobra.Command{
		Use:   "put NAME --name WORDS --limit NAME=CLASS,...",
		Short: "Enter a version of a formula",
		Long: "Enters a version of a formula; it can be cooked once somebody else has approved it. A limit\n" +
			"is NAME=CLASS (critical, operating or quality) and, after commas:\n" +
			"  low=112C, high=115C  its bounds; at least one\n" +
			"  solids               it stands for a solids content and moves with the air pressure;\n" +
			"                       then also at= and on=. Without it, it is a temperature and stays.\n" +
			"  at=standard|kitchen|HPA   the pressure it was established at\n" +
			"  on=book|corrected|dial    what it was established on\n" +
			"  highest              it binds the highest reading after the pull, not the pull\n" +
			"  note=WHY             why it is what it is; takes the rest of the argument",
		Example: "  kettlebook formula put F-FON --name \"Fondant\" --limit cook=operating,solids,low=112C,high=116C,at=standard,on=book --dir k",
		Args:    cobra.ExactArgs(1),
	}, byAnyone, func(ctx context.Context, s *session, args []string) error {
		m.FormulaId = args[0]
		at := map[string]string{"formula.formula_id": args[0], "formula.name": "--name", "formula.version": "--version", "formula.allergens": "--allergen", "formula.water_fraction": "--water", "formula.limits": "--limit"}
		for i, text := range limits {
			l, err := parseLimit(text)
			if err != nil {
				return err
			}
			m.Limits = append(m.Limits, l)
			at[fmt.Sprintf("formula.limits[%d]", i)] = "--limit " + text
		}
		var err error
		if m.WaterFraction, err = optionalDecimal("--water", water); err != nil {
			return err
		}
		r, err := s.Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: s.request, Formula: m})
		if err := s.answered(r, err, at); err != nil || s.json {
			return err
		}
		s.say("hint: have it approved: kettlebook formula approve %s --version %d", m.GetFormulaId(), m.GetVersion())
		return nil
	})
	f := c.Flags()
	f.Uint32Var(&m.Version, "version", 1, "version, counted up from 1")
	f.StringVar(&m.Name, "name", "", "what it makes")
	f.StringArrayVar(&limits, "limit", nil, "a limit of the cook, see above; give one for each")
	f.StringSliceVar(&m.Allergens, "allergen", nil, "allergens, several with commas")
	f.StringVar(&water, "water", "", "water in the charge as a fraction of its mass, 0 to 0.9")
	f.BoolVar(&m.CoolingRequired, "cooling", false, "the finished food goes on the cooling clock")
	return c
}

// parseLimit reads cook=operating,solids,low=112C,high=116C,at=standard,on=book.
func parseLimit(text string) (*kb.Limit, error) {
	c, err := parseClaim(text, "low", "high", "solids", "at", "on", "highest", "note")
	if err != nil {
		return nil, err
	}
	class, err := parseEnum("--limit "+text, c.value, kb.LimitClass(0).Descriptor())
	if err != nil {
		return nil, err
	}
	l := &kb.Limit{Name: c.head, Class: kb.LimitClass(class), Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Binds: kb.LimitBinds_LIMIT_BINDS_PULL, Reason: c.more["note"]}
	if c.more["solids"] != "" {
		l.Basis = kb.LimitBasis_LIMIT_BASIS_SOLIDS
	}
	if c.more["highest"] != "" {
		l.Binds = kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER
	}
	if l.Low, err = optionalTemperature("--limit "+text, c.more["low"]); err != nil {
		return nil, err
	}
	if l.High, err = optionalTemperature("--limit "+text, c.more["high"]); err != nil {
		return nil, err
	}
	switch at := c.more["at"]; at {
	case "":
	case "standard":
		l.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_STANDARD
	case "kitchen":
		l.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN
	default:
		l.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_STATED
		if l.EstablishedHpa, err = optionalDecimal("--limit "+text, at); err != nil {
			return nil, usage("--limit %s: %q is no pressure\nhint: at=standard, at=kitchen, or at= and a pressure in hPa", text, at)
		}
	}
	if on := c.more["on"]; on != "" {
		n, err := parseEnum("--limit "+text, on, kb.EstablishedOn(0).Descriptor())
		if err != nil {
			return nil, err
		}
		l.EstablishedOn = kb.EstablishedOn(n)
	}
	return l, nil
}

func formulaApprove() *cobra.Command {
	m := new(kb.FormulaApproval)
	c := writing(&cobra.Command{
		Use:   "approve NAME --version N",
		Short: "Let a version be used; never its author's own",
		Args:  cobra.ExactArgs(1),
	}, byAnyone, func(ctx context.Context, s *session, args []string) error {
		m.FormulaId = args[0]
		r, err := s.Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: s.request, Approval: m})
		return s.answered(r, err, map[string]string{"approval.formula_id": args[0], "approval.version": "--version"})
	})
	c.Flags().Uint32Var(&m.Version, "version", 1, "version to approve")
	return c
}

func formulaList() *cobra.Command {
	return listing(&cobra.Command{Use: "list", Short: "List formulas, all versions", Args: cobra.NoArgs},
		[]string{"FORMULA", "VERSION", "WHAT IT MAKES", "LIMITS", "ALLERGENS"},
		func(ctx context.Context, s *session, _ []string, size int32, token string) (*sv.ListFormulasResponse, error) {
			return s.Kitchen.ListFormulas(ctx, &sv.ListFormulasRequest{PageSize: size, PageToken: token})
		},
		func(_ context.Context, _ *session, m *kb.Formula) []string {
			var limits []string
			for _, l := range m.GetLimits() {
				limits = append(limits, limitAsWritten(l))
			}
			return []string{m.GetFormulaId(), fmt.Sprint(m.GetVersion()), m.GetName(), strings.Join(limits, "; "), records.AllergenText(m)}
		})
}

// limitAsWritten says a limit as it stands in the formula: cook 112 to 116
// degC by solids (operating).
func limitAsWritten(l *kb.Limit) string {
	b := l.GetName() + " " + span(records.FormatTemperature(l.GetLow()), records.FormatTemperature(l.GetHigh()))
	if l.GetBasis() == kb.LimitBasis_LIMIT_BASIS_SOLIDS {
		b += " by solids"
	}
	if l.GetBinds() == kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER {
		b += " after the pull"
	}
	return b + " (" + word(l.GetClass()) + ")"
}

// span says two bounds, of which one may be empty.
func span(low, high string) string {
	switch {
	case low == "":
		return "at most " + high
	case high == "":
		return "at least " + low
	}
	if v, unit, ok := strings.Cut(low, " "); ok && strings.HasSuffix(high, " "+unit) {
		low = v
	}
	return low + " to " + high
}
