// Package storetest is the specification of package store as a suite of
// tests: an engine is a store when Run passes on it.
//
// The suite's noun is the tray. A tray entry's envelope is the JSON of its
// own projection, so that a test says in one place what it appends and what
// is to be found afterwards.
package storetest

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// Engine is what Run needs of an engine.
type Engine struct {
	// Open opens the store kept in dir, or makes it. It is called again for the
	// same dir after the store before was closed.
	Open func(dir string, project store.Projector) (store.Store, error)

	// Attempts returns attempts to change or remove entries, tree hashes and
	// receipts behind the store's back, by whatever means the engine has, by
	// name. The store in dir is closed. Each attempt must fail.
	Attempts func(dir string) map[string]func() error
}

// Run runs the suite.
func Run(t *testing.T, e Engine) {
	for _, c := range []struct {
		name string
		test func(*testing.T, Engine)
	}{
		{"Append", testAppend},
		{"BytesKept", testBytesKept},
		{"Replay", testReplay},
		{"ReplayAtOnce", testReplayAtOnce},
		{"ReuseAtOnce", testReuseAtOnce},
		{"ConcurrentWriters", testConcurrentWriters},
		{"FailingNeighbour", testFailingNeighbour},
		{"NeighbourSeen", testNeighbourSeen},
		{"Panics", testPanics},
		{"Steps", testSteps},
		{"StepFails", testStepFails},
		{"TreeInStep", testTreeInStep},
		{"Contract", testContract},
		{"Context", testContext},
		{"Freeze", testFreeze},
		{"Close", testClose},
		{"Reopen", testReopen},
		{"Watch", testWatch},
		{"Isolation", testIsolation},
		{"SnapshotOnWriter", testSnapshotOnWriter},
		{"Released", testReleased},
		{"Documents", testDocuments},
		{"Days", testDays},
		{"Runs", testRuns},
		{"Model", testModel},
		{"BadQueries", testBadQueries},
		{"RowsCounted", testRowsCounted},
		{"Rebuild", testRebuild},
		{"Attempts", testAttempts},
		{"Secrets", testSecrets},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, e) })
	}
}

// Slow returns the number in the environment variable KETTLEBOOK_SLOW, or 1:
// how many times longer than in everyday use the long tests are to run.
func Slow() int {
	n, err := strconv.Atoi(os.Getenv("KETTLEBOOK_SLOW"))
	if err != nil || n < 1 {
		return 1
	}
	return n
}

// Tray is an entry of the suite. It is a store.Draft.
type Tray struct {
	Sequence    int64
	RequestID   string
	ContentHash [32]byte
	Note        string
	Rows        []store.Row
	Runs        []store.Run

	asked atomic.Int32 // how often Envelope was called
}

// Envelope implements store.Draft.
func (y *Tray) Envelope(sequence int64) ([]byte, error) {
	y.asked.Add(1)
	y.Sequence = sequence
	return json.Marshal(y)
}

// Project is the projector of trays.
func Project(e store.Entry) (store.Projection, error) {
	var y Tray
	if err := json.Unmarshal(e.Envelope, &y); err != nil {
		return store.Projection{}, err
	}
	if y.Sequence != e.Sequence {
		return store.Projection{}, fmt.Errorf("entry %d says it is %d", e.Sequence, y.Sequence)
	}
	return store.Projection{RequestID: y.RequestID, ContentHash: y.ContentHash, Rows: y.Rows, Runs: y.Runs}, nil
}

// NewCommand returns a command whose content is its request id.
func NewCommand(requestID string) store.Command {
	return store.Command{RequestID: requestID, ContentHash: sha256.Sum256([]byte(requestID))}
}

// NewTray returns an entry of cmd that puts one document.
func NewTray(cmd store.Command, id string) *Tray {
	return &Tray{
		RequestID: cmd.RequestID, ContentHash: cmd.ContentHash,
		Rows: []store.Row{{
			Kind: "tray", ID: id, Day: "2031-05-06", Body: []byte("tray " + id),
			Keys: []store.Key{{Index: "label", Value: id}},
		}},
	}
}

// Decide returns a step that decides trays and looks at nothing.
func Decide(trays ...*Tray) store.Step {
	return store.NewStep(
		func(store.View) (struct{}, error) { return struct{}{}, nil },
		func(struct{}) ([]store.Draft, error) { return drafts(trays), nil })
}

