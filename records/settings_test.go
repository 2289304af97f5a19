package records_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

func TestSettingsDefaults(t *testing.T) {
	// Given a site that says nothing but where it is; 1 degC and 2 degF are the
	// Food Code's tolerances, 4-203.11 (read in a state adoption).
	s := settings("1480")
	if s.ToleranceC != micro("1") || s.ToleranceF != micro("2") || s.WeatherHPa != 15 || s.LateAfter != 15*time.Minute || s.PressureAge != 4*time.Hour || s.ElevationM() != 1480 {
		t.Errorf("defaults: %+v", s)
	}
	// The cooling clock of the Food Code, 3-501.14 (read in several state adoptions).
	if s.CoolingFirst != 2*time.Hour || s.CoolingAll != 6*time.Hour {
		t.Errorf("cooling %v and %v", s.CoolingFirst, s.CoolingAll)
	}
	m := site("1480")
	if o := s.CurveOptions(); o.GrowthPerC != 0.003 || o.DriftPerSqrtDayC != 0.03 {
		t.Errorf("curves: %+v", o)
	}
	m.ToleranceC, m.ToleranceF, m.WeatherHpa, m.LateAfterMin, m.PressureAgeMin = dec("0.5"), dec("1.5"), dec("20"), 30, 60
	m.GrowthCPerC, m.DriftC = dec("0.005"), dec("0.1")
	if o := settingsOf(m).CurveOptions(); o.GrowthPerC != 0.005 || o.DriftPerSqrtDayC != 0.1 {
		t.Errorf("curves as set: %+v", o)
	}
	if s = settingsOf(m); s.ToleranceC != 500_000 || s.ToleranceF != 1_500_000 || s.WeatherHPa != 20 || s.LateAfter != 30*time.Minute || s.PressureAge != time.Hour {
		t.Errorf("as set: %+v", s)
	}
	_, err := NewSettings(nil)
	refused(t, err, ErrNotSetUp, "the kitchen has no settings yet (set the site up first: kettlebook init)")
	m.Zone = "Atlantis/Capital"
	_, err = NewSettings(m)
	refused(t, err, ErrInvalid, `zone: "Atlantis/Capital" is not a time zone (use an IANA name such as Europe/Oslo)`)
}

func TestSiteRefusals(t *testing.T) {
	for _, c := range []struct {
		change func(*kb.Site)
		want   string
	}{
		{func(m *kb.Site) { m.Name = " " }, "name: is empty (give 1 to 120 characters)"},
		{func(m *kb.Site) { m.ElevationM = nil }, "elevation_m: is missing (give the elevation above sea level in metres)"},
		{func(m *kb.Site) { m.ElevationM = dec("5501") }, "elevation_m: 5501 is out of range (give -430 to 5500)"},
		{func(m *kb.Site) { m.ElevationM = dec("-430.5") }, "elevation_m: -430.5 is out of range (give -430 to 5500)"},
		{func(m *kb.Site) { m.ElevationM = &kb.Decimal{Micro: 1_500_500_000} }, "elevation_m: 1500.5 has more digits after the point than the 0 it claims (give as many decimals as the value has)"},
		{func(m *kb.Site) { m.ToleranceC = dec("0") }, "tolerance_c: is 0 (leave it out to use the usual one)"},
		{func(m *kb.Site) { m.ToleranceF = dec("18.1") }, "tolerance_f: 18.1 is out of range (give 0 to 18)"},
		{func(m *kb.Site) { m.WeatherHpa = dec("0.0") }, "weather_hpa: is 0 (leave it out to use the usual one)"},
		{func(m *kb.Site) { m.WeatherHpa = dec("-1") }, "weather_hpa: -1 is out of range (give 0 to 60)"},
		{func(m *kb.Site) { m.Zone = "Local" }, `zone: "Local" is not a time zone (use an IANA name such as Europe/Oslo, or leave it empty and give utc_offset_s)`},
		{func(m *kb.Site) { m.Zone = "Mars/North" }, `zone: "Mars/North" is not a time zone (use an IANA name such as Europe/Oslo, or leave it empty and give utc_offset_s)`},
		{func(m *kb.Site) { m.UtcOffsetS = 50401 }, "utc_offset_s: 50401 seconds is no offset from UTC (give -50400 to 50400 seconds)"},
		{func(m *kb.Site) { m.DayStartsMin = 1440 }, "day_starts_min: a day has no minute 1440 (give 0 to 1439)"},
		{func(m *kb.Site) { m.LateAfterMin = 10081 }, "late_after_min: 10081 minutes is too long (give at most 10080 minutes, a week)"},
		{func(m *kb.Site) { m.PressureAgeMin = 20000 }, "pressure_age_min: 20000 minutes is too long (give at most 10080 minutes, a week)"},
	} {
		m := site("1480")
		if err := Validate(m); err != nil {
			t.Fatal(err)
		}
		c.change(m)
		refused(t, Validate(m), ErrInvalid, c.want)
	}
}

