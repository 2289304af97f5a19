package records_test

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

func TestCheckIsKeptAsClaimed(t *testing.T) {
	m := checkOf(icePoint("2026-03-02 06:00", "32.20 F"), boilingPoint("2026-03-02 06:05", "204.7 F", "843.1"), comparisonPoint("2026-03-02 06:30", "304.5 F", "150.21 C"))
	f := CheckFacts{Settings: settings("1480"), Instrument: docHere(thermometer("TH-01", scaleF, "0.1")), References: referenceDocs()}
	drafts, err := DecideCheck(f, act("AB"), m)
	d := decided(t, drafts, err)[0]
	sameMessage(t, d.Payload, m)
	if len(drafts) != 1 || d.Person != "AB" || d.Day != "2026-03-02" || d.OccurredAt != when("2026-03-02 06:00") {
		t.Errorf("kept as %+v", d)
	}
	// It belongs to the day of its first point, though the last falls on the next.
	late := checkOf(icePoint("2026-03-02 03:50", "32.2 F"), boilingPoint("2026-03-02 04:05", "204.7 F", "843.1"))
	drafts, err = DecideCheck(f, act("AB"), late)
	if d := decided(t, drafts, err)[0]; d.Day != "2026-03-01" {
		t.Errorf("a check from before the day's start is of %s", d.Day)
	}
	if len(PressureTimes(m)) == 0 || len(PressureTimes(checkOf(icePoint("2026-03-02 06:00", "0 C")))) != 0 || !slices.Equal(ReferenceNames(m), []string{"REF-1"}) {
		t.Error("what the check carries is not seen")
	}
	b := newBook(t)
	b.take(drafts, err)
	if p := lookup[*kb.KitchenPressure](b, KindPressure, JoinKey("c-1", "1")); FormatDecimal(p.Record.GetPressureHpa()) != "843.1" || p.Record.GetKind() != readHere || p.Record.GetAt().AsTime() != when("2026-03-02 04:05") {
		t.Errorf("the pressure read with it: %v", p.Record)
	}
}