// Fail returns a step that decides err.
func Fail(err error) store.Step {
	return store.NewStep(
		func(store.View) (struct{}, error) { return struct{}{}, nil },
		func(struct{}) ([]store.Draft, error) { return nil, err })
}

func drafts(trays []*Tray) []store.Draft {
	out := make([]store.Draft, len(trays))
	for i, y := range trays {
		out[i] = y
	}
	return out
}

// look returns a step that runs f on the view and decides nothing.
func look(f func(store.View) error) store.Step {
	return store.StepFunc(func(v store.View) ([]store.Step, error) { return nil, f(v) })
}

// open opens a store in a new folder and closes it when the test ends.
func open(t *testing.T, e Engine) store.Store {
	t.Helper()
	return openIn(t, e, t.TempDir())
}

func openIn(t *testing.T, e Engine, dir string) store.Store {
	t.Helper()
	s, err := e.Open(dir, Project)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// put appends trays under a request id, and fails the test when it cannot.
func put(t *testing.T, s store.Store, requestID string, trays ...*Tray) store.Receipt {
	t.Helper()
	cmd := NewCommand(requestID)
	for _, y := range trays {
		y.RequestID, y.ContentHash = cmd.RequestID, cmd.ContentHash
	}
	r, err := s.Append(context.Background(), cmd, Decide(trays...))
	if err != nil {
		t.Fatalf("append %s: %v", requestID, err)
	}
	return r
}

// snapshot returns a view that is released when the test ends.
func snapshot(t *testing.T, s store.Store) store.View {
	t.Helper()
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(release)
	return v
}

// read runs f on a snapshot and releases it.
func read(t *testing.T, s store.Store, f func(store.View)) {
	t.Helper()
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	f(v)
}

// Sound fails the test unless the store passes Check and the suite's own
// reading of it: sequences without holes, and a tree that is the one over the
// envelopes.
func Sound(t testing.TB, s store.Store) store.CheckReport {
	t.Helper()
	report, err := s.Check(context.Background())
	if err != nil {
		t.Fatalf("check: %v", err)
	}
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	var tree ledger.Tree
	for from := int64(1); from <= v.Size(); {
		page, err := v.Entries(from, 100)
		if err != nil || len(page) == 0 {
			t.Fatalf("entries from %d of %d: %d, %v", from, v.Size(), len(page), err)
		}
		for _, e := range page {
			if e.Sequence != from {
				t.Fatalf("entry %d stands where %d should", e.Sequence, from)
			}
			tree.Append(nil, ledger.LeafHash(e.Envelope))
			from++
		}
	}
	root, err := ledger.RootAt(v, v.Size())
	if err != nil || root != tree.Root() {
		t.Fatalf("the root is %v, %v; the envelopes give %v", root, err, tree.Root())
	}
	if report.Size != v.Size() || report.Root != root {
		t.Fatalf("check reports size %d and root %v, want %d and %v", report.Size, report.Root, v.Size(), root)
	}
	return report
}

// digest returns the digest of the projections.
func digest(t *testing.T, s store.Store) [32]byte {
	t.Helper()
	d, err := s.Digest(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// gate holds the writer on its turn until it is opened, so that what is sent
// meanwhile is grouped. What it appends is tray "gate".
type gate struct {
	entered chan struct{}
	leave   chan struct{}
	done    chan error
	once    sync.Once
}

func hold(t *testing.T, s store.Store) *gate {
	g := &gate{make(chan struct{}), make(chan struct{}), make(chan error, 1), sync.Once{}}
	go func() {
		cmd := NewCommand("gate " + t.Name())
		_, err := s.Append(context.Background(), cmd, look(func(store.View) error {
			close(g.entered)
			<-g.leave
			return nil
		}), Decide(NewTray(cmd, "gate")))
		g.done <- err
	}()
	t.Cleanup(g.open)
	<-g.entered
	return g
}

func (g *gate) open() { g.once.Do(func() { close(g.leave) }) }

// wait opens the gate and demands that its own command was kept.
func (g *gate) wait(t *testing.T) {
	t.Helper()
	g.open()
	if err := <-g.done; err != nil {
		t.Fatal(err)
	}
}

// settle gives goroutines that were started time to reach the writer's queue.
// No outcome that a test demands depends on it: without it the commands would
// only be grouped otherwise.
func settle() { time.Sleep(20 * time.Millisecond) }