// The production day starts at the site's hour and not at midnight.
func TestProductionDayAcrossMidnight(t *testing.T) {
	for _, c := range []struct {
		offset int32
		start  uint32
		at     string
		want   string
	}{
		{0, 240, "2026-03-02 03:59:59.999999", "2026-03-01"}, {0, 240, "2026-03-02 04:00", "2026-03-02"}, {0, 240, "2026-03-02 23:59:59", "2026-03-02"},
		{0, 240, "2026-03-03 00:00", "2026-03-02"}, {0, 240, "2026-03-03 03:59:59", "2026-03-02"},
		{0, 0, "2026-03-02 00:00", "2026-03-02"}, {0, 0, "2026-03-02 23:59:59", "2026-03-02"}, {0, 1439, "2026-03-02 23:58", "2026-03-01"}, {0, 1439, "2026-03-02 23:59", "2026-03-02"},
		{-7 * 3600, 240, "2026-03-02 10:59:59", "2026-03-01"}, {-7 * 3600, 240, "2026-03-02 11:00", "2026-03-02"}, {-7 * 3600, 240, "2026-03-03 06:00", "2026-03-02"},
		{14 * 3600, 240, "2026-03-01 14:00", "2026-03-02"}, {20700, 330, "2026-03-01 23:44:59", "2026-03-01"}, {20700, 330, "2026-03-01 23:45", "2026-03-02"}, // UTC+5:45
		{0, 240, "2028-03-01 03:00", "2028-02-29"}, {0, 240, "2026-01-01 03:00", "2025-12-31"},
	} {
		m := site("0")
		m.UtcOffsetS, m.DayStartsMin = c.offset, c.start
		if got := settingsOf(m).Day(when(c.at)); got != c.want {
			t.Errorf("%s UTC at offset %d s, day from minute %d: %s, want %s", c.at, c.offset, c.start, got, c.want)
		}
	}
}

// Days on which the clocks change: 23 and 25 hours long. Changes of 2026, from
// the IANA time zone database: Europe/Oslo 29 March and 25 October 01:00 UTC,
// America/Denver 8 March 09:00 UTC and 1 November 08:00 UTC, Australia/Lord_Howe
// (half an hour) 4 April 15:00 UTC and 3 October 15:30 UTC.
func TestProductionDayAcrossDaylightSaving(t *testing.T) {
	for _, c := range []struct {
		zone  string
		start uint32
		day   string
		hours float64
		from  string
	}{
		{"Europe/Oslo", 240, "2026-03-27", 24, "2026-03-27 03:00"}, {"Europe/Oslo", 240, "2026-03-28", 23, "2026-03-28 03:00"}, {"Europe/Oslo", 240, "2026-03-29", 24, "2026-03-29 02:00"},
		{"Europe/Oslo", 0, "2026-03-29", 23, "2026-03-28 23:00"}, {"Europe/Oslo", 240, "2026-10-24", 25, "2026-10-24 02:00"}, {"Europe/Oslo", 0, "2026-10-25", 25, "2026-10-24 22:00"},
		{"America/Denver", 240, "2026-03-07", 23, "2026-03-07 11:00"}, {"America/Denver", 240, "2026-10-31", 25, "2026-10-31 10:00"},
		{"Australia/Lord_Howe", 240, "2026-04-04", 24.5, "2026-04-03 17:00"}, {"Australia/Lord_Howe", 240, "2026-10-03", 23.5, "2026-10-02 17:30"},
		// The starting hour itself is skipped: the day starts when the clock jumps.
		{"Europe/Oslo", 150, "2026-03-29", 23.5, "2026-03-29 01:00"}, {"Europe/Oslo", 150, "2026-03-28", 23.5, "2026-03-28 01:30"},
		// The starting hour is shown twice: the day starts the first time.
		{"Europe/Oslo", 150, "2026-10-25", 25, "2026-10-25 00:30"}, {"Europe/Oslo", 150, "2026-10-24", 24, "2026-10-24 00:30"},
	} {
		m := site("0")
		m.Zone, m.DayStartsMin = c.zone, c.start
		s := settingsOf(m)
		from, to, err := s.Bounds(c.day)
		if err != nil || !from.Equal(when(c.from)) || to.Sub(from).Hours() != c.hours {
			t.Errorf("%s, day from minute %d: %s begins %v and lasts %v (%v), want %s UTC and %v h", c.zone, c.start, c.day, from.UTC(), to.Sub(from), err, c.from, c.hours)
		}
	}
	// Where the clock was set back across midnight, from 00:01 to 23:01 (America/
	// St_Johns, 7 November 2010), the day had begun and goes on.
	n := site("0")
	n.Zone, n.DayStartsMin = "America/St_Johns", 0
	from, to, err := settingsOf(n).Bounds("2010-11-07")
	if err != nil || !from.Equal(when("2010-11-07 02:30")) || to.Sub(from).Hours() != 25 || settingsOf(n).Day(when("2010-11-07 02:45")) != "2010-11-07" || settingsOf(n).Day(when("2010-11-07 02:29:59")) != "2010-11-06" {
		t.Errorf("begins %v, lasts %v (%v), 02:45 UTC is of %s", from.UTC(), to.Sub(from), err, settingsOf(n).Day(when("2010-11-07 02:45")))
	}
	// Samoa had no 30 December 2011 (IANA time zone database).
	m := site("0")
	m.Zone, m.DayStartsMin = "Pacific/Apia", 0
	if from, to, err := settingsOf(m).Bounds("2011-12-30"); err != nil || !from.Equal(to) {
		t.Errorf("a day that was skipped lasts from %v to %v (%v)", from, to, err)
	}
	_, _, err = settingsOf(m).Bounds("30 December")
	refused(t, err, ErrInvalid, `production_day: "30 December" is not a day (write it YYYY-MM-DD)`)
}

