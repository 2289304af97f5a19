package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// column is a row of a file by the names of its columns.
type column struct {
	file  string
	line  int
	cells map[string]string
}

func (r column) get(name string) string { return r.cells[name] }

// first gives the first of some columns that has something in it.
func (r column) first(names ...string) string {
	for _, n := range names {
		if r.cells[n] != "" {
			return r.cells[n]
		}
	}
	return ""
}

// at is the place of a cell, for errors.
func (r column) at(name string) string { return fmt.Sprintf("%s:%d: %s", r.file, r.line, name) }

// readColumns reads a CSV file whose first line names its columns. Of each group
// of wanted names it has one.
func readColumns(file string, wanted ...[]string) ([]column, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	in := csv.NewReader(io.LimitReader(f, 64<<20))
	in.Comment = '#'
	head, err := in.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: no line of column names\nhint: begin with time,reading,unit", file)
	}
	for i := range head {
		head[i] = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(head[i], "\ufeff")))
	}
	for _, group := range wanted {
		if !slices.ContainsFunc(group, func(name string) bool { return slices.Contains(head, name) }) {
			return nil, usage("%s has no column %s\nhint: its first line names its columns; it has %s", file, strings.Join(group, " or "), strings.Join(head, ", "))
		}
	}
	var out []column
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		line, _ := in.FieldPos(0)
		r := column{file: file, line: line, cells: map[string]string{}}
		for i, name := range head {
			r.cells[name] = strings.TrimSpace(row[i])
		}
		out = append(out, r)
	}
}

// cookFlags is how a cook from a file is said.
type cookFlags struct {
	air                         airFlags
	dial, unit, u, batch, start string
	startU                      string
	blend                       []string
}

func (f *cookFlags) flags(c *cobra.Command) {
	f.air.flags(c)
	s := c.Flags()
	s.StringVar(&f.dial, "dial", "", dialHelp)
	s.StringVar(&f.unit, "unit", "", "C or F, where the file has no column unit")
	s.StringVar(&f.u, "u", "", "without --dial the readings are taken as corrected, with this uncertainty (k = 2): 0.3C")
	s.StringVar(&f.batch, "batch", "", "lot code, where the file has a column batch")
	s.StringVar(&f.start, "start-solids", "", "solids in the pan at the start: 70%")
	s.StringVar(&f.startU, "start-solids-u", "", "uncertainty (k = 2) of them, percentage points; 3 when absent")
	s.StringArrayVar(&f.blend, "of", nil, "when it is not sucrose alone: "+solidHelp)
}

const cookHelp = "The file has a line of column names: time (with date and zone, or 07:15:30, or minutes) and reading, and may have unit (C or F)\n" +
	"and batch. The readings are what the dial of --dial showed; without it they are taken as corrected, with --u."

// cook reads the file and makes the message; zero is the time of the first
// reading, when the file has clock times.
func (f *cookFlags) cook(file string, at map[string]string) (*sv.Cook, time.Time, error) {
	var zero time.Time
	m := &sv.Cook{}
	var err error
	if m.Air, err = f.air.air(); err != nil {
		return nil, zero, err
	}
	if f.dial != "" {
		if m.Dial, err = parseDial("--dial", f.dial); err != nil {
			return nil, zero, err
		}
	}
	rows, err := readColumns(file, []string{"time", "minutes"}, []string{"reading", "temperature", "temp"})
	if err != nil {
		return nil, zero, err
	}
	rows = slices.DeleteFunc(rows, func(r column) bool { return f.batch != "" && r.get("batch") != f.batch })
	if len(rows) == 0 {
		return nil, zero, fmt.Errorf("%s: no readings%s", file, map[bool]string{true: " of batch " + f.batch}[f.batch != ""])
	}
	var first column
	for i, r := range rows {
		if i == 0 {
			first = r
		}
		if r.get("batch") != first.get("batch") {
			return nil, zero, usage("%s holds more than one batch\nhint: --batch %s", file, first.get("batch"))
		}
		reading, err := f.reading(r, m.GetDial())
		if err != nil {
			return nil, zero, err
		}
		minutes, moment, err := cookTime(r, zero)
		if err != nil {
			return nil, zero, err
		}
		if i == 0 {
			zero = moment
		}
		at[fmt.Sprintf("cook.readings[%d]", i)] = fmt.Sprintf("%s:%d", file, r.line)
		m.Readings = append(m.Readings, &sv.CookReading{Minutes: minutes, Temp: reading})
	}
	at["cook.readings"], at["cook.dial"], at["cook.start_solids_pct"], at["cook.start_solids_u_pct"], at["cook.readings_u_c"] = file, "--dial", "--start-solids", "--start-solids-u", "--u"
	if m.Blend, err = blendOf(f.blend, "cook.blend", at); err != nil {
		return nil, zero, err
	}
	if m.StartSolidsPct, err = optionalQuantity("--start-solids", f.start, pctUnits); err != nil {
		return nil, zero, err
	}
	if m.StartSolidsUPct, err = optionalQuantity("--start-solids-u", f.startU, pctUnits); err != nil {
		return nil, zero, err
	}
	if m.Dial == nil {
		if f.u == "" {
			return nil, zero, usage("how well are the readings known?\nhint: --dial division=0.1C,error=+0.3,u=0.2 when they are as read, or --u 0.3C when they are corrected")
		}
		m.ReadingsUC, err = spanC("--u", f.u)
	}
	return m, zero, err
}

