package main

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
)

func calcRack() *cobra.Command {
	var bath string
	c := reckoning(&cobra.Command{Use: "rack REFERENCE=READING NAME=READING ...", Short: "Compare a rack in one bath; the reference first", Args: cobra.MinimumNArgs(2),
		Long: "Compares thermometers in one bath with a reference, and names the odd one. Behind each reading may stand read-to=, correction= and u= " +
			"(k = 2, of the correction), in its own degrees. Without u it is taken as read, anywhere within its tolerance.",
		Example: "  kettlebook calc rack REF=150.02C,u=0.1 TH-01=150.3C,correction=-0.3,u=0.2 TH-02=304.2F"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := map[string]string{"bath_u_c": "--bath"}
			q := &sv.CompareRackRequest{}
			for i, text := range args {
				field := "reference"
				if i > 0 {
					field = fmt.Sprintf("rack[%d]", i-1)
				}
				at[field] = text
				one, err := rackReading(text)
				if err != nil {
					return err
				}
				if i == 0 {
					q.Reference = one
				} else {
					q.Rack = append(q.Rack, one)
				}
			}
			if bath != "" {
				u, err := spanC("--bath", bath)
				if err != nil {
					return err
				}
				q.BathUC = &u
			}
			m, err := r.CompareRack(ctx, q)
			return answer(r, m, err, at, func(m *sv.CompareRackResponse) {
				switch {
				case m.GetAgree():
					r.out.line(0, "All agree within their uncertainties.")
				case m.GetOddIsReference():
					r.out.line(0, "The odd one is the reference, "+m.GetOdd()+".")
				case m.GetOdd() != "":
					r.out.line(0, "The odd one is "+m.GetOdd()+".")
				default:
					r.out.line(0, "They disagree, and no single one explains it.")
				}
				var rows [][]string
				for _, l := range m.GetRack() {
					agrees := "agrees"
					if math.Abs(l.GetNormalised()) > 1 {
						agrees = "disagrees"
					}
					rows = append(rows, []string{l.GetName(), plus(l.GetErrorC(), 2), plus(l.GetDifferenceC(), 2), upward(l.GetUC(), 2), agrees})
				}
				r.out.table([]string{"DIAL", "ERROR degC", "CORRECTED LESS REFERENCE", "U degC", ""}, rows)
			})
		})
	c.Flags().StringVar(&bath, "bath", "", "uncertainty (k = 2) between two places of the bath: 0.1C")
	return c
}

func rackReading(text string) (*sv.RackReading, error) {
	c, err := parseClaim(text, "read-to", "correction", "u")
	if err != nil {
		return nil, err
	}
	t, err := parseTemperature(text, c.value)
	if err != nil {
		return nil, err
	}
	out := &sv.RackReading{Name: c.head, Unit: t.GetUnit(), Reading: float64(t.GetMicro()) / float64(records.One), ReadTo: math.Pow(10, -float64(t.GetDecimals()))}
	if v := c.more["read-to"]; v != "" {
		if out.ReadTo, err = scaled(text, v, t.GetUnit()); err != nil {
			return nil, err
		}
	}
	if v := c.more["correction"]; v != "" {
		if out.Correction, err = scaled(text, v, t.GetUnit()); err != nil {
			return nil, err
		}
	}
	if v := c.more["u"]; v != "" {
		u, err := scaled(text, v, t.GetUnit())
		if err != nil {
			return nil, err
		}
		out.CorrectionU = &u
	}
	return out, nil
}

