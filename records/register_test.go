package records_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

func TestPeople(t *testing.T) {
	anna := &kb.Person{Initials: "AB", PrintedName: "Anna Berg", Roles: []kb.Role{kb.Role_ROLE_COOK, kb.Role_ROLE_REVIEWER}}
	facts := PersonFacts{Known: docHere(anna)}
	for _, c := range []struct {
		change func(*kb.Person)
		facts  PersonFacts
		rename bool
		kind   error
		want   string
	}{
		{func(*kb.Person) {}, PersonFacts{}, false, nil, ""}, {func(m *kb.Person) { m.Left = true }, facts, false, nil, ""}, {func(m *kb.Person) { m.Initials = "ÅØ9" }, PersonFacts{}, false, nil, ""},
		{func(m *kb.Person) { m.PrintedName = "Anna Berg-Dahl" }, facts, true, nil, ""},
		{func(m *kb.Person) { m.PrintedName = "Arne Bakke" }, facts, false, ErrExists, "initials: AB belongs to Anna Berg (choose other initials)"},
		{func(m *kb.Person) { m.PrintedName = "" }, PersonFacts{}, false, ErrInvalid, "printed_name: is empty (give 1 to 120 characters)"},
		{func(m *kb.Person) { m.Initials = "" }, PersonFacts{}, false, ErrInvalid, "initials: is empty (give 1 to 8 characters)"},
		{func(m *kb.Person) { m.Initials = "A.B." }, PersonFacts{}, false, ErrInvalid, `initials: "A.B." cannot be initials (use letters and digits only)`},
		{func(m *kb.Person) { m.Initials = "A\u00a0B" }, PersonFacts{}, false, ErrInvalid, `initials: "A\u00a0B" cannot be initials (use letters and digits only)`},
		{func(m *kb.Person) { m.Initials = "ABCDEFGHI" }, PersonFacts{}, false, ErrInvalid, "initials: has 9 characters (give at most 8)"},
		{func(m *kb.Person) { m.Roles = nil }, PersonFacts{}, false, ErrInvalid, "roles: is empty (give at least one role)"},
		{func(m *kb.Person) { m.Roles = append(m.Roles, 0) }, PersonFacts{}, false, ErrInvalid, "roles: holds an unspecified role (cook, reviewer, administrator or inspector)"},
		{func(m *kb.Person) { m.Roles = append(m.Roles, kb.Role_ROLE_INSPECTOR) }, PersonFacts{}, false, ErrInvalid, "roles: inspector with another role (an inspector reads only: give no other role)"},
	} {
		m := proto.Clone(anna).(*kb.Person)
		c.change(m)
		drafts, err := DecidePerson(c.facts, act("CD"), "2026-03-02", m, c.rename)
		if c.kind != nil {
			refused(t, err, c.kind, c.want)
			continue
		}
		if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" || d.OccurredAt != act("").RecordedAt {
			t.Errorf("%+v", d)
		}
	}
}

func TestInitials(t *testing.T) {
	for _, c := range []struct {
		name  string
		taken []string
		want  string
	}{
		{"Anna Berg", nil, "AB"}, {"anna berg", nil, "AB"}, {"Anna Berg", []string{"AB"}, "AB2"}, {"Anna Berg", []string{"AB", "AB2", "AB3"}, "AB4"}, {"Jean-Luc d'Arc", nil, "JLD"},
		{"Øystein Ødegård", nil, "ØØ"}, {"łucja Żak", nil, "ŁŻ"}, {"A. B. C. D. E. F. G. H.", nil, "ABCDEF"}, {"(Bo)  \"Kit\" Lund", nil, "BKL"}, {"...", nil, "X"}, {"", nil, "X"}, {"", []string{"X"}, "X2"}, {"4 Hands", nil, "4H"},
	} {
		got := Initials(c.name, func(s string) bool { return slices.Contains(c.taken, s) })
		if got != c.want {
			t.Errorf("%s beside %v: %s, want %s", c.name, c.taken, got, c.want)
		}
		if err := Validate(&kb.Person{Initials: got, PrintedName: "x", Roles: []kb.Role{kb.Role_ROLE_COOK}}); err != nil {
			t.Errorf("%s: %v", got, err)
		}
	}
}

