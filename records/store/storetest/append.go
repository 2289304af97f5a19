package storetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

func testAppend(t *testing.T, e Engine) {
	s := open(t, e)
	read(t, s, func(v store.View) {
		if v.Size() != 0 {
			t.Errorf("a new store has size %d", v.Size())
		}
		if root, err := ledger.RootAt(v, 0); err != nil || root != sha256.Sum256(nil) {
			t.Errorf("the root of nothing is %v, %v", root, err)
		}
	})
	Sound(t, s)
	a, b, c := &Tray{Note: "a"}, &Tray{Note: "b"}, &Tray{Note: "c"}
	first := put(t, s, "one", a)
	second := put(t, s, "two", b, c)
	if want := (store.Receipt{RequestID: "one", ContentHash: NewCommand("one").ContentHash, First: 1, Count: 1}); first != want {
		t.Errorf("receipt %+v, want %+v", first, want)
	}
	if want := (store.Receipt{RequestID: "two", ContentHash: NewCommand("two").ContentHash, First: 2, Count: 2}); second != want {
		t.Errorf("receipt %+v, want %+v", second, want)
	}
	for i, y := range []*Tray{a, b, c} {
		if y.Sequence != int64(i+1) || y.asked.Load() != 1 {
			t.Errorf("tray %s was asked %d times for its envelope and told sequence %d", y.Note, y.asked.Load(), y.Sequence)
		}
	}
	read(t, s, func(v store.View) {
		if v.Size() != 3 {
			t.Errorf("size %d, want 3", v.Size())
		}
		for _, want := range []store.Receipt{first, second} {
			if got, found, err := v.Receipt(want.RequestID); err != nil || !found || got != want {
				t.Errorf("receipt read as %+v, %v, %v; want %+v", got, found, err, want)
			}
		}
		if _, found, err := v.Receipt("three"); found || err != nil {
			t.Errorf("a receipt for nothing: %v, %v", found, err)
		}
		for _, sequence := range []int64{-1, 0, 4} {
			if _, err := v.Entry(sequence); !errors.Is(err, store.ErrNotFound) {
				t.Errorf("entry %d: %v", sequence, err)
			}
		}
		page, err := v.Entries(2, 1)
		if err != nil || len(page) != 1 || page[0].Sequence != 2 {
			t.Errorf("one entry from 2: %+v, %v", page, err)
		}
		if page, err := v.Entries(4, 10); err != nil || len(page) != 0 {
			t.Errorf("entries beyond the end: %+v, %v", page, err)
		}
	})
	Sound(t, s)
}

// raw is a draft of any bytes.
type raw []byte

func (r raw) Envelope(int64) ([]byte, error) { return r, nil }

func testBytesKept(t *testing.T, e Engine) {
	s, err := e.Open(t.TempDir(), func(store.Entry) (store.Projection, error) { return store.Projection{}, nil })
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	envelopes := [][]byte{{0}, all, bytes.Repeat(all, 8192), []byte("\xff\xfe'; --")}
	for i, b := range envelopes {
		cmd := store.Command{RequestID: fmt.Sprint(i)}
		step := store.NewStep(
			func(store.View) (raw, error) { return b, nil },
			func(r raw) ([]store.Draft, error) { return []store.Draft{r}, nil })
		if _, err := s.Append(context.Background(), cmd, step); err != nil {
			t.Fatal(err)
		}
	}
	Sound(t, s)
	read(t, s, func(v store.View) {
		root, err := ledger.RootAt(v, v.Size())
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range envelopes {
			got, err := v.Entry(int64(i + 1))
			if err != nil || !bytes.Equal(got.Envelope, want) {
				t.Errorf("entry %d: %d bytes, %v; %d were appended", i+1, len(got.Envelope), err, len(want))
			}
			proof, err := ledger.Inclusion(v, v.Size(), int64(i))
			if err != nil {
				t.Fatal(err)
			}
			if err := ledger.CheckInclusion(proof, v.Size(), root, int64(i), ledger.LeafHash(want)); err != nil {
				t.Error(err)
			}
		}
	})
}