func calcDrift() *cobra.Command {
	var tolerance, confidence, weight, on, u string
	c := reckoning(&cobra.Command{Use: "drift FILE.csv", Short: "Errors of one instrument against time: trend, charts, when it leaves the tolerance", Args: cobra.ExactArgs(1),
		Long: "Draws the errors of an instrument at one kind of point against time. The file has a line of column names: time (2026-03-02 or with a\n" +
			"time of day), error or reading and true (degC; degF with a column unit that says F), and may have u (k = 2) and adjusted (yes).",
		Example: "  kettlebook calc drift th-02-boiling.csv --tolerance 1C"},
		func(ctx context.Context, r *reckoner, args []string) error {
			q := &sv.DriftRequest{}
			var err error
			if q.Points, err = driftPoints(args[0], u); err != nil {
				return err
			}
			if tolerance != "" {
				t, err := spanC("--tolerance", tolerance)
				if err != nil {
					return err
				}
				q.ToleranceC = &t
			}
			if q.Confidence, err = optionalQuantity("--confidence", confidence, noUnits); err != nil {
				return err
			}
			if q.Weight, err = optionalQuantity("--weight", weight, noUnits); err != nil {
				return err
			}
			if on != "" {
				t, err := parseMoment("--on", on)
				if err != nil {
					return err
				}
				q.PredictAt = timestamppb.New(t)
			}
			m, err := r.Drift(ctx, q)
			at := map[string]string{"tolerance_c": "--tolerance", "confidence": "--confidence", "weight": "--weight", "predict_at": "--on", "points": args[0]}
			return answer(r, m, err, at, func(m *sv.DriftResponse) { r.out.drift(m, q) })
		})
	f := c.Flags()
	f.StringVar(&tolerance, "tolerance", "", "what is allowed of the error: 1C or 2F; 1C when absent")
	f.StringVar(&confidence, "confidence", "", "of the prediction interval; 0.95 when absent")
	f.StringVar(&weight, "weight", "", "of the newest value in the moving average; 0.3 when absent")
	f.StringVar(&on, "on", "", "also predict the error on that day: 2026-06-01")
	f.StringVar(&u, "u", "", "uncertainty (k = 2) of each error where the file gives none: 0.2C")
	return c
}

