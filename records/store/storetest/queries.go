package storetest

import (
	"bytes"
	"fmt"
	"slices"
	"testing"

	"kettlebook/records/store"
)

// document is short for a row of kind "tray" with keys in index "label".
func document(id, day string, labels ...string) store.Row {
	r := store.Row{Kind: "tray", ID: id, Day: day, Body: []byte("body of " + id)}
	for _, l := range labels {
		r.Keys = append(r.Keys, store.Key{Index: "label", Value: l})
	}
	return r
}

func idsOf(docs []store.Doc) []string {
	var out []string
	for _, d := range docs {
		out = append(out, d.ID)
	}
	return out
}

func testDocuments(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "1", &Tray{Rows: []store.Row{
		document("b", "2031-05-06", "low"),
		document("a", "2031-05-06", "low", "top"),
		document("c", "", "mid"),
		document("10", "2031-05-07", "\u00e9clair", "Z", "z", "lo", "low\x00", ""),
		document("\U0001F36C", "2031-05-07"),
		{Kind: "trayless", ID: "a", Body: []byte{}, Keys: []store.Key{{Index: "label", Value: "low"}}},
		{Kind: "tray", ID: "d", Body: []byte("d"), Keys: []store.Key{{Index: "lab", Value: "low"}}},
	}})
	see := func(q store.Query, want ...string) {
		t.Helper()
		q.Kind = "tray"
		read(t, s, func(v store.View) {
			q.Limit = 100
			docs, err := v.Documents(q)
			if err != nil || !slices.Equal(idsOf(docs), want) {
				t.Errorf("%+v: %q, %v; want %q", q, idsOf(docs), err, want)
			}
			q.Desc = !q.Desc
			docs, err = v.Documents(q)
			slices.Reverse(docs)
			if err != nil || !slices.Equal(idsOf(docs), want) {
				t.Errorf("backward %+v: %q, %v; want %q", q, idsOf(docs), err, want)
			}
			for limit := 1; limit < 4; limit++ {
				for _, desc := range []bool{false, true} {
					q.Desc, q.Limit = desc, limit
					var paged []string
					for d, err := range store.AllDocuments(v, q) {
						if err != nil {
							t.Fatal(err)
						}
						paged = append(paged, d.ID)
					}
					if desc {
						slices.Reverse(paged)
					}
					if !slices.Equal(paged, want) {
						t.Errorf("%+v in pages: %q, want %q", q, paged, want)
					}
				}
			}
		})
	}
	see(store.Query{}, "10", "a", "b", "c", "d", "\U0001F36C")
	see(store.Query{From: "a", To: "c"}, "a", "b")
	see(store.Query{Index: "label"}, "10", "10", "10", "a", "b", "10", "c", "a", "10", "10")
	see(store.Query{Index: "label", From: "low", To: "mid"}, "a", "b", "10")
	see(store.Query{Index: "label", From: "low\x00", To: "mid"}, "10")
	see(store.Query{Index: "label", From: "top"}, "a", "10", "10")
	see(store.Query{Index: "label", To: "lo"}, "10", "10")
	see(store.Query{Index: "label", From: "x", To: "a"})
	see(store.Query{Index: "lab"}, "d")
	see(store.Query{Index: "none"})
	read(t, s, func(v store.View) {
		d, found, err := v.Document("tray", "a")
		if err != nil || !found || d.Day != "2031-05-06" || d.Sequence != 1 || string(d.Body) != "body of a" || d.Kind != "tray" || d.ID != "a" {
			t.Errorf("document a: %+v, %v, %v", d, found, err)
		}
		if d, found, err := v.Document("trayless", "a"); err != nil || !found || d.Body == nil || len(d.Body) != 0 {
			t.Errorf("the empty document: %+v, %v, %v", d, found, err)
		}
		if _, found, err := v.Document("trays", "a"); found || err != nil {
			t.Errorf("no such kind: %v, %v", found, err)
		}
		// A cursor outside the bounds does not widen them.
		outside := store.Doc{Value: "a", ID: "a"}.Cursor()
		docs, err := v.Documents(store.Query{Kind: "tray", Index: "label", From: "mid", To: "n", After: outside, Limit: 9})
		if err != nil || !slices.Equal(idsOf(docs), []string{"c"}) {
			t.Errorf("with a cursor below the range: %q, %v", idsOf(docs), err)
		}
		docs, err = v.Documents(store.Query{Kind: "tray", Index: "label", From: "mid", To: "n", Desc: true, After: store.Doc{Value: "x"}.Cursor(), Limit: 9})
		if err != nil || !slices.Equal(idsOf(docs), []string{"c"}) {
			t.Errorf("with a cursor above the range, downward: %q, %v", idsOf(docs), err)
		}
		docs, err = v.Documents(store.Query{Kind: "tray", Index: "label", From: "mid", To: "n", After: store.Doc{Value: "x"}.Cursor(), Limit: 9})
		if err != nil || len(docs) != 0 {
			t.Errorf("with a cursor above the range: %q, %v", idsOf(docs), err)
		}
	})
	// Put again with other keys, with the same keys, and removed.
	put(t, s, "2", &Tray{Rows: []store.Row{document("a", "2031-05-07", "mid")}})
	see(store.Query{Index: "label", From: "low", To: "n"}, "b", "10", "a", "c")
	put(t, s, "3", &Tray{Rows: []store.Row{{Kind: "tray", ID: "c", Body: []byte("new"), Keys: []store.Key{{Index: "label", Value: "mid"}}}}})
	read(t, s, func(v store.View) {
		docs, err := v.Documents(store.Query{Kind: "tray", Index: "label", From: "mid", To: "n", Limit: 9})
		if err != nil || len(docs) != 2 || string(docs[1].Body) != "new" || docs[1].Sequence != 3 || docs[1].Value != "mid" || docs[0].Sequence != 2 {
			t.Errorf("put again: %+v, %v", docs, err)
		}
	})
	put(t, s, "4", &Tray{Rows: []store.Row{{Kind: "tray", ID: "a"}, {Kind: "tray", ID: "never was"}, {Kind: "tray", ID: "10"}}})
	see(store.Query{Index: "label"}, "b", "c")
	see(store.Query{}, "b", "c", "d", "\U0001F36C")
	// In one entry, the later row counts.
	put(t, s, "5", &Tray{Rows: []store.Row{document("e", "2031-05-08", "x"), document("e", "", "y"), document("b", "", "z"), {Kind: "tray", ID: "b"}}})
	see(store.Query{Index: "label"}, "c", "e")
	Sound(t, s)
}

