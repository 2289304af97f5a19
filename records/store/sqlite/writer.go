package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync/atomic"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// job is something that waits for the writer's turn. Exactly one of run, and
// after, is set.
type job struct {
	// run writes inside a savepoint of the group's transaction. Its error
	// rolls the savepoint back and is answered unchanged.
	run     func(*writer) error
	command bool // run appends: it counts in Stats

	// after is called between groups, when everything before it is committed.
	after func(*writer) error

	state atomic.Int32 // waiting, taken or cancelled
	err   error        // set before done is closed
	done  chan struct{}
}

const (
	waiting = iota
	taken
	cancelled
)

func (j *job) answer(err error) {
	j.err = err
	close(j.done)
}

// do hands j to the writer and waits for its answer. Before j's turn has come,
// the end of ctx takes it back.
func (s *Store) do(ctx context.Context, j *job) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case <-s.quit:
		return store.ErrClosed
	default:
	}
	j.done = make(chan struct{})
	select {
	case s.jobs <- j:
	case <-ctx.Done():
		return ctx.Err()
	case <-s.quit:
		return store.ErrClosed
	}
	select {
	case <-j.done:
		return j.err
	case <-s.dead:
	case <-ctx.Done():
		if j.state.CompareAndSwap(waiting, cancelled) {
			return ctx.Err()
		}
		select {
		case <-j.done:
			return j.err
		case <-s.dead:
		}
	}
	select {
	case <-j.done: // answered just before the writer ended
		return j.err
	default:
		return store.ErrClosed
	}
}

// writer owns the one connection that writes. All of it is used by the
// writer's goroutine alone.
type writer struct {
	s    *Store
	c    *conn
	tree ledger.Tree

	// Hashes of the group being written that are not in the database yet: they
	// are inserted together before the commit. first is the position of the
	// first of them.
	hashes []ledger.Hash
	first  int64

	group []*job
	added store.Stats // what the group adds to the counts when it is committed

	// broken says that the connection's state is not known: it is opened anew
	// and the edge is loaded again before the next group.
	broken bool
}

func (w *writer) loop() {
	defer close(w.s.dead)
	for {
		select {
		case <-w.s.quit:
			return
		default:
		}
		select {
		case <-w.s.quit:
			return
		case j := <-w.s.jobs:
			w.turn(j)
		}
	}
}

// turn takes j and what waits behind it, up to a full group or to a job that
// wants to stand after the commit.
func (w *writer) turn(j *job) {
	// Callers that were just answered may be about to send their next command:
	// as long as more come in, one commit for all of them is the faster way.
	for n := -1; n < len(w.s.jobs) && n < maxGroup; {
		n = len(w.s.jobs)
		runtime.Gosched()
	}
	w.group = w.group[:0]
	var last *job
collect:
	for {
		if j.state.CompareAndSwap(waiting, taken) {
			if j.after != nil {
				last = j
				break
			}
			w.group = append(w.group, j)
		}
		if len(w.group) == maxGroup {
			break
		}
		select {
		case j = <-w.s.jobs:
		default:
			break collect
		}
	}
	if len(w.group) > 0 {
		w.commitGroup()
	}
	if last != nil {
		if err := w.reconnect(); err != nil {
			last.answer(engineError(err))
		} else {
			last.answer(last.after(w))
		}
	}
	clear(w.group)
}

// commitGroup writes the group in one transaction and answers it.
func (w *writer) commitGroup() {
	before := w.tree.Size()
	results := make([]error, len(w.group))
	w.added = store.Stats{LargestGroup: len(w.group)}
	w.s.stats.mu.Lock()
	w.added.StepRows, w.added.CommandRows = w.s.stats.v.StepRows, w.s.stats.v.CommandRows
	w.s.stats.mu.Unlock()
	if err := w.transaction(results); err != nil {
		err = engineError(err)
		w.broken = true
		// Those that were refused too: what they were refused for may have been
		// a neighbour's work that is gone now.
		for _, j := range w.group {
			j.answer(err)
		}
		return
	}
	w.s.stats.add(w.count)
	if w.tree.Size() > before {
		w.s.watch.tell(w.tree.Size())
	}
	for i, j := range w.group {
		j.answer(results[i])
	}
}

func (w *writer) count(v *store.Stats) {
	a := &w.added
	v.Commands += a.Commands
	v.Replays += a.Replays
	v.Refused += a.Refused
	v.Entries += a.Entries
	v.Commits++
	v.LargestGroup = max(v.LargestGroup, a.LargestGroup)
	if a.StepRows > v.StepRows {
		v.StepRows, v.StepRequestID = a.StepRows, a.StepRequestID
	}
	if a.CommandRows > v.CommandRows {
		v.CommandRows, v.CommandRequestID = a.CommandRows, a.CommandRequestID
	}
}

