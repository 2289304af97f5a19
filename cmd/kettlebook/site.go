package main

import (
	"context"
	"fmt"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func siteCommand() *cobra.Command {
	return family("site", "The settings of the kitchen", siteShow(), sitePut())
}

func siteShow() *cobra.Command {
	return reading(&cobra.Command{Use: "show", Short: "Show the settings in force", Args: cobra.NoArgs}, func(ctx context.Context, s *session, _ []string) error {
		r, err := s.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
		if err != nil {
			return err
		}
		if s.json {
			return s.out.object(r)
		}
		settings, err := records.NewSettings(r.GetSite())
		if err != nil {
			return err
		}
		m := r.GetSite()
		profile := word(m.GetProfile())
		if profile == "" {
			profile = "food code"
		}
		s.out.fields(0, "name", m.GetName(), "address", m.GetAddress(), "elevation", records.FormatDecimal(m.GetElevationM())+" m",
			"clock", settings.Location().String(), "day starts", fmt.Sprintf("%02d:%02d", m.GetDayStartsMin()/60, m.GetDayStartsMin()%60),
			"tolerance", records.FormatMicro(settings.ToleranceC, 1)+" degC, "+records.FormatMicro(settings.ToleranceF, 1)+" degF",
			"weather", strconv.FormatFloat(settings.WeatherHPa, 'f', -1, 64)+" hPa either way when nobody read the barometer",
			"late after", settings.LateAfter.String(), "pressure serves", settings.PressureAge.String(), "rules of", profile,
			"checks", map[bool]string{true: "judged with a guard band of U"}[m.GetGuardedChecks()], "critical limits", map[bool]string{true: "judged without a guard band"}[m.GetUnguardedCritical()],
			"people", map[bool]string{true: "one person may both make and review; printed wherever it is used"}[m.GetOnePerson()])
		return nil
	})
}

// sitePut changes what flags name and keeps the rest: a settings record is
// whole each time.
func sitePut() *cobra.Command {
	flags := []struct {
		name, field, help string
		set               func(m *kb.Site, text string) error
	}{
		{"name", "name", "printed name", func(m *kb.Site, text string) error { m.Name = text; return nil }},
		{"address", "address", "address", func(m *kb.Site, text string) error { m.Address = text; return nil }},
		{"elevation", "elevation_m", "elevation above sea level in metres", decimalInto(func(m *kb.Site, d *kb.Decimal) { m.ElevationM = d })},
		{"zone", "zone", "time zone, for example Europe/Oslo", func(m *kb.Site, text string) error { m.Zone = text; return nil }},
		{"day-starts", "day_starts_min", "hour at which the production day starts", func(m *kb.Site, text string) (err error) { m.DayStartsMin, err = clockMinute(text); return err }},
		{"tolerance-c", "tolerance_c", "tolerance of Celsius and dual-scale instruments, degC", decimalInto(func(m *kb.Site, d *kb.Decimal) { m.ToleranceC = d })},
		{"tolerance-f", "tolerance_f", "tolerance of Fahrenheit-only instruments, degF", decimalInto(func(m *kb.Site, d *kb.Decimal) { m.ToleranceF = d })},
		{"weather-hpa", "weather_hpa", "half-width in hPa around a pressure that nobody read", decimalInto(func(m *kb.Site, d *kb.Decimal) { m.WeatherHpa = d })},
		{"growth", "growth_c_per_c", "growth of an error away from its checked points, degC per degC", decimalInto(func(m *kb.Site, d *kb.Decimal) { m.GrowthCPerC = d })},
		{"drift", "drift_c_per_sqrt_day", "movement of an instrument in one day, degC, growing with the square root of the days", decimalInto(func(m *kb.Site, d *kb.Decimal) { m.DriftC = d })},
		{"late-after", "late_after_min", "minutes after which an entry counts as late", minutesInto(func(m *kb.Site, n uint32) { m.LateAfterMin = n })},
		{"pressure-age", "pressure_age_min", "minutes for which a kitchen pressure serves a cook", minutesInto(func(m *kb.Site, n uint32) { m.PressureAgeMin = n })},
		{"profile", "profile", "rule book: food-code, part-117 or eu-852", func(m *kb.Site, text string) error {
			n, err := parseEnum("--profile", text, kb.RuleProfile(0).Descriptor())
			m.Profile = kb.RuleProfile(n)
			return err
		}},
		{"guarded-checks", "guarded_checks", "true: check points are judged with a guard band of U", boolInto(func(m *kb.Site, b bool) { m.GuardedChecks = b })},
		{"unguarded-critical", "unguarded_critical", "true: critical limits are judged without a guard band", boolInto(func(m *kb.Site, b bool) { m.UnguardedCritical = b })},
		{"one-person", "one_person", "true: one person may both make and review here; printed wherever it is used", boolInto(func(m *kb.Site, b bool) { m.OnePerson = b })},
	}
	texts := make([]string, len(flags))
	c := writing(&cobra.Command{
		Use:     "put --SETTING VALUE...",
		Short:   "Change settings; they hold from now on, and older days keep theirs",
		Example: "  kettlebook site put --tolerance-c 0.5 --late-after 30 --dir k",
		Args:    cobra.NoArgs,
	}, byAnyone, func(ctx context.Context, s *session, _ []string) error {
		r, err := s.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
		if err != nil {
			return err
		}
		m := proto.Clone(r.GetSite()).(*kb.Site)
		from := map[string]string{}
		changed := 0
		for i, f := range flags {
			from["site."+f.field] = "--" + f.name
			if !s.cmd.Flags().Changed(f.name) {
				continue
			}
			changed++
			if err := f.set(m, texts[i]); err != nil {
				return wrong("--"+f.name, err)
			}
		}
		if changed == 0 {
			return usage("which setting? see kettlebook site put --help")
		}
		put, err := s.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: s.request, Site: m})
		return s.answered(put, err, from)
	})
	for i, f := range flags {
		c.Flags().StringVar(&texts[i], f.name, "", f.help)
	}
	return c
}

func decimalInto(set func(*kb.Site, *kb.Decimal)) func(*kb.Site, string) error {
	return func(m *kb.Site, text string) error {
		d, err := records.ParseDecimal(text)
		set(m, d)
		return err
	}
}

func minutesInto(set func(*kb.Site, uint32)) func(*kb.Site, string) error {
	return func(m *kb.Site, text string) error {
		n, err := strconv.ParseUint(text, 10, 32)
		if err != nil {
			return fmt.Errorf("%q is no number of minutes", text)
		}
		set(m, uint32(n))
		return nil
	}
}

func boolInto(set func(*kb.Site, bool)) func(*kb.Site, string) error {
	return func(m *kb.Site, text string) error {
		b, err := strconv.ParseBool(text)
		if err != nil {
			return fmt.Errorf("%q is neither true nor false", text)
		}
		set(m, b)
		return nil
	}
}
