package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func checkCommand() *cobra.Command {
	return family("check", "Accuracy checks of thermometers", checkRecord(), checkList())
}

func checkRecord() *cobra.Command {
	var at, adjusted string
	c := writing(&cobra.Command{
		Use:   "record INSTRUMENT POINT...",
		Short: "Record a check and see what it showed",
		Long: "Records one check of a thermometer with its points, and says what they showed. A point is\n" +
			"what the thermometer read, and after commas what belongs to it:\n" +
			"  ice=0.2C            melting ice; crushed or cubes\n" +
			"  boiling=95.1C       boiling water; pressure=843.1 (hPa, read in the kitchen) or\n" +
			"                      altimeter=1016.2 (a sea-level figure); rolling (a hard boil was seen)\n" +
			"  comparison=149.2C   beside a reference: with=REF-1,showed=150.0C\n" +
			"  and for each: at=05:45, left (read after an adjustment), note=WORDS (takes the rest)\n" +
			"Points read before an adjustment are as found, those marked left are as left; say what was\n" +
			"done with --adjusted. Nobody types a result: it is worked out.",
		Example: "  kettlebook check record TH-01 ice=0.2C,crushed boiling=95.1C,pressure=843.1 --as OL --dir k\n" +
			"  kettlebook check record TH-02 ice=2.0C ice=0.1C,left --adjusted \"turned the nut\" --as OL --dir k",
		Args: cobra.MinimumNArgs(2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m := &kb.Check{CheckId: s.request, InstrumentId: args[0], Adjusted: adjusted != "", Adjustment: adjusted}
		now := time.Now()
		zone := s.zone(ctx)
		start, err := parseTime("--at", at, zone, now)
		if err != nil {
			return err
		}
		type read struct {
			text  string
			point *kb.CheckPoint
		}
		var points []read
		for _, text := range args[1:] {
			p, err := parsePoint(text, zone, now)
			if err != nil {
				return err
			}
			if p.At == nil {
				p.At = start
			}
			points = append(points, read{text, p})
		}
		slices.SortStableFunc(points, func(a, b read) int {
			return cmp.Or(a.point.GetAt().AsTime().Compare(b.point.GetAt().AsTime()), cmp.Compare(a.point.GetPhase(), b.point.GetPhase()))
		})
		from := map[string]string{"check.instrument_id": args[0], "check.adjustment": "--adjusted", "check.check_id": "--request-id"}
		for i, p := range points {
			m.Points = append(m.Points, p.point)
			from[fmt.Sprintf("check.points[%d]", i)] = p.text
		}
		r, err := s.Check.RecordCheck(ctx, &sv.RecordCheckRequest{RequestId: s.request, Check: m})
		if err == nil && !s.json {
			s.out.assessedCheck(r.GetAssessment(), zone)
		}
		return s.answered(r, err, from)
	})
	c.Flags().StringVar(&at, "at", "", atHelp)
	c.Flags().StringVar(&adjusted, "adjusted", "", "it was adjusted between the points: what was done")
	return c
}

// parsePoint reads boiling=95.1C,pressure=843.1,at=05:45.
func parsePoint(text string, zone *time.Location, now time.Time) (*kb.CheckPoint, error) {
	c, err := parseClaim(text, "pressure", "altimeter", "rolling", "crushed", "cubes", "with", "showed", "at", "left", "note")
	if err != nil {
		return nil, err
	}
	kind, err := parseEnum(text, c.head, kb.PointKind(0).Descriptor())
	if err != nil {
		return nil, err
	}
	p := &kb.CheckPoint{Kind: kb.PointKind(kind), ReferenceId: c.more["with"], Note: c.more["note"], RollingBoilSeen: c.more["rolling"] != "", Phase: kb.CheckPhase_CHECK_PHASE_AS_FOUND}
	if p.Reading, err = parseTemperature(text, c.value); err != nil {
		return nil, err
	}
	if p.ReferenceReading, err = optionalTemperature(text, c.more["showed"]); err != nil {
		return nil, err
	}
	switch {
	case c.more["pressure"] != "" && c.more["altimeter"] != "":
		return nil, usage("%s: give pressure or altimeter, not both", text)
	case c.more["pressure"] != "":
		p.PressureKind = kb.PressureKind_PRESSURE_KIND_MEASURED
	case c.more["altimeter"] != "":
		p.PressureKind = kb.PressureKind_PRESSURE_KIND_ALTIMETER
	}
	if p.PressureHpa, err = optionalDecimal(text, cmp.Or(c.more["pressure"], c.more["altimeter"])); err != nil {
		return nil, err
	}
	switch {
	case c.more["crushed"] != "":
		p.Ice = kb.IceQuality_ICE_QUALITY_CRUSHED
	case c.more["cubes"] != "":
		p.Ice = kb.IceQuality_ICE_QUALITY_CUBES
	}
	if c.more["left"] != "" {
		p.Phase = kb.CheckPhase_CHECK_PHASE_AS_LEFT
	}
	if c.more["at"] != "" {
		p.At, err = parseTime(text, c.more["at"], zone, now)
	}
	return p, err
}

func checkList() *cobra.Command {
	return listing(&cobra.Command{Use: "list INSTRUMENT", Short: "List the checks of an instrument, latest first", Args: cobra.ExactArgs(1)},
		[]string{"WHEN", "AS FOUND", "AS LEFT", "MAY BE USED", "POINTS"},
		func(ctx context.Context, s *session, args []string, size int32, token string) (*sv.ListChecksResponse, error) {
			return s.Check.ListChecks(ctx, &sv.ListChecksRequest{InstrumentId: args[0], PageSize: size, PageToken: token})
		},
		func(ctx context.Context, s *session, a *kb.CheckAssessment) []string {
			var points []string
			for _, p := range a.GetPoints() {
				points = append(points, records.PointWord(p.GetPoint().GetKind())+" "+records.FormatTemperature(p.GetPoint().GetReading()))
			}
			left := ""
			if a.GetAdjusted() {
				left = records.ResultWord(a.GetAsLeft())
			}
			return []string{minute(a.GetAt(), s.zone(ctx)), records.ResultWord(a.GetAsFound()), left, yesNo(a.GetMayBeUsed()), strings.Join(points, ", ")}
		})
}

func pressureCommand() *cobra.Command {
	return family("pressure", "The air pressure in the kitchen", pressureRecord(), pressureShow())
}

func pressureRecord() *cobra.Command {
	var at string
	var altimeter bool
	c := writing(&cobra.Command{
		Use:   "record HPA",
		Short: "Record a pressure read on the barometer",
		Long: "Records the air pressure of the kitchen in hPa, as read and not reduced to sea level. A\n" +
			"weather station's or airfield's figure is one reduced to sea level: mark it --altimeter.",
		Example: "  kettlebook pressure record 843.1 --as OL --dir k",
		Args:    cobra.ExactArgs(1),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m := &kb.KitchenPressure{Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}
		if altimeter {
			m.Kind = kb.PressureKind_PRESSURE_KIND_ALTIMETER
		}
		var err error
		if m.PressureHpa, err = optionalDecimal(args[0], args[0]); err != nil {
			return err
		}
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		r, err := s.Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: s.request, Pressure: m})
		return s.answered(r, err, map[string]string{"pressure.pressure_hpa": args[0], "pressure.at": "--at"})
	})
	c.Flags().StringVar(&at, "at", "", atHelp)
	c.Flags().BoolVar(&altimeter, "altimeter", false, "the figure is an altimeter setting, reduced to sea level")
	return c
}

func pressureShow() *cobra.Command {
	return reading(&cobra.Command{Use: "show", Short: "Show the pressure in force, and where water boils here now", Args: cobra.NoArgs},
		func(ctx context.Context, s *session, _ []string) error {
			r, err := s.Check.GetBoilingPoint(ctx, &sv.GetBoilingPointRequest{})
			if err != nil {
				return err
			}
			if s.json {
				return s.out.object(r)
			}
			s.out.fields(0, "water boils at", records.FormatMicro(r.GetBoilingMicroC(), 3)+" degC", "pressure", pressureUsed(r.GetPressure(), s.zone(ctx)))
			return nil
		})
}
