package sqlite

import (
	"context"
	"database/sql/driver"
	"fmt"
	"runtime/debug"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// Append implements store.Store.
func (s *Store) Append(ctx context.Context, cmd store.Command, steps ...store.Step) (store.Receipt, error) {
	if cmd.RequestID == "" {
		return store.Receipt{}, fmt.Errorf("%w: a command needs a request id", store.ErrInvalid)
	}
	if err := s.frozenError(); err != nil {
		return store.Receipt{}, err
	}
	var receipt store.Receipt
	err := s.do(ctx, &job{command: true, run: func(w *writer) (err error) {
		receipt, err = w.command(cmd, steps)
		return err
	}})
	if err != nil {
		return store.Receipt{}, err
	}
	return receipt, nil
}

// guard turns a panic of f into an error.
func guard(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &store.PanicError{Value: p, Stack: debug.Stack()}
		}
	}()
	return f()
}

const (
	receiptSQL       = "SELECT content_hash, first_sequence, entry_count FROM receipts WHERE site = ? AND request_id = ?"
	insertReceiptSQL = "INSERT INTO receipts (site, request_id, content_hash, first_sequence, entry_count) VALUES (?, ?, ?, ?, ?)"
	insertEntrySQL   = "INSERT INTO entries (site, sequence, envelope) VALUES (?, ?, ?)"
)

// command answers a repeat, or runs the steps and writes what they decide.
func (w *writer) command(cmd store.Command, steps []store.Step) (store.Receipt, error) {
	if err := w.s.frozenError(); err != nil {
		return store.Receipt{}, err
	}
	before, found, err := receipt(w.c, w.s.cfg.Site, cmd.RequestID)
	if err != nil {
		return store.Receipt{}, engineError(err)
	}
	if found {
		if before.ContentHash != cmd.ContentHash {
			return store.Receipt{}, store.ErrRequestIDReused
		}
		before.Replayed = true
		w.added.Replays++
		return before, nil
	}
	first := w.tree.Size() + 1
	rows, err := w.steps(cmd, steps)
	if err != nil {
		return store.Receipt{}, err
	}
	count := w.tree.Size() + 1 - first
	if count == 0 {
		return store.Receipt{}, store.ErrNothingDecided
	}
	if _, err := w.c.exec(insertReceiptSQL, w.s.cfg.Site, cmd.RequestID, cmd.ContentHash[:], first, count); err != nil {
		return store.Receipt{}, engineError(err)
	}
	w.added.Commands++
	w.added.Entries += count
	if rows > w.added.CommandRows {
		w.added.CommandRows, w.added.CommandRequestID = rows, cmd.RequestID
	}
	return store.Receipt{RequestID: cmd.RequestID, ContentHash: cmd.ContentHash, First: first, Count: count}, nil
}

// steps runs steps in order, each expansion in the place of the step that it
// came from, and returns how many rows they read.
func (w *writer) steps(cmd store.Command, steps []store.Step) (rows int, err error) {
	for _, step := range steps {
		v := &view{c: w.c, site: w.s.cfg.Site, size: w.tree.Size(), writer: w}
		drafts, more, err := step.Run(v)
		v.released.Store(true)
		if err != nil {
			return 0, err
		}
		rows += v.rows
		if v.rows > w.added.StepRows {
			w.added.StepRows, w.added.StepRequestID = v.rows, cmd.RequestID
		}
		for _, d := range drafts {
			if err := w.entry(cmd, d); err != nil {
				return 0, err
			}
		}
		inner, err := w.steps(cmd, more)
		if err != nil {
			return 0, err
		}
		rows += inner
	}
	return rows, nil
}

// entry serialises, stores, hashes and projects one draft.
func (w *writer) entry(cmd store.Command, d store.Draft) error {
	e := store.Entry{Sequence: w.tree.Size() + 1}
	var err error
	if e.Envelope, err = d.Envelope(e.Sequence); err != nil {
		return err
	}
	if len(e.Envelope) == 0 {
		return fmt.Errorf("%w: an empty envelope", store.ErrInvalid)
	}
	p, err := w.s.cfg.Project(e)
	if err != nil {
		return err
	}
	if p.RequestID != "" && (p.RequestID != cmd.RequestID || p.ContentHash != cmd.ContentHash) {
		return fmt.Errorf("%w: the envelope names another command than the one that appends it", store.ErrInvalid)
	}
	if _, err := w.c.exec(insertEntrySQL, w.s.cfg.Site, e.Sequence, e.Envelope); err != nil {
		return engineError(err)
	}
	w.hashes, _ = w.tree.Append(w.hashes, ledger.LeafHash(e.Envelope))
	return project(w.c, w.s.cfg.Site, e.Sequence, p)
}

func engineError(err error) error {
	return fmt.Errorf("%w: %w", store.ErrUnavailable, err)
}

// receipt reads the receipt of a request id.
func receipt(c *conn, site int64, requestID string) (r store.Receipt, found bool, err error) {
	err = c.query(func(row []driver.Value) error {
		found = true
		r.RequestID = requestID
		copy(r.ContentHash[:], blob(row[0]))
		r.First, r.Count = integer(row[1]), integer(row[2])
		return nil
	}, receiptSQL, site, requestID)
	return r, found, err
}
