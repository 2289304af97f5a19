package records

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	kb "kettlebook/proto/kettlebook/v1"
)

// Row is a projection row of an entry: a document put in place of the one
// with the same kind and id, keys and day included, or that one removed.
type Row struct {
	// Kind is the document's kind; one noun may leave several.
	Kind string
	// ID is its name within the kind.
	ID string
	// Day is the production day it is listed under; empty for none.
	Day string
	// Body is the document; nil removes it.
	Body []byte
	// Keys put it into indexes.
	Keys []Key
}

// Key is one index key of a row.
type Key struct {
	// Index names the index within the kind.
	Index string
	// Value is ordered bytewise.
	Value string
}

// Run is a run of readings that an entry carries.
type Run struct {
	// Sequence is the entry that carried it first; an amendment keeps it.
	Sequence int64
	// Series is what the readings belong to.
	Series string
	// Instrument is what they were read on.
	Instrument string
	// FirstAt and LastAt bound the readings in time.
	FirstAt, LastAt time.Time
	// Count is the number of readings.
	Count int
	// Body is the run.
	Body []byte
}

// Projection is what one entry changes in what is looked up.
type Projection struct {
	// Rows are documents.
	Rows []Row
	// Runs are runs of readings.
	Runs []Run
}

type noun struct {
	validate func(proto.Message) error
	project  func(Entry, proto.Message) (Projection, error)
}

var nouns = map[protoreflect.FullName]noun{}

// register makes a message a record. A noun calls it once, from a variable in
// its own file; project may be nil when nothing is looked up by it.
func register[M proto.Message](validate func(M) error, project func(Entry, M) (Projection, error)) bool {
	var zero M
	name := zero.ProtoReflect().Descriptor().FullName()
	n := noun{}
	n.validate = func(m proto.Message) error {
		if validate == nil {
			return nil
		}
		return validate(m.(M))
	}
	n.project = func(e Entry, m proto.Message) (Projection, error) {
		if project == nil {
			return Projection{}, nil
		}
		return project(e, m.(M))
	}
	nouns[name] = n
	return true
}

// Validate refuses a claim that is wrong in itself: unknown fields, bad text,
// numbers that no one can have read. It looks at nothing else.
func Validate(m proto.Message) error {
	n, ok := nouns[m.ProtoReflect().Descriptor().FullName()]
	if !ok {
		return invalid("", "send one of the kinds of record of kettlebook.v1", "%s is no kind of record", m.ProtoReflect().Descriptor().FullName())
	}
	if err := CheckStrict(m); err != nil {
		return err
	}
	return n.validate(m)
}

// Project gives what an entry changes in what is looked up. It is pure: the
// same entry gives the same rows under any version of the software.
func Project(e Entry) (Projection, error) {
	n, ok := nouns[e.Message.ProtoReflect().Descriptor().FullName()]
	if !ok {
		return Projection{}, fmt.Errorf("%w: entry %d: %s is no kind of record", ErrMalformed, e.GetSequence(), e.Message.ProtoReflect().Descriptor().FullName())
	}
	return n.project(e, e.Message)
}

// MaxText is the longest text of any field, in bytes.
const MaxText = 16 << 10

// CheckStrict refuses unknown fields, at any depth, text that is not UTF-8 or
// holds control characters, and text longer than MaxText.
func CheckStrict(m proto.Message) error { return strict("", m.ProtoReflect()) }

func strict(path string, m protoreflect.Message) error {
	if len(m.GetUnknown()) > 0 {
		return invalid(path, "use the messages of this version", "holds fields that this version does not know")
	}
	var err error
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		name := string(fd.Name())
		if path != "" {
			name = path + "." + name
		}
		one := func(name string, v protoreflect.Value) error {
			switch fd.Kind() {
			case protoreflect.MessageKind, protoreflect.GroupKind:
				return strict(name, v.Message())
			case protoreflect.StringKind:
				return checkText(name, v.String())
			case protoreflect.EnumKind:
				if fd.Enum().Values().ByNumber(v.Enum()) == nil {
					return invalid(name, "use a value of this version", "%d is not a value it can have", v.Enum())
				}
			}
			return nil
		}
		if fd.IsList() {
			for i := range v.List().Len() {
				if err = one(fmt.Sprintf("%s[%d]", name, i), v.List().Get(i)); err != nil {
					return false
				}
			}
			return true
		}
		err = one(name, v)
		return err == nil
	})
	return err
}

