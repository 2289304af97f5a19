package records_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// newBatch is what is known before a batch of an approved formula is there,
// openBatch what is known of one that began at 07:00.
func newBatch() BatchFacts {
	return BatchFacts{Settings: settings("1480"), Formula: docHere(fondant()), Approved: true, Instrument: docHere(thermometer("TH-01", scaleC, "0.1"))}
}

func openBatch() BatchFacts {
	f := newBatch()
	f.Batch = docOf(batchStart("L-1", "2026-03-02 07:00"), 11, "2026-03-02", "2026-03-02 07:00")
	return f
}

func TestBatchIsOpened(t *testing.T) {
	m := batchStart("L-1", "2026-03-03 03:30")
	drafts, err := DecideBatchStart(newBatch(), act("AB"), m)
	d := decided(t, drafts, err)[0]
	// Before the day's start it belongs to the day before; the version cooked is written in.
	if got := d.Payload.(*kb.BatchStart); got.GetVersion() != 1 || d.Day != "2026-03-02" || d.OccurredAt != when("2026-03-03 03:30") || m.GetVersion() != 0 {
		t.Errorf("%+v", d)
	}
}

func TestBatchStartRefusals(t *testing.T) {
	for _, c := range []struct {
		kind   error
		change func(*kb.BatchStart, *BatchFacts)
		want   string
	}{
		// A lot code is given once, for ever: ended, voided or not.
		{ErrExists, func(_ *kb.BatchStart, f *BatchFacts) { *f = openBatch() }, "lot_code: lot code L-1 was used at 2026-03-02T07:00:00Z (give the batch a lot code of its own)"},
		{ErrExists, func(_ *kb.BatchStart, f *BatchFacts) {
			*f = openBatch()
			f.Void = docHere(&kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"})
		}, "lot_code: lot code L-1 was used at 2026-03-02T07:00:00Z (give the batch a lot code of its own)"},
		{ErrUnknownReference, func(_ *kb.BatchStart, f *BatchFacts) { f.Formula = Doc[*kb.Formula]{} }, "formula_id: formula F-FON is not known (enter the formula first)"},
		{ErrState, func(_ *kb.BatchStart, f *BatchFacts) { f.Approved = false }, "version: version 1 of F-FON is not approved (have it approved first)"},
		{ErrUnknownReference, func(_ *kb.BatchStart, f *BatchFacts) { f.Instrument = Doc[*kb.Instrument]{} }, "instrument_id: instrument TH-01 is not known (enter the instrument in the register first)"},
		{ErrTooFarAhead, func(m *kb.BatchStart, _ *BatchFacts) { m.StartedAt = ts("2026-03-04 07:00") }, "started_at: 2026-03-04T07:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
		{ErrInvalid, func(m *kb.BatchStart, _ *BatchFacts) { m.FormulaId = "" }, "formula_id: is empty (give 1 to 24 characters)"},
		{ErrInvalid, func(m *kb.BatchStart, _ *BatchFacts) { m.InstrumentId = "" }, "instrument_id: is empty (give 1 to 24 characters)"},
		{ErrInvalid, func(m *kb.BatchStart, _ *BatchFacts) { m.SolidsKg = dec("-1") }, "solids_kg: -1 is out of range (give 0 to 100000)"},
		{ErrInvalid, func(m *kb.BatchStart, _ *BatchFacts) { m.Vessel = string(make([]byte, 41)) }, "vessel: holds the control character U+0000 (remove it)"},
	} {
		m, f := batchStart("L-1", "2026-03-02 07:00"), newBatch()
		c.change(m, &f)
		_, err := DecideBatchStart(f, act("AB"), m)
		refused(t, err, c.kind, c.want)
	}
}

// Everything that hangs on a batch belongs to the day on which it started (D8).
func TestWhatHangsOnABatch(t *testing.T) {
	f := openBatch()
	for _, decide := range []func() ([]Draft, error){
		func() ([]Draft, error) {
			return DecideReadings(f, act("AB"), run("L-1", "2026-03-03 04:30", "99.8", "103.40"))
		},
		func() ([]Draft, error) {
			return DecidePull(f, act("AB"), &kb.Pull{LotCode: "L-1", At: ts("2026-03-03 04:40"), Reading: deg("110.5 C")})
		},
		func() ([]Draft, error) {
			return DecideColdWater(f, act("AB"), &kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-03 04:41"), Stage: "soft ball"})
		},
		func() ([]Draft, error) {
			return DecideBatchEnd(f, act("AB"), &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-03 05:00"), YieldKg: dec("5.10")})
		},
		func() ([]Draft, error) {
			return DecideBatchVoid(f, act("AB"), &kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"})
		},
		// Before the batch began is kept (and marked on the day), D32.
		func() ([]Draft, error) { return DecideReadings(f, act("AB"), run("L-1", "2026-03-02 06:30", "20.0")) },
		func() ([]Draft, error) {
			return DecidePull(f, act("AB"), &kb.Pull{LotCode: "L-1", At: ts("2026-03-02 06:30")})
		},
	} {
		drafts, err := decide()
		if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" || len(drafts) != 1 {
			t.Errorf("%+v", d)
		}
	}
}

func TestBatchRefusals(t *testing.T) {
	closed := openBatch()
	closed.Pull = docOf(&kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40")}, 12, "2026-03-02", "2026-03-02 07:40")
	closed.End = docOf(&kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00")}, 13, "2026-03-02", "2026-03-02 08:00")
	voided := openBatch()
	voided.Void = docHere(&kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"})
	noDial := openBatch()
	noDial.Instrument = Doc[*kb.Instrument]{}
	pull := func(at, reading, highest string) *kb.Pull {
		return &kb.Pull{LotCode: "L-1", At: ts(at), Reading: deg(reading), HighestAfter: deg(highest)}
	}
	cold := &kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: "soft ball"}
	end := &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00")}
	void := &kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"}
	const unknown, gone = "lot_code: batch L-1 is not known (open the batch first)", "lot_code: batch L-1 was voided (use the batch that was meant)"
	for _, c := range []struct {
		facts BatchFacts
		do    any
		kind  error
		want  string
	}{
		{newBatch(), run("L-1", "2026-03-02 07:05", "99.8"), ErrUnknownReference, unknown}, {newBatch(), pull("2026-03-02 07:40", "", ""), ErrUnknownReference, unknown}, {newBatch(), cold, ErrUnknownReference, unknown},
		{newBatch(), end, ErrUnknownReference, unknown}, {newBatch(), void, ErrUnknownReference, unknown},
		{voided, run("L-1", "2026-03-02 07:05", "99.8"), ErrState, gone}, {voided, pull("2026-03-02 07:40", "", ""), ErrState, gone}, {voided, cold, ErrState, gone}, {voided, end, ErrState, gone}, {voided, void, ErrState, gone},
		{noDial, run("L-1", "2026-03-02 07:05", "99.8"), ErrUnknownReference, "instrument_id: instrument TH-01 is not known (enter the instrument in the register first)"},
		{openBatch(), run("L-1", "2026-03-02 07:05", "99.8", "1400"), ErrInvalid, "micro[1]: TH-01 cannot show 1400 degC (check the digits and the unit)"},
		{openBatch(), run("L-1", "2026-03-03 21:59", "99.8", "100.0", "100.1"), ErrTooFarAhead, "first_at: 2026-03-03T22:01:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
		{closed, pull("2026-03-02 07:45", "", ""), ErrState, "lot_code: batch L-1 was pulled at 2026-03-02T07:40:00Z (amend the pull that is there)"},
		{openBatch(), pull("2026-03-02 07:40", "1400 C", ""), ErrInvalid, "reading: TH-01 cannot show 1400 degC (check the digits and the unit)"},
		{openBatch(), pull("2026-03-02 07:40", "", "240 F"), ErrInvalid, "highest_after.unit: TH-01 has only degC on it (enter what the dial shows, in degC)"},
		{openBatch(), pull("2026-03-04 07:40", "", ""), ErrTooFarAhead, "at: 2026-03-04T07:40:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
		{openBatch(), &kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: "squidgy"}, ErrInvalid, `stage: "squidgy" is no stage (write one of: thread, soft ball, firm ball, hard ball, soft crack, hard crack, caramel, burnt)`},
		{openBatch(), &kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41")}, ErrInvalid, "stage: is empty (give 1 to 40 characters)"},
		{closed, end, ErrState, "lot_code: batch L-1 ended at 2026-03-02T08:00:00Z (amend the end that is there)"},
		{openBatch(), &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 06:59")}, ErrInvalid, "at: a batch cannot end before it began (2026-03-02T07:00:00Z) (check the time)"},
		{openBatch(), &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00"), YieldKg: dec("100001")}, ErrInvalid, "yield_kg: 100001 is out of range (give 0 to 100000)"},
		{openBatch(), &kb.BatchVoid{LotCode: "L-1"}, ErrInvalid, "reason: is empty (give 1 to 500 characters)"},
	} {
		var err error
		switch m := c.do.(type) {
		case *kb.Readings:
			_, err = DecideReadings(c.facts, act("AB"), m)
		case *kb.Pull:
			_, err = DecidePull(c.facts, act("AB"), m)
		case *kb.ColdWaterTest:
			_, err = DecideColdWater(c.facts, act("AB"), m)
		case *kb.BatchEnd:
			_, err = DecideBatchEnd(c.facts, act("AB"), m)
		case *kb.BatchVoid:
			_, err = DecideBatchVoid(c.facts, act("AB"), m)
		}
		refused(t, err, c.kind, c.want)
	}
}

// Whatever hangs on a batch names it and says when.
func TestClaimsNameTheirBatchAndTime(t *testing.T) {
	for name, m := range soundRecords(t) {
		lot := m.ProtoReflect().Descriptor().Fields().ByName("lot_code")
		if lot == nil || strings.HasSuffix(string(name), "Assessment") || name.Name() == "Deviation" {
			continue
		}
		c := proto.Clone(m)
		c.ProtoReflect().Clear(lot)
		refused(t, Validate(c), ErrInvalid, "lot_code: is empty (give 1 to 40 characters)")
		for _, field := range []protoreflect.Name{"at", "started_at", "first_at"} {
			if at := m.ProtoReflect().Descriptor().Fields().ByName(field); at != nil {
				c := proto.Clone(m)
				c.ProtoReflect().Clear(at)
				refused(t, Validate(c), ErrInvalid, string(field)+": is missing or no time (give the time it happened)")
			}
		}
	}
	for want, m := range map[string]*kb.Pull{
		"reading.unit: is missing (degC or degF)":                      {LotCode: "L-1", At: ts("2026-03-02 07:40"), Reading: &kb.Temperature{}},
		"highest_after: claims 7 digits after the point (give 0 to 6)": {LotCode: "L-1", At: ts("2026-03-02 07:40"), HighestAfter: &kb.Temperature{Decimals: 7, Unit: 1}},
	} {
		refused(t, Validate(m), ErrInvalid, want)
	}
}

func TestRunsOfReadings(t *testing.T) {
	full := run("L-1", "2026-03-02 07:05")
	for i := range MaxRun {
		full.AfterMs, full.Micro = append(full.AfterMs, uint32(i)*1000), append(full.Micro, int64(i)*100_000)
	}
	full.Decimals = []uint32{1} // one figure for all
	if err := Validate(full); err != nil {
		t.Error(err)
	}
	over := proto.Clone(full).(*kb.Readings)
	over.AfterMs, over.Micro = append(over.AfterMs, 1_000_000), append(over.Micro, 0)
	refused(t, Validate(over), ErrInvalid, "micro: 1001 readings (send 1 to 1000 readings at a time)")
	for _, c := range []struct {
		change func(*kb.Readings)
		want   string
	}{
		{func(m *kb.Readings) { m.Series = 0 }, "series: is missing (cook or cooling)"},
		{func(m *kb.Readings) { m.Unit = 0 }, "unit: is missing (degC or degF)"},
		{func(m *kb.Readings) { m.FirstAt = nil }, "first_at: is missing or no time (give the time it happened)"},
		{func(m *kb.Readings) { m.Micro, m.AfterMs, m.Decimals = nil, nil, nil }, "micro: 0 readings (send 1 to 1000 readings at a time)"},
		{func(m *kb.Readings) { m.AfterMs = m.AfterMs[:1] }, "after_ms: 1 times for 3 readings (one for each reading)"},
		{func(m *kb.Readings) { m.Decimals = m.Decimals[:2] }, "decimals: 2 figures for 3 readings (one for each reading, or one for all)"},
		{func(m *kb.Readings) { slices.Reverse(m.AfterMs) }, "after_ms[1]: goes back in time (send readings in order of time)"},
		{func(m *kb.Readings) { m.Decimals[2] = 0 }, "micro[2]: 104.2 has more digits after the point than the 0 it claims (give as many decimals as the value has)"},
	} {
		m := run("L-1", "2026-03-02 07:05", "99.8", "103.40", "104.2")
		c.change(m)
		refused(t, Validate(m), ErrInvalid, c.want)
	}
	// What was read comes back, digits and times and all.
	m := run("L-1", "2026-03-02 07:05", "99.8", "103.40")
	b := newBook(t)
	b.take(DecideReadings(openBatch(), act("AB"), m))
	kept := b.runs[1]
	got, err := ReadRun(kept.Body)
	if err != nil || len(got) != 2 || FormatTemperature(got[1].Value) != "103.40 degC" || got[1].At != when("2026-03-02 07:06") || got[1].Instrument != "TH-01" {
		t.Errorf("%v, %v", got, err)
	}
	if kept.Series != SeriesKey("L-1", kb.SeriesKind_SERIES_KIND_COOK) || kept.Series == SeriesKey("L-1", kb.SeriesKind_SERIES_KIND_COOLING) || kept.Count != 2 || kept.FirstAt != when("2026-03-02 07:05") || kept.LastAt != when("2026-03-02 07:06") {
		t.Errorf("%+v", kept)
	}
	if _, err := ReadRun([]byte{0xff}); err == nil {
		t.Error("bytes that are no run are read")
	}
}
