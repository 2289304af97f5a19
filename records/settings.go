package records

import (
	"fmt"
	"sync"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// KindSite is the kind of the site's settings; index "at" orders versions by
// the time from which they hold.
const KindSite = "site"

var _ = register(validateSite, func(e Entry, m *kb.Site) (Projection, error) {
	r, err := row(e, KindSite, TimeKey(e.GetOccurredAt().AsTime()), "", m, Key{"at", TimeKey(e.GetOccurredAt().AsTime())})
	return rows(r), err
})

func validateSite(m *kb.Site) error {
	if err := text("name", m.GetName(), 1, 120); err != nil {
		return err
	}
	if err := text("address", m.GetAddress(), 0, 300); err != nil {
		return err
	}
	if m.GetElevationM() == nil {
		return invalid("elevation_m", "give the elevation above sea level in metres", "is missing")
	}
	for _, f := range []struct {
		field     string
		d         *kb.Decimal
		low, high int64
	}{
		{"elevation_m", m.GetElevationM(), -430, 5500},
		{"tolerance_c", m.GetToleranceC(), 0, 10},
		{"tolerance_f", m.GetToleranceF(), 0, 18},
		{"weather_hpa", m.GetWeatherHpa(), 0, 60},
		{"growth_c_per_c", m.GetGrowthCPerC(), 0, 1},
		{"drift_c", m.GetDriftC(), 0, 1},
	} {
		if err := between(f.field, f.d, f.low, f.high); err != nil {
			return err
		}
		if f.low == 0 && f.d != nil && f.d.GetMicro() == 0 {
			return invalid(f.field, "leave it out to use the usual one", "is 0")
		}
	}
	if m.GetZone() != "" {
		if _, err := time.LoadLocation(m.GetZone()); err != nil || m.GetZone() == "Local" {
			return invalid("zone", "use an IANA name such as Europe/Oslo, or leave it empty and give utc_offset_s", "%q is not a time zone", m.GetZone())
		}
	}
	if o := m.GetUtcOffsetS(); o < -50400 || o > 50400 {
		return invalid("utc_offset_s", "give -50400 to 50400 seconds", "%d seconds is no offset from UTC", o)
	}
	if m.GetDayStartsMin() > 1439 {
		return invalid("day_starts_min", "give 0 to 1439", "a day has no minute %d", m.GetDayStartsMin())
	}
	for _, f := range []struct {
		field   string
		minutes uint32
	}{{"late_after_min", m.GetLateAfterMin()}, {"pressure_age_min", m.GetPressureAgeMin()}} {
		if f.minutes > 10080 {
			return invalid(f.field, "give at most 10080 minutes, a week", "%d minutes is too long", f.minutes)
		}
	}
	return nil
}

// between refuses a decimal outside low to high units; absent passes.
func between(field string, d *kb.Decimal, low, high int64) error {
	if d == nil {
		return nil
	}
	if err := checkDecimal(field, d.GetMicro(), d.GetDecimals()); err != nil {
		return err
	}
	if d.GetMicro() < low*One || d.GetMicro() > high*One {
		return invalid(field, fmt.Sprintf("give %d to %d", low, high), "%s is out of range", FormatDecimal(d))
	}
	return nil
}

// Settings are a site's settings with the defaults put in.
type Settings struct {
	// Site is the record they come from.
	Site *kb.Site
	// ToleranceC and ToleranceF are tolerances in millionths of a degree.
	ToleranceC, ToleranceF int64
	// WeatherHPa is the half-width around an assumed pressure.
	WeatherHPa float64
	// LateAfter is the delay after which an entry counts as late.
	LateAfter time.Duration
	// PressureAge is how long a kitchen pressure serves without a drift term.
	PressureAge time.Duration
	// CoolingFirst and CoolingAll are the times allowed from 57 degC to 21 and to 5 degC (Food Code 3-501.14).
	CoolingFirst, CoolingAll time.Duration
	loc                      *time.Location
}

// NewSettings puts the defaults into a site's settings. A nil site is
// ErrNotSetUp.
func NewSettings(m *kb.Site) (Settings, error) {
	if m == nil {
		return Settings{}, refuse(ErrNotSetUp, "", "set the site up first: kettlebook init", "the kitchen has no settings yet")
	}
	s := Settings{Site: m, ToleranceC: One, ToleranceF: 2 * One, WeatherHPa: 15, LateAfter: 15 * time.Minute, PressureAge: 4 * time.Hour, CoolingFirst: 2 * time.Hour, CoolingAll: 6 * time.Hour}
	if m.GetToleranceC() != nil {
		s.ToleranceC = m.GetToleranceC().GetMicro()
	}
	if m.GetToleranceF() != nil {
		s.ToleranceF = m.GetToleranceF().GetMicro()
	}
	if m.GetWeatherHpa() != nil {
		s.WeatherHPa = float64(m.GetWeatherHpa().GetMicro()) / float64(One)
	}
	if m.GetLateAfterMin() > 0 {
		s.LateAfter = time.Duration(m.GetLateAfterMin()) * time.Minute
	}
	if m.GetPressureAgeMin() > 0 {
		s.PressureAge = time.Duration(m.GetPressureAgeMin()) * time.Minute
	}
	s.loc = time.FixedZone("", int(m.GetUtcOffsetS()))
	if m.GetZone() != "" {
		loc, err := zone(m.GetZone())
		if err != nil {
			return Settings{}, invalid("zone", "use an IANA name such as Europe/Oslo", "%q is not a time zone", m.GetZone())
		}
		s.loc = loc
	}
	return s, nil
}

// zones remembers time zones: reading one takes longer than a check.
var zones sync.Map

func zone(name string) (*time.Location, error) {
	if loc, ok := zones.Load(name); ok {
		return loc.(*time.Location), nil
	}
	loc, err := time.LoadLocation(name)
	if err == nil {
		zones.Store(name, loc)
	}
	return loc, err
}

// CurveOptions are what the site says of its instruments between and beyond
// their checked points; both are printed.
func (s Settings) CurveOptions() thermometry.CurveOptions {
	o := thermometry.DefaultCurveOptions()
	if d := s.Site.GetGrowthCPerC(); d != nil {
		o.GrowthPerC = float64(d.GetMicro()) / float64(One)
	}
	if d := s.Site.GetDriftC(); d != nil {
		o.DriftPerSqrtDayC = float64(d.GetMicro()) / float64(One)
	}
	return o
}

// ElevationM is the kitchen's elevation in metres.
func (s Settings) ElevationM() float64 {
	return float64(s.Site.GetElevationM().GetMicro()) / float64(One)
}

// Location is the kitchen's time zone.
func (s Settings) Location() *time.Location { return s.loc }

// Day gives the production day (YYYY-MM-DD) that a moment falls on. The day
// starts at the same hour on the kitchen's clock all year: across a change to
// or from daylight saving it is 23 or 25 hours long.
func (s Settings) Day(t time.Time) string {
	y, m, d := t.In(s.loc).Date()
	switch {
	case t.Before(s.dayStart(y, m, d)):
		d--
	case !t.Before(s.dayStart(y, m, d+1)):
		d++ // the clock was set back across the starting hour
	}
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
}

// Bounds gives start and end of a production day: the moments from start on
// and before end, and no others, are the ones for which Day gives it. Errors:
// ErrInvalid when day is not YYYY-MM-DD.
func (s Settings) Bounds(day string) (from, to time.Time, err error) {
	d, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return from, to, invalid("production_day", "write it YYYY-MM-DD", "%q is not a day", day)
	}
	return s.dayStart(d.Year(), d.Month(), d.Day()), s.dayStart(d.Year(), d.Month(), d.Day()+1), nil
}

