package storetest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"kettlebook/records/store"
)

// model is a store of documents and runs in maps.
type model struct {
	docs map[[2]string]store.Doc
	keys map[[2]string][]store.Key
	runs map[[2]int64]store.Run
	size int64
}

func (m *model) clone() *model {
	return &model{maps.Clone(m.docs), maps.Clone(m.keys), maps.Clone(m.runs), m.size}
}

func (m *model) apply(y *Tray) {
	m.size++
	for _, r := range y.Rows {
		at := [2]string{r.Kind, r.ID}
		if r.Body == nil {
			delete(m.docs, at)
			delete(m.keys, at)
			continue
		}
		m.docs[at] = store.Doc{Kind: r.Kind, ID: r.ID, Day: r.Day, Sequence: m.size, Body: r.Body}
		m.keys[at] = r.Keys
	}
	for _, r := range y.Runs {
		if r.Sequence == 0 {
			r.Sequence = m.size
		}
		at := [2]int64{r.Sequence, int64(r.Part)}
		if r.Body == nil {
			delete(m.runs, at)
			continue
		}
		m.runs[at] = r
	}
}

func (m *model) query(q store.Query) []store.Doc {
	var out []store.Doc
	for at, d := range m.docs {
		if at[0] != q.Kind {
			continue
		}
		values := []string{d.ID}
		if q.Index != "" {
			values = nil
			for _, k := range m.keys[at] {
				if k.Index == q.Index {
					values = append(values, k.Value)
				}
			}
		}
		for _, v := range values {
			if v < q.From || q.To != "" && v >= q.To {
				continue
			}
			found := d
			if q.Index != "" {
				found.Value = v
			}
			out = append(out, found)
		}
	}
	slices.SortFunc(out, func(a, b store.Doc) int {
		return cmp.Or(cmp.Compare(a.Value, b.Value), cmp.Compare(a.ID, b.ID))
	})
	if q.Desc {
		slices.Reverse(out)
	}
	return out
}

func (m *model) day(day string) []store.Doc {
	var out []store.Doc
	for _, d := range m.docs {
		if d.Day == day {
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(a, b store.Doc) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.ID, b.ID))
	})
	return out
}

func sameDocs(a, b []store.Doc) bool {
	return slices.EqualFunc(a, b, func(x, y store.Doc) bool {
		return x.Kind == y.Kind && x.ID == y.ID && x.Day == y.Day && x.Sequence == y.Sequence && x.Value == y.Value && bytes.Equal(x.Body, y.Body)
	})
}

// Generators of few distinct names, so that they meet often.
var (
	kinds  = rapid.SampledFrom([]string{"tray", "bowl", "traytray"})
	names  = rapid.SampledFrom([]string{"a", "b", "ab", "10", "9", "\u00e9", "a\x1fb"})
	labels = rapid.SampledFrom([]string{"", "a", "a\x1fb", "a b", "b", "\x7f", "\u20ac", "aa"})
	days   = rapid.SampledFrom([]string{"", "2031-05-06", "2031-05-07", "2031-12-31"})
	times  = rapid.Int64Range(1, 40)
	bodies = rapid.SampledFrom([][]byte{nil, {}, []byte("x"), []byte("a longer body")})
)

func drawTray(r *rapid.T, size int64) *Tray {
	y := &Tray{}
	for range rapid.IntRange(0, 3).Draw(r, "rows") {
		row := store.Row{Kind: kinds.Draw(r, "kind"), ID: names.Draw(r, "id"), Day: days.Draw(r, "day"), Body: bodies.Draw(r, "body")}
		seen := map[store.Key]bool{}
		for range rapid.IntRange(0, 3).Draw(r, "keys") {
			k := store.Key{Index: names.Draw(r, "index"), Value: labels.Draw(r, "value")}
			if !seen[k] {
				seen[k] = true
				row.Keys = append(row.Keys, k)
			}
		}
		y.Rows = append(y.Rows, row)
	}
	for range rapid.IntRange(0, 2).Draw(r, "runs") {
		first := times.Draw(r, "first") * hour
		y.Runs = append(y.Runs, store.Run{
			Sequence: rapid.Int64Range(0, size+1).Draw(r, "sequence"), Part: rapid.Int32Range(0, 2).Draw(r, "part"),
			Series: names.Draw(r, "series"), Instrument: names.Draw(r, "instrument"),
			FirstAt: first, LastAt: first + times.Draw(r, "length")/3*hour, Count: 1, Body: bodies.Draw(r, "run body"),
		})
	}
	return y
}

// plan is a case of testModel: commands, what to read within and after each,
// and what to read after a rebuild.
type plan struct {
	commands []planned
	last     probe
}

type planned struct {
	trays  []*Tray  // one a step
	within []*probe // after each step, nil for none
	fails  bool     // by a step after these
	after  probe
}

var plans = rapid.Custom(func(r *rapid.T) plan {
	var p plan
	size := int64(0)
	for range rapid.IntRange(1, 10).Draw(r, "commands") {
		var c planned
		for i := range rapid.IntRange(1, 4).Draw(r, "steps") {
			c.trays = append(c.trays, drawTray(r, size+int64(i)))
			var within *probe
			if rapid.Bool().Draw(r, "look within") {
				drawn := drawProbe(r)
				within = &drawn
			}
			c.within = append(c.within, within)
		}
		if c.fails = rapid.IntRange(0, 3).Draw(r, "fails") == 0; !c.fails {
			size += int64(len(c.trays))
		}
		c.after = drawProbe(r)
		p.commands = append(p.commands, c)
	}
	p.last = drawProbe(r)
	return p
})

