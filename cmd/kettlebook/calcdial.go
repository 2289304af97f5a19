package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// dialHelp says how a dial is described.
const dialHelp = "the dial: NAME,division=0.1C and what is known of its error: error=+1.0,u=0.2,at=150, or check points ice=0.2,crushed,boiled=95.2,compared=150.5:150.21C; " +
	"also read-to=, low=, high=, tolerance=, age=2h, compared-age=3d, certificate-u=0.1, expired, vapour, bottom, pressure=843.1hPa (at the boiling point)"

var dialKeys = []string{
	"division", "read-to", "low", "high", "tolerance", "error", "u", "at", "ice", "crushed", "boiled", "compared", "age", "compared-age", "certificate-u",
	"certificate-correction", "expired", "vapour", "bottom", "pressure", "growth", "drift",
}

// dialText is a dial as written on the command line, by key.
type dialText struct {
	text string
	name string
	more map[string]string
	unit kb.TemperatureUnit
}

func parseDial(argument, text string) (*sv.Dial, error) {
	d := dialText{text: argument, more: map[string]string{}}
	for i, part := range strings.Split(text, ",") {
		key, value, ok := strings.Cut(part, "=")
		switch {
		case i == 0 && !ok:
			d.name = part
		case !slices.Contains(dialKeys, key):
			return nil, usage("%s: there is no %q\nhint: %s", argument, key, strings.Join(dialKeys, ", "))
		case ok:
			d.more[key] = value
		default:
			d.more[key] = key
		}
	}
	division, ok := d.more["division"]
	if !ok {
		return nil, usage("%s: division is missing\nhint: division=0.1C or division=2F, as the marks are", argument)
	}
	t, err := parseTemperature(argument+", division", division)
	if err != nil {
		return nil, err
	}
	d.unit = t.GetUnit()
	m := &sv.Dial{Name: d.name, Unit: t.GetUnit(), Division: float64(t.GetMicro()) / float64(records.One)}
	for key, to := range map[string]**float64{
		"read-to": &m.ReadTo, "low": &m.RangeLow, "high": &m.RangeHigh, "tolerance": &m.Tolerance, "error": &m.Error, "u": &m.ErrorU, "at": &m.ErrorAt,
	} {
		if *to, err = d.scaled(key); err != nil {
			return nil, err
		}
	}
	if m.GrowthCPerC, err = optionalQuantity(argument+", growth", d.more["growth"], noUnits); err != nil {
		return nil, err
	}
	if m.DriftCPerRootDay, err = optionalQuantity(argument+", drift", d.more["drift"], noUnits); err != nil {
		return nil, err
	}
	return m, d.points(m)
}

// scaled reads an optional number on the dial's scale.
func (d dialText) scaled(key string) (*float64, error) {
	text, ok := d.more[key]
	if !ok {
		return nil, nil
	}
	v, err := scaled(d.text+", "+key, text, d.unit)
	return &v, err
}

// points adds the check points.
func (d dialText) points(m *sv.Dial) error {
	age, err := d.hours("age")
	if err != nil {
		return err
	}
	if v, err := d.scaled("ice"); err != nil {
		return err
	} else if v != nil {
		p := &sv.DialPoint{Kind: kb.PointKind_POINT_KIND_ICE, Reading: *v, AgeHours: age, Ice: kb.IceQuality_ICE_QUALITY_CUBES}
		if d.more["crushed"] != "" {
			p.Ice = kb.IceQuality_ICE_QUALITY_CRUSHED
		}
		m.Points = append(m.Points, p)
	}
	if v, err := d.scaled("boiled"); err != nil {
		return err
	} else if v != nil {
		p := &sv.DialPoint{Kind: kb.PointKind_POINT_KIND_BOILING, Reading: *v, AgeHours: age}
		switch {
		case d.more["vapour"] != "":
			p.Place = sv.BoilingPlace_BOILING_PLACE_IN_VAPOUR
		case d.more["bottom"] != "":
			p.Place = sv.BoilingPlace_BOILING_PLACE_NEAR_BOTTOM
		}
		if d.more["pressure"] != "" {
			hPa, err := quantity(d.text+", pressure", d.more["pressure"], hPaUnits)
			if err != nil {
				return err
			}
			p.Air = &sv.Air{Kind: kb.PressureKind_PRESSURE_KIND_MEASURED, PressureHpa: &hPa}
		}
		m.Points = append(m.Points, p)
	}
	if d.more["compared"] == "" {
		return nil
	}
	return d.compared(m, age)
}