// dayStart is the moment at which the production day of a date starts. Where
// the clock shows the starting hour twice it is the first time; where it skips
// the hour, the moment at which it does.
func (s Settings) dayStart(y int, m time.Month, d int) time.Time {
	minutes := int(s.Site.GetDayStartsMin())
	wall := time.Date(y, m, d, minutes/60, minutes%60, 0, 0, time.UTC)
	// The same reading of the clock under the offset of the day before and of
	// the day after: no zone changes its offset twice within two days.
	under := func(near time.Time) time.Time {
		_, offset := near.In(s.loc).Zone()
		return wall.Add(-time.Duration(offset) * time.Second).In(s.loc)
	}
	before, after := under(wall.Add(-24*time.Hour)), under(wall.Add(24*time.Hour))
	shows := func(t time.Time) bool {
		return t.Hour()*60+t.Minute() == minutes && t.Day() == wall.Day()
	}
	switch {
	case shows(before):
		return before
	case shows(after):
		return after
	}
	_, skipped := after.ZoneBounds()
	return skipped
}

// CheckAhead refuses a claim for more than a day ahead of the server's clock.
func CheckAhead(field string, at, now time.Time) error {
	if at.Sub(now) > 24*time.Hour {
		return refuse(ErrTooFarAhead, field, "check the date, the year and the tablet's clock", "%s is more than 24 h ahead of the server's clock (%s)", at.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	}
	return nil
}