func TestCheckRefusals(t *testing.T) {
	for _, c := range []struct {
		kind   error
		change func(*kb.Check, *CheckFacts)
		want   string
	}{
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.CheckId = "" }, "check_id: is empty (give 1 to 64 characters)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.InstrumentId = "" }, "instrument_id: is empty (give 1 to 24 characters)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points = nil }, "points: 0 points (give 1 to 40 points)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) {
			for range MaxPoints {
				m.Points = append(m.Points, icePoint("2026-03-02 06:30", "0 C"))
			}
		}, "points: 43 points (give 1 to 40 points)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { slices.Reverse(m.Points) }, "points[1].at: goes back in time (send points in order of time)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[1].Phase = kb.CheckPhase_CHECK_PHASE_AS_LEFT }, "points[1].phase: an as-left point without an adjustment (say that it was adjusted, and how)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Adjusted = true }, "adjustment: is empty (say what was done)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].At = nil }, "points[0].at: is missing or no time (give the time it happened)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Reading = nil }, "points[0].reading: is missing (give what the instrument showed)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Reading.Unit = 0 }, "points[0].reading.unit: is missing (degC or degF)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Reading = deg("32 F") }, "points[0].reading.unit: TH-01 has only degC on it (enter what the dial shows, in degC)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Reading = deg("1400 C") }, "points[0].reading: TH-01 cannot show 1400 degC (check the digits and the unit)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Reading.Decimals = 7 }, "points[0].reading: claims 7 digits after the point (give 0 to 6)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Reading.Micro = 1 << 62 }, "points[0].reading: the number is too large (check the digits)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].Kind = 0 }, "points[0].kind: is missing (ice, boiling or comparison)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].PressureHpa = dec("843.1") }, "points[0].pressure_hpa: only a boiling point takes a pressure (record it as a kitchen pressure)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[0].ReferenceId = "REF-1" }, "points[0].reference_id: only a comparison has a reference (make it a comparison)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[1].PressureKind = 0 }, "points[1].pressure_kind: a pressure without its kind (say whether it was measured in the kitchen or is an altimeter setting)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[1].PressureKind = unread }, "points[1].pressure_kind: a pressure without its kind (say whether it was measured in the kitchen or is an altimeter setting)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[1].PressureHpa = dec("29.92") }, "points[1].pressure_hpa: 29.92 hPa is no air pressure of a kitchen (give it in hPa, for example 843.1)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[1].PressureHpa = dec("1100.1") }, "points[1].pressure_hpa: 1100.1 hPa is no air pressure of a kitchen (give it in hPa, for example 843.1)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[1].PressureKind = reducedToSea }, "points[1].pressure_hpa: 843.1 hPa is no altimeter setting (an altimeter setting is a sea-level figure near 1013 hPa)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[2].ReferenceReading = nil }, "points[2].reference_reading: is missing (give what the reference showed)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[2].ReferenceId = "" }, "points[2].reference_id: is missing (name the reference)"},
		{ErrInvalid, func(m *kb.Check, _ *CheckFacts) { m.Points[2].ReferenceReading = deg("302 F") }, "points[2].reference_reading.unit: REF-1 has only degC on it (enter what the dial shows, in degC)"},
		{ErrInvalid, func(m *kb.Check, f *CheckFacts) {
			m.Points[2].ReferenceId = "TH-01"
			f.References["TH-01"] = f.Instrument
		}, "points[2].reference_id: an instrument cannot be compared with itself (name another instrument)"},
		{ErrUnknownReference, func(m *kb.Check, _ *CheckFacts) { m.Points[2].ReferenceId = "REF-9" }, "points[2].reference_id: instrument REF-9 is not known (enter the instrument in the register first)"},
		{ErrUnknownReference, func(_ *kb.Check, f *CheckFacts) { f.Instrument = Doc[*kb.Instrument]{} }, "instrument_id: instrument TH-01 is not known (enter the instrument in the register first)"},
		{ErrExists, func(m *kb.Check, f *CheckFacts) { f.Known = docHere(m) }, "check_id: check c-1 exists (give the check a new name)"},
		{ErrTooFarAhead, func(m *kb.Check, _ *CheckFacts) { m.Points[2].At = ts("2026-03-03 22:00:01") }, "points[2].at: 2026-03-03T22:00:01Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
	} {
		m := checkOf(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.0 C", "843.1"), comparisonPoint("2026-03-02 06:30", "150.3 C", "150.21 C"))
		f := CheckFacts{Settings: settings("1480"), Instrument: docHere(thermometer("TH-01", scaleC, "0.1")), References: referenceDocs()}
		if _, err := DecideCheck(f, act("AB"), m); err != nil {
			t.Fatal(err)
		}
		c.change(m, &f)
		_, err := DecideCheck(f, act("AB"), m)
		refused(t, err, c.kind, c.want)
	}
}

// A reading at either end of the scale is one; beyond it is none (D32).
func TestReadingsOnTheScale(t *testing.T) {
	narrow := thermometer("TH-01", scaleC, "1")
	narrow.RangeLow, narrow.RangeHigh = dec("40"), dec("200")
	narrowF := thermometer("TH-01", scaleF, "2")
	narrowF.RangeLow, narrowF.RangeHigh = dec("100"), dec("400")
	both := thermometer("TH-01", scaleDual, "1")
	both.RangeLow, both.RangeHigh = dec("40"), dec("200")
	for _, c := range []struct {
		i       *kb.Instrument
		reading string
		want    string
	}{
		{narrow, "40 C", ""}, {narrow, "200 C", ""}, {narrow, "39.9 C", "reading: TH-01 cannot show 39.9 degC (check the digits and the unit)"}, {narrow, "200.1 C", "reading: TH-01 cannot show 200.1 degC (check the digits and the unit)"},
		{narrowF, "100 F", ""}, {narrowF, "400 F", ""}, {narrowF, "400.1 F", "reading: TH-01 cannot show 400.1 degF (check the digits and the unit)"}, {narrowF, "99.99 F", "reading: TH-01 cannot show 99.99 degF (check the digits and the unit)"},
		{both, "104 F", ""}, {both, "392 F", ""}, {both, "392.1 F", "reading: TH-01 cannot show 392.1 degF (check the digits and the unit)"}, {both, "200 C", ""},
		{thermometer("TH-01", scaleC, "1"), "-50 C", ""}, {thermometer("TH-01", scaleC, "1"), "300 C", ""}, {thermometer("TH-01", scaleF, "1"), "572 F", ""},
		{thermometer("TH-01", scaleC, "1"), "", "reading: is missing (give what the instrument showed)"},
	} {
		err := CheckReading("reading", c.i, deg(c.reading))
		if c.want == "" && err != nil {
			t.Errorf("%s: %v", c.reading, err)
		}
		if c.want != "" {
			refused(t, err, ErrInvalid, c.want)
		}
	}
}

