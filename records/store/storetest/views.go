package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

func testIsolation(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "1", NewTray(NewCommand("1"), "a"), &Tray{Runs: []store.Run{{Series: "s", Instrument: "p", Body: []byte("r")}}})
	v := snapshot(t, s)
	put(t, s, "2", NewTray(NewCommand("2"), "b"), &Tray{Rows: []store.Row{{Kind: "tray", ID: "a"}}},
		&Tray{Runs: []store.Run{{Sequence: 2, Series: "s", Instrument: "p"}}})
	if err := s.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	see := func(v store.View, size int64, trays, runs int, want ...string) {
		t.Helper()
		got, err := ids(v)
		if err != nil || v.Size() != size || !slices.Equal(got, want) {
			t.Errorf("a view of size %d sees %q, %v; want %d and %q", v.Size(), got, err, size, want)
		}
		page, err := v.Entries(1, 100)
		if err != nil || int64(len(page)) != size {
			t.Errorf("%d entries, %v; want %d", len(page), err, size)
		}
		day, err := v.Day(store.DayQuery{Day: "2031-05-06", Limit: 100})
		if err != nil || len(day) != trays {
			t.Errorf("%d documents on the day, %v; want %d", len(day), err, trays)
		}
		found, err := v.Runs(store.RunQuery{Series: "s", Limit: 100})
		if err != nil || len(found) != runs {
			t.Errorf("%d runs, %v; want %d", len(found), err, runs)
		}
		if _, found, err := v.Receipt("2"); found != (size > 2) || err != nil {
			t.Errorf("receipt of the second command: %v, %v", found, err)
		}
	}
	see(v, 2, 1, 1, "a")
	if _, err := v.Entry(3); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a later entry is seen: %v", err)
	}
	if _, err := v.ReadHashes([]int64{ledger.Stored(2)}); !errors.Is(err, ledger.ErrRange) {
		t.Errorf("a later hash is seen: %v", err)
	}
	read(t, s, func(v store.View) { see(v, 5, 1, 0, "b") })

	// No view ever shows half a command.
	var wg sync.WaitGroup
	stop := make(chan struct{})
	for range 2 {
		wg.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				read(t, s, func(v store.View) {
					left, err1 := v.Documents(store.Query{Kind: "left", Limit: 1000})
					right, err2 := v.Documents(store.Query{Kind: "right", Limit: 1000})
					if err1 != nil || err2 != nil || len(left) != len(right) || v.Size() != int64(5+2*len(left)) {
						t.Errorf("half a command: %d and %d documents at size %d, %v, %v", len(left), len(right), v.Size(), err1, err2)
					}
				})
			}
		})
	}
	for i := range 60 {
		one := func(kind string) *Tray {
			return &Tray{Rows: []store.Row{{Kind: kind, ID: fmt.Sprint(i), Body: []byte{1}}}}
		}
		put(t, s, fmt.Sprint("pair ", i), one("left"), one("right"))
	}
	close(stop)
	wg.Wait()
	Sound(t, s)
}

func testSnapshotOnWriter(t *testing.T, e Engine) {
	s := open(t, e)
	g := hold(t, s)
	var wg sync.WaitGroup
	for i := range 10 {
		wg.Go(func() {
			cmd := NewCommand(fmt.Sprint(i))
			if _, err := s.Append(context.Background(), cmd, Decide(NewTray(cmd, cmd.RequestID))); err != nil {
				t.Error(err)
			}
		})
	}
	settle()
	seen := make(chan int64)
	go func() {
		v, release, err := s.SnapshotOnWriter(context.Background())
		if err != nil {
			t.Error(err)
			seen <- 0
			return
		}
		defer release()
		seen <- v.Size()
	}()
	settle()
	// An ordinary snapshot does not wait for the writer.
	read(t, s, func(v store.View) {
		if v.Size() != 0 {
			t.Errorf("size %d before the group was committed", v.Size())
		}
	})
	g.wait(t)
	if got := <-seen; got != 11 {
		t.Errorf("the snapshot on the writer's turn has size %d, want all that waited before it, 11", got)
	}
	wg.Wait()
	// One that is not waited for any more costs nothing.
	g = &gate{make(chan struct{}), make(chan struct{}), make(chan error, 1), sync.Once{}}
	ctx, cancel := context.WithCancel(context.Background())
	cmd := NewCommand("second gate")
	go func() {
		_, err := s.Append(context.Background(), cmd, look(func(store.View) error {
			close(g.entered)
			<-g.leave
			return nil
		}), Decide(NewTray(cmd, "x")))
		g.done <- err
	}()
	<-g.entered
	for range 8 { // more than there are readers
		wg.Go(func() {
			if _, _, err := s.SnapshotOnWriter(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("cancelled while waiting: %v", err)
			}
		})
	}
	settle()
	cancel()
	wg.Wait()
	g.wait(t)
	v, release, err := s.SnapshotOnWriter(context.Background())
	if err != nil || v.Size() != 12 {
		t.Fatalf("after the cancelled ones: %v", err)
	}
	release()
}