// reading is a cell on the dial's scale, or in degC.
func (f *cookFlags) reading(r column, d *sv.Dial) (float64, error) {
	text := r.first("reading", "temperature", "temp")
	unit := strings.ToUpper(r.first("unit"))
	if unit == "" {
		unit = strings.ToUpper(f.unit)
	}
	switch {
	case d == nil:
		return tempC(r.at("reading"), text+unit)
	case unit != "" && unit != map[kb.TemperatureUnit]string{kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS: "C", kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT: "F"}[d.GetUnit()]:
		return 0, usage("%s is in deg%s, and the dial of --dial in %s", r.at("reading"), unit, records.UnitSymbol(d.GetUnit()))
	}
	return scaled(r.at("reading"), text, d.GetUnit())
}

// cookTime reads the time of a row: minutes after zero, and the moment itself when
// it is a clock time.
func cookTime(r column, zero time.Time) (float64, time.Time, error) {
	text := r.first("time", "minutes")
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04", "15:04:05", "15:04"} {
		t, err := time.Parse(layout, text)
		if err != nil {
			continue
		}
		if zero.IsZero() {
			return 0, t, nil
		}
		if t.Before(zero) && t.Year() == 0 {
			t = t.AddDate(0, 0, 1) // a time of day past midnight
		}
		return t.Sub(zero).Minutes(), t, nil
	}
	minutes, err := quantity(r.at("time"), text, map[string]float64{"": 1, "min": 1})
	return minutes, time.Time{}, err
}

func calcForecast() *cobra.Command {
	var f cookFlags
	var l limitFlags
	var target, next, solids string
	var full bool
	c := reckoning(&cobra.Command{Use: "forecast FILE.csv", Short: "When a running cook reaches its target, from a file of readings", Args: cobra.ExactArgs(1), Long: cookHelp,
		Example: "  kettlebook calc forecast readings.csv --target 109.6C --pressure 843.1hPa --dial division=0.1C,error=+0.3,u=0.2 --start-solids 70%"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := fields(airFields("cook.air"), map[string]string{"target_c": "--target", "limit": "--target", "next_minutes": "--next", "dry_solids_kg": "--solids"})
			cook, zero, err := f.cook(args[0], at)
			if err != nil {
				return err
			}
			q := &sv.ForecastRequest{Cook: cook}
			switch {
			case target == "":
				return usage("where to?\nhint: --target 109.6C, corrected; or a limit such as --target 114C..116C, moved to the kitchen's pressure")
			case strings.Contains(target, ".."):
				limit, err := l.limit(target)
				if err != nil {
					return err
				}
				q.Target = &sv.ForecastRequest_Limit{Limit: limit}
			default:
				t, err := tempC("--target", target)
				if err != nil {
					return err
				}
				q.Target = &sv.ForecastRequest_TargetC{TargetC: t}
			}
			if next != "" {
				hours, err := quantity("--next", next, map[string]float64{"": 1. / 60, "min": 1. / 60, "s": 1. / 3600, "h": 1})
				if err != nil {
					return err
				}
				minutes := hours * 60
				q.NextMinutes = &minutes
			}
			if q.DrySolidsKg, err = optionalQuantity("--solids", solids, kgUnits); err != nil {
				return err
			}
			if full {
				q.Ease = &sv.EaseOff{Share: 1}
			}
			if !zero.IsZero() && zero.Year() > 0 {
				q.ClockZero = timestamppb.New(zero)
			}
			m, err := r.Forecast(ctx, q)
			return answer(r, m, err, at, func(m *sv.ForecastResponse) { r.out.forecast(m, zero) })
		})
	f.flags(c)
	l.flags(c)
	s := c.Flags()
	s.StringVar(&target, "target", "", "where to: a corrected temperature here, or a limit LOW..HIGH that is moved")
	s.StringVar(&next, "next", "", "time to the next reading: 30s; the usual gap when absent")
	s.StringVar(&solids, "solids", "", "dry solids in the charge: 6.3kg")
	s.BoolVar(&full, "full-heat", false, "the flame is held to the end; otherwise it is taken back over the last 2 degC")
	return c
}

