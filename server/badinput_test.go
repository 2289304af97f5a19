package server_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// TestNotANumber: neither NaN nor an infinity can be said on the wire, where
// every quantity is a decimal; whoever reads text refuses them there.
func TestNotANumber(t *testing.T) {
	for _, s := range []string{"NaN", "nan", "Inf", "+Inf", "-Inf", "infinity", "1e3", "0x10", "1,5", "1_000", "", " 1", "1 ", "--1", "1.", ".5", "1.2.3", "9999999999", "1.0000001", "\u0661"} {
		if d, err := records.ParseDecimal(s); !errors.Is(err, records.ErrInvalid) {
			t.Errorf("%q was read as %v, %v", s, d, err)
		}
		if d, err := records.ParseTemperature(s, "C"); !errors.Is(err, records.ErrInvalid) {
			t.Errorf("%q was read as %v, %v", s, d, err)
		}
	}
	if _, err := records.ParseTemperature("100", "K"); !errors.Is(err, records.ErrInvalid) {
		t.Errorf("kelvin was read: %v", err)
	}
}

// badCase is a request that is refused.
type badCase struct {
	name  string
	do    func(k *kitchen) error
	kind  error
	field string
}

func checkOf(k *kitchen, m *kb.Check) error {
	_, err := k.as(anna).Check.RecordCheck(ctx, &sv.RecordCheckRequest{RequestId: k.id(), Check: m})
	return err
}

func readingsOf(k *kitchen, m *kb.Readings) error {
	_, err := k.as(anna).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: m})
	return err
}

func startOf(k *kitchen, m *kb.BatchStart) error {
	_, err := k.as(anna).Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: m})
	return err
}

func formulaOf(k *kitchen, change func(*kb.Formula)) error {
	f := &kb.Formula{FormulaId: "NEW", Version: 1, Name: "new", Limits: []*kb.Limit{{
		Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_QUALITY, Basis: kb.LimitBasis_LIMIT_BASIS_SOLIDS, Low: tc("114"), High: tc("116"),
		EstablishedAt: kb.EstablishedAt_ESTABLISHED_AT_STANDARD, EstablishedOn: kb.EstablishedOn_ESTABLISHED_ON_BOOK,
	}}}
	change(f)
	_, err := k.as(adele).Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: k.id(), Formula: f})
	return err
}

func cookRun(change func(*kb.Readings)) *kb.Readings {
	m := run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 5), time.Minute, "90.0", "95.0", "100.0")
	change(m)
	return m
}

