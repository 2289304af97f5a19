package records_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// frozenDraft is an entry in which every field of the envelope is filled.
func frozenDraft() Draft {
	return Draft{
		Act: Act{
			Site: 1, Person: "AB", KnownBy: kb.KnownBy_KNOWN_BY_TRANSCRIBED, TranscribedBy: "CD", Tablet: "wall", Sheet: "checks.csv",
			RequestID: "00000000-0000-4000-8000-000000000001", ContentHash: sha256.Sum256([]byte("what was asked")),
			RecordedAt: when("2026-03-02 07:20:00.123456789"), SoftwareVersion: "1.0.0", Queued: true,
		},
		OccurredAt: when("2026-03-02 06:05:00.987654321").In(time.FixedZone("", -7*3600)), Day: "2026-03-02",
		Payload: &kb.Check{
			CheckId: "c-1", InstrumentId: "TH-02", Adjusted: true, Adjustment: "nut turned",
			Points: []*kb.CheckPoint{
				boilingPoint("2026-03-02 06:05", "204.70 F", "843.1"),
				asLeftOf(proven(boilingPoint("2026-03-02 06:15", "203.0 F", "843.1"))),
			},
		},
	}
}

// frozen reads a vector: lines of hexadecimal, # begins a comment.
func frozen(t *testing.T, path string) []byte {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var digits strings.Builder
	for line := range strings.Lines(string(raw)) {
		text, _, _ := strings.Cut(line, "#")
		digits.WriteString(strings.Join(strings.Fields(text), ""))
	}
	b, err := hex.DecodeString(digits.String())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The bytes of an entry are hashed for ever: a change of their encoding must
// not go unnoticed. The vector was checked field by field against the wire
// format (protobuf.dev, Encoding), see the comments in it.
func TestEnvelopeIsFrozen(t *testing.T) {
	want := frozen(t, "testdata/envelope.hex")
	got, err := frozenDraft().Envelope(42)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("an entry's bytes changed:\n%x\nwant\n%x", got, want)
	}
	// It can be read for ever too, and times are kept to the microsecond.
	e, err := ParseEntry(want)
	if err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(e.Message, frozenDraft().Payload) || e.GetSequence() != 42 || e.GetPerson() != "AB" || e.GetTranscribedBy() != "CD" || !e.GetQueued() ||
		!e.GetOccurredAt().AsTime().Equal(when("2026-03-02 06:05:00.987654")) || !e.GetRecordedAt().AsTime().Equal(when("2026-03-02 07:20:00.123456")) {
		t.Errorf("read as %v", e.Envelope)
	}
	if s := e.Signature(); s.GetInitials() != "AB" || !s.GetTranscribed() {
		t.Errorf("signed by %v", s)
	}
	// The same in the field's own wire format: tag 2 is the sequence number.
	num, typ, n := protowire.ConsumeTag(want[2:])
	sequence, _ := protowire.ConsumeVarint(want[2+n:])
	if num != 2 || typ != protowire.VarintType || sequence != 42 {
		t.Errorf("second field %d of type %d holds %d", num, typ, sequence)
	}
}

func TestEnvelopeIsTheSameEachTime(t *testing.T) {
	for _, m := range soundRecords(t) {
		d := Draft{Act: act("AB"), OccurredAt: when("2026-03-02 07:00"), Day: "2026-03-02", Payload: m}
		first, err := d.Envelope(7)
		if err != nil {
			t.Fatal(err)
		}
		for range 20 {
			if again, err := d.Envelope(7); err != nil || !bytes.Equal(first, again) {
				t.Fatalf("%T: bytes differ (%v)", m, err)
			}
		}
	}
}

