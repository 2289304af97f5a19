package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/server"
)

// calcCommand is the arithmetic without a kitchen. It is worked out in this
// process by the same rules as the service's, and gives the same answers.
func calcCommand() *cobra.Command {
	return family("calc", "The arithmetic of the trade, without a kitchen: boiling, dials, limits, solids, forecasts and more",
		calcBoiling(), calcDial(), calcRead(), calcFit(), calcLimit(), calcSolids(), calcBlend(), calcStages(),
		calcForecast(), calcOnset(), calcCarry(), calcWitness(), calcActivity(), calcYield(), calcScale(),
		calcRack(), calcDrift(), calcStem(), calcSensor())
}

// reckoner is one calculation of the command line.
type reckoner struct {
	server.Calculator
	out  *printer
	json bool
}

// worked is what every answer of a calculation has.
type worked interface {
	proto.Message
	GetSources() []string
	GetNotes() []string
}

// reckoning makes a calculation a command.
func reckoning(c *cobra.Command, run func(context.Context, *reckoner, []string) error) *cobra.Command {
	var asJSON bool
	c.Flags().BoolVar(&asJSON, "json", false, "write the answer as JSON")
	c.RunE = func(c *cobra.Command, args []string) error {
		r := &reckoner{out: newPrinter(c.OutOrStdout()), json: asJSON}
		return errors.Join(run(c.Context(), r, args), r.out.flush())
	}
	return c
}

// answer writes an answer for people, with its notes and sources, or as JSON. An
// error names the argument that its field came from.
func answer[M worked](r *reckoner, m M, err error, at map[string]string, show func(M)) error {
	switch {
	case errors.Is(err, records.ErrInvalid):
		return &exitError{exitUsage, blame(err, at)}
	case err != nil:
		return err
	case r.json:
		return r.out.object(m)
	}
	show(m)
	r.out.grounds(m)
	return nil
}

// grounds writes what to mind and where the figures come from.
func (p *printer) grounds(m worked) {
	for _, n := range m.GetNotes() {
		p.line(0, "Note: "+n)
	}
	p.gap()
	p.line(0, "Sources; U is with k = 2, about 95 %:")
	for _, s := range m.GetSources() {
		p.line(2, s)
	}
}

// figure writes a number with so many decimals, without a minus in front of zero.
func figure(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// plus writes a number with its sign.
func plus(v float64, decimals int) string {
	if s := figure(v, decimals); !strings.HasPrefix(s, "-") && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return figure(v, decimals)
}

// upward writes an uncertainty, rounded up.
func upward(u float64, decimals int) string {
	p := math.Pow(10, float64(decimals))
	return figure(math.Ceil(u*p-1e-9)/p, decimals)
}

// both writes a temperature in degC and degF.
func both(c float64) string { return figure(c, 2) + " degC (" + figure(c*1.8+32, 2) + " degF)" }

func celsiusText(c float64) string { return figure(c, 2) + " degC" }

// orNothing writes an optional number; empty when absent.
func orNothing(v *float64, write func(float64) string) string {
	if v == nil {
		return ""
	}
	return write(*v)
}

// units of quantities of the command line, as factors to the first one.
var (
	hPaUnits   = map[string]float64{"": 1, "hPa": 1, "mbar": 1, "kPa": 10, "inHg": 33.8639, "mmHg": 1.333224}
	metreUnits = map[string]float64{"": 1, "m": 1, "ft": 0.3048}
	kgUnits    = map[string]float64{"": 1, "kg": 1, "g": 0.001, "lb": 0.45359237, "oz": 0.028349523125}
	hourUnits  = map[string]float64{"": 1, "h": 1, "min": 1. / 60, "d": 24}
	pctUnits   = map[string]float64{"": 1, "%": 1}
	noUnits    = map[string]float64{"": 1}
)

// quantity reads a number with a unit behind it.
func quantity(argument, text string, units map[string]float64) (float64, error) {
	digits := strings.TrimPrefix(text, "+")
	number := strings.TrimRight(digits, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ% ")
	factor, ok := units[strings.TrimSpace(digits[len(number):])]
	if !ok {
		var names []string
		for _, n := range []string{"hPa", "inHg", "mmHg", "m", "ft", "kg", "g", "lb", "h", "min", "d", "%"} {
			if _, ok := units[n]; ok {
				names = append(names, n)
			}
		}
		if len(names) == 0 {
			names = []string{"a plain number"}
		}
		return 0, usage("%s: %q is no unit here\nhint: %s", argument, strings.TrimSpace(digits[len(number):]), strings.Join(names, ", "))
	}
	d, err := records.ParseDecimal(number)
	if err != nil {
		return 0, wrong(argument, err)
	}
	return float64(d.GetMicro()) / float64(records.One) * factor, nil
}

// optionalQuantity is quantity, nil for an empty text.
func optionalQuantity(argument, text string, units map[string]float64) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := quantity(argument, text, units)
	return &v, err
}

// tempC reads a temperature with its unit, in degC.
func tempC(argument, text string) (float64, error) {
	t, err := parseTemperature(argument, text)
	if err != nil {
		return 0, err
	}
	return records.CelsiusF(t), nil
}

// optionalTempC is tempC, nil for an empty text.
func optionalTempC(argument, text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := tempC(argument, text)
	return &v, err
}

// spanC reads a difference of temperatures, in degC; without a unit it is degC.
func spanC(argument, text string) (float64, error) {
	if text == "" {
		return 0, nil
	}
	return quantity(argument, text, map[string]float64{"": 1, "C": 1, "degC": 1, "F": 1 / 1.8, "degF": 1 / 1.8})
}

// scaled reads a number on a dial's scale: plain, or with that scale's unit.
func scaled(argument, text string, unit kb.TemperatureUnit) (float64, error) {
	units := map[string]float64{"": 1, "C": 1, "degC": 1}
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		units = map[string]float64{"": 1, "F": 1, "degF": 1}
	}
	return quantity(argument, text, units)
}