// badCases are what must be refused by D32, each with the field it names.
func badCases() []badCase {
	late := at(2, 6, 1) // two days ahead of Monday 06:00
	return []badCase{
		{"1,400 degC", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.Micro[1], m.Decimals[1] = 1_400_000_000, 0 }))
		}, records.ErrInvalid, "readings.micro[1]"},
		{"1,400 degC in a check", func(k *kitchen) error {
			return checkOf(k, &kb.Check{CheckId: "x", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "1400")}})
		}, records.ErrInvalid, "check.points[0].reading"},
		{"a number that no one can have written", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.Micro[0] = 1 << 62 }))
		}, records.ErrInvalid, "readings.micro[0]"},
		{"digits that were not claimed", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.Micro[2] = 100_050_000 }))
		}, records.ErrInvalid, "readings.micro[2]"},
		{"unknown instrument", func(k *kitchen) error {
			return checkOf(k, &kb.Check{CheckId: "x", InstrumentId: "C9", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0")}})
		}, records.ErrUnknownReference, "check.instrument_id"},
		{"unknown instrument of a run", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.InstrumentId = "C9" }))
		}, records.ErrUnknownReference, "readings.instrument_id"},
		{"unknown reference", func(k *kitchen) error {
			p := compared(at(0, 5, 0), "150.2", "150.00")
			p.ReferenceId = "REF9"
			return checkOf(k, &kb.Check{CheckId: "x", InstrumentId: "C1", Points: []*kb.CheckPoint{p}})
		}, records.ErrUnknownReference, "check.points[0].reference_id"},
		{"unknown batch", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.LotCode = "L9" }))
		}, records.ErrUnknownReference, "readings.lot_code"},
		{"unknown formula", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L2", FormulaId: "NONE", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))})
		}, records.ErrUnknownReference, "batch.formula_id"},
		{"two days ahead: check", func(k *kitchen) error {
			return checkOf(k, &kb.Check{CheckId: "x", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(late, "0")}})
		}, records.ErrTooFarAhead, "check.points[0].at"},
		{"two days ahead: batch", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L2", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(late)})
		}, records.ErrTooFarAhead, "batch.started_at"},
		{"two days ahead: the last of a run", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.AfterMs[2] = 48 * 3600 * 1000 }))
		}, records.ErrTooFarAhead, "readings.first_at"},
		{"two days ahead: pressure", func(k *kitchen) error {
			_, err := k.as(anna).Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: k.id(), Pressure: &kb.KitchenPressure{At: ts(late), PressureHpa: dec("845"), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}})
			return err
		}, records.ErrTooFarAhead, "pressure.at"},
		{"no time", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L2", FormulaId: "FON", InstrumentId: "C1"})
		}, records.ErrInvalid, "batch.started_at"},
		{"empty lot code", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))})
		}, records.ErrInvalid, "batch.lot_code"},
		{"empty name of a person", func(k *kitchen) error {
			_, err := k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: "ZZ", PrintedName: " \t", Roles: []kb.Role{kb.Role_ROLE_COOK}}})
			return err
		}, records.ErrInvalid, "person.printed_name"},
		{"empty name of an instrument", func(k *kitchen) error {
			_, err := k.op.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: k.id(), Instrument: &kb.Instrument{Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1")}})
			return err
		}, records.ErrInvalid, "instrument.instrument_id"},
		{"empty name of a check", func(k *kitchen) error {
			return checkOf(k, &kb.Check{InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0")}})
		}, records.ErrInvalid, "check.check_id"},
		{"no points", func(k *kitchen) error { return checkOf(k, &kb.Check{CheckId: "x", InstrumentId: "C1"}) }, records.ErrInvalid, "check.points"},
		{"a note of 1 MB", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L2", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0)), Note: strings.Repeat("n", 1<<20)})
		}, records.ErrInvalid, "batch.note"},
		{"a note of 501 characters", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L2", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0)), Note: strings.Repeat("é", 501)})
		}, records.ErrInvalid, "batch.note"},
		{"wrong unit", func(k *kitchen) error {
			p := ice(at(0, 5, 0), "0")
			p.Reading = tf("32")
			return checkOf(k, &kb.Check{CheckId: "x", InstrumentId: "C1", Points: []*kb.CheckPoint{p}})
		}, records.ErrInvalid, "check.points[0].reading.unit"},
		{"no unit", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.Unit = kb.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED }))
		}, records.ErrInvalid, "readings.unit"},
		{"a unit that does not exist", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.Unit = 77 }))
		}, records.ErrInvalid, "readings.unit"},
		{"a solids limit with no reference pressure", func(k *kitchen) error {
			return formulaOf(k, func(f *kb.Formula) { f.Limits[0].EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_UNSPECIFIED })
		}, records.ErrInvalid, "formula.limits[0].established_at"},
		{"a solids limit that does not say what it was established on", func(k *kitchen) error {
			return formulaOf(k, func(f *kb.Formula) { f.Limits[0].EstablishedOn = kb.EstablishedOn_ESTABLISHED_ON_UNSPECIFIED })
		}, records.ErrInvalid, "formula.limits[0].established_on"},
		{"a stated pressure that is not stated", func(k *kitchen) error {
			return formulaOf(k, func(f *kb.Formula) { f.Limits[0].EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_STATED })
		}, records.ErrInvalid, "formula.limits[0].established_hpa"},
		{"no formula name", func(k *kitchen) error { return formulaOf(k, func(f *kb.Formula) { f.FormulaId = "" }) }, records.ErrInvalid, "formula.formula_id"},
		{"no pressure of a kitchen", func(k *kitchen) error {
			_, err := k.as(anna).Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: k.id(), Pressure: &kb.KitchenPressure{At: ts(at(0, 6, 0)), PressureHpa: dec("29.92"), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}})
			return err
		}, records.ErrInvalid, "pressure.pressure_hpa"},
		{"duplicate check", func(k *kitchen) error {
			return checkOf(k, &kb.Check{CheckId: "c1", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0")}})
		}, records.ErrExists, "check.check_id"},
		{"second batch with the same lot code", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))})
		}, records.ErrExists, "batch.lot_code"},
		{"initials of somebody else", func(k *kitchen) error {
			_, err := k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: anna, PrintedName: "Another Person", Roles: []kb.Role{kb.Role_ROLE_COOK}}})
			return err
		}, records.ErrExists, "person.initials"},
		{"PIN of 3 digits", func(k *kitchen) error {
			_, err := k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: anna, NewPin: "407"})
			return err
		}, records.ErrInvalid, "new_pin"},
		{"no request id", func(k *kitchen) error {
			_, err := k.as(anna).Check.RecordCheck(ctx, &sv.RecordCheckRequest{Check: &kb.Check{CheckId: "x", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0")}}})
			return err
		}, records.ErrInvalid, "request_id"},
		{"no record", func(k *kitchen) error { return checkOf(k, nil) }, records.ErrInvalid, "check"},
		{"control character", func(k *kitchen) error {
			return startOf(k, &kb.BatchStart{LotCode: "L2\x1f", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))})
		}, records.ErrInvalid, "batch.lot_code"},
		{"an end before the start", func(k *kitchen) error {
			_, err := k.as(anna).Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: k.id(), End: &kb.BatchEnd{LotCode: "L1", At: ts(at(0, 4, 59))}})
			return err
		}, records.ErrInvalid, "end.at"},
		{"a stage of no trade", func(k *kitchen) error {
			_, err := k.as(anna).Batch.RecordColdWaterTest(ctx, &sv.RecordColdWaterTestRequest{RequestId: k.id(), Test: &kb.ColdWaterTest{LotCode: "L1", At: ts(at(0, 5, 30)), Stage: "gooey"}})
			return err
		}, records.ErrInvalid, "test.stage"},
		{"times that go back", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.AfterMs[2] = 1 }))
		}, records.ErrInvalid, "readings.after_ms[2]"},
		{"more readings than times", func(k *kitchen) error {
			return readingsOf(k, cookRun(func(m *kb.Readings) { m.AfterMs = m.AfterMs[:1] }))
		}, records.ErrInvalid, "readings.after_ms"},
		{"an amendment without points", func(k *kitchen) error { return amendWith(k, "c1", &kb.Check{CheckId: "c1", InstrumentId: "C1"}) }, records.ErrInvalid, "amendment.replacement.points"},
		{"an amendment of nothing there", func(k *kitchen) error {
			_, err := k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: 9999, Value: tc("1"), Reason: "r"}})
			return err
		}, records.ErrUnknownReference, "amendment.target_sequence"},
		{"an amendment without a reason", func(k *kitchen) error {
			_, err := k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: k.sequenceOf("c1"), Value: tc("1")}})
			return err
		}, records.ErrInvalid, "amendment.reason"},
		{"a page of 501", func(k *kitchen) error {
			_, err := k.op.Kitchen.ListPeople(ctx, &sv.ListPeopleRequest{PageSize: 501})
			return err
		}, records.ErrInvalid, "page_size"},
		{"a page token of another list", func(k *kitchen) error {
			_, err := k.op.Kitchen.ListPeople(ctx, &sv.ListPeopleRequest{PageToken: "%%%"})
			return err
		}, records.ErrInvalid, "page_token"},
		{"no day", func(k *kitchen) error {
			_, err := k.op.Day.GetDay(ctx, &sv.GetDayRequest{ProductionDay: "2026-02-30"})
			return err
		}, records.ErrInvalid, "production_day"},
	}
}

