package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func instrumentCommand() *cobra.Command {
	return family("instrument", "The register of thermometers", instrumentPut(), instrumentList())
}

func instrumentPut() *cobra.Command {
	m := new(kb.Instrument)
	var scale, kind string
	numbers := []struct {
		flag, help, field string
		set               func(*kb.Decimal)
		text              string
	}{
		{flag: "division", field: "division", help: "smallest division, in degrees of its scale (Celsius when dual)", set: func(d *kb.Decimal) { m.Division = d }},
		{flag: "read-to", field: "read_to", help: "step to which people read it; the division when absent", set: func(d *kb.Decimal) { m.ReadTo = d }},
		{flag: "from", field: "range_low", help: "lowest temperature it can show; -50 degC when absent", set: func(d *kb.Decimal) { m.RangeLow = d }},
		{flag: "to", field: "range_high", help: "highest temperature it can show; 300 degC when absent", set: func(d *kb.Decimal) { m.RangeHigh = d }},
		{flag: "tolerance", field: "tolerance", help: "its own tolerance; the site's when absent", set: func(d *kb.Decimal) { m.Tolerance = d }},
		{flag: "certificate-u", field: "certificate_u_c", help: "expanded uncertainty on the certificate, degC", set: func(d *kb.Decimal) { m.CertificateUC = d }},
		{flag: "certificate-correction", field: "certificate_correction_c", help: "correction on the certificate, degC, added to what it reads", set: func(d *kb.Decimal) { m.CertificateCorrectionC = d }},
	}
	c := writing(&cobra.Command{
		Use:     "put NAME --scale C|F|dual --division DEGREES",
		Short:   "Enter a thermometer, or what changed about one",
		Example: "  kettlebook instrument put TH-01 --scale C --division 0.5 --construction glass --serial 4471 --dir k",
		Args:    cobra.ExactArgs(1),
	}, byAnyone, func(ctx context.Context, s *session, args []string) error {
		m.InstrumentId = args[0]
		at := map[string]string{"instrument.instrument_id": args[0], "instrument.scale": "--scale", "instrument.description": "--description", "instrument.serial": "--serial", "instrument.certificate_due": "--certificate-due"}
		switch strings.ToUpper(scale) {
		case "C":
			m.Scale = kb.Scale_SCALE_CELSIUS
		case "F":
			m.Scale = kb.Scale_SCALE_FAHRENHEIT
		case "DUAL":
			m.Scale = kb.Scale_SCALE_DUAL
		default:
			return usage("--scale: %q is no scale\nhint: C, F or dual, as printed on the instrument", scale)
		}
		if kind != "" {
			n, err := parseEnum("--construction", kind, kb.Construction(0).Descriptor())
			if err != nil {
				return err
			}
			m.Construction = kb.Construction(n)
		}
		for _, n := range numbers {
			d, err := optionalDecimal("--"+n.flag, n.text)
			if err != nil {
				return err
			}
			n.set(d)
			at["instrument."+n.field] = "--" + n.flag
		}
		r, err := s.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: s.request, Instrument: m})
		return s.answered(r, err, at)
	})
	f := c.Flags()
	for i := range numbers {
		f.StringVar(&numbers[i].text, numbers[i].flag, "", numbers[i].help)
	}
	f.StringVar(&scale, "scale", "", "C, F or dual, as printed on it")
	f.StringVar(&kind, "construction", "", "glass, bimetal, thermocouple, thermistor, resistance, other")
	f.StringVar(&m.Description, "description", "", "what it is, in the kitchen's words")
	f.StringVar(&m.Serial, "serial", "", "serial number")
	f.BoolVar(&m.Reference, "reference", false, "others are compared with it; it takes no part in daily checks")
	f.StringVar(&m.Certificate, "certificate", "", "certificate number of a reference")
	f.StringVar(&m.CertificateDue, "certificate-due", "", "last day on which the certificate is valid, YYYY-MM-DD")
	f.BoolVar(&m.Retired, "retired", false, "it is out of the rack for good")
	return c
}

func instrumentList() *cobra.Command {
	return listing(&cobra.Command{Use: "list", Short: "List the instruments", Args: cobra.NoArgs},
		[]string{"NAME", "SCALE", "DIVISION", "TOLERANCE", "SERIAL", "WHAT IT IS"},
		func(ctx context.Context, s *session, _ []string, size int32, token string) (*sv.ListInstrumentsResponse, error) {
			return s.Kitchen.ListInstruments(ctx, &sv.ListInstrumentsRequest{PageSize: size, PageToken: token})
		},
		func(ctx context.Context, s *session, m *kb.Instrument) []string {
			unit := " " + records.UnitSymbol(records.InstrumentUnit(m))
			tolerance := "the site's"
			if m.GetTolerance() != nil {
				tolerance = records.FormatDecimal(m.GetTolerance()) + unit
			}
			what := []string{}
			for _, w := range []string{m.GetDescription(), word(m.GetConstruction()), map[bool]string{true: "reference"}[m.GetReference()], map[bool]string{true: "retired"}[m.GetRetired()]} {
				if w != "" && !strings.Contains(strings.ToLower(strings.Join(what, " ")), w) {
					what = append(what, w)
				}
			}
			return []string{m.GetInstrumentId(), word(m.GetScale()), records.FormatDecimal(m.GetDivision()) + unit, tolerance, m.GetSerial(), strings.Join(what, ", ")}
		})
}