func testReleased(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "1", NewTray(NewCommand("1"), "a"))
	var kept store.View
	if _, err := s.Append(context.Background(), NewCommand("2"), look(func(v store.View) error {
		kept = v
		return nil
	}), Decide(NewTray(NewCommand("2"), "b"))); err != nil {
		t.Fatal(err)
	}
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	release()
	release()
	for name, v := range map[string]store.View{"of a snapshot": v, "of a step": kept} {
		_, entry := v.Entry(1)
		_, entries := v.Entries(1, 1)
		_, _, receipt := v.Receipt("1")
		_, _, document := v.Document("tray", "a")
		_, documents := v.Documents(store.Query{Kind: "tray", Limit: 1})
		_, day := v.Day(store.DayQuery{Day: "2031-05-06", Limit: 1})
		_, days := v.Days(store.DaysQuery{Limit: 1})
		_, runs := v.Runs(store.RunQuery{Series: "s", Limit: 1})
		_, hashes := v.ReadHashes([]int64{0})
		for i, err := range []error{entry, entries, receipt, document, documents, day, days, runs, hashes} {
			if !errors.Is(err, store.ErrReleased) {
				t.Errorf("view %s, read %d after its release: %v", name, i, err)
			}
		}
	}
	// Views that were released can be taken again, many times over.
	for range 50 {
		read(t, s, func(v store.View) {
			if v.Size() != 2 {
				t.Errorf("size %d, want 2", v.Size())
			}
		})
	}
}

func testBadQueries(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "1", NewTray(NewCommand("1"), "a"))
	v := snapshot(t, s)
	errs := map[string]error{}
	_, errs["no kind"] = v.Documents(store.Query{Limit: 1})
	_, errs["no limit"] = v.Documents(store.Query{Kind: "tray"})
	_, errs["limit too high"] = v.Documents(store.Query{Kind: "tray", Limit: store.MaxLimit + 1})
	_, errs["negative limit"] = v.Documents(store.Query{Kind: "tray", Limit: -1})
	_, errs["no day"] = v.Day(store.DayQuery{Limit: 1})
	_, errs["day without limit"] = v.Day(store.DayQuery{Day: "2031-05-06"})
	_, errs["days without limit"] = v.Days(store.DaysQuery{})
	_, errs["runs of nothing"] = v.Runs(store.RunQuery{Limit: 1})
	_, errs["runs without limit"] = v.Runs(store.RunQuery{Series: "s"})
	_, errs["entries without limit"] = v.Entries(1, 0)
	for name, err := range errs {
		if !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	sound := store.Doc{Value: "a", ID: "a"}.Cursor()
	for _, cursor := range []string{"?", "a", sound + "AA", sound[:len(sound)-1], store.EncodeCursor("a"), store.EncodeCursor("a", "b", "c")} {
		_, documents := v.Documents(store.Query{Kind: "tray", Index: "label", After: cursor, Limit: 1})
		_, plain := v.Documents(store.Query{Kind: "tray", After: cursor, Limit: 1})
		_, day := v.Day(store.DayQuery{Day: "2031-05-06", After: cursor, Limit: 1})
		_, series := v.Runs(store.RunQuery{Series: "s", After: cursor, Limit: 1})
		_, instrument := v.Runs(store.RunQuery{Instrument: "p", After: cursor, Limit: 1})
		for i, err := range []error{documents, plain, day, series, instrument} {
			if !errors.Is(err, store.ErrBadCursor) {
				t.Errorf("cursor %q, read %d: %v", cursor, i, err)
			}
		}
	}
}

func testRowsCounted(t *testing.T, e Engine) {
	s := open(t, e)
	var trays []*Tray
	for i := range 30 {
		trays = append(trays, NewTray(NewCommand("1"), fmt.Sprintf("%02d", i)))
	}
	put(t, s, "1", trays...)
	if got := s.Stats(); got.StepRows != 0 || got.CommandRows != 0 {
		t.Errorf("rows were counted before any was read: %+v", got)
	}
	all := look(func(v store.View) error { _, err := v.Documents(store.Query{Kind: "tray", Limit: 20}); return err })
	few := look(func(v store.View) error {
		_, _, err := v.Document("tray", "03")
		if err == nil {
			_, err = v.Entries(1, 2)
		}
		return err
	})
	for id, steps := range map[string][]store.Step{"large": {few, all, few}, "small": {few, few}} {
		cmd := NewCommand(id)
		if _, err := s.Append(context.Background(), cmd, append(steps, Decide(NewTray(cmd, "x")))...); err != nil {
			t.Fatal(err)
		}
	}
	got := s.Stats()
	if got.StepRows != 20 || got.StepRequestID != "large" || got.CommandRows != 26 || got.CommandRequestID != "large" {
		t.Errorf("counted %+v, want 20 rows in a step and 26 in a command, of \"large\"", got)
	}
}

