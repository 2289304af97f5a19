package records_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// unknownField is a field that no version of a message has.
func unknownField() []byte {
	return protowire.AppendVarint(protowire.AppendTag(nil, 4000, protowire.VarintType), 1)
}

func TestStrictRefusesUnknownFieldsAtAnyDepth(t *testing.T) {
	whole := func() *kb.Check {
		return &kb.Check{CheckId: "c-1", InstrumentId: "TH-01", Points: []*kb.CheckPoint{icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.2 C", "843.1")}}
	}
	if err := CheckStrict(whole()); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at   func(*kb.Check) proto.Message
		want string
	}{
		{func(m *kb.Check) proto.Message { return m }, "holds fields that this version does not know (use the messages of this version)"},
		{func(m *kb.Check) proto.Message { return m.Points[1] }, "points[1]: holds fields that this version does not know (use the messages of this version)"},
		{func(m *kb.Check) proto.Message { return m.Points[1].PressureHpa }, "points[1].pressure_hpa: holds fields that this version does not know (use the messages of this version)"},
		{func(m *kb.Check) proto.Message { return m.Points[0].Reading }, "points[0].reading: holds fields that this version does not know (use the messages of this version)"},
		{func(m *kb.Check) proto.Message { return m.Points[0].At }, "points[0].at: holds fields that this version does not know (use the messages of this version)"},
	} {
		m := whole()
		c.at(m).ProtoReflect().SetUnknown(unknownField())
		refused(t, CheckStrict(m), ErrInvalid, c.want)
		refused(t, Validate(m), ErrInvalid, c.want)
	}
	m := whole()
	m.Points[0].Kind = 99
	refused(t, Validate(m), ErrInvalid, "points[0].kind: 99 is not a value it can have (use a value of this version)")
}

func TestStrictText(t *testing.T) {
	for _, c := range []struct{ note, want string }{
		{"two lines\nand a\ttab; ø ł Ω Д 糖 🍬", ""},
		{"bell \a", "note: holds the control character U+0007 (remove it)"}, {"return\r", "note: holds the control character U+000D (remove it)"},
		{"delete \x7f", "note: holds the control character U+007F (remove it)"}, {"next line \u0085", "note: holds the control character U+0085 (remove it)"},
		{"separator \x1f", "note: holds the control character U+001F (remove it)"}, {"nothing \x00", "note: holds the control character U+0000 (remove it)"},
		{"bad \xff", "note: is not valid UTF-8 (send UTF-8)"}, {"cut \xc3", "note: is not valid UTF-8 (send UTF-8)"},
		{strings.Repeat("ø", MaxText/2), "note: has 8192 characters (give at most 500)"},
		{strings.Repeat("x", MaxText+1), "note: is 16385 bytes long; at most 16384 are kept (shorten it)"},
		{strings.Repeat("ø", 500), ""}, {strings.Repeat("ø", 501), "note: has 501 characters (give at most 500)"},
	} {
		m := batchStart("L-1", "2026-03-02 07:00")
		m.Note = c.note
		err := Validate(m)
		if c.want == "" && err != nil {
			t.Errorf("%.20q: %v", c.note, err)
		}
		if c.want != "" {
			refused(t, err, ErrInvalid, c.want)
		}
	}
}

// Names are what labels show: two that look the same must not be two.
func TestNames(t *testing.T) {
	for _, c := range []struct{ lot, want string }{
		{"L-0302-1", ""}, {"2026/03/02 no. 4", ""}, {"Łódź-7", ""}, {strings.Repeat("9", 40), ""},
		{"", "lot_code: is empty (give 1 to 40 characters)"}, {"  ", "lot_code: is empty (give 1 to 40 characters)"},
		{" L-1", `lot_code: " L-1" cannot be a name (use no line breaks, no characters that do not print, and no blanks at the ends)`},
		{"L-1\u00a0", `lot_code: "L-1\u00a0" cannot be a name (use no line breaks, no characters that do not print, and no blanks at the ends)`},
		{"L\u00a01", `lot_code: "L\u00a01" cannot be a name (use no line breaks, no characters that do not print, and no blanks at the ends)`},
		{"L\u200b1", `lot_code: "L\u200b1" cannot be a name (use no line breaks, no characters that do not print, and no blanks at the ends)`},
		{"L\n1", `lot_code: "L\n1" cannot be a name (use no line breaks, no characters that do not print, and no blanks at the ends)`},
		{"\u202e1-L", `lot_code: "\u202e1-L" cannot be a name (use no line breaks, no characters that do not print, and no blanks at the ends)`},
		{strings.Repeat("9", 41), "lot_code: has 41 characters (give at most 40)"},
	} {
		m := batchStart(c.lot, "2026-03-02 07:00")
		err := Validate(m)
		if c.want == "" && err != nil {
			t.Errorf("%q: %v", c.lot, err)
		}
		if c.want != "" {
			refused(t, err, ErrInvalid, c.want)
		}
	}
}

func TestTimesOfClaims(t *testing.T) {
	for _, c := range []struct {
		at   *timestamppb.Timestamp
		want string
	}{
		{nil, "started_at: is missing or no time (give the time it happened)"},
		{&timestamppb.Timestamp{Seconds: 1, Nanos: -1}, "started_at: is missing or no time (give the time it happened)"},
		{&timestamppb.Timestamp{}, "started_at: lies in the year 1970 (check the date)"},
		{ts("2201-01-01 00:00"), "started_at: lies in the year 2201 (check the date)"},
	} {
		m := batchStart("L-1", "2026-03-02 07:00")
		m.StartedAt = c.at
		refused(t, Validate(m), ErrInvalid, c.want)
	}
}

func TestOnlyRecordsAreValidated(t *testing.T) {
	refused(t, Validate(&structpb.Struct{}), ErrInvalid, "google.protobuf.Struct is no kind of record (send one of the kinds of record of kettlebook.v1)")
	if _, err := Project(Entry{Envelope: &kb.Envelope{Sequence: 7}, Message: &structpb.Struct{}}); !errors.Is(err, ErrMalformed) {
		t.Errorf("projected: %v", err)
	}
}

// Every noun is tried with a record that is sound: it is valid, and what it
// leaves can be looked up again under a name, with what its envelope said.
func TestEveryNounIsProjected(t *testing.T) {
	sound := soundRecords(t)
	for _, name := range NounNames() {
		m, ok := sound[name]
		if !ok {
			t.Errorf("%s: no sound record is tried here", name)
			continue
		}
		if err := Validate(m); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		b := newBook(t)
		b.take([]Draft{{Act: act("AB"), OccurredAt: when("2026-03-02 07:00"), Day: "2026-03-02", Payload: m}}, nil)
		found := len(b.runs)
		for kind, rows := range b.rows {
			for id, r := range rows {
				found++
				d := new(kb.Document)
				if err := proto.Unmarshal(r.Body, d); err != nil || d.GetSequence() != 1 || d.GetPerson() != "AB" || d.GetProductionDay() != "2026-03-02" {
					t.Errorf("%s: %s %q says %v (%v)", name, kind, id, d, err)
				}
				if id == "" || slices.ContainsFunc(r.Keys, func(k Key) bool { return k.Index == "" || k.Value == "" }) {
					t.Errorf("%s: a row without a name, or a key without a value: %q %v", name, id, r.Keys)
				}
			}
		}
		if found == 0 {
			t.Errorf("%s leaves nothing that is looked up", name)
		}
	}
	for name := range sound {
		if !slices.Contains(NounNames(), name) {
			t.Errorf("%s is tried and is no noun", name)
		}
	}
}

// No message that may be stored holds a map or a binary float (D7): of two
// equal maps the bytes may differ, and no float is what was read.
func TestStoredMessagesHoldNoMapsAndNoFloats(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var walk func(protoreflect.MessageDescriptor)
	walk = func(d protoreflect.MessageDescriptor) {
		if seen[d.FullName()] {
			return
		}
		seen[d.FullName()] = true
		for i := range d.Fields().Len() {
			fd := d.Fields().Get(i)
			if fd.IsMap() || fd.Kind() == protoreflect.FloatKind || fd.Kind() == protoreflect.DoubleKind {
				t.Errorf("%s is a map or a float", fd.FullName())
			}
			if fd.Message() != nil {
				walk(fd.Message())
			}
		}
	}
	names := append(NounNames(), (&kb.Envelope{}).ProtoReflect().Descriptor().FullName(), (&kb.DayContent{}).ProtoReflect().Descriptor().FullName())
	for _, name := range names {
		m, err := protoregistry.GlobalTypes.FindMessageByName(name)
		if err != nil {
			t.Fatal(err)
		}
		walk(m.Descriptor())
	}
	if len(seen) < 30 {
		t.Errorf("only %d messages were walked", len(seen))
	}
}

func TestKeysSortInOrder(t *testing.T) {
	if !slices.IsSorted([]string{SequenceKey(1), SequenceKey(2), SequenceKey(10), SequenceKey(999_999_999_999)}) {
		t.Error("numbers of entries do not sort as text")
	}
	if !slices.IsSorted([]string{TimeKey(when("2026-03-02 07:00")), TimeKey(when("2026-03-02 07:00:00.000001")), TimeKey(when("2026-10-02 07:00"))}) {
		t.Error("times do not sort as text")
	}
	if !slices.IsSorted([]string{FormulaKey("F", 2), FormulaKey("F", 10), FormulaKey("F-2", 1)}) {
		t.Error("versions do not sort as text")
	}
	if _, err := ReadDoc[*kb.Check]([]byte{0xff}); !errors.Is(err, ErrMalformed) {
		t.Errorf("read: %v", err)
	}
	body, err := proto.Marshal(&kb.Document{Sequence: 3, Body: []byte{0xff}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ReadDoc[*kb.Check](body); !errors.Is(err, ErrMalformed) {
		t.Errorf("read: %v", err)
	}
}