func testDays(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "1", &Tray{Rows: []store.Row{
		document("b", "2031-05-06"), document("a", "2031-05-06"), document("c", "2031-05-08"), document("d", ""),
		{Kind: "bowl", ID: "z", Day: "2031-05-06", Body: []byte("z")},
		{Kind: "bowl", ID: "y", Day: "2031-05-31", Body: []byte("y")},
	}})
	put(t, s, "2", &Tray{Rows: []store.Row{document("e", "2031-05-07"), document("c", "2031-05-09")}})
	v := snapshot(t, s)
	for _, c := range []struct {
		q    store.DayQuery
		want []string
	}{
		{store.DayQuery{Day: "2031-05-06"}, []string{"bowl z", "tray a", "tray b"}},
		{store.DayQuery{Day: "2031-05-06", Kind: "tray"}, []string{"tray a", "tray b"}},
		{store.DayQuery{Day: "2031-05-06", Kind: "cup"}, nil},
		{store.DayQuery{Day: "2031-05-08"}, nil}, // its document moved
		{store.DayQuery{Day: "2031-05-09"}, []string{"tray c"}},
		{store.DayQuery{Day: "2031-05"}, nil},
	} {
		for limit := 1; limit < 5; limit++ {
			c.q.Limit = limit
			var got []string
			for d, err := range store.AllOfDay(v, c.q) {
				if err != nil {
					t.Fatal(err)
				}
				if d.Day != c.q.Day || d.Sequence == 0 || len(d.Body) == 0 {
					t.Errorf("%+v found %+v", c.q, d)
				}
				got = append(got, d.Kind+" "+d.ID)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%+v: %q, want %q", c.q, got, c.want)
			}
		}
	}
	for _, c := range []struct {
		q    store.DaysQuery
		want []string
	}{
		{store.DaysQuery{Limit: 9}, []string{"2031-05-06", "2031-05-07", "2031-05-09", "2031-05-31"}},
		{store.DaysQuery{Limit: 2}, []string{"2031-05-06", "2031-05-07"}},
		{store.DaysQuery{From: "2031-05-07", To: "2031-05-31", Limit: 9}, []string{"2031-05-07", "2031-05-09"}},
		{store.DaysQuery{To: "2031-05-10", Desc: true, Limit: 9}, []string{"2031-05-09", "2031-05-07", "2031-05-06"}},
		{store.DaysQuery{From: "2031-06-01", Limit: 9}, nil},
	} {
		if got, err := v.Days(c.q); err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%+v: %q, %v; want %q", c.q, got, err, c.want)
		}
	}
}

const hour = int64(3600 * 1_000_000)

// naiveRuns is what Runs must give, said in the simplest way.
func naiveRuns(all []store.Run, q store.RunQuery) []store.Run {
	var out []store.Run
	for _, r := range all {
		if (q.Series == "" || r.Series == q.Series) && (q.Instrument == "" || r.Instrument == q.Instrument) &&
			(q.To == 0 || r.FirstAt < q.To) && (q.From == 0 || r.LastAt >= q.From) {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b store.Run) int {
		for _, d := range []int64{a.FirstAt - b.FirstAt, a.Sequence - b.Sequence, int64(a.Part - b.Part)} {
			if d != 0 {
				return int(max(-1, min(1, d)))
			}
		}
		return 0
	})
	if q.Desc {
		slices.Reverse(out)
	}
	return out
}

