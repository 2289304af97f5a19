package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"kettlebook/records/store"
	"kettlebook/records/store/storetest"
)

// errFault is what a failing statement fails with.
var errFault = errors.New("the disk is gone")

// faults counts the statements that are run over all connections made with
// open, and fails one of them.
type faults struct {
	mu    sync.Mutex
	n     int  // statements since arm
	fail  int  // which of them fails, 0 for none
	after bool // it is run, and only its answer is lost
	hit   string

	// only, when it is set, says which statements are counted.
	only func(sql string) bool
}

// arm starts counting anew.
func (f *faults) arm(fail int, after bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.n, f.fail, f.after, f.hit = 0, fail, after, ""
}

// disarm returns the statement that failed, "" when none did.
func (f *faults) disarm() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fail = 0
	return f.hit
}

// run runs a statement, or fails.
func (f *faults) run(sql string, do func() error) error {
	f.mu.Lock()
	failing := false
	if f.only == nil || f.only(sql) {
		f.n++
		failing = f.n == f.fail
	}
	if failing {
		f.hit = sql
	}
	after := f.after
	f.mu.Unlock()
	if failing && !after {
		return errFault
	}
	err := do()
	if failing {
		return errors.Join(errFault, err)
	}
	return err
}

// open is an opener whose connections fail.
func (f *faults) open(dsn string) (c driver.Conn, err error) {
	err = f.run("open", func() error {
		c, err = openDriver(dsn)
		return err
	})
	if err != nil {
		if c != nil {
			c.Close()
		}
		return nil, err
	}
	return &faultyConn{c, f}, nil
}

type faultyConn struct {
	driver.Conn
	f *faults
}

func (c *faultyConn) Prepare(sql string) (s driver.Stmt, err error) {
	err = c.f.run("prepare "+sql, func() error {
		s, err = c.Conn.Prepare(sql)
		return err
	})
	if err != nil {
		if s != nil {
			s.Close()
		}
		return nil, err
	}
	return &faultyStmt{s, c.f, sql}, nil
}

func (c *faultyConn) ExecContext(ctx context.Context, sql string, args []driver.NamedValue) (r driver.Result, err error) {
	err = c.f.run(sql, func() error {
		r, err = c.Conn.(driver.ExecerContext).ExecContext(ctx, sql, args)
		return err
	})
	return r, err
}

type faultyStmt struct {
	driver.Stmt
	f   *faults
	sql string
}

func (s *faultyStmt) ExecContext(ctx context.Context, args []driver.NamedValue) (r driver.Result, err error) {
	err = s.f.run(s.sql, func() error {
		r, err = s.Stmt.(driver.StmtExecContext).ExecContext(ctx, args)
		return err
	})
	return r, err
}

func (s *faultyStmt) QueryContext(ctx context.Context, args []driver.NamedValue) (r driver.Rows, err error) {
	err = s.f.run(s.sql, func() error {
		r, err = s.Stmt.(driver.StmtQueryContext).QueryContext(ctx, args)
		return err
	})
	if err != nil && r != nil {
		r.Close()
		r = nil
	}
	return r, err
}

// faultySteps is a command that uses every kind of statement that Append has:
// new, changed, moved and removed documents, runs, an expansion, and enough
// entries to flush hashes in rows and one by one.
func faultySteps(cmd store.Command) []store.Step {
	tray := func(rows []store.Row, runs ...store.Run) *storetest.Tray {
		return &storetest.Tray{RequestID: cmd.RequestID, ContentHash: cmd.ContentHash, Rows: rows, Runs: runs}
	}
	row := func(id, day, label string) store.Row {
		return store.Row{Kind: "tray", ID: id, Day: day, Body: []byte(cmd.RequestID), Keys: []store.Key{{Index: "label", Value: label}}}
	}
	var many []*storetest.Tray
	for range 10 {
		many = append(many, tray(nil))
	}
	return []store.Step{
		storetest.Decide(tray([]store.Row{row("x", "2031-01-01", "a"), row(cmd.RequestID, "2031-01-02", "b")},
			store.Run{Series: "s", Instrument: "p", FirstAt: 1, LastAt: 9, Count: 2, Body: []byte("r")})),
		store.StepFunc(func(v store.View) ([]store.Step, error) {
			if _, _, err := v.Document("tray", "x"); err != nil {
				return nil, err
			}
			if _, err := v.Documents(store.Query{Kind: "tray", Index: "label", Limit: 3}); err != nil {
				return nil, err
			}
			size := v.Size()
			return []store.Step{storetest.Decide(tray([]store.Row{row("x", "2031-01-03", "c"), row("x", "2031-01-03", "c"), {Kind: "tray", ID: "x"}},
				store.Run{Sequence: size, Series: "t", Instrument: "p", FirstAt: 1, LastAt: 2, Body: []byte("again")},
				store.Run{Sequence: size - 1}))}, nil
		}),
		storetest.Decide(many...),
	}
}

// state is what two stores have in common when they have had the same
// commands.
type state struct {
	size   int64
	root   string
	digest [32]byte
}