// forecast writes when a cook gets there. zero is the time of its first reading,
// for a clock without a date.
func (p *printer) forecast(m *sv.ForecastResponse, zero time.Time) {
	clock := func(t *timestamppb.Timestamp, minutesLeft float64) string {
		if t == nil {
			return ""
		}
		return t.AsTime().In(zero.Location()).Format("15:04:05")
	}
	if m.GetReached() {
		p.line(0, "The target of "+both(m.GetTargetC())+" is reached.")
	} else {
		p.line(0, fmt.Sprintf("%s to go to %s, between %s and %s (90 %%).", minutesText(m.GetMinutesLeft()), both(m.GetTargetC()), minutesText(m.GetLowLeft()), minutesText(m.GetHighLeft())))
	}
	if m.GetWouldOvershoot() && !m.GetReached() {
		p.line(0, fmt.Sprintf("Watch it: the target may be passed before the next reading, in %s.", minutesText(m.GetNextMinutes())))
	}
	at := ""
	if m.GetEndAt() != nil && !m.GetReached() {
		at = clock(m.GetEndAt(), 0) + ", between " + clock(m.GetEndLowAt(), 0) + " and " + clock(m.GetEndHighAt(), 0)
	}
	boil := "boiling"
	if !m.GetBoiling() {
		boil = "not boiling yet"
	}
	p.fields(2, "at", at, "now", celsiusText(m.GetLastC())+" corrected, U "+upward(m.GetLastUC(), 2)+" degC, "+m.GetStage(), "the pan", boil,
		"rises by", figure(m.GetRateCPerMin(), 2)+" degC a minute, "+figure(m.GetRateAtTargetCPerMin(), 2)+" at the target",
		"next reading", celsiusText(m.GetNextC())+" in "+minutesText(m.GetNextMinutes()), "solids now", orNothing(m.SolidsPct, percent),
		"net power", orNothing(m.PowerKw, func(v float64) string { return figure(v, 2) + " kW" }), "pressure", airText(m.GetAir()))
}

// minutesText writes minutes as people say them.
func minutesText(m float64) string {
	switch {
	case m < 1:
		return figure(m*60, 0) + " s"
	case m < 10:
		return fmt.Sprintf("%d min %02d s", int(m), int((m-float64(int(m)))*60))
	}
	return figure(m, 0) + " min"
}

func calcOnset() *cobra.Command {
	var f cookFlags
	c := reckoning(&cobra.Command{Use: "onset FILE.csv", Short: "Where a cook began to boil against where its solids should: a hint on the instrument", Args: cobra.ExactArgs(1), Long: cookHelp,
		Example: "  kettlebook calc onset readings.csv --start-solids 70% --pressure 843.1hPa --dial division=0.1C,error=+0.3,u=0.2"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := airFields("cook.air")
			cook, _, err := f.cook(args[0], at)
			if err != nil {
				return err
			}
			m, err := r.OnsetHint(ctx, &sv.OnsetHintRequest{Cook: cook})
			return answer(r, m, err, at, func(m *sv.OnsetHintResponse) { r.out.onset(m) })
		})
	f.flags(c)
	return c
}

func (p *printer) onset(m *sv.OnsetHintResponse) {
	word := "no hint on the instrument"
	if m.GetBeyond() {
		word = "worth a look at the instrument"
	}
	p.line(0, fmt.Sprintf("The boil began at %s corrected; its solids boil at %s here: %s.", celsiusText(m.GetOnsetC()), celsiusText(m.GetExpectedC()), word))
	p.fields(2, "gap", plus(m.GetGapC(), 2)+" degC, U "+upward(m.GetUC(), 2)+" degC", "after", minutesText(m.GetOnsetMinutes()), "pressure", airText(m.GetAir()))
	p.budget(m.GetBudget())
}