func sameRuns(a, b []store.Run) bool {
	return slices.EqualFunc(a, b, func(x, y store.Run) bool {
		same := bytes.Equal(x.Body, y.Body)
		return same && x.Sequence == y.Sequence && x.Part == y.Part && x.Series == y.Series && x.Instrument == y.Instrument &&
			x.FirstAt == y.FirstAt && x.LastAt == y.LastAt && x.Count == y.Count
	})
}

// checkRuns compares Runs with the naive answer, at once and in pages.
func checkRuns(t testing.TB, v store.View, all []store.Run, q store.RunQuery, limits ...int) {
	t.Helper()
	want := naiveRuns(all, q)
	for _, limit := range limits {
		q.Limit = limit
		var got []store.Run
		for r, err := range store.AllRuns(v, q) {
			if err != nil {
				t.Fatalf("%+v: %v", q, err)
			}
			got = append(got, r)
		}
		if !sameRuns(got, want) {
			t.Fatalf("%+v: %d runs, want %d\n%+v\n%+v", q, len(got), len(want), got, want)
		}
	}
}

func testRuns(t *testing.T, e Engine) {
	s := open(t, e)
	t0 := int64(1_936_000_000_000_000)
	var all []store.Run
	sequence := int64(0)
	keep := func(runs ...store.Run) {
		sequence++
		put(t, s, fmt.Sprint(sequence), &Tray{Runs: runs})
		for i := range runs {
			if runs[i].Sequence == 0 {
				runs[i].Sequence = sequence
			}
		}
		all = append(all, runs...)
	}
	// Lengths on both sides of whatever an engine takes for long, gaps, ties
	// and two parts in one entry.
	lengths := []int64{0, 1, hour, 5 * hour, 6 * hour, 6*hour + 1, 30 * hour, 400 * hour}
	for i := range 32 {
		first := t0 + int64(i%16)*3*hour
		r := store.Run{
			Series: fmt.Sprint("series ", i%3), Instrument: fmt.Sprint("probe ", i%2),
			FirstAt: first, LastAt: first + lengths[i%len(lengths)], Count: int32(i), Body: fmt.Append(nil, "run ", i),
		}
		second := r
		second.Part, second.FirstAt, second.Body = 1, r.FirstAt-hour/2, []byte{}
		keep(r, second)
	}
	check := func() {
		t.Helper()
		read(t, s, func(v store.View) {
			for _, who := range []store.RunQuery{{Series: "series 0"}, {Instrument: "probe 0"}, {Instrument: "probe 1"}, {Series: "series 1", Instrument: "probe 0"}, {Series: "none"}, {Instrument: "none"}} {
				for _, window := range [][2]int64{{0, 0}, {t0, t0}, {t0, t0 + 1}, {t0 + 7*hour, t0 + 8*hour}, {t0 + 40*hour, 0}, {0, t0 + 5*hour}, {t0 + 500*hour, 0}, {0, t0 - 9*hour}, {t0 + 6*hour, t0 + 6*hour + 1}, {t0 + 18*hour, t0 + 18*hour + 1}, {t0 + 21*hour + 1, t0 + 21*hour + 2}} {
					q := who
					q.From, q.To = window[0], window[1]
					checkRuns(t, v, all, q, 1, 100)
					q.Desc = true
					checkRuns(t, v, all, q, 1, 100)
				}
			}
			outside := store.Run{FirstAt: t0 - 900*hour, Sequence: 1}.Cursor()
			first, err1 := v.Runs(store.RunQuery{Instrument: "probe 0", From: t0 + 40*hour, After: outside, Limit: 1})
			want, err2 := v.Runs(store.RunQuery{Instrument: "probe 0", From: t0 + 40*hour, Limit: 1})
			if err1 != nil || err2 != nil || !sameRuns(first, want) {
				t.Errorf("with a cursor before the range: %+v, %v; want %+v, %v", first, err1, want, err2)
			}
		})
	}
	check()
	// Replaced, with another instrument and another length, and removed.
	keep(store.Run{Sequence: 3, Part: 1, Series: "series 9", Instrument: "probe 1", FirstAt: t0 + 2*hour, LastAt: t0 + 90*hour, Count: 7, Body: []byte("again")})
	all = slices.DeleteFunc(all, func(r store.Run) bool {
		return r.Sequence == 3 && r.Part == 1 && string(r.Body) != "again" || r.Sequence == 5
	})
	keep(store.Run{Sequence: 5}, store.Run{Sequence: 5, Part: 1}, store.Run{Sequence: 2, Part: 6})
	all = slices.DeleteFunc(all, func(r store.Run) bool { return r.Body == nil })
	check()
	Sound(t, s)
}