func TestKitchenPressure(t *testing.T) {
	b := newBook(t)
	m := &kb.KitchenPressure{At: ts("2026-03-02 07:00"), PressureHpa: dec("843.10"), Kind: readHere}
	b.take(DecidePressure(settings("1480"), act("AB"), m))
	// Two readings of one moment both stand.
	second := proto.Clone(m).(*kb.KitchenPressure)
	second.PressureHpa = dec("843.2")
	b.take(DecidePressure(settings("1480"), act("AB"), second))
	if got := readAll[*kb.KitchenPressure](b, b.index(KindPressure, "at")); len(got) != 2 || FormatDecimal(got[0].Record.GetPressureHpa()) != "843.10" || got[0].Meta.GetProductionDay() != "2026-03-02" {
		t.Errorf("kept: %v", got)
	}
	// An amended time leaves nothing at the old one.
	moved := proto.Clone(m).(*kb.KitchenPressure)
	moved.At = ts("2026-03-02 09:00")
	f := AmendFacts{Settings: settings("1480"), Target: b.entries[0], Found: true, Current: m}
	b.take(DecideAmendment(f, act("AB"), &kb.Amendment{TargetSequence: 1, Replacement: inAny(t, moved), Reason: "the clock had stopped"}))
	if got := readAll[*kb.KitchenPressure](b, b.index(KindPressure, "at")); len(got) != 2 || got[0].Record.GetAt().AsTime() != when("2026-03-02 07:00") || got[1].Record.GetAt().AsTime() != when("2026-03-02 09:00") || got[1].Meta.GetAmends() != 1 {
		t.Errorf("after the amendment: %v", got)
	}
	for _, c := range []struct {
		kind   error
		change func(*kb.KitchenPressure)
		want   string
	}{
		{ErrInvalid, func(m *kb.KitchenPressure) { m.At = nil }, "at: is missing or no time (give the time it happened)"},
		{ErrInvalid, func(m *kb.KitchenPressure) { m.PressureHpa = nil }, "pressure_hpa: is missing (read the barometer, in hPa)"},
		{ErrInvalid, func(m *kb.KitchenPressure) { m.PressureHpa = dec("84310") }, "pressure_hpa: 84310 hPa is no air pressure of a kitchen (give it in hPa, for example 843.1)"},
		{ErrInvalid, func(m *kb.KitchenPressure) { m.Kind = 0 }, "kind: a pressure without its kind (say whether it was measured in the kitchen or is an altimeter setting)"},
		{ErrInvalid, func(m *kb.KitchenPressure) { m.Kind = reducedToSea }, "pressure_hpa: 843.1 hPa is no altimeter setting (an altimeter setting is a sea-level figure near 1013 hPa)"},
		{ErrTooFarAhead, func(m *kb.KitchenPressure) { m.At = ts("2026-03-04 07:00") }, "at: 2026-03-04T07:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
	} {
		m := &kb.KitchenPressure{At: ts("2026-03-02 07:00"), PressureHpa: dec("843.1"), Kind: readHere}
		c.change(m)
		_, err := DecidePressure(settings("1480"), act("AB"), m)
		refused(t, err, c.kind, c.want)
	}
}