func testRebuild(t *testing.T, e Engine) {
	dir := t.TempDir()
	s := openIn(t, e, dir)
	for i := range 40 {
		cmd := NewCommand(fmt.Sprint(i))
		id := fmt.Sprint(i % 7)
		y := NewTray(cmd, id)
		switch i % 5 {
		case 1: // moves to another day and other keys
			y.Rows[0].Day = fmt.Sprintf("2031-06-%02d", i%9+1)
			y.Rows[0].Keys = []store.Key{{Index: "label", Value: "moved"}, {Index: "size", Value: store.OrderedInt(int64(i))}}
		case 2: // is removed
			y.Rows[0].Body = nil
		case 3:
			y.Runs = []store.Run{{Series: id, Instrument: "p", FirstAt: int64(i), LastAt: int64(i) + 5, Count: 3, Body: []byte{byte(i)}}}
		case 4: // replaces an earlier run
			y.Runs = []store.Run{{Sequence: int64(i), Series: id, Instrument: "q", FirstAt: 1, LastAt: 1, Count: 1, Body: []byte("later")}}
		}
		put(t, s, cmd.RequestID, y)
	}
	live, report := digest(t, s), Sound(t, s)
	if report.Digest != live || report.Projections == 0 {
		t.Errorf("check reports %+v, the digest is %x", report, live)
	}
	if err := s.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	if digest(t, s) != live {
		t.Error("rebuilt projections differ from the live ones")
	}
	if after := Sound(t, s); after != report {
		t.Errorf("after the rebuild %+v, before %+v", after, report)
	}
	// The live projections go on from the rebuilt ones.
	put(t, s, "more", NewTray(NewCommand("more"), "3"))
	if digest(t, s) == live {
		t.Error("the digest does not see a document that changed")
	}
	Sound(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	// With a projector that fails, the projections stay as they were.
	cause := errors.New("cannot read entry 20")
	failing, err := e.Open(dir, func(e store.Entry) (store.Projection, error) {
		if e.Sequence == 20 {
			return store.Projection{}, cause
		}
		return Project(e)
	})
	if err != nil {
		t.Fatal(err)
	}
	was := digest(t, failing)
	if err := failing.Rebuild(context.Background()); !errors.Is(err, cause) {
		t.Errorf("rebuild with a failing projector: %v", err)
	}
	if digest(t, failing) != was {
		t.Error("a failed rebuild changed the projections")
	}
	if _, err := failing.Check(context.Background()); !errors.Is(err, cause) {
		t.Errorf("check with a failing projector: %v", err)
	}
	if err := failing.Close(); err != nil {
		t.Fatal(err)
	}

	// With another projector, Check finds the first difference.
	other, err := e.Open(dir, func(e store.Entry) (store.Projection, error) {
		p, err := Project(e)
		if e.Sequence == 41 {
			p.Rows[0].Body = []byte("other")
		}
		return p, err
	})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	var differs *store.ProjectionError
	if _, err := other.Check(context.Background()); !errors.Is(err, store.ErrProjection) || !errors.As(err, &differs) {
		t.Errorf("check with another projector: %v", err)
	}
	if err := other.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	Sound(t, other)
}

// testAttempts changes what was appended by the engine's own means, which
// must all fail and change nothing.
func testAttempts(t *testing.T, e Engine) {
	dir := t.TempDir()
	s := openIn(t, e, dir)
	for i := range 5 {
		put(t, s, fmt.Sprint(i), NewTray(NewCommand(fmt.Sprint(i)), fmt.Sprint(i)))
	}
	before := Sound(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	attempts := e.Attempts(dir)
	if len(attempts) == 0 {
		t.Fatal("the engine attempts nothing")
	}
	for name, attempt := range attempts {
		if err := attempt(); err == nil {
			t.Errorf("%s: it was let through", name)
		}
	}
	s = openIn(t, e, dir)
	if after := Sound(t, s); after != before {
		t.Errorf("after the attempts %+v, before %+v", after, before)
	}
	put(t, s, "more", &Tray{})
	Sound(t, s)
}
