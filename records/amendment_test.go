package records_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// written is an entry as first written under number 7, by AB on 2026-03-02.
func written(m proto.Message) AmendFacts {
	return AmendFacts{
		Settings: settings("1480"), Found: true, Current: m,
		Target: Entry{Message: m, Envelope: &kb.Envelope{Sequence: 7, OccurredAt: ts("2026-03-02 07:00"), RecordedAt: ts("2026-03-02 07:01"), ProductionDay: "2026-03-02", Person: "AB"}},
		Batch:  openBatch(), Instrument: docHere(thermometer("TH-01", scaleC, "0.1")), References: referenceDocs(),
	}
}

func twoPoints() *kb.Check {
	return checkOf(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.0 C", "843.1"))
}

// An amendment strikes one value or the whole; it belongs to the day and the
// moment of what it strikes, and carries the whole record as it now stands.
func TestAmendment(t *testing.T) {
	end := &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00"), YieldKg: dec("5.1")}
	batch := batchStart("L-1", "2026-03-02 07:00")
	batch.Version = 1
	for _, c := range []struct {
		name   string
		struck proto.Message
		amend  *kb.Amendment
		want   func(proto.Message) proto.Message
	}{
		{"a point", twoPoints(), &kb.Amendment{TargetIndex: 1, Value: deg("95.10 C")}, func(m proto.Message) proto.Message {
			m.(*kb.Check).Points[1].Reading = deg("95.10 C")
			return m
		}},
		{"a reading", run("L-1", "2026-03-02 07:05", "99.8", "103.40", "104.2"), &kb.Amendment{TargetIndex: 1, Value: deg("103.4 C")}, func(m proto.Message) proto.Message {
			m.(*kb.Readings).Decimals[1] = 1
			return m
		}},
		{"a pull", &kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40"), Reading: deg("110.5 C"), HighestAfter: deg("111.0 C")}, &kb.Amendment{Value: deg("115.5 C")}, func(m proto.Message) proto.Message {
			m.(*kb.Pull).Reading = deg("115.5 C")
			return m
		}},
		{"a whole end", end, &kb.Amendment{Replacement: inAny(t, &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:10"), YieldKg: dec("5.01")})}, func(proto.Message) proto.Message {
			return &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:10"), YieldKg: dec("5.01")}
		}},
		{"the instrument of a batch, its version left to the rules", batch, &kb.Amendment{Replacement: inAny(t, &kb.BatchStart{LotCode: "L-1", FormulaId: "F-FON", InstrumentId: "TH-02", StartedAt: ts("2026-03-02 07:00")})}, func(proto.Message) proto.Message {
			return &kb.BatchStart{LotCode: "L-1", FormulaId: "F-FON", Version: 1, InstrumentId: "TH-02", StartedAt: ts("2026-03-02 07:00")}
		}},
	} {
		c.amend.TargetSequence, c.amend.Reason = 7, "misread"
		first := proto.Clone(c.struck)
		drafts, err := DecideAmendment(written(c.struck), act("CD"), c.amend)
		d := decided(t, drafts, err)[0]
		got := d.Payload.(*kb.Amendment)
		now, err := got.GetReplacement().UnmarshalNew()
		if err != nil {
			t.Fatal(err)
		}
		sameMessage(t, now, c.want(proto.Clone(first)))
		sameMessage(t, c.struck, first) // what was written stays what it was
		if d.Person != "CD" || d.Day != "2026-03-02" || d.OccurredAt != when("2026-03-02 07:00") || got.GetReason() != "misread" || c.amend.GetReplacement() != nil && c.amend.GetValue() != nil {
			t.Errorf("%s: %+v", c.name, d)
		}
	}
	// One figure for all digits becomes one for each, so that only one changes.
	m := run("L-1", "2026-03-02 07:05", "99.8", "103.4")
	m.Decimals = []uint32{1}
	drafts, err := DecideAmendment(written(m), act("CD"), &kb.Amendment{TargetSequence: 7, TargetIndex: 0, Value: deg("99.85 C"), Reason: "misread"})
	now, err := decided(t, drafts, err)[0].Payload.(*kb.Amendment).GetReplacement().UnmarshalNew()
	if err != nil {
		t.Fatal(err)
	}
	if r := RunReadings(now.(*kb.Readings)); FormatTemperature(r[0].Value) != "99.85 degC" || FormatTemperature(r[1].Value) != "103.4 degC" {
		t.Errorf("%v", r)
	}
	// A second amendment works on what stands.
	f := written(twoPoints())
	current := proto.Clone(f.Target.Message).(*kb.Check)
	current.Points[0].Reading = deg("0.3 C")
	f.Current = current
	next, err := Replacement(f, &kb.Amendment{TargetIndex: 1, Value: deg("95.1 C")})
	if err != nil || FormatTemperature(next.(*kb.Check).GetPoints()[0].GetReading()) != "0.3 degC" || FormatTemperature(next.(*kb.Check).GetPoints()[1].GetReading()) != "95.1 degC" {
		t.Errorf("%v, %v", next, err)
	}
}

func TestAmendmentRefusals(t *testing.T) {
	pull := &kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40"), Reading: deg("110.5 C"), HighestAfter: deg("111.0 C")}
	batch := batchStart("L-1", "2026-03-02 07:00")
	batch.Version = 1
	cold := &kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: "soft ball"}
	end := &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00")}
	value := func(index uint32, v string) *kb.Amendment {
		return &kb.Amendment{TargetSequence: 7, TargetIndex: index, Value: deg(v), Reason: "misread"}
	}
	whole := func(m proto.Message) *kb.Amendment {
		return &kb.Amendment{TargetSequence: 7, Replacement: inAny(t, m), Reason: "misread"}
	}
	with := func(m proto.Message, change func(proto.Message)) *kb.Amendment {
		c := proto.Clone(m)
		change(c)
		return whole(c)
	}
	odd := whole(pull)
	odd.Replacement.TypeUrl = "type.googleapis.com/nobody.Knows"
	none := AmendFacts{Settings: settings("1480")}
	otherDial := written(batch)
	otherDial.Instrument = Doc[*kb.Instrument]{}
	for _, c := range []struct {
		facts AmendFacts
		amend *kb.Amendment
		kind  error
		want  string
	}{
		{written(pull), &kb.Amendment{Value: deg("1 C"), Reason: "r"}, ErrInvalid, "target_sequence: is missing (name the entry struck)"},
		{written(pull), &kb.Amendment{TargetSequence: 7, Reason: "r"}, ErrInvalid, "value: one of value and replacement is needed (give a new value, or the whole entry as it should have been)"},
		{written(pull), &kb.Amendment{TargetSequence: 7, Value: deg("1 C"), Replacement: inAny(t, pull), Reason: "r"}, ErrInvalid, "value: one of value and replacement is needed (give a new value, or the whole entry as it should have been)"},
		{written(pull), &kb.Amendment{TargetSequence: 7, Value: deg("1 C")}, ErrInvalid, "reason: is empty (give 1 to 500 characters)"},
		{none, value(0, "1 C"), ErrUnknownReference, "target_sequence: there is no entry 7 (look the entry up)"},
		{written(&kb.Disposition{LotCode: "L-1"}), value(0, "1 C"), ErrState, "target_sequence: entry 7 (Disposition) cannot be amended (write a new entry)"},
		{written(&kb.Amendment{}), value(0, "1 C"), ErrState, "target_sequence: entry 7 (Amendment) cannot be amended (write a new entry)"},
		// Kind and name stay.
		{written(pull), whole(cold), ErrInvalid, "replacement: is another kind of record (the same kind as the struck entry)"},
		{written(pull), odd, ErrInvalid, "replacement: cannot be read (send a record of this version)"},
		{written(pull), with(pull, func(m proto.Message) { m.(*kb.Pull).LotCode = "L-2" }), ErrInvalid, `replacement: an amendment cannot rename "L-1" to "L-2" (keep the name; void the batch or write a new check instead)`},
		{written(twoPoints()), with(twoPoints(), func(m proto.Message) { m.(*kb.Check).CheckId = "c-2" }), ErrInvalid, `replacement: an amendment cannot rename "c-1" to "c-2" (keep the name; void the batch or write a new check instead)`},
		// What changes nothing.
		{written(pull), value(0, "110.5 C"), ErrInvalid, "value: is what stands there already (nothing needs amending)"},
		{written(end), whole(end), ErrInvalid, "replacement: is what stands there already (nothing needs amending)"},
		// The new record holds to what a first one must.
		{written(twoPoints()), value(2, "1 C"), ErrInvalid, "target_index: there is no point 2 (points are counted from 0 to 1)"},
		{written(run("L-1", "2026-03-02 07:05", "99.8")), value(1, "1 C"), ErrInvalid, "target_index: there is no reading 1 (readings are counted from 0 to 0)"},
		{written(run("L-1", "2026-03-02 07:05", "99.8")), value(0, "212 F"), ErrInvalid, "value.unit: the run was read in degC (replace the whole run)"},
		{written(run("L-1", "2026-03-02 07:05", "99.8")), value(0, "1400 C"), ErrInvalid, "value.micro[0]: TH-01 cannot show 1400 degC (check the digits and the unit)"},
		{written(twoPoints()), value(0, "33 F"), ErrInvalid, "value.points[0].reading.unit: TH-01 has only degC on it (enter what the dial shows, in degC)"},
		{written(end), value(0, "1 C"), ErrInvalid, "value: this kind of record has no single value (give the whole entry as replacement)"},
		{written(pull), value(0, "1400 C"), ErrInvalid, "value.reading: TH-01 cannot show 1400 degC (check the digits and the unit)"},
		{written(pull), with(pull, func(m proto.Message) { m.(*kb.Pull).HighestAfter = deg("1400 C") }), ErrInvalid, "replacement.highest_after: TH-01 cannot show 1400 degC (check the digits and the unit)"},
		{written(pull), with(pull, func(m proto.Message) { m.(*kb.Pull).At = ts("2026-03-04 07:00") }), ErrTooFarAhead, "replacement.at: 2026-03-04T07:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
		{written(twoPoints()), with(twoPoints(), func(m proto.Message) { m.(*kb.Check).Points[1].At = ts("2026-03-04 07:00") }), ErrTooFarAhead, "replacement.at: 2026-03-04T07:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
		{written(cold), with(cold, func(m proto.Message) { m.(*kb.ColdWaterTest).Stage = "squidgy" }), ErrInvalid, `replacement.stage: "squidgy" is no stage (write one of: thread, soft ball, firm ball, hard ball, soft crack, hard crack, caramel, burnt)`},
		{written(end), with(end, func(m proto.Message) { m.(*kb.BatchEnd).At = ts("2026-03-02 06:00") }), ErrInvalid, "replacement.at: a batch cannot end before it began (2026-03-02T07:00:00Z) (check the time)"},
		{written(batch), with(batch, func(m proto.Message) { m.(*kb.BatchStart).FormulaId = "F-CAR" }), ErrState, "replacement.formula_id: batch L-1 was opened for version 1 of F-FON (void the batch and open it anew under another lot code)"},
		{written(batch), with(batch, func(m proto.Message) { m.(*kb.BatchStart).Version = 2 }), ErrState, "replacement.formula_id: batch L-1 was opened for version 1 of F-FON (void the batch and open it anew under another lot code)"},
		{written(batch), with(batch, func(m proto.Message) { m.(*kb.BatchStart).StartedAt = ts("2026-03-02 03:59") }), ErrState, "replacement.started_at: batch L-1 and all that hangs on it belong to 2026-03-02, not to 2026-03-01 (void the batch and open it anew under another lot code)"},
		{otherDial, with(batch, func(m proto.Message) { m.(*kb.BatchStart).InstrumentId = "TH-09" }), ErrUnknownReference, "replacement.instrument_id: instrument TH-09 is not known (enter the instrument in the register first)"},
	} {
		_, err := DecideAmendment(c.facts, act("CD"), c.amend)
		refused(t, err, c.kind, c.want)
	}
	// Unknown fields and bad text inside the new record are found too.
	bad := proto.Clone(pull).(*kb.Pull)
	bad.Reading.ProtoReflect().SetUnknown(unknownField())
	_, err := DecideAmendment(written(pull), act("CD"), whole(bad))
	refused(t, err, ErrInvalid, "replacement.reading: holds fields that this version does not know (use the messages of this version)")
}

func TestNamesAndTimesOfRecords(t *testing.T) {
	for _, c := range []struct {
		m        proto.Message
		name, at string
	}{
		{twoPoints(), "c-1", "2026-03-02 06:00"}, {batchStart("L-1", "2026-03-02 07:00"), "L-1", "2026-03-02 07:00"}, {run("L-1", "2026-03-02 07:05", "99.8"), "L-1", "2026-03-02 07:05"},
		{&kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40")}, "L-1", "2026-03-02 07:40"}, {&kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41")}, "L-1", "2026-03-02 07:41"},
		{&kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00")}, "L-1", "2026-03-02 08:00"}, {&kb.KitchenPressure{At: ts("2026-03-02 06:00")}, "", "2026-03-02 06:00"},
	} {
		if RecordName(c.m) != c.name || RecordTime(c.m) != when(c.at) {
			t.Errorf("%T: %q at %v", c.m, RecordName(c.m), RecordTime(c.m))
		}
	}
	if !RecordTime(&kb.Person{}).IsZero() || RecordName(thermometer("TH-01", scaleC, "1")) != "TH-01" {
		t.Error("a register entry has a time, or an instrument no name")
	}
}

// The amended record takes the place of the first everywhere it is looked up.
func TestAmendedRecordsTakeTheirPlace(t *testing.T) {
	b := newBook(t)
	readings := run("L-1", "2026-03-02 07:05", "99.8", "103.4")
	b.take(DecideReadings(openBatch(), act("AB"), readings))
	f := written(readings)
	f.Target = b.entries[0]
	b.take(DecideAmendment(f, act("CD"), &kb.Amendment{TargetSequence: 1, TargetIndex: 1, Value: deg("104.4 C"), Reason: "misread"}))
	if len(b.runs) != 1 {
		t.Fatalf("%d runs", len(b.runs))
	}
	got, err := ReadRun(b.runs[1].Body)
	if err != nil || FormatTemperature(got[1].Value) != "104.4 degC" {
		t.Errorf("%v, %v", got, err)
	}
	a := readAll[*kb.Amendment](b, b.index(KindAmendment, "target"))
	if len(a) != 1 || a[0].Record.GetTargetSequence() != 1 || a[0].Meta.GetPerson() != "CD" || a[0].Meta.GetProductionDay() != "2026-03-02" {
		t.Errorf("%v", a)
	}
}