func TestInstruments(t *testing.T) {
	known := thermometer("TH-01", scaleC, "0.1")
	known.Serial = "S-1"
	facts := InstrumentFacts{Known: docHere(known)}
	noSerial := InstrumentFacts{Known: docHere(thermometer("TH-01", scaleC, "0.1"))}
	none := InstrumentFacts{}
	for _, c := range []struct {
		change func(*kb.Instrument)
		facts  InstrumentFacts
		kind   error
		want   string
	}{
		{func(*kb.Instrument) {}, none, nil, ""}, {func(m *kb.Instrument) { m.Retired = true }, facts, nil, ""}, {func(*kb.Instrument) {}, noSerial, nil, ""},
		{func(m *kb.Instrument) { m.Scale = scaleF }, facts, ErrExists, "instrument_id: TH-01 is an instrument with another scale or serial number (enter the other instrument under a name of its own)"},
		{func(m *kb.Instrument) { m.Serial = "S-2" }, facts, ErrExists, "instrument_id: TH-01 is an instrument with another scale or serial number (enter the other instrument under a name of its own)"},
		{func(m *kb.Instrument) { m.InstrumentId = "" }, none, ErrInvalid, "instrument_id: is empty (give 1 to 24 characters)"},
		{func(m *kb.Instrument) { m.Scale = 0 }, none, ErrInvalid, "scale: is missing (Celsius, Fahrenheit or dual)"},
		{func(m *kb.Instrument) { m.Division = nil }, none, ErrInvalid, "division: is missing or not above 0 (give the smallest division in degrees of its scale)"},
		{func(m *kb.Instrument) { m.Division = dec("0") }, none, ErrInvalid, "division: is missing or not above 0 (give the smallest division in degrees of its scale)"},
		{func(m *kb.Instrument) { m.Division = dec("51") }, none, ErrInvalid, "division: 51 is out of range (give 0 to 50)"},
		{func(m *kb.Instrument) { m.ReadTo = dec("0.0") }, none, ErrInvalid, "read_to: is not above 0 (leave it out to read to the division)"},
		{func(m *kb.Instrument) { m.Tolerance = dec("0") }, none, ErrInvalid, "tolerance: is not above 0 (leave it out to use the site's)"},
		{func(m *kb.Instrument) { m.RangeLow, m.RangeHigh = dec("200"), dec("40") }, none, ErrInvalid, "range_high: does not lie above the lower end of the scale (exchange the ends of the scale)"},
		{func(m *kb.Instrument) { m.RangeHigh = dec("501") }, none, ErrInvalid, "range_high: 501 degC is out of range (give -100 to 500 degC, or as much in degF)"},
		{func(m *kb.Instrument) { m.RangeLow = dec("-101") }, none, ErrInvalid, "range_low: -101 degC is out of range (give -100 to 500 degC, or as much in degF)"},
		{func(m *kb.Instrument) { m.Scale, m.RangeHigh = scaleF, dec("932") }, none, nil, ""},
		{func(m *kb.Instrument) { m.Scale, m.RangeHigh = scaleF, dec("933") }, none, ErrInvalid, "range_high: 933 degF is out of range (give -100 to 500 degC, or as much in degF)"},
		{func(m *kb.Instrument) { m.CertificateUC = dec("11") }, none, ErrInvalid, "certificate_u_c: 11 is out of range (give 0 to 10)"},
		{func(m *kb.Instrument) { m.CertificateCorrectionC = dec("-11") }, none, ErrInvalid, "certificate_correction_c: -11 is out of range (give -10 to 10)"},
		{func(m *kb.Instrument) { m.CertificateDue = "31.12.2026" }, none, ErrInvalid, `certificate_due: "31.12.2026" is not a day (write it YYYY-MM-DD)`},
		{func(m *kb.Instrument) { m.Description = strings.Repeat("x", 81) }, none, ErrInvalid, "description: has 81 characters (give at most 80)"},
	} {
		m := proto.Clone(known).(*kb.Instrument)
		c.change(m)
		drafts, err := DecideInstrument(c.facts, act("CD"), "2026-03-02", m)
		if c.kind != nil {
			refused(t, err, c.kind, c.want)
			continue
		}
		if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" {
			t.Errorf("%+v", d)
		}
	}
	// What it is read to: its division, or finer.
	fine := thermometer("TH-01", scaleF, "2")
	fine.ReadTo = dec("0.9")
	if d, r := DivisionC(fine); d != 1.111111 || r != 0.5 {
		t.Errorf("division %v, read to %v", d, r)
	}
	if d, r := DivisionC(thermometer("TH-01", scaleDual, "1")); d != 1 || r != 1 {
		t.Errorf("division %v, read to %v", d, r)
	}
}

// The register keeps every version and shows the latest.
func TestRegisterVersions(t *testing.T) {
	b := newBook(t)
	for i, division := range []string{"0.1", "0.5", "1"} {
		a := act("CD")
		a.RecordedAt = when(fmt.Sprintf("2026-03-0%d 06:00", i+1))
		b.take(DecideInstrument(InstrumentFacts{}, a, "2026-03-02", thermometer("TH-01", scaleC, division)))
	}
	if got := lookup[*kb.Instrument](b, KindInstrument, "TH-01").Record; FormatDecimal(got.GetDivision()) != "1" {
		t.Errorf("latest: %v", got)
	}
	var got []string
	for _, d := range readAll[*kb.Instrument](b, b.index(KindInstrumentVersion, "at", "TH-01")) {
		got = append(got, FormatDecimal(d.Record.GetDivision()))
	}
	if !slices.Equal(got, []string{"0.1", "0.5", "1"}) {
		t.Errorf("versions %v", got)
	}
}

// Every sentinel has one word on the wire, and an error below a field keeps
// its kind.
func TestErrors(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds() {
		if seen[k.Reason] || k.Reason != strings.ToUpper(k.Reason) || k.Sentinel == nil {
			t.Errorf("%+v", k)
		}
		seen[k.Reason] = true
		inner := &FieldError{Kind: k.Sentinel, Field: "reading", Problem: "is wrong", Cure: "read again"}
		refused(t, Within("points[1]", inner), k.Sentinel, "points[1].reading: is wrong (read again)")
		refused(t, Within("points[1]", &FieldError{Kind: k.Sentinel, Problem: "is wrong"}), k.Sentinel, "points[1]: is wrong")
		if inner.Field != "reading" {
			t.Error("the error itself changed")
		}
	}
	other := errors.New("other")
	if Within("x", other) != other || Within("x", nil) != nil {
		t.Error("an error of another kind does not pass")
	}
}