// sequenceOf gives the number of the entry that first recorded a name.
func (k *kitchen) sequenceOf(name string) int64 {
	k.t.Helper()
	for _, e := range k.entries(0) {
		if records.RecordName(e.Message) == name && e.GetPerson() != "" {
			return e.GetSequence()
		}
	}
	k.t.Fatalf("no entry is named %q", name)
	return 0
}

func amendWith(k *kitchen, name string, replacement proto.Message) error {
	a, err := anypb.New(replacement)
	if err != nil {
		return err
	}
	_, err = k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: k.sequenceOf(name), Replacement: a, Reason: "typed wrongly"}})
	return err
}

// TestBadInputIsRefused: each refusal names the field and leaves the ledger as
// it was.
func TestBadInputIsRefused(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	k.check(anna, "c1", "C1", ice(at(0, 5, 45), "0.1"), boil(at(0, 5, 50), "95.1", "845.0"))
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 5, 55))}))
	for _, c := range badCases() {
		t.Run(c.name, func(t *testing.T) {
			before := k.state()
			err := c.do(k)
			want(t, err, c.kind, c.field)
			var fe *records.FieldError
			errors.As(err, &fe)
			if fe.Problem == "" || fe.Cure == "" && c.field != "new_pin" {
				t.Errorf("error %+v says no problem or no cure", fe)
			}
			if after := k.state(); after != before {
				t.Errorf("the refusal changed the ledger: %v, then %v", before, after)
			}
		})
	}
	if k.log.String() != "" {
		t.Errorf("the server's log: %s", k.log)
	}
}

// rawBytes is a codec that sends and takes bytes as they are.
type rawBytes struct{}