// airFlags is how the air pressure is said.
type airFlags struct {
	pressure, altimeter, elevation, age, weather string
}

func (a *airFlags) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&a.pressure, "pressure", "", "pressure read in the kitchen, not reduced to sea level: 843.1hPa, 24.9inHg, 632mmHg")
	f.StringVar(&a.altimeter, "altimeter", "", "altimeter setting, as an airfield reports it: 1013hPa, 29.92inHg; with --elevation")
	f.StringVar(&a.elevation, "elevation", "", "elevation of the kitchen: 1480m, 4856ft; alone it takes the standard atmosphere there")
	f.StringVar(&a.age, "pressure-age", "", "how long ago the pressure was read: 2h, 90min")
	f.StringVar(&a.weather, "weather", "", "allowance for weather, plus or minus, when nobody read a barometer; 15hPa when absent")
}

// given says that something is said of the air.
func (a *airFlags) given() bool { return a.pressure+a.altimeter+a.elevation != "" }

// airFields says which flag a field of the air came from.
func airFields(prefix string) map[string]string {
	return map[string]string{
		prefix + ".pressure_hpa": "--pressure", prefix + ".elevation_m": "--elevation", prefix + ".age_hours": "--pressure-age",
		prefix + ".weather_half_width_hpa": "--weather",
	}
}

// fields joins what came from where.
func fields(of ...map[string]string) map[string]string {
	all := map[string]string{}
	for _, m := range of {
		for k, v := range m {
			all[k] = v
		}
	}
	return all
}

// air makes the message.
func (a *airFlags) air() (*sv.Air, error) {
	m := &sv.Air{}
	var err error
	if m.ElevationM, err = optionalQuantity("--elevation", a.elevation, metreUnits); err != nil {
		return nil, err
	}
	switch {
	case a.pressure != "" && a.altimeter != "":
		return nil, usage("give --pressure or --altimeter, not both")
	case a.pressure != "":
		m.Kind = kb.PressureKind_PRESSURE_KIND_MEASURED
		m.PressureHpa, err = optionalQuantity("--pressure", a.pressure, hPaUnits)
	case a.altimeter != "":
		m.Kind = kb.PressureKind_PRESSURE_KIND_ALTIMETER
		m.PressureHpa, err = optionalQuantity("--altimeter", a.altimeter, hPaUnits)
	case a.elevation != "":
		m.Kind = kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE
	default:
		return nil, usage("what is the air pressure?\nhint: --pressure as a barometer in the kitchen shows it, or --altimeter and --elevation, or --elevation alone")
	}
	if err != nil {
		return nil, err
	}
	if a.age != "" {
		if m.AgeHours, err = quantity("--pressure-age", a.age, hourUnits); err != nil {
			return nil, err
		}
	}
	m.WeatherHalfWidthHpa, err = optionalQuantity("--weather", a.weather, hPaUnits)
	return m, err
}

// airText says the pressure behind an answer.
func airText(a *sv.AirUsed) string {
	if a == nil {
		return ""
	}
	kind := map[kb.PressureKind]string{
		kb.PressureKind_PRESSURE_KIND_MEASURED: "measured in the kitchen", kb.PressureKind_PRESSURE_KIND_ALTIMETER: "from an altimeter setting",
		kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE: "standard atmosphere",
	}[a.GetKind()]
	return fmt.Sprintf("%s hPa, %s, U %s hPa", figure(a.GetPressureHpa(), 1), kind, upward(a.GetUHpa(), 1))
}

// budget writes a budget, a term a line: how much, what it is, how it is spread
// and what it shares.
func (p *printer) budget(terms []*sv.BudgetTerm) {
	if len(terms) > 0 {
		p.line(0, "Budget, standard uncertainties in degC:")
	}
	for _, t := range terms {
		about := strings.Join(slices.DeleteFunc([]string{t.GetShape(), map[bool]string{true: "shares " + t.GetShared()}[t.GetShared() != ""]}, func(s string) bool { return s == "" }), ", ")
		text := figure(math.Abs(t.GetStandard()), 3) + "  " + t.GetName()
		if about != "" {
			text += " (" + about + ")"
		}
		p.line(2, text)
	}
}

func calcBoiling() *cobra.Command {
	var a airFlags
	c := reckoning(&cobra.Command{Use: "boiling", Short: "Where water boils here", Args: cobra.NoArgs,
		Example: "  kettlebook calc boiling --pressure 843.1hPa\n  kettlebook calc boiling --elevation 4856ft"},
		func(ctx context.Context, r *reckoner, _ []string) error {
			air, err := a.air()
			if err != nil {
				return err
			}
			m, err := r.BoilingPoint(ctx, &sv.BoilingPointRequest{Air: air})
			return answer(r, m, err, airFields("air"), func(m *sv.BoilingPointResponse) {
				r.out.line(0, fmt.Sprintf("Water boils at %s, U %s degC.", both(m.GetBoilingC()), upward(m.GetUC(), 2)))
				r.out.fields(2, "pressure", airText(m.GetAir()), "moves by", figure(m.GetSlopeCPerHpa(), 4)+" degC for each hPa",
					"if an altimeter setting", orNothing(m.IfAltimeterC, both))
				r.out.budget(m.GetBudget())
			})
		})
	a.flags(c)
	return c
}