func testReplay(t *testing.T, e Engine) {
	dir := t.TempDir()
	s := openIn(t, e, dir)
	first := put(t, s, "one", &Tray{}, &Tray{})
	put(t, s, "two", &Tray{})
	never := look(func(store.View) error {
		t.Error("a step of a repeated command was run")
		return nil
	})
	again := func(s store.Store) {
		want := first
		want.Replayed = true
		if got, err := s.Append(context.Background(), NewCommand("one"), never); err != nil || got != want {
			t.Errorf("the repeat got %+v, %v; want %+v", got, err, want)
		}
		other := store.Command{RequestID: "one", ContentHash: sha256.Sum256([]byte("other"))}
		if got, err := s.Append(context.Background(), other, never); !errors.Is(err, store.ErrRequestIDReused) || got != (store.Receipt{}) {
			t.Errorf("the reuse got %+v, %v", got, err)
		}
		if r := Sound(t, s); r.Size != 3 || r.Receipts != 2 {
			t.Errorf("%d entries and %d receipts, want 3 and 2", r.Size, r.Receipts)
		}
	}
	again(s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again(openIn(t, e, dir))
}

func testReplayAtOnce(t *testing.T, e Engine) {
	s := open(t, e)
	const callers = 32
	g := hold(t, s)
	cmd := NewCommand("one")
	var ran, fresh atomic.Int32
	var wg sync.WaitGroup
	receipts := make([]store.Receipt, callers)
	for i := range callers {
		wg.Go(func() {
			r, err := s.Append(context.Background(), cmd, look(func(store.View) error {
				ran.Add(1)
				return nil
			}), Decide(NewTray(cmd, "x")))
			if err != nil {
				t.Error(err)
			}
			if !r.Replayed {
				fresh.Add(1)
			}
			r.Replayed = false
			receipts[i] = r
		})
	}
	settle()
	g.wait(t)
	wg.Wait()
	if ran.Load() != 1 || fresh.Load() != 1 {
		t.Errorf("steps ran %d times, %d answers were not marked as replayed; want 1 and 1", ran.Load(), fresh.Load())
	}
	for _, r := range receipts {
		if r != receipts[0] || r.Count != 1 {
			t.Errorf("receipts %+v and %+v", r, receipts[0])
		}
	}
	Sound(t, s)
}

func testReuseAtOnce(t *testing.T, e Engine) {
	s := open(t, e)
	g := hold(t, s)
	var wg sync.WaitGroup
	var kept, reused atomic.Int32
	for i := range 16 {
		wg.Go(func() {
			cmd := store.Command{RequestID: "one", ContentHash: sha256.Sum256([]byte{byte(i % 2)})}
			_, err := s.Append(context.Background(), cmd, Decide(NewTray(cmd, "x")))
			switch {
			case err == nil:
				kept.Add(1)
			case errors.Is(err, store.ErrRequestIDReused):
				reused.Add(1)
			default:
				t.Error(err)
			}
		})
	}
	settle()
	g.wait(t)
	wg.Wait()
	if kept.Load() != 8 || reused.Load() != 8 {
		t.Errorf("%d were answered and %d refused, want 8 and 8", kept.Load(), reused.Load())
	}
	if r := Sound(t, s); r.Size != 2 {
		t.Errorf("size %d, want 2", r.Size)
	}
}

func testConcurrentWriters(t *testing.T, e Engine) {
	s := open(t, e)
	const writers, each = 8, 25
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			last := int64(0)
			for i := range each {
				cmd := NewCommand(fmt.Sprintf("%d.%d", w, i))
				trays := []*Tray{NewTray(cmd, cmd.RequestID)}
				if i%3 == 0 {
					trays = append(trays, NewTray(cmd, cmd.RequestID+" more"))
				}
				r, err := s.Append(context.Background(), cmd, Decide(trays...))
				if err != nil {
					t.Error(err)
					return
				}
				if r.First <= last || r.Count != int64(len(trays)) {
					t.Errorf("writer %d got %+v after %d", w, r, last)
				}
				last = r.First + r.Count - 1
				for k, y := range trays {
					if y.Sequence != r.First+int64(k) {
						t.Errorf("entry %d of %s was told sequence %d, the receipt says from %d", k, cmd.RequestID, y.Sequence, r.First)
					}
				}
			}
		})
	}
	wg.Wait()
	report := Sound(t, s)
	if want := int64(writers * (each + 9)); report.Size != want || report.Receipts != writers*each {
		t.Errorf("size %d with %d receipts, want %d with %d", report.Size, report.Receipts, want, writers*each)
	}
	stats := s.Stats()
	if stats.Commands != writers*each || stats.Entries != report.Size || stats.Commits < 1 || stats.Commits > writers*each {
		t.Errorf("stats %+v", stats)
	}
	read(t, s, func(v store.View) {
		root, err := ledger.RootAt(v, v.Size())
		if err != nil {
			t.Fatal(err)
		}
		for old := int64(1); old <= v.Size(); old += 7 {
			oldRoot, err := ledger.RootAt(v, old)
			if err != nil {
				t.Fatal(err)
			}
			proof, err := ledger.Consistency(v, old, v.Size())
			if err != nil {
				t.Fatal(err)
			}
			if err := ledger.CheckConsistency(proof, old, oldRoot, v.Size(), root); err != nil {
				t.Error(err)
			}
		}
	})
}