func stateOf(t *testing.T, s store.Store) state {
	t.Helper()
	r, err := s.Check(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return state{r.Size, r.Root.String(), r.Digest}
}

// template makes a ledger in a closed file, from which each case starts, and
// says what a store without faults makes of it by one more command.
func template(t *testing.T, cmd store.Command) (file string, before, goal state, want store.Receipt) {
	t.Helper()
	ctx := context.Background()
	dir := t.TempDir()
	s := mustOpen(t, testConfig(dir))
	for _, id := range []string{"first", "second"} {
		c := storetest.NewCommand(id)
		if _, err := s.Append(ctx, c, faultySteps(c)...); err != nil {
			t.Fatal(err)
		}
	}
	before = stateOf(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(t.TempDir(), fileName)
	copyFile(t, filepath.Join(dir, fileName), file)
	s = mustOpen(t, testConfig(dir))
	want, err := s.Append(ctx, cmd, faultySteps(cmd)...)
	if err != nil {
		t.Fatal(err)
	}
	goal = stateOf(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return file, before, goal, want
}

func copyFile(t testing.TB, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, b, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// ofTransaction tells the statements that begin, keep and end a transaction.
func ofTransaction(sql string) bool {
	word, _, _ := strings.Cut(sql, " ")
	return slices.Contains([]string{"BEGIN", "SAVEPOINT", "RELEASE", "COMMIT"}, word)
}

// TestFaultAtEveryStatement fails statement n of an append, before it is run
// or after, for n = 1, 2, ... until the append needs no such statement. After
// each, the store is where it was or where it should be, both while it stays
// open and when it is opened again, and asking again brings it where a store
// without faults is. Every day each statement fails before it is run, and
// those of the transaction after; with KETTLEBOOK_SLOW above 1 every
// combination is tried, and the preparing of statements fails too.
func TestFaultAtEveryStatement(t *testing.T) {
	t.Parallel()
	cmd := storetest.NewCommand("faulty")
	file, before, goal, want := template(t, cmd)
	for i, c := range []struct{ after, reopen, cold, transaction bool }{
		{after: false, reopen: true},
		{after: true, reopen: false, transaction: true},
		{after: true, reopen: true, transaction: true},
		{after: true, reopen: false}, {after: true, reopen: true}, {after: false, reopen: false},
		{after: false, reopen: false, cold: true}, {after: true, reopen: true, cold: true},
	} {
		if i > 2 && storetest.Slow() == 1 {
			break
		}
		t.Run(fmt.Sprintf("%+v", c), func(t *testing.T) {
			t.Parallel()
			kinds := map[string]bool{}
			for n := 1; ; n++ {
				dir := t.TempDir()
				copyFile(t, file, filepath.Join(dir, fileName))
				f := &faults{}
				if c.transaction {
					f.only = ofTransaction
				}
				cfg := testConfig(dir)
				cfg.open = f.open
				s := mustOpen(t, cfg)
				if !c.cold {
					// The statements are prepared by a command that is refused at its end.
					warm := storetest.NewCommand("warm")
					if _, err := s.Append(context.Background(), warm, append(faultySteps(warm), storetest.Fail(errFault))...); err == nil {
						t.Fatal("not refused")
					}
				}
				f.arm(n, c.after)
				got, err := s.Append(context.Background(), cmd, faultySteps(cmd)...)
				hit := f.disarm()
				if hit == "" {
					if err != nil || got != want {
						t.Fatalf("without a fault: %+v, %v; want %+v", got, err, want)
					}
					if n < 50 && !c.transaction {
						t.Fatalf("an append has only %d statements?", n)
					}
					break
				}
				kinds[strings.Fields(hit)[0]] = true
				if !errors.Is(err, store.ErrUnavailable) || !errors.Is(err, errFault) {
					t.Fatalf("fault at statement %d, %q: %+v, %v", n, hit, got, err)
				}
				if c.reopen {
					if err := s.Close(); err != nil {
						t.Fatal(err)
					}
					s = mustOpen(t, cfg)
				}
				if now := stateOf(t, s); now != before && now != goal {
					t.Fatalf("after a fault at statement %d, %q: %+v; want %+v or %+v", n, hit, now, before, goal)
				}
				got, err = s.Append(context.Background(), cmd, faultySteps(cmd)...)
				got.Replayed = false
				if err != nil || got != want {
					t.Fatalf("asked again after a fault at statement %d, %q: %+v, %v; want %+v", n, hit, got, err, want)
				}
				if now := stateOf(t, s); now != goal {
					t.Fatalf("asked again after a fault at statement %d, %q: %+v; want %+v", n, hit, now, goal)
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
			}
			for _, kind := range []string{"BEGIN", "SAVEPOINT", "RELEASE", "COMMIT", "INSERT", "UPDATE", "DELETE", "SELECT"} {
				if !kinds[kind] && !(c.transaction && !ofTransaction(kind)) {
					t.Errorf("no %s failed", kind)
				}
			}
		})
	}
}

// TestFaultInGroup fails statement n of a group of commands. Whoever was told
// that a command was kept finds it; who was told nothing asks again.
func TestFaultInGroup(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	cfg := testConfig(t.TempDir())
	f := &faults{}
	cfg.open = f.open
	s := mustOpen(t, cfg)
	refusal := errors.New("refused")
	for n := 1; ; n++ {
		entered, leave := make(chan struct{}), make(chan struct{})
		ids := []string{fmt.Sprint("gate ", n), fmt.Sprint("a ", n), fmt.Sprint("bad ", n), fmt.Sprint("b ", n)}
		errs := make([]error, len(ids))
		var wg sync.WaitGroup
		send := func(i int) {
			cmd := storetest.NewCommand(ids[i])
			steps := []store.Step{storetest.Decide(storetest.NewTray(cmd, ids[i]))}
			switch i {
			case 0:
				steps = append(steps, store.StepFunc(func(store.View) ([]store.Step, error) {
					close(entered)
					<-leave
					return nil, nil
				}))
			case 2:
				steps = append(steps, storetest.Fail(refusal))
			}
			_, errs[i] = s.Append(ctx, cmd, steps...)
		}
		wg.Go(func() { send(0) })
		<-entered
		for i := 1; i < len(ids); i++ {
			wg.Go(func() { send(i) })
		}
		for len(s.jobs) < len(ids)-1 {
			runtime.Gosched() // until they wait behind the gate
		}
		f.arm(n, n%2 == 0)
		close(leave)
		wg.Wait()
		hit := f.disarm()
		stateOf(t, s)
		v, release, err := s.Snapshot(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for i, id := range ids {
			_, kept, err := v.Receipt(id)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case errs[i] == nil && !kept:
				t.Errorf("fault at statement %d, %q: %s was acknowledged and is lost", n, hit, id)
			case i == 2 && kept:
				t.Errorf("fault at statement %d, %q: the refused command was kept", n, hit)
			case errs[i] != nil && !errors.Is(errs[i], store.ErrUnavailable) && errs[i] != refusal:
				t.Errorf("fault at statement %d, %q: %s: %v", n, hit, id, errs[i])
			}
		}
		release()
		for _, i := range []int{0, 1, 3} {
			mustAppend(t, s, ids[i])
		}
		if hit == "" {
			if errs[0] != nil || errs[1] != nil || errs[2] != refusal || errs[3] != nil {
				t.Errorf("without a fault: %v", errs)
			}
			break
		}
		if t.Failed() {
			break
		}
	}
	storetest.Sound(t, s)
}

// TestFaultElsewhere fails statement n of opening, of a rebuild and of taking
// a snapshot.
func TestFaultElsewhere(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	t.Run("open new", func(t *testing.T) {
		for n := 1; ; n++ {
			f := &faults{}
			cfg := testConfig(filepath.Join(t.TempDir()))
			cfg.open = f.open
			f.arm(n, n%2 == 0)
			s, err := Open(ctx, cfg)
			hit := f.disarm()
			if (err == nil) != (hit == "") {
				t.Fatalf("fault at statement %d, %q: %v", n, hit, err)
			}
			if err == nil {
				s.Close()
				return
			}
			s = mustOpen(t, cfg)
			mustAppend(t, s, "1")
			storetest.Sound(t, s)
			s.Close()
		}
	})
	f := &faults{}
	cfg := testConfig(t.TempDir())
	cfg.open = f.open
	s := mustOpen(t, cfg)
	for _, id := range []string{"1", "2", "3", "4"} {
		mustAppend(t, s, id)
	}
	want := stateOf(t, s)
	for name, do := range map[string]func() error{
		"rebuild": func() error { return s.Rebuild(ctx) },
		"snapshot": func() error {
			v, release, err := s.Snapshot(ctx)
			if err != nil {
				return err
			}
			defer release()
			_, err = v.Entry(1)
			return err
		},
		"snapshot on writer": func() error {
			v, release, err := s.SnapshotOnWriter(ctx)
			if err != nil {
				return err
			}
			defer release()
			_, err = v.Documents(store.Query{Kind: "tray", Limit: 1})
			return err
		},
		"secret": func() error { return s.Secrets().Put(ctx, store.Secret{Bucket: "b", Key: "k"}) },
		"check":  func() error { _, err := s.Check(ctx); return err },
		"reopen": func() error {
			fresh, err := Open(ctx, cfg)
			if err == nil {
				err = fresh.Close()
			}
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			for n := 1; ; n++ {
				f.arm(n, n%2 == 0)
				err := do()
				hit := f.disarm()
				if hit == "" {
					if err != nil {
						t.Fatal(err)
					}
					return
				}
				// A release has no error to give; its reader is replaced.
				if err == nil && !strings.HasSuffix(hit, "ROLLBACK") {
					t.Errorf("fault at statement %d, %q, went unseen", n, hit)
				}
				if now := stateOf(t, s); now != want {
					t.Fatalf("after a fault at statement %d, %q: %+v, want %+v", n, hit, now, want)
				}
			}
		})
	}
	mustAppend(t, s, "last")
	storetest.Sound(t, s)
}