// testModel appends as drawn, some of it refused, and compares every kind of
// read with the model, then rebuilds and compares again. The cases are the
// same in every run; KETTLEBOOK_SLOW multiplies them.
func testModel(t *testing.T, e Engine) {
	for number := range 12 * Slow() {
		if !t.Run(fmt.Sprint(number), func(t *testing.T) { runPlan(t, e, plans.Example(number)) }) {
			return
		}
	}
}

func runPlan(t *testing.T, e Engine, p plan) {
	s := open(t, e)
	refused := errors.New("refused")
	m := &model{map[[2]string]store.Doc{}, map[[2]string][]store.Key{}, map[[2]int64]store.Run{}, 0}
	for i, c := range p.commands {
		cmd := NewCommand(fmt.Sprint(i))
		after := m.clone()
		var steps []store.Step
		for k, y := range c.trays {
			y.RequestID, y.ContentHash = cmd.RequestID, cmd.ContentHash
			after.apply(y)
			steps = append(steps, Decide(y))
			if within := c.within[k]; within != nil {
				want := after.clone()
				steps = append(steps, look(func(v store.View) error { return within.compare(v, want) }))
			}
		}
		if c.fails {
			steps = append(steps, Fail(refused))
		}
		if _, err := s.Append(context.Background(), cmd, steps...); c.fails != errors.Is(err, refused) || !c.fails && err != nil {
			t.Fatalf("append %d: %v", i, err)
		}
		if !c.fails {
			m = after
		}
		read(t, s, func(v store.View) {
			if err := c.after.compare(v, m); err != nil {
				t.Fatal(err)
			}
		})
	}
	before := Sound(t, s)
	if err := s.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	read(t, s, func(v store.View) {
		if err := p.last.compare(v, m); err != nil {
			t.Fatal(err)
		}
	})
	if after := Sound(t, s); after != before {
		t.Fatalf("after the rebuild %+v, before %+v", after, before)
	}
}

// probe is a set of reads.
type probe struct {
	docs []store.Query
	day  store.DayQuery
	runs store.RunQuery
}

func drawProbe(r *rapid.T) probe {
	var p probe
	for range 3 {
		p.docs = append(p.docs, store.Query{
			Kind: kinds.Draw(r, "kind"), Index: rapid.OneOf(rapid.Just(""), names).Draw(r, "index"),
			From: labels.Draw(r, "from"), To: labels.Draw(r, "to"), Desc: rapid.Bool().Draw(r, "desc"),
			Limit: rapid.SampledFrom([]int{1, 2, 100}).Draw(r, "limit"),
		})
	}
	p.day = store.DayQuery{Day: rapid.SampledFrom([]string{"2031-05-06", "2031-05-07"}).Draw(r, "day"), Limit: 2}
	p.runs = store.RunQuery{
		Desc: rapid.Bool().Draw(r, "desc"), From: times.Draw(r, "from") * hour, To: times.Draw(r, "to") * hour,
		Limit: rapid.SampledFrom([]int{1, 100}).Draw(r, "limit"),
	}
	if rapid.Bool().Draw(r, "by series") {
		p.runs.Series = names.Draw(r, "series")
	} else {
		p.runs.Instrument = names.Draw(r, "instrument")
	}
	return p
}

// collect gathers all items of a sequence, or its error.
func collect[T any](items iter.Seq2[T, error]) (out []T, err error) {
	for item, err := range items {
		if err != nil {
			return nil, err
		}
		out = append(out, item)
	}
	return out, nil
}

// compare makes the reads on v and tells where they are not what m has.
func (p probe) compare(v store.View, m *model) error {
	if v.Size() != m.size {
		return fmt.Errorf("size %d, want %d", v.Size(), m.size)
	}
	for _, q := range p.docs {
		got, err := collect(store.AllDocuments(v, q))
		if want := m.query(q); err != nil || !sameDocs(got, want) {
			return fmt.Errorf("%+v gives\n%+v, %w; want\n%+v", q, got, err, want)
		}
	}
	got, err := collect(store.AllOfDay(v, p.day))
	if want := m.day(p.day.Day); err != nil || !sameDocs(got, want) {
		return fmt.Errorf("%+v gives\n%+v, %w; want\n%+v", p.day, got, err, want)
	}
	listed := map[string]bool{}
	for _, d := range m.docs {
		listed[d.Day] = true
	}
	delete(listed, "")
	if found, err := v.Days(store.DaysQuery{Limit: 100}); err != nil || !slices.Equal(found, slices.Sorted(maps.Keys(listed))) {
		return fmt.Errorf("days %q, %w; want %q", found, err, slices.Sorted(maps.Keys(listed)))
	}
	runs, err := collect(store.AllRuns(v, p.runs))
	if want := naiveRuns(slices.Collect(maps.Values(m.runs)), p.runs); err != nil || !sameRuns(runs, want) {
		return fmt.Errorf("%+v gives\n%+v, %w; want\n%+v", p.runs, runs, err, want)
	}
	return nil
}