func testFailingNeighbour(t *testing.T, e Engine) {
	s := open(t, e)
	g := hold(t, s)
	refusal := errors.New("no such tray")
	var wg sync.WaitGroup
	for i := range 24 {
		wg.Go(func() {
			cmd := NewCommand(fmt.Sprint(i))
			var err error
			switch i % 4 {
			case 0, 1:
				_, err = s.Append(context.Background(), cmd, Decide(NewTray(cmd, cmd.RequestID)))
				if err != nil {
					t.Error(err)
				}
			case 2: // wrote entries in its savepoint before it fails
				_, err = s.Append(context.Background(), cmd, Decide(NewTray(cmd, "bad"), NewTray(cmd, "bad 2")), Fail(refusal))
				if err != refusal {
					t.Errorf("the refusal came back as %v", err)
				}
			case 3:
				_, err = s.Append(context.Background(), cmd, Decide(NewTray(cmd, "bad")), look(func(store.View) error { panic("dropped a tray") }))
				if !errors.Is(err, store.ErrPanicked) {
					t.Errorf("the panic came back as %v", err)
				}
			}
		})
	}
	settle()
	g.wait(t)
	wg.Wait()
	if r := Sound(t, s); r.Size != 13 || r.Receipts != 13 {
		t.Errorf("%d entries and %d receipts, want 13 and 13", r.Size, r.Receipts)
	}
	if stats := s.Stats(); stats.LargestGroup < 2 || stats.Refused != 12 || stats.Commands != 13 {
		t.Errorf("stats %+v", stats)
	}
	read(t, s, func(v store.View) {
		for _, id := range []string{"bad", "bad 2"} {
			if _, found, err := v.Document("tray", id); found || err != nil {
				t.Errorf("a refused command left document %s: %v", id, err)
			}
		}
		if _, found, err := v.Receipt("2"); found || err != nil {
			t.Errorf("a refused command left a receipt: %v", err)
		}
	})
	// A refused id is free.
	if r := put(t, s, "2", &Tray{}); r.Replayed || r.First != 14 {
		t.Errorf("after the refusal: %+v", r)
	}
	Sound(t, s)
}

func testNeighbourSeen(t *testing.T, e Engine) {
	s := open(t, e)
	g := hold(t, s)
	// Each command takes the next number that it finds free.
	const callers = 12
	var wg sync.WaitGroup
	for i := range callers {
		wg.Go(func() {
			cmd := NewCommand(fmt.Sprint(i))
			step := store.NewStep(
				func(v store.View) (int, error) {
					docs, err := v.Documents(store.Query{Kind: "tray", Index: "label", From: "n", To: "o", Limit: 100})
					return len(docs), err
				},
				func(n int) ([]store.Draft, error) {
					return []store.Draft{NewTray(cmd, fmt.Sprintf("n%02d", n))}, nil
				})
			if _, err := s.Append(context.Background(), cmd, step); err != nil {
				t.Error(err)
			}
		})
	}
	settle()
	g.wait(t)
	wg.Wait()
	read(t, s, func(v store.View) {
		docs, err := v.Documents(store.Query{Kind: "tray", Index: "label", From: "n", To: "o", Limit: 100})
		if err != nil || len(docs) != callers {
			t.Fatalf("%d documents, %v; want %d", len(docs), err, callers)
		}
		for i, d := range docs {
			if d.ID != fmt.Sprintf("n%02d", i) || d.Sequence != int64(i+2) {
				t.Errorf("document %d is %s of entry %d", i, d.ID, d.Sequence)
			}
		}
	})
}

// panicking is a draft that panics when asked for its envelope.
type panicking struct{}

func (panicking) Envelope(int64) ([]byte, error) { panic("no envelope") }

func testPanics(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "before", &Tray{})
	for name, step := range map[string]store.Step{
		"load": store.NewStep(
			func(store.View) (int, error) { panic("no load") },
			func(int) ([]store.Draft, error) { return nil, nil }),
		"decide": store.NewStep(
			func(store.View) (int, error) { return 0, nil },
			func(int) ([]store.Draft, error) { panic(errors.New("no decide")) }),
		"envelope": store.NewStep(
			func(store.View) (int, error) { return 0, nil },
			func(int) ([]store.Draft, error) {
				return []store.Draft{NewTray(NewCommand("envelope"), "x"), panicking{}}, nil
			}),
		"expand": store.StepFunc(func(store.View) ([]store.Step, error) { panic("no expand") }),
		"index":  look(func(store.View) error { var none []int; _ = none[len(none)]; return nil }),
	} {
		_, err := s.Append(context.Background(), NewCommand(name), step)
		var panicked *store.PanicError
		if !errors.Is(err, store.ErrPanicked) || !errors.As(err, &panicked) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if name != "index" && !strings.Contains(fmt.Sprint(panicked.Value), "no "+name) {
			t.Errorf("%s panicked with %v", name, panicked.Value)
		}
		if !bytes.Contains(panicked.Stack, []byte("storetest.")) {
			t.Errorf("%s: the stack does not name the function that panicked", name)
		}
	}
	put(t, s, "after", &Tray{})
	if r := Sound(t, s); r.Size != 2 {
		t.Errorf("size %d, want 2", r.Size)
	}
}