// transaction runs the group's jobs between BEGIN and COMMIT. What a job
// itself fails with goes to results; the error returned is the engine's and
// spoils the whole group.
func (w *writer) transaction(results []error) error {
	if err := w.reconnect(); err != nil {
		return err
	}
	if _, err := w.c.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	// Another process may have appended since; its entries are in the
	// database, and the edge in memory is only a copy.
	size, err := w.c.number(sizeSQL, w.s.cfg.Site)
	if err != nil {
		return err
	}
	if size != w.tree.Size() {
		if err := w.loadTree(); err != nil {
			return err
		}
	}
	w.hashes = w.hashes[:0]
	w.first = ledger.Stored(w.tree.Size())
	for i, j := range w.group {
		tree, pending := w.tree, len(w.hashes)
		if _, err := w.c.exec("SAVEPOINT command"); err != nil {
			return err
		}
		results[i] = guard(func() error { return j.run(w) })
		if results[i] != nil {
			if j.command {
				w.added.Refused++
			}
			w.tree, w.hashes = tree, w.hashes[:pending]
			if _, err := w.c.exec("ROLLBACK TO command"); err != nil {
				return err
			}
		}
		if _, err := w.c.exec("RELEASE command"); err != nil {
			return err
		}
	}
	if err := w.flushHashes(); err != nil {
		return err
	}
	_, err = w.c.exec("COMMIT")
	return err
}

// reconnect replaces a connection whose last transaction failed. What was
// uncommitted on it ends with it.
func (w *writer) reconnect() error {
	if !w.broken {
		return nil
	}
	if w.c != nil {
		w.c.close() // its error says no more than the one that broke it
		w.c = nil
	}
	c, err := connect(w.s.cfg.open, writerDSN(w.s.cfg.Path))
	if err != nil {
		return err
	}
	w.c = c
	if err := w.loadTree(); err != nil {
		return err
	}
	w.broken = false
	return nil
}

// errBrokenTree says that the tree hashes do not fit the entries.
var errBrokenTree = errors.New("the tree hashes do not fit the entries")

const sizeSQL = "SELECT max(sequence) FROM entries WHERE site = ?"

// loadTree reads the edge of the tree from the database.
func (w *writer) loadTree() error {
	size, err := w.c.number(sizeSQL, w.s.cfg.Site)
	if err != nil {
		return err
	}
	stored, err := w.c.number("SELECT max(position) + 1 FROM leaves WHERE site = ?", w.s.cfg.Site)
	if err != nil {
		return err
	}
	if stored != ledger.Stored(size) {
		return fmt.Errorf("%w: %d entries, %d hashes", errBrokenTree, size, stored)
	}
	tree, err := ledger.Load(hashes{c: w.c, site: w.s.cfg.Site}, size)
	if err != nil {
		return err
	}
	w.tree = tree
	return nil
}

// hashes reads tree hashes from the database.
type hashes struct {
	c    *conn
	site int64
}

// ReadHashes implements ledger.HashReader.
func (h hashes) ReadHashes(positions []int64) ([]ledger.Hash, error) {
	out := make([]ledger.Hash, len(positions))
	for i, p := range positions {
		found := false
		err := h.c.query(func(row []driver.Value) error {
			found = copy(out[i][:], blob(row[0])) == ledger.HashSize
			return nil
		}, "SELECT hash FROM leaves WHERE site = ? AND position = ?", h.site, p)
		if err != nil {
			return nil, err
		}
		if !found {
			return nil, fmt.Errorf("%w: hash %d is missing", errBrokenTree, p)
		}
	}
	return out, nil
}

// flushRows is how many hashes one statement inserts.
const flushRows = 16

var (
	insertHash   = "INSERT INTO leaves (site, position, hash) VALUES (?, ?, ?)"
	insertHashes = insertHash + repeat(", (?, ?, ?)", flushRows-1)
)

func repeat(s string, n int) string {
	return string(slices.Repeat([]byte(s), n))
}

// flushHashes inserts the pending hashes in order.
func (w *writer) flushHashes() error {
	position := w.first
	insert := func(sql string, batch []ledger.Hash) error {
		args := make([]any, 0, 3*flushRows)
		for i := range batch {
			args = append(args, w.s.cfg.Site, position, batch[i][:])
			position++
		}
		_, err := w.c.exec(sql, args...)
		return err
	}
	rest := w.hashes
	for ; len(rest) >= flushRows; rest = rest[flushRows:] {
		if err := insert(insertHashes, rest[:flushRows]); err != nil {
			return err
		}
	}
	for ; len(rest) > 0; rest = rest[1:] {
		if err := insert(insertHash, rest[:1]); err != nil {
			return err
		}
	}
	return nil
}