// Bounds inverts Day in every zone, at every starting minute, whatever the
// clock does.
func TestBoundsInvertDay(t *testing.T) {
	zones := []string{"UTC", "Europe/Oslo", "America/Denver", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu", "Africa/Casablanca", "Pacific/Apia", "Pacific/Chatham", "America/Sao_Paulo"}
	rapid.Check(t, func(t *rapid.T) {
		m := site("0")
		m.Zone = rapid.SampledFrom(zones).Draw(t, "zone")
		m.DayStartsMin = rapid.Uint32Range(0, 1439).Draw(t, "start")
		s := settingsOf(m)
		at := time.Unix(rapid.Int64Range(1_200_000_000, 2_200_000_000).Draw(t, "second"), 0)
		if rapid.Bool().Draw(t, "near a change of the clock") {
			if _, end := at.In(s.Location()).ZoneBounds(); !end.IsZero() {
				at = end.Add(time.Duration(rapid.Int64Range(-100_000, 100_000).Draw(t, "offset")) * time.Second)
			}
		}
		day := s.Day(at)
		from, to, err := s.Bounds(day)
		if err != nil || at.Before(from) || !at.Before(to) {
			t.Fatalf("%v is of %s, which lasts from %v to %v (%v)", at, day, from, to, err)
		}
		if first, last := s.Day(from), s.Day(to.Add(-time.Microsecond)); first != day || last != day {
			t.Fatalf("%s begins on %s and ends on %s", day, first, last)
		}
		next, _, err := s.Bounds(s.Day(to))
		if err != nil || !next.Equal(to) {
			t.Fatalf("%s ends at %v, the next day begins at %v (%v)", day, to, next, err)
		}
	})
}

func TestLate(t *testing.T) {
	s := settings("0")
	for _, c := range []struct {
		recorded string
		want     bool
	}{{"2026-03-02 07:15", false}, {"2026-03-02 07:15:00.000001", true}, {"2026-03-02 06:59", false}} {
		if got := s.IsLate(when("2026-03-02 07:00"), when(c.recorded)); got != c.want {
			t.Errorf("07:00 entered at %s: late %v", c.recorded, got)
		}
	}
}

func TestAhead(t *testing.T) {
	now := when("2026-03-02 07:00")
	for _, at := range []string{"2026-03-03 07:00", "2026-03-02 07:01", "2025-01-01 00:00"} {
		if err := CheckAhead("at", when(at), now); err != nil {
			t.Errorf("%s: %v", at, err)
		}
	}
	refused(t, CheckAhead("at", when("2026-03-03 07:00:01"), now), ErrTooFarAhead,
		"at: 2026-03-03T07:00:01Z is more than 24 h ahead of the server's clock (2026-03-02T07:00:00Z) (check the date, the year and the tablet's clock)")
}

func TestSiteVersionsHoldFromTheirTime(t *testing.T) {
	b := newBook(t)
	for _, at := range []string{"2026-03-02 06:00", "2026-03-03 06:00"} {
		m := proto.Clone(site("10")).(*kb.Site)
		m.Name = at
		b.take([]Draft{{Act: act("AB"), OccurredAt: when(at), Day: at[:10], Payload: m}}, nil)
	}
	if got := b.index(KindSite, "at"); len(got) != 2 {
		t.Errorf("versions kept: %v", got)
	}
}