func (d dialText) compared(m *sv.Dial, age float64) error {
	shown, reference, ok := strings.Cut(d.more["compared"], ":")
	if !ok {
		return usage("%s, compared: what did the reference show?\nhint: compared=150.5:150.21C, the dial first", d.text)
	}
	p := &sv.DialPoint{Kind: kb.PointKind_POINT_KIND_COMPARISON, AgeHours: age, CertificateExpired: d.more["expired"] != ""}
	var err error
	if p.Reading, err = scaled(d.text+", compared", shown, d.unit); err != nil {
		return err
	}
	if p.ReferenceC, err = optionalTempC(d.text+", compared", reference); err != nil {
		return err
	}
	if d.more["compared-age"] != "" {
		if p.AgeHours, err = d.hours("compared-age"); err != nil {
			return err
		}
	}
	if d.more["certificate-u"] != "" {
		u, err := spanC(d.text+", certificate-u", d.more["certificate-u"])
		if err != nil {
			return err
		}
		p.CertificateUC = &u
	}
	if p.CertificateCorrectionC, err = spanC(d.text+", certificate-correction", d.more["certificate-correction"]); err != nil {
		return err
	}
	m.Points = append(m.Points, p)
	return nil
}

func (d dialText) hours(key string) (float64, error) {
	if d.more[key] == "" {
		return 0, nil
	}
	return quantity(d.text+", "+key, d.more[key], hourUnits)
}

// limitFlags is how a limit is said.
type limitFlags struct {
	fixed, unguarded   bool
	established, class string
}

func (l *limitFlags) flags(c *cobra.Command) {
	f := c.Flags()
	f.BoolVar(&l.fixed, "fixed", false, "the limit is a temperature and does not move with pressure; otherwise it is a solids content and does")
	f.StringVar(&l.established, "established", "standard", "pressure that a solids limit was established at: standard (a book), here, or a pressure such as 847.6hPa")
	f.StringVar(&l.class, "class", "operating", "what a miss means: critical (guarded), operating or quality")
	f.BoolVar(&l.unguarded, "unguarded", false, "do not keep the uncertainty away from the bounds of a critical limit")
}

// limitFields says which argument a field of a limit came from.
func limitFields(text string) map[string]string {
	return map[string]string{"limit": text, "limit.established_at": "--established", "limit.established_hpa": "--established"}
}

// limit reads 114C..116C, 170C.. (at least), ..176C (at most) or 115C.
func (l *limitFlags) limit(text string) (*sv.CookLimit, error) {
	m := &sv.CookLimit{Basis: kb.LimitBasis_LIMIT_BASIS_SOLIDS, Unguarded: l.unguarded}
	low, high, ranged := strings.Cut(text, "..")
	if !ranged {
		high = low
	}
	var err error
	if m.LowC, err = optionalTempC(text, low); err != nil {
		return nil, err
	}
	if m.HighC, err = optionalTempC(text, high); err != nil {
		return nil, err
	}
	class, err := parseEnum("--class", l.class, kb.LimitClass(0).Descriptor())
	if err != nil {
		return nil, err
	}
	m.Class = kb.LimitClass(class)
	switch {
	case l.fixed:
		m.Basis = kb.LimitBasis_LIMIT_BASIS_TEMPERATURE
	case l.established == "standard":
		m.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_STANDARD
	case l.established == "here":
		m.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN
	default:
		m.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_STATED
		m.EstablishedHpa, err = optionalQuantity("--established", l.established, hPaUnits)
	}
	return m, err
}

// basisText says what a limit is taken for.
func (l *limitFlags) basisText() string {
	switch {
	case l.fixed:
		return "a temperature, which does not move"
	case l.established == "standard":
		return "a solids content, established at standard pressure (a book)"
	case l.established == "here":
		return "a solids content, established in this kitchen"
	}
	return "a solids content, established at " + l.established
}

