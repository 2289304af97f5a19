package records

import (
	"crypto/sha256"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
)

// Act is who does something, how that is known, and when the server took it.
// It comes in by the door and is copied into every envelope that follows.
type Act struct {
	// Site is the number of the site, from 1.
	Site uint32
	// Person is the initials of who did it; empty for the service itself.
	Person string
	// KnownBy says how the person was known.
	KnownBy kb.KnownBy
	// TranscribedBy is who copied it from paper; empty otherwise.
	TranscribedBy string
	// Tablet is where it came from; may be empty.
	Tablet string
	// Sheet is the sheet it was copied from; empty otherwise.
	Sheet string
	// RequestID is the id of the request.
	RequestID string
	// ContentHash is the SHA-256 of the request's content.
	ContentHash [sha256.Size]byte
	// RecordedAt is when the server took it.
	RecordedAt time.Time
	// SoftwareVersion is the version that writes.
	SoftwareVersion string
	// Queued says that a tablet held it while the line was down.
	Queued bool
}

// System gives the same act done by the service itself: what it concludes is
// not the person's claim.
func (a Act) System() Act {
	a.Person, a.KnownBy, a.TranscribedBy, a.Queued = "", kb.KnownBy_KNOWN_BY_SYSTEM, "", false
	return a
}

// Draft is an entry that was decided and has no sequence number yet.
type Draft struct {
	Act
	// OccurredAt is when it happened, as claimed.
	OccurredAt time.Time
	// Day is the production day it belongs to, YYYY-MM-DD.
	Day string
	// Payload is the record.
	Payload proto.Message
}

// Envelope serialises the entry. This is the one place that does so: the
// bytes are stored, hashed and never made anew.
func (d Draft) Envelope(sequence int64) ([]byte, error) {
	payload, err := anypb.New(d.Payload)
	if err != nil {
		return nil, fmt.Errorf("records: payload of entry %d: %w", sequence, err)
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(&kb.Envelope{
		Site:            d.Site,
		Sequence:        sequence,
		OccurredAt:      timestamppb.New(d.OccurredAt.UTC().Truncate(time.Microsecond)),
		RecordedAt:      timestamppb.New(d.RecordedAt.UTC().Truncate(time.Microsecond)),
		ProductionDay:   d.Day,
		Person:          d.Person,
		KnownBy:         d.KnownBy,
		TranscribedBy:   d.TranscribedBy,
		Tablet:          d.Tablet,
		RequestId:       d.RequestID,
		ContentSha256:   d.ContentHash[:],
		SoftwareVersion: d.SoftwareVersion,
		Queued:          d.Queued,
		Sheet:           d.Sheet,
		Payload:         payload,
	})
}

// Entry is a stored envelope, read.
type Entry struct {
	*kb.Envelope
	// Message is the record in it.
	Message proto.Message
	// Amends is the entry that Message replaces; 0 unless it comes out of an amendment.
	Amends int64
}

// ParseEntry reads stored bytes. The error wraps ErrMalformed.
func ParseEntry(stored []byte) (Entry, error) {
	env := new(kb.Envelope)
	if err := proto.Unmarshal(stored, env); err != nil {
		return Entry{}, fmt.Errorf("%w: %v", ErrMalformed, err)
	}
	m, err := env.GetPayload().UnmarshalNew()
	if err != nil {
		return Entry{}, fmt.Errorf("%w: entry %d: %v", ErrMalformed, env.GetSequence(), err)
	}
	return Entry{Envelope: env, Message: m}, nil
}

// First gives the entry under which the record was first written: the one an
// amendment struck, or the entry itself.
func (e Entry) First() int64 {
	if e.Amends != 0 {
		return e.Amends
	}
	return e.GetSequence()
}

// Signature gives who stands behind an entry.
func (e Entry) Signature() *kb.Signature {
	return &kb.Signature{Initials: e.GetPerson(), At: e.GetOccurredAt(), Transcribed: e.GetTranscribedBy() != ""}
}

// Meta gives what an entry's envelope said, as documents keep it.
func (e Entry) Meta() *kb.Document {
	return &kb.Document{
		Sequence: e.GetSequence(), OccurredAt: e.GetOccurredAt(), RecordedAt: e.GetRecordedAt(), ProductionDay: e.GetProductionDay(),
		Person: e.GetPerson(), KnownBy: e.GetKnownBy(), TranscribedBy: e.GetTranscribedBy(), Queued: e.GetQueued(), Sheet: e.GetSheet(), Amends: e.Amends,
	}
}

// ContentHash hashes what a request asks, so that a repeat can be told from a
// reuse of its id. It serves equality only and is kept beside the receipt.
func ContentHash(m proto.Message) ([sha256.Size]byte, error) {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return [sha256.Size]byte{}, fmt.Errorf("records: %w", err)
	}
	return sha256.Sum256(append([]byte(m.ProtoReflect().Descriptor().FullName()+"\x00"), b...)), nil
}
