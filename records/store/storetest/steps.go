package storetest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"testing"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// ids returns the ids of all trays in order.
func ids(v store.View) ([]string, error) {
	var out []string
	for d, err := range store.AllDocuments(v, store.Query{Kind: "tray"}) {
		if err != nil {
			return nil, err
		}
		out = append(out, d.ID)
	}
	return out, nil
}

func testSteps(t *testing.T, e Engine) {
	s := open(t, e)
	cmd := NewCommand("one")
	expect := func(size int64, want ...string) store.Step {
		return look(func(v store.View) error {
			got, err := ids(v)
			if err != nil {
				return err
			}
			if v.Size() != size || !slices.Equal(got, want) {
				t.Errorf("a step sees %q at size %d, want %q at %d", got, v.Size(), want, size)
			}
			return nil
		})
	}
	// A step that is expanded to the trays it finds, copied.
	copies := store.StepFunc(func(v store.View) ([]store.Step, error) {
		found, err := ids(v)
		if err != nil {
			return nil, err
		}
		var out []store.Step
		for _, id := range found {
			out = append(out, Decide(NewTray(cmd, id+"'")))
		}
		return append(out, expect(4, "a", "a'", "b", "b'"),
			store.StepFunc(func(store.View) ([]store.Step, error) {
				return []store.Step{Decide(NewTray(cmd, "c")), expect(5, "a", "a'", "b", "b'", "c")}, nil
			})), nil
	})
	r, err := s.Append(context.Background(), cmd,
		expect(0),
		Decide(NewTray(cmd, "a")),
		expect(1, "a"),
		Decide(NewTray(cmd, "b")),
		store.Step{},
		copies,
		expect(5, "a", "a'", "b", "b'", "c"),
		Decide(NewTray(cmd, "d")),
	)
	if err != nil || r.First != 1 || r.Count != 6 {
		t.Fatalf("%+v, %v", r, err)
	}
	read(t, s, func(v store.View) {
		var order []string
		for sequence := range int64(6) {
			e, err := v.Entry(sequence + 1)
			if err != nil {
				t.Fatal(err)
			}
			p, err := Project(e)
			if err != nil {
				t.Fatal(err)
			}
			order = append(order, p.Rows[0].ID)
		}
		if want := []string{"a", "b", "a'", "b'", "c", "d"}; !slices.Equal(order, want) {
			t.Errorf("appended in order %q, want %q", order, want)
		}
	})
	Sound(t, s)
}

func testStepFails(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "before", NewTray(NewCommand("before"), "kept"))
	before := digest(t, s)
	cause := errors.New("the tray is full")
	for name, c := range map[string]struct {
		steps []store.Step
		want  error
	}{
		"decide": {[]store.Step{Decide(NewTray(NewCommand("decide"), "x")), Fail(fmt.Errorf("step: %w", cause))}, cause},
		"load": {[]store.Step{Decide(NewTray(NewCommand("load"), "x")), store.NewStep(
			func(store.View) (int, error) { return 0, cause },
			func(int) ([]store.Draft, error) { t.Error("decided without facts"); return nil, nil })}, cause},
		"expansion": {[]store.Step{store.StepFunc(func(store.View) ([]store.Step, error) {
			return []store.Step{Decide(NewTray(NewCommand("expansion"), "x")), Fail(cause)}, nil
		})}, cause},
		"overwrite": {[]store.Step{Decide(NewTray(NewCommand("overwrite"), "kept")), Fail(cause)}, cause},
		"remove": {[]store.Step{Decide(&Tray{Rows: []store.Row{{Kind: "tray", ID: "kept"}}}),
			look(func(v store.View) error {
				if _, found, err := v.Document("tray", "kept"); found || err != nil {
					t.Errorf("the removed document is still there: %v", err)
				}
				return cause
			})}, cause},
		"nothing":  {[]store.Step{look(func(store.View) error { return nil }), {}}, store.ErrNothingDecided},
		"no steps": {nil, store.ErrNothingDecided},
	} {
		if _, err := s.Append(context.Background(), NewCommand(name), c.steps...); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		read(t, s, func(v store.View) {
			if _, found, err := v.Receipt(name); v.Size() != 1 || found || err != nil {
				t.Errorf("%s: size %d, receipt %v, %v", name, v.Size(), found, err)
			}
		})
	}
	if digest(t, s) != before {
		t.Error("a failed command changed the projections")
	}
	// The tree goes on from where it was.
	put(t, s, "after", &Tray{})
	put(t, s, "after 2", &Tray{})
	Sound(t, s)
}