// between writes bounds of which one may be open.
func between(low, high *float64, write func(float64) string) string {
	switch {
	case low == nil && high == nil:
		return ""
	case low == nil:
		return "at most " + write(*high)
	case high == nil:
		return "at least " + write(*low)
	}
	return write(*low) + " to " + write(*high)
}

func calcDial() *cobra.Command {
	var a airFlags
	var l limitFlags
	var dial string
	c := reckoning(&cobra.Command{Use: "dial LIMIT", Short: "The number to look for on a dial today", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc dial 114C..116C --pressure 843.1hPa --dial division=0.1C,ice=0.2,crushed,boiled=95.2\n" +
			"  kettlebook calc dial 109.6C --fixed --pressure 843.1hPa --dial division=0.1C,error=+1.0"},
		func(ctx context.Context, r *reckoner, args []string) error {
			air, limit, err := airAndLimit(&a, &l, args[0])
			if err != nil {
				return err
			}
			d, err := parseDial("--dial", dial)
			if err != nil {
				return err
			}
			m, err := r.DialNumber(ctx, &sv.DialNumberRequest{Limit: limit, Air: air, Dial: d})
			return answer(r, m, err, fields(airFields("air"), limitFields(args[0]), map[string]string{"dial": "--dial"}), func(m *sv.DialNumberResponse) {
				unit := " " + records.UnitSymbol(d.GetUnit())
				onDial := func(v float64) string { return figure(v, 2) + unit }
				if m.GetCanShow() {
					r.out.line(0, "Look for "+markText(m.GetNumber(), d)+".")
				}
				if m.GetWhy() != "" {
					r.out.line(0, sentence(m.GetWhy()))
				}
				r.out.fields(2, "limit", l.basisText(), "here", between(m.LowC, m.HighC, celsiusText), "on this dial", between(m.WindowLow, m.WindowHigh, onDial),
					"its error there", plus(m.GetError(), 2)+unit, "U of the difference", upward(m.GetUC(), 2)+" degC", "guarded", yesNo(m.GetGuarded()),
					"beyond its check points", yesNo(m.GetExtrapolated()), "pressure", airText(m.GetAir()))
			})
		})
	a.flags(c)
	l.flags(c)
	c.Flags().StringVar(&dial, "dial", "", dialHelp)
	return c
}

// markText writes a mark with the digits of its dial.
func markText(v float64, d *sv.Dial) string {
	decimals := 0
	for step := d.GetDivision(); decimals < 6 && step != float64(int64(step+1e-9)); decimals++ {
		step *= 10
	}
	return figure(v, decimals) + " " + records.UnitSymbol(d.GetUnit())
}

// sentence begins with a capital and ends with a full stop.
func sentence(s string) string { return strings.ToUpper(s[:1]) + s[1:] + "." }

func airAndLimit(a *airFlags, l *limitFlags, text string) (*sv.Air, *sv.CookLimit, error) {
	limit, err := l.limit(text)
	if err != nil {
		return nil, nil, err
	}
	air, err := a.air()
	return air, limit, err
}

func calcRead() *cobra.Command {
	var a airFlags
	var l limitFlags
	var dial, against string
	c := reckoning(&cobra.Command{Use: "read READING", Short: "What a reading on a dial means: corrected value, stage, budget, what would help", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc read 118C --pressure 843.1hPa --dial division=0.1C,ice=0.2,crushed,boiled=95.2\n" +
			"  kettlebook calc read 244F --pressure 843.1hPa --dial division=2F,error=+3,u=1 --against 114C..116C"},
		func(ctx context.Context, r *reckoner, args []string) error {
			d, err := parseDial("--dial", dial)
			if err != nil {
				return err
			}
			q := &sv.ReadDialRequest{Dial: d}
			if q.Reading, err = scaled(args[0], args[0], d.GetUnit()); err != nil {
				return err
			}
			if a.given() {
				if q.Air, err = a.air(); err != nil {
					return err
				}
			}
			if against != "" {
				if q.Limit, err = l.limit(against); err != nil {
					return err
				}
			}
			m, err := r.ReadDial(ctx, q)
			at := fields(airFields("air"), limitFields(against), map[string]string{"dial": "--dial", "reading": args[0], "air": "--pressure"})
			return answer(r, m, err, at, func(m *sv.ReadDialResponse) { r.out.dialRead(m, args[0], l.basisText()) })
		})
	a.flags(c)
	l.flags(c)
	c.Flags().StringVar(&dial, "dial", "", dialHelp)
	c.Flags().StringVar(&against, "against", "", "limit to judge it against: 114C..116C")
	return c
}