func (rawBytes) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }
func (rawBytes) Unmarshal(b []byte, v any) error {
	*v.(*[]byte) = b
	return nil
}
func (rawBytes) Name() string { return "proto" }

var _ encoding.Codec = rawBytes{}

// lengthDelimited appends a field with bytes in it.
func lengthDelimited(b []byte, n protowire.Number, content []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(b, n, protowire.BytesType), content)
}

func wire(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestRawBytes sends what no generated client can: text that is not UTF-8,
// fields that do not exist, at each depth, and bytes that are no message.
func TestRawBytes(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	must(t)(k.as(anna), nil)
	token, err := k.tokenOf(anna)
	if err != nil {
		t.Fatal(err)
	}
	conn, asAnna := k.raw(token)
	unknown := protowire.AppendVarint(protowire.AppendTag(nil, 999, protowire.VarintType), 1)
	point := wire(t, ice(at(0, 5, 0), "0.1"))
	check := func(point []byte, more ...byte) []byte {
		m := wire(t, &kb.Check{CheckId: "x", InstrumentId: "C1"})
		return append(lengthDelimited(m, 3, point), more...)
	}
	request := func(check []byte, more ...byte) []byte {
		m := wire(t, &sv.RecordCheckRequest{RequestId: testID("raw")})
		return append(lengthDelimited(m, 2, check), more...)
	}
	badNote := lengthDelimited(point, 11, []byte("caf\xe9"))
	for _, c := range []struct {
		name, field string
		body        []byte
	}{
		{"non-UTF-8 name", "check.check_id", request(lengthDelimited(wire(t, &kb.Check{InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0")}}), 1, []byte{0xff, 0xfe}))},
		{"non-UTF-8 deep down", "check.points[0].note", request(check(badNote))},
		{"non-UTF-8 in the second point", "check.points[1].note", request(lengthDelimited(check(point), 3, badNote))},
		{"unknown field on top", "", request(check(point), unknown...)},
		{"unknown field in the record", "check", request(check(point, unknown...))},
		{"unknown field in a point", "check.points[0]", request(check(append(point, unknown...)))},
		{"unknown field in a reading", "check.points[0].reading", request(check(lengthDelimited(point, 3, unknown)))},
		{"unknown field in a timestamp", "check.points[0].at", request(check(lengthDelimited(point, 1, unknown)))},
		{"cut off", "", request(check(point))[:40]},
		{"no message", "", []byte{0xff, 0xff, 0xff, 0xff}},
		{"a group", "", request(check(point), 0x9b, 0x06)},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := k.state()
			var reply []byte
			err := conn.Invoke(asAnna, sv.CheckService_RecordCheck_FullMethodName, &c.body, &reply, grpc.ForceCodec(rawBytes{}))
			st := status.Convert(err)
			field, reason := details(st)
			if reason != "INVALID" || field != c.field {
				t.Errorf("status %v, reason %q, field %q; want INVALID and %q", st, reason, field, c.field)
			}
			if after := k.state(); after != before {
				t.Errorf("the refusal changed the ledger")
			}
		})
	}
	// The very same bytes without the fault are taken.
	body, reply := request(check(point)), []byte(nil)
	if err := conn.Invoke(asAnna, sv.CheckService_RecordCheck_FullMethodName, &body, &reply, grpc.ForceCodec(rawBytes{})); err != nil {
		t.Errorf("the sound message was refused: %v", err)
	}
	// Unknown fields within what an amendment carries as bytes.
	hidden := append(wire(t, &kb.Check{CheckId: "x", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0.2")}}), unknown...)
	before := k.state()
	_, err = k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{
		TargetSequence: before.size - 1, Reason: "r", Replacement: &anypb.Any{TypeUrl: "type.googleapis.com/kettlebook.v1.Check", Value: hidden},
	}})
	want(t, err, records.ErrInvalid, "amendment.replacement")
	if k.state() != before {
		t.Error("the refusal changed the ledger")
	}
}

// details reads the field and the reason out of a status.
func details(st *status.Status) (field, reason string) {
	for _, d := range st.Details() {
		switch m := d.(type) {
		case *errdetails.ErrorInfo:
			reason = m.GetReason()
		case *errdetails.BadRequest:
			field = m.GetFieldViolations()[0].GetField()
		}
	}
	return field, reason
}

// tokenOf opens a further session of a person and gives its token.
func (k *kitchen) tokenOf(initials string) (string, error) {
	r, err := k.dial("").Session.SignIn(ctx, &sv.SignInRequest{Initials: initials, Pin: pins[initials]})
	return r.GetSessionToken(), err
}