// parseMoment reads a day, or a day and a time in UTC or with its zone.
func parseMoment(argument, text string) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, time.DateOnly, "2006-01-02T15:04", "2006-01-02 15:04", time.DateTime} {
		if t, err := time.Parse(layout, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, usage("%s: %q is no time\nhint: 2026-03-02, or 2026-03-02T05:45:00-07:00", argument, text)
}

func driftPoints(file, u string) ([]*sv.DriftPoint, error) {
	rows, err := readColumns(file, []string{"time", "date"}, []string{"error", "reading"})
	if err != nil {
		return nil, err
	}
	var out []*sv.DriftPoint
	for _, row := range rows {
		p := &sv.DriftPoint{Adjusted: strings.EqualFold(row.get("adjusted"), "yes") || row.get("adjusted") == "1" || strings.EqualFold(row.get("adjusted"), "true")}
		t, err := parseMoment(row.at("time"), row.first("time", "date"))
		if err != nil {
			return nil, err
		}
		p.At = timestamppb.New(t)
		degree := "C"
		if strings.EqualFold(row.get("unit"), "F") {
			degree = "F"
		}
		if text := row.get("error"); text != "" {
			if p.ErrorC, err = spanC(row.at("error"), text+degree); err != nil {
				return nil, err
			}
		} else {
			read, err := tempC(row.at("reading"), row.get("reading")+degree)
			if err != nil {
				return nil, err
			}
			is, err := tempC(row.at("true"), row.get("true")+degree)
			if err != nil {
				return nil, err
			}
			p.ErrorC = read - is
		}
		stated := u
		if row.get("u") != "" {
			stated = row.get("u") + degree
		}
		if p.UC, err = spanC(row.at("u"), stated); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

func (p *printer) drift(m *sv.DriftResponse, q *sv.DriftRequest) {
	day := func(t *timestamppb.Timestamp) string {
		if t == nil {
			return "not within ten years"
		}
		return t.AsTime().Format(time.DateOnly)
	}
	if t := m.GetTrend(); t != nil {
		p.line(0, fmt.Sprintf("The error moves by %s degC in 30 days, U %s degC; it stands at %s degC.", plus(t.GetSlopeCPer_30Days(), 3), upward(t.GetSlopeUCPer_30Days(), 3), plus(t.GetErrorC(), 2)))
		shown := "shown"
		if !t.GetSlopeShown() {
			shown = "not shown: its interval holds zero"
		}
		interval := "calibrate now"
		if t.GetIntervalDays() > 0 {
			interval = fmt.Sprintf("%d days", t.GetIntervalDays())
		}
		predicted := ""
		if t.PredictedLowC != nil {
			predicted = fmt.Sprintf("%s to %s degC on %s", plus(t.GetPredictedLowC(), 2), plus(t.GetPredictedHighC(), 2), day(q.GetPredictAt()))
		}
		p.fields(2, "movement", shown, "out of tolerance", day(t.GetExitAt()), "earliest", day(t.GetEarliestExitAt()), "interval", interval, "predicted", predicted,
			"points", fmt.Sprint(t.GetPoints()))
	}
	var rows [][]string
	for _, c := range m.GetCharts() {
		first := q.GetPoints()[c.GetFirst()]
		out := fmt.Sprintf("%d single, %d average", len(c.GetOut()), len(c.GetAverageOut()))
		rows = append(rows, []string{day(first.GetAt()), fmt.Sprint(c.GetCount()), plus(c.GetMeanC(), 2), between(c.LowC, c.HighC, func(v float64) string { return plus(v, 2) }), out})
	}
	p.table([]string{"SINCE", "POINTS", "MEAN degC", "LIMITS degC", "BEYOND LIMITS"}, rows)
}

func calcStem() *cobra.Command {
	var liquid, emergent, bath, stem string
	c := reckoning(&cobra.Command{Use: "stem", Short: "Correction of a liquid-in-glass thermometer whose column stands out of the bath", Args: cobra.NoArgs,
		Example: "  kettlebook calc stem --liquid mercury --emergent 80C --bath 150C --stem 30C"},
		func(ctx context.Context, r *reckoner, _ []string) error {
			n, err := parseEnum("--liquid", liquid, sv.StemLiquid(0).Descriptor())
			if err != nil {
				return err
			}
			q := &sv.StemCorrectionRequest{Liquid: sv.StemLiquid(n)}
			if emergent == "" || bath == "" || stem == "" {
				return usage("--emergent, --bath and --stem are needed\nhint: --emergent 80C --bath 150C --stem 30C")
			}
			if q.EmergentC, err = spanC("--emergent", emergent); err != nil {
				return err
			}
			if q.BathC, err = tempC("--bath", bath); err != nil {
				return err
			}
			if q.StemC, err = tempC("--stem", stem); err != nil {
				return err
			}
			m, err := r.StemCorrection(ctx, q)
			return answer(r, m, err, map[string]string{"emergent_c": "--emergent", "bath_c": "--bath", "stem_c": "--stem"}, func(m *sv.StemCorrectionResponse) {
				r.out.line(0, fmt.Sprintf("Add %s degC to the reading, U %s degC.", plus(m.GetCorrectionC(), 2), upward(m.GetUC(), 2)))
			})
		})
	f := c.Flags()
	f.StringVar(&liquid, "liquid", "", "mercury or spirit")
	f.StringVar(&emergent, "emergent", "", "part of the column out of the bath, in degrees of its scale: 80C")
	f.StringVar(&bath, "bath", "", "temperature of the bath: 150C")
	f.StringVar(&stem, "stem", "", "mean temperature of the column out of the bath: 30C")
	return c
}

func calcSensor() *cobra.Command {
	var class string
	c := reckoning(&cobra.Command{Use: "sensor TEMPERATURE", Short: "Makers' tolerances of sensor classes at a temperature", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc sensor 150C --class 'K class 1'"},
		func(ctx context.Context, r *reckoner, args []string) error {
			t, err := tempC(args[0], args[0])
			if err != nil {
				return err
			}
			m, err := r.SensorTolerance(ctx, &sv.SensorToleranceRequest{SensorClass: class, TempC: t})
			return answer(r, m, err, map[string]string{"sensor_class": "--class", "temp_c": args[0]}, func(m *sv.SensorToleranceResponse) {
				var rows [][]string
				for _, s := range m.GetClasses() {
					rows = append(rows, []string{s.GetName(), figure(s.GetToleranceC(), 2)})
				}
				r.out.table([]string{"CLASS", "PLUS OR MINUS degC"}, rows)
			})
		})
	c.Flags().StringVar(&class, "class", "", "one type and class, such as 'Pt class A'; all when absent")
	return c
}