func (p *printer) dialRead(m *sv.ReadDialResponse, reading, basis string) {
	p.line(0, fmt.Sprintf("%s there is %s, U %s degC.", reading, both(m.GetCorrectedC()), upward(m.GetUC(), 2)))
	stage := m.GetStage()
	if m.GetSoftEdge() {
		stage += " (published tables disagree here)"
	}
	p.fields(2, "stage", stage, "error there", plus(m.GetErrorC(), 2)+" degC", "correction", m.GetForm(), "beyond the points", yesNo(m.GetExtrapolated()), "pressure", airText(m.GetAir()))
	if l := m.GetLimit(); l != nil {
		p.fields(2, "limit", basis, "here", between(l.LowC, l.HighC, celsiusText), "verdict", fmt.Sprintf("%s, U of the difference %s degC", records.LimitWord(l.GetResult()), upward(l.GetUC(), 2)),
			"as read", records.LimitWord(l.GetAsRead()))
	}
	if len(m.GetPoints()) > 0 {
		var rows [][]string
		for _, pt := range m.GetPoints() {
			rows = append(rows, []string{records.PointWord(pt.GetKind()), figure(pt.GetTrueC(), 3), plus(pt.GetErrorC(), 3), figure(pt.GetUC(), 2), records.ResultWord(pt.GetResult())})
		}
		p.table([]string{"POINT", "TRUE degC", "ERROR degC", "U degC", "RESULT"}, rows)
	}
	p.budget(m.GetBudget())
	if len(m.GetHelp()) > 0 {
		p.line(0, "What would help most:")
		for _, h := range m.GetHelp() {
			p.line(2, fmt.Sprintf("%s: U %s degC", h.GetAction(), upward(h.GetUC(), 2)))
		}
	}
}

func calcFit() *cobra.Command {
	var a airFlags
	var l limitFlags
	var dials []string
	c := reckoning(&cobra.Command{Use: "fit LIMIT", Short: "Which instruments of a rack can show a limit, before the pan goes on", Args: cobra.ExactArgs(1),
		Example: "  kettlebook calc fit 114C..116C --pressure 843.1hPa --dial TH-01,division=0.1C,error=0.3,u=0.2 --dial TH-03,division=2F,error=0,u=1"},
		func(ctx context.Context, r *reckoner, args []string) error {
			air, limit, err := airAndLimit(&a, &l, args[0])
			if err != nil {
				return err
			}
			at := fields(airFields("air"), limitFields(args[0]), map[string]string{"rack": "--dial"})
			q := &sv.FitForCookRequest{Limit: limit, Air: air}
			for i, text := range dials {
				name := "--dial " + strings.SplitN(text, ",", 2)[0]
				d, err := parseDial(name, text)
				if err != nil {
					return err
				}
				at[fmt.Sprintf("rack[%d]", i)] = name
				q.Rack = append(q.Rack, d)
			}
			m, err := r.FitForCook(ctx, q)
			return answer(r, m, err, at, func(m *sv.FitForCookResponse) {
				if m.GetBest() == "" {
					r.out.line(0, "No instrument here can show it.")
				} else {
					r.out.line(0, "Use "+m.GetBest()+".")
				}
				var rows [][]string
				for i, f := range m.GetRack() {
					number := ""
					if f.Number != nil {
						number = markText(f.GetNumber(), q.GetRack()[i])
					}
					rows = append(rows, []string{f.GetName(), number, yesNo(f.GetFit()), upward(f.GetUC(), 2), f.GetWhy()})
				}
				r.out.table([]string{"DIAL", "LOOK FOR", "FIT", "U degC", "WHY"}, rows)
				r.out.fields(2, "limit", l.basisText(), "pressure", airText(m.GetAir()))
			})
		})
	a.flags(c)
	l.flags(c)
	c.Flags().StringArrayVar(&dials, "dial", nil, "one for each instrument; "+dialHelp)
	return c
}