func checkText(field, s string) error {
	if !utf8.ValidString(s) {
		return invalid(field, "send UTF-8", "is not valid UTF-8")
	}
	if len(s) > MaxText {
		return invalid(field, "shorten it", "is %d bytes long; at most %d are kept", len(s), MaxText)
	}
	for _, r := range s {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return invalid(field, "remove it", "holds the control character U+%04X", r)
		}
	}
	return nil
}

// text checks the length of a field in characters.
func text(field, s string, least, most int) error {
	n := utf8.RuneCountInString(s)
	if least > 0 && strings.TrimSpace(s) == "" {
		return invalid(field, fmt.Sprintf("give %d to %d characters", least, most), "is empty")
	}
	if n > most {
		return invalid(field, fmt.Sprintf("give at most %d", most), "has %d characters", n)
	}
	return nil
}

// name checks a name that other records refer to: printable, with no blank at
// either end, as it may be written on a label. What does not show in print is
// refused: two names that look the same are the same.
func name(field, s string, most int) error {
	if err := text(field, s, 1, most); err != nil {
		return err
	}
	if strings.TrimSpace(s) != s || strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return invalid(field, "use no line breaks, no characters that do not print, and no blanks at the ends", "%q cannot be a name", s)
	}
	return nil
}

func validTime(field string, t interface {
	CheckValid() error
	AsTime() time.Time
}) error {
	if t.CheckValid() != nil {
		return invalid(field, "give the time it happened", "is missing or no time")
	}
	if y := t.AsTime().Year(); y < 2000 || y > 2200 {
		return invalid(field, "check the date", "lies in the year %d", y)
	}
	return nil
}

// TimeKey gives a time as text that sorts in order of time.
func TimeKey(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }

// JoinKey joins parts of an index value; parts hold no control characters.
func JoinKey(parts ...string) string { return strings.Join(parts, "\x1f") }

func body(m proto.Message) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

// row makes a row whose body is a stored message together with its envelope
// facts (a Document).
func row(e Entry, kind, id, day string, m proto.Message, keys ...Key) (Row, error) {
	raw, err := body(m)
	if err != nil {
		return Row{}, err
	}
	d := e.Meta()
	d.Body = raw
	b, err := body(d)
	if err != nil {
		return Row{}, err
	}
	return Row{Kind: kind, ID: id, Day: day, Body: b, Keys: keys}, nil
}

// Doc is a document as looked up: the record, and what its envelope said.
type Doc[M proto.Message] struct {
	// Record is the record; the zero value when there is none.
	Record M
	// Meta is what the envelope said; nil when there is none.
	Meta *kb.Document
}

// Has says whether there is a document.
func (d Doc[M]) Has() bool { return d.Meta != nil }

// At gives when it happened, as claimed.
func (d Doc[M]) At() time.Time { return d.Meta.GetOccurredAt().AsTime() }

// Signature gives who stands behind it.
func (d Doc[M]) Signature() *kb.Signature {
	return &kb.Signature{Initials: d.Meta.GetPerson(), At: d.Meta.GetOccurredAt(), Transcribed: d.Meta.GetTranscribedBy() != ""}
}

// ReadDoc reads a projected document. The error wraps ErrMalformed.
func ReadDoc[M proto.Message](stored []byte) (Doc[M], error) {
	d := new(kb.Document)
	if err := proto.Unmarshal(stored, d); err != nil {
		return Doc[M]{}, fmt.Errorf("%w: %v", ErrMalformed, err)
	}
	var zero M
	m := zero.ProtoReflect().New().Interface().(M)
	if err := proto.Unmarshal(d.GetBody(), m); err != nil {
		return Doc[M]{}, fmt.Errorf("%w: document of entry %d: %v", ErrMalformed, d.GetSequence(), err)
	}
	d.Body = nil
	return Doc[M]{Record: m, Meta: d}, nil
}

func rows(list ...Row) Projection { return Projection{Rows: list} }

type message = proto.Message

func clone[M proto.Message](m M) M { return proto.Clone(m).(M) }

// versions makes the two rows of a register entry: the latest under its name,
// and this version under name and time, so that an older day goes on showing
// what was in force then.
func versions(e Entry, latest, all, id string, m proto.Message) (Projection, error) {
	key := JoinKey(id, TimeKey(e.GetRecordedAt().AsTime()), SequenceKey(e.GetSequence()))
	a, err := row(e, latest, id, "", m)
	if err != nil {
		return Projection{}, err
	}
	b, err := row(e, all, key, "", m, Key{"at", key})
	return rows(a, b), err
}