// testTreeInStep reads the tree from within a command: the hashes written by
// this very group are there, and those of a command that failed are not.
func testTreeInStep(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "before", &Tray{}, &Tray{}, &Tray{})
	check := func(v store.View) error {
		page, err := v.Entries(1, 100)
		if err != nil {
			return err
		}
		var tree ledger.Tree
		for _, e := range page {
			tree.Append(nil, ledger.LeafHash(e.Envelope))
		}
		root, err := ledger.RootAt(v, v.Size())
		if err != nil || root != tree.Root() || tree.Size() != v.Size() {
			return fmt.Errorf("size %d, root %v, %w; the envelopes give %d and %v", v.Size(), root, err, tree.Size(), tree.Root())
		}
		for index := range v.Size() {
			proof, err := ledger.Inclusion(v, v.Size(), index)
			if err != nil {
				return err
			}
			if err := ledger.CheckInclusion(proof, v.Size(), root, index, ledger.LeafHash(page[index].Envelope)); err != nil {
				return err
			}
		}
		if _, err := v.ReadHashes([]int64{ledger.Stored(v.Size())}); !errors.Is(err, ledger.ErrRange) {
			return fmt.Errorf("a hash beyond the tree: %w", err)
		}
		return nil
	}
	g := hold(t, s)
	done := make(chan error)
	const callers = 9
	for i := range callers {
		go func() {
			cmd := NewCommand(fmt.Sprint(i))
			steps := []store.Step{look(check), Decide(NewTray(cmd, cmd.RequestID)), look(check), Decide(NewTray(cmd, "x")), look(check)}
			if i%3 == 0 {
				steps = append(steps, Fail(errors.ErrUnsupported))
			}
			_, err := s.Append(context.Background(), cmd, steps...)
			if i%3 == 0 && errors.Is(err, errors.ErrUnsupported) {
				err = nil
			}
			done <- err
		}()
	}
	settle()
	g.wait(t)
	for range callers {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	if r := Sound(t, s); r.Size != 3+1+12 {
		t.Errorf("size %d, want 16", r.Size)
	}
}

// testContract breaks the contract in every way, and demands that the store
// says so and keeps nothing of it.
func testContract(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "before", NewTray(NewCommand("before"), "kept"))
	before := digest(t, s)
	row := func(r store.Row) *Tray { return &Tray{Rows: []store.Row{r}} }
	run := func(r store.Run) *Tray { return &Tray{Runs: []store.Run{r}} }
	body := []byte("b")
	for name, y := range map[string]*Tray{
		"no kind":            row(store.Row{ID: "x", Body: body}),
		"no id":              row(store.Row{Kind: "tray", Body: body}),
		"key without index":  row(store.Row{Kind: "tray", ID: "x", Body: body, Keys: []store.Key{{Value: "v"}}}),
		"one key twice":      row(store.Row{Kind: "tray", ID: "x", Body: body, Keys: []store.Key{{Index: "a", Value: "v"}, {Index: "b", Value: "v"}, {Index: "a", Value: "v"}}}),
		"no series":          run(store.Run{Instrument: "p", Body: body}),
		"no instrument":      run(store.Run{Series: "s", Body: body}),
		"backward in time":   run(store.Run{Series: "s", Instrument: "p", FirstAt: 2, LastAt: 1, Body: body}),
		"negative count":     run(store.Run{Series: "s", Instrument: "p", Count: -1, Body: body}),
		"negative part":      run(store.Run{Series: "s", Instrument: "p", Part: -1, Body: body}),
		"run of the future":  run(store.Run{Sequence: 9, Series: "s", Instrument: "p", Body: body}),
		"other command":      {RequestID: "before", ContentHash: NewCommand("before").ContentHash},
		"other content hash": {RequestID: "other content hash"},
	} {
		_, err := s.Append(context.Background(), NewCommand(name), Decide(&Tray{}, y))
		if !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	empty := store.NewStep(
		func(store.View) (raw, error) { return nil, nil },
		func(r raw) ([]store.Draft, error) { return []store.Draft{r}, nil })
	if _, err := s.Append(context.Background(), NewCommand("empty"), empty); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("an empty envelope: %v", err)
	}
	if _, err := s.Append(context.Background(), store.Command{ContentHash: sha256.Sum256(nil)}, Decide(&Tray{})); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("no request id: %v", err)
	}
	foreign := store.NewStep(
		func(store.View) (raw, error) { return raw("not JSON"), nil },
		func(r raw) ([]store.Draft, error) { return []store.Draft{r}, nil })
	if _, err := s.Append(context.Background(), NewCommand("foreign"), foreign); err == nil {
		t.Error("an entry was kept that the projector refuses")
	}
	if r := Sound(t, s); r.Size != 1 || digest(t, s) != before {
		t.Errorf("size %d, want 1 and the projections as before", r.Size)
	}
}