func TestParseEntryRefusals(t *testing.T) {
	unknownKind, err := proto.Marshal(&kb.Envelope{Sequence: 3, Payload: &anypb.Any{TypeUrl: "type.googleapis.com/nobody.Knows", Value: []byte{1}}})
	if err != nil {
		t.Fatal(err)
	}
	empty, err := proto.Marshal(&kb.Envelope{Sequence: 3})
	if err != nil {
		t.Fatal(err)
	}
	cut := frozen(t, "testdata/envelope.hex")
	for name, stored := range map[string][]byte{"cut short": cut[:len(cut)-1], "no field": {0xff}, "unknown kind": unknownKind, "no payload": empty} {
		if _, err := ParseEntry(stored); !errors.Is(err, ErrMalformed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Bytes that nobody here wrote may hold what no rule lets through; they are
// refused, whatever they hold.
func TestProjectRefusesEmptyRuns(t *testing.T) {
	for _, m := range []proto.Message{&kb.Readings{LotCode: "L-1"}, &kb.Check{CheckId: "c-1"}} {
		inner, err := anypb.New(m)
		if err != nil {
			t.Fatal(err)
		}
		for _, payload := range []proto.Message{m, &kb.Amendment{TargetSequence: 1, Replacement: inner, Reason: "r"}, &kb.Amendment{TargetSequence: 1, Reason: "r"}} {
			if _, err := Project(Entry{Envelope: &kb.Envelope{Sequence: 3}, Message: payload}); !errors.Is(err, ErrMalformed) {
				t.Errorf("%T: %v", payload, err)
			}
		}
	}
}

func FuzzParseEntry(f *testing.F) {
	for _, m := range soundRecords(f) {
		stored, err := Draft{Act: act("AB"), OccurredAt: when("2026-03-02 07:00"), Day: "2026-03-02", Payload: m}.Envelope(1)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(stored)
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, stored []byte) {
		e, err := ParseEntry(stored)
		if err != nil {
			if !errors.Is(err, ErrMalformed) {
				t.Fatalf("%v is no word for bytes that cannot be read", err)
			}
			return
		}
		// Only what validates was ever written; that must project.
		if Validate(e.Message) != nil {
			return
		}
		if _, err := Project(e); err != nil && !errors.Is(err, ErrMalformed) {
			t.Fatalf("%v: %v", e.Message, err)
		}
	})
}

func TestWhatTheServiceConcludesIsNobodysClaim(t *testing.T) {
	a := act("AB")
	a.TranscribedBy, a.Queued, a.Sheet = "CD", true, "checks.csv"
	s := a.System()
	if s.Person != "" || s.KnownBy != kb.KnownBy_KNOWN_BY_SYSTEM || s.TranscribedBy != "" || s.Queued {
		t.Errorf("the service acts as %+v", s)
	}
	if s.RequestID != a.RequestID || s.Site != a.Site || s.RecordedAt != a.RecordedAt || s.Sheet != a.Sheet || a.Person != "AB" {
		t.Errorf("the act itself changed: %+v", s)
	}
}

func TestContentHashTellsKindsApart(t *testing.T) {
	hash := func(m proto.Message) [32]byte {
		h, err := ContentHash(m)
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	a := &kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"}
	if hash(a) != hash(proto.Clone(a)) {
		t.Error("the same content has two hashes")
	}
	// A formula's approval and a void have fields of other kinds; two empty
	// messages of different kinds are told apart by their names alone.
	if hash(&kb.BatchVoid{}) == hash(&kb.FormulaApproval{}) || hash(a) == hash(&kb.BatchVoid{LotCode: "L-1", Reason: "opened twice."}) {
		t.Error("different content has one hash")
	}
}

func TestFirstEntry(t *testing.T) {
	e := Entry{Envelope: &kb.Envelope{Sequence: 9}}
	if e.First() != 9 {
		t.Errorf("first written as %d", e.First())
	}
	e.Amends = 4
	if e.First() != 4 || e.Meta().GetAmends() != 4 || e.Meta().GetSequence() != 9 {
		t.Errorf("first written as %d", e.First())
	}
}
