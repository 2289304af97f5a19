package main

import (
	"errors"
	"maps"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// TestParseTime: a time of day is the last moment at which the kitchen's
// clock showed it, also over midnight and over a change of the clock.
func TestParseTime(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 2, 5, 30, 15, 0, oslo)
	// Clocks in Europe go forward on the last Sunday of March at 01:00 UTC (Directive 2000/84/EC).
	changed := time.Date(2026, 3, 29, 8, 0, 0, 0, oslo)
	for _, c := range []struct {
		text string
		now  time.Time
		want string // in UTC
	}{
		{"", now, "2026-03-02T04:30:15Z"},
		{"05:30", now, "2026-03-02T04:30:00Z"},
		{"05:30:15", now, "2026-03-02T04:30:15Z"},
		{"05:31", now, "2026-03-01T04:31:00Z"},
		{"23:50", now, "2026-03-01T22:50:00Z"},
		{"07:00", changed, "2026-03-29T05:00:00Z"},
		{"23:00", changed, "2026-03-28T22:00:00Z"},
		{"2026-03-02T05:45", now, "2026-03-02T04:45:00Z"},
		{"2026-03-02 05:45:10", now, "2026-03-02T04:45:10Z"},
		{"2026-07-02T05:45", now, "2026-07-02T03:45:00Z"},
		{"2026-03-02T05:45:00-07:00", now, "2026-03-02T12:45:00Z"},
		{"2026-03-02T05:45:00.25Z", now, "2026-03-02T05:45:00.25Z"},
		{"noon", now, ""}, {"25:00", now, ""}, {"2026-13-02T05:45", now, ""}, {"5", now, ""}, {"05:45 ", now, ""}, {"2026-03-02", now, ""},
	} {
		got, err := parseTime("--at", c.text, oslo, c.now)
		if c.want == "" {
			var e *exitError
			if !errors.As(err, &e) || e.code != exitUsage {
				t.Errorf("%q: %v, %v; want an error of usage", c.text, got, err)
			}
			continue
		}
		if err != nil || got.AsTime().Format(time.RFC3339Nano) != c.want {
			t.Errorf("%q: %v, %v; want %s", c.text, got.AsTime().Format(time.RFC3339Nano), err, c.want)
		}
	}
}

// TestParseTemperature: digits and unit come back as they were written.
func TestParseTemperature(t *testing.T) {
	for text, want := range map[string]string{
		"205.4F": "205.4 degF", "96.30C": "96.30 degC", "-0.5 C": "-0.5 degC", "212degF": "212 degF", "100 °C": "100 degC", "100c": "100 degC", "0C": "0 degC",
		"205.4": "", "C": "", "": "", "NaNC": "", "InfF": "", "1e3C": "", "1,5C": "", "+5C": "", ".5C": "", "5.C": "", "100K": "", "100CF": "", "100°": "", "1.1234567C": "",
	} {
		got, err := parseTemperature("reading", text)
		if (err == nil) != (want != "") || err == nil && records.FormatTemperature(got) != want {
			t.Errorf("%q: %q, %v; want %q", text, records.FormatTemperature(got), err, want)
		}
	}
}

// TestParseClaim: keys and words after the comma; a note takes the rest.
func TestParseClaim(t *testing.T) {
	for _, c := range []struct {
		text        string
		head, value string
		more        map[string]string // nil: refused
	}{
		{"ice=0.2C", "ice", "0.2C", map[string]string{}},
		{"ice", "ice", "", map[string]string{}},
		{"boiling=95.1C,pressure=843.1,left", "boiling", "95.1C", map[string]string{"pressure": "843.1", "left": "left"}},
		{"ice=0C,note=a, b=c, left", "ice", "0C", map[string]string{"note": "a, b=c, left"}},
		{"ice=0C,pressure=", "ice", "0C", map[string]string{"pressure": ""}},
		{text: "ice=0C,colour=red"}, {text: "ice=0C, left"},
	} {
		got, err := parseClaim(c.text, "pressure", "left", "note")
		if (err == nil) != (c.more != nil) {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if err == nil && (got.head != c.head || got.value != c.value || !maps.Equal(got.more, c.more)) {
			t.Errorf("%q: %+v", c.text, got)
		}
	}
}

// TestEnumWords: the word of every value of the enums that people type leads back to it.
func TestEnumWords(t *testing.T) {
	n := 0
	for _, e := range []protoreflect.Enum{
		kb.Role(0), kb.Construction(0), kb.LimitClass(0), kb.EstablishedOn(0), kb.PointKind(0), kb.DeviationClass(0), kb.DispositionKind(0),
	} {
		values := e.Descriptor().Values()
		for i := range values.Len() {
			v := values.Get(i)
			got, err := parseEnum("x", enumWord(v), e.Descriptor())
			if v.Number() == 0 {
				if err == nil {
					t.Errorf("%s: the word for nothing is taken", v.FullName())
				}
				continue
			}
			if n++; err != nil || got != v.Number() {
				t.Errorf("%s: %q gives %d, %v", v.FullName(), enumWord(v), got, err)
			}
		}
	}
	if n < 25 {
		t.Errorf("only %d values were tried", n)
	}
	if got, err := parseEnum("x", "Food-Safety", kb.DeviationClass(0).Descriptor()); err != nil || kb.DeviationClass(got) != kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY {
		t.Errorf("Food-Safety: %v, %v", got, err)
	}
}

// TestBlame: the argument that a field came from is named, the longest path first.
func TestBlame(t *testing.T) {
	at := map[string]string{"check": "the check", "check.points[1]": "boiling=95C", "check.points[10]": "ice=0C", "check.adjustment": "--adjusted"}
	for field, want := range map[string]string{
		"check.points[1].reading.unit": "boiling=95C", "check.points[10]": "ice=0C", "check.points[11].at": "the check", "check.adjustment": "--adjusted",
		"check.adjusted": "the check", "checks": "checks", "": "",
	} {
		var fe *records.FieldError
		if err := blame(&records.FieldError{Kind: records.ErrInvalid, Field: field, Problem: "p"}, at); !errors.As(err, &fe) || fe.Field != want || !errors.Is(err, records.ErrInvalid) {
			t.Errorf("%q: %v, want %q", field, err, want)
		}
	}
}

func TestNextOrigin(t *testing.T) {
	for origin, want := range map[string]string{"k.invalid/a1/1": "k.invalid/a1/2", "k.invalid/a1/9": "k.invalid/a1/10", "k.invalid/a1": "k.invalid/a1/2", "old": "old/2"} {
		if got := nextOrigin(origin); got != want {
			t.Errorf("%s: %s, want %s", origin, got, want)
		}
	}
}