func calcCarry() *cobra.Command {
	var target string
	c := reckoning(&cobra.Command{Use: "carry PULL=HIGHEST ...", Short: "How far past batches climbed after the pull, and where to pull", Args: cobra.MinimumNArgs(1),
		Example: "  kettlebook calc carry 113.2C=114.9C 113.0C=114.6C 113.5C=115.4C --target 115C"},
		func(ctx context.Context, r *reckoner, args []string) error {
			at := map[string]string{"target_c": "--target", "past": "PULL=HIGHEST"}
			q := &sv.CarryOverRequest{}
			for i, text := range args {
				pull, highest, ok := strings.Cut(text, "=")
				if !ok {
					return usage("%s: how far did it climb?\nhint: %s=115C", text, text)
				}
				p := &sv.PastPull{}
				var err error
				if p.PullC, err = tempC(text, pull); err != nil {
					return err
				}
				if p.HighestC, err = tempC(text, highest); err != nil {
					return err
				}
				at[fmt.Sprintf("past[%d]", i)] = text
				q.Past = append(q.Past, p)
			}
			var err error
			if q.TargetC, err = optionalTempC("--target", target); err != nil {
				return err
			}
			m, err := r.CarryOver(ctx, q)
			return answer(r, m, err, at, func(m *sv.CarryOverResponse) { r.out.carryOver(m) })
		})
	c.Flags().StringVar(&target, "target", "", "corrected temperature to end at: 115C")
	return c
}

func (p *printer) carryOver(m *sv.CarryOverResponse) {
	p.line(0, fmt.Sprintf("Batches climb by %s degC after the pull, U %s degC; the next one within %s degC of that 9 times in 10.", figure(m.GetRiseC(), 2), upward(m.GetRiseUC(), 2), upward(m.GetSpreadC(), 2)))
	p.fields(2, "pull at", orNothing(m.PullAtC, both), "seen", figure(m.GetLeastC(), 2)+" to "+celsiusText(m.GetMostC()), "batches", fmt.Sprint(m.GetBatches()))
}

func calcWitness() *cobra.Command {
	var a airFlags
	var stage, brix, brixU, u string
	c := reckoning(&cobra.Command{Use: "witness TEMPERATURE", Short: "A cold-water test or a refractometer against a corrected temperature", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc witness 112C --cold-water 'soft ball' --u 0.5C --pressure 843.1hPa\n  kettlebook calc witness 112C --brix 85 --pressure 843.1hPa"},
		func(ctx context.Context, r *reckoner, args []string) error {
			air, err := a.air()
			if err != nil {
				return err
			}
			q := &sv.SecondWitnessRequest{Air: air}
			if q.TempC, err = tempC(args[0], args[0]); err != nil {
				return err
			}
			if q.TempUC, err = spanC("--u", u); err != nil {
				return err
			}
			switch {
			case stage != "" && brix != "":
				return usage("give --cold-water or --brix, not both")
			case brix != "":
				b, err := quantity("--brix", brix, noUnits)
				if err != nil {
					return err
				}
				q.Witness = &sv.SecondWitnessRequest_Brix{Brix: b}
				if q.BrixU, err = optionalQuantity("--brix-u", brixU, noUnits); err != nil {
					return err
				}
			default:
				q.Witness = &sv.SecondWitnessRequest_ColdWaterStage{ColdWaterStage: stage}
			}
			m, err := r.SecondWitness(ctx, q)
			at := fields(airFields("air"), map[string]string{"temp_c": args[0], "temp_u_c": "--u", "cold_water_stage": "--cold-water", "brix": "--brix", "brix_u": "--brix-u"})
			return answer(r, m, err, at, func(m *sv.SecondWitnessResponse) {
				verdict := "They agree."
				switch {
				case m.GetContradicts():
					verdict = "They contradict each other: probably an instrument fault."
				case m.GetTouchesWithinU():
					verdict = "They agree within the uncertainty."
				}
				r.out.line(0, verdict)
				r.out.fields(2, "witness", m.GetWitness(), "thermometer", m.GetThermometer(), "apart", figure(m.GetSteps(), 1)+" stages",
					"it may read high by", orNothing(m.LikelyErrorC, func(v float64) string { return "at least " + plus(v, 1) + " degC" }), "pressure", airText(m.GetAir()))
			})
		})
	a.flags(c)
	f := c.Flags()
	f.StringVar(&stage, "cold-water", "", "stage that the cold-water test found: 'soft ball'")
	f.StringVar(&brix, "brix", "", "refractometer, degrees Brix: 85")
	f.StringVar(&brixU, "brix-u", "", "its uncertainty (k = 2); 1 when absent")
	f.StringVar(&u, "u", "", "uncertainty (k = 2) of the temperature: 0.5C")
	return c
}
