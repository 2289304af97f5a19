package records_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	. "kettlebook/records"
)

// book keeps entries and what they project, as a store does, so that tests
// can go on from what rules decided. It holds no rule.
type book struct {
	t       testing.TB
	entries []Entry
	rows    map[string]map[string]Row
	runs    map[int64]Run
}

func newBook(t testing.TB) *book {
	return &book{t: t, rows: map[string]map[string]Row{}, runs: map[int64]Run{}}
}

// take writes what was decided; a refusal ends the test.
func (b *book) take(drafts []Draft, err error) []Entry {
	b.t.Helper()
	if err != nil {
		b.t.Fatalf("refused: %v", err)
	}
	var out []Entry
	for _, d := range drafts {
		stored, err := d.Envelope(int64(len(b.entries) + 1))
		if err != nil {
			b.t.Fatal(err)
		}
		e, err := ParseEntry(stored)
		if err != nil {
			b.t.Fatal(err)
		}
		if !proto.Equal(e.Message, d.Payload) {
			b.t.Fatalf("entry %d comes back as %v, was %v", e.GetSequence(), e.Message, d.Payload)
		}
		p, err := Project(e)
		if err != nil {
			b.t.Fatal(err)
		}
		b.entries = append(b.entries, e)
		b.apply(p)
		out = append(out, e)
	}
	return out
}

func (b *book) apply(p Projection) {
	for _, r := range p.Rows {
		kind := b.rows[r.Kind]
		if kind == nil {
			kind = map[string]Row{}
			b.rows[r.Kind] = kind
		}
		if r.Body == nil {
			delete(kind, r.ID)
		} else {
			kind[r.ID] = r
		}
	}
	for _, r := range p.Runs {
		b.runs[r.Sequence] = r
	}
}

// index gives the rows of a kind in the order of an index, those only whose
// value begins with the parts.
func (b *book) index(kind, index string, parts ...string) []Row {
	type keyed struct {
		value string
		row   Row
	}
	prefix := ""
	if len(parts) > 0 {
		prefix = JoinKey(append(parts, "")...)
	}
	var found []keyed
	for _, r := range b.rows[kind] {
		for _, k := range r.Keys {
			if k.Index == index && strings.HasPrefix(k.Value, prefix) {
				found = append(found, keyed{k.Value, r})
			}
		}
	}
	slices.SortFunc(found, func(x, y keyed) int {
		return strings.Compare(x.value+"\x00"+x.row.ID, y.value+"\x00"+y.row.ID)
	})
	out := make([]Row, len(found))
	for i, f := range found {
		out[i] = f.row
	}
	return out
}

// lookup reads a document of a book, or none.
func lookup[M proto.Message](b *book, kind, id string) Doc[M] {
	b.t.Helper()
	r, ok := b.rows[kind][id]
	if !ok {
		return Doc[M]{}
	}
	return read[M](b, r)
}

func read[M proto.Message](b *book, r Row) Doc[M] {
	b.t.Helper()
	d, err := ReadDoc[M](r.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return d
}

func readAll[M proto.Message](b *book, rows []Row) []Doc[M] {
	b.t.Helper()
	var out []Doc[M]
	for _, r := range rows {
		out = append(out, read[M](b, r))
	}
	return out
}
