package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"sync/atomic"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// view is a store.View over one connection: a reader's inside a read
// transaction, or the writer's on its turn.
type view struct {
	ctx      context.Context // nil on the writer
	c        *conn
	site     int64
	size     int64
	writer   *writer // nil on a reader
	rows     int     // read so far
	released atomic.Bool
}

func (v *view) usable() error {
	if v.released.Load() {
		return store.ErrReleased
	}
	if v.ctx != nil {
		return v.ctx.Err()
	}
	return nil
}

// query runs a read and counts its rows.
func (v *view) query(row func([]driver.Value), sql string, args ...any) error {
	if err := v.usable(); err != nil {
		return err
	}
	err := v.c.query(func(values []driver.Value) error {
		v.rows++
		row(values)
		return nil
	}, sql, args...)
	if err != nil {
		return engineError(err)
	}
	return nil
}

func checkLimit(limit int) error {
	if limit < 1 || limit > store.MaxLimit {
		return fmt.Errorf("%w: limit %d is not in 1 to %d", store.ErrInvalid, limit, store.MaxLimit)
	}
	return nil
}

// Size implements store.View.
func (v *view) Size() int64 { return v.size }

// ReadHashes implements ledger.HashReader.
func (v *view) ReadHashes(positions []int64) ([]ledger.Hash, error) {
	if err := v.usable(); err != nil {
		return nil, err
	}
	stored := ledger.Stored(v.size)
	out := make([]ledger.Hash, len(positions))
	for i, p := range positions {
		if p < 0 || p >= stored {
			return nil, fmt.Errorf("%w: hash %d of %d", ledger.ErrRange, p, stored)
		}
		if w := v.writer; w != nil && p >= w.first {
			out[i] = w.hashes[p-w.first]
			continue
		}
		h, err := hashes{v.c, v.site}.ReadHashes(positions[i : i+1])
		if err != nil {
			return nil, engineError(err)
		}
		out[i] = h[0]
	}
	v.rows += len(positions)
	return out, nil
}

// Entry implements store.View.
func (v *view) Entry(sequence int64) (store.Entry, error) {
	e := store.Entry{Sequence: sequence}
	err := v.query(func(row []driver.Value) { e.Envelope = blob(row[0]) },
		"SELECT envelope FROM entries WHERE site = ? AND sequence = ?", v.site, sequence)
	if err != nil {
		return store.Entry{}, err
	}
	if e.Envelope == nil {
		return store.Entry{}, fmt.Errorf("%w: %d", store.ErrNotFound, sequence)
	}
	return e, nil
}

// Entries implements store.View.
func (v *view) Entries(from int64, limit int) ([]store.Entry, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	var out []store.Entry
	err := v.query(func(row []driver.Value) {
		out = append(out, store.Entry{Sequence: integer(row[0]), Envelope: blob(row[1])})
	}, "SELECT sequence, envelope FROM entries WHERE site = ? AND sequence >= ? ORDER BY sequence LIMIT 0+?",
		v.site, from, int64(limit))
	return out, err
}

// Receipt implements store.View.
func (v *view) Receipt(requestID string) (store.Receipt, bool, error) {
	if err := v.usable(); err != nil {
		return store.Receipt{}, false, err
	}
	v.rows++
	r, found, err := receipt(v.c, v.site, requestID)
	if err != nil {
		return store.Receipt{}, false, engineError(err)
	}
	return r, found, nil
}

// Document implements store.View.
func (v *view) Document(kind, id string) (d store.Doc, found bool, err error) {
	err = v.query(func(row []driver.Value) {
		d = store.Doc{Kind: kind, ID: id, Day: text(row[0]), Sequence: integer(row[1]), Body: blob(row[2])}
		found = true
	}, "SELECT day, sequence, body FROM documents WHERE site = ? AND kind = ? AND id = ?", v.site, kind, id)
	return d, found, err
}

// Snapshot implements store.Store.
func (s *Store) Snapshot(ctx context.Context) (store.View, func(), error) {
	c, err := s.takeReader(ctx)
	if err != nil {
		return nil, nil, err
	}
	return s.newView(ctx, c)
}

// SnapshotOnWriter implements store.Store.
func (s *Store) SnapshotOnWriter(ctx context.Context) (store.View, func(), error) {
	// The reader is taken first, so that the writer never waits for one.
	c, err := s.takeReader(ctx)
	if err != nil {
		return nil, nil, err
	}
	var v store.View
	var release func()
	started := false
	err = s.do(ctx, &job{after: func(*writer) (err error) {
		started = true // from here on newView sees to c
		v, release, err = s.newView(ctx, c)
		return err
	}})
	if err != nil {
		if !started {
			s.putReader(c)
		}
		return nil, nil, err
	}
	return v, release, nil
}

func (s *Store) takeReader(ctx context.Context) (*conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	select {
	case <-s.quit:
		return nil, store.ErrClosed
	default:
	}
	select {
	case c := <-s.readers:
		return c, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.quit:
		return nil, store.ErrClosed
	}
}

// putReader gives a reader back, or closes it when the store is closed.
func (s *Store) putReader(c *conn) {
	s.readers <- c
	select {
	case <-s.quit:
		s.closeReaders() // Close has returned already, or closes the rest itself
	default:
	}
}

// newView starts a read transaction on c. It takes c over: release, or an
// error, gives it back.
func (s *Store) newView(ctx context.Context, c *conn) (store.View, func(), error) {
	v := &view{ctx: ctx, c: c, site: s.cfg.Site}
	_, err := c.exec("BEGIN")
	if err == nil {
		// The first read fixes what the transaction sees.
		v.size, err = c.number(sizeSQL, s.cfg.Site)
		if err != nil {
			_, rollback := c.exec("ROLLBACK")
			err = errors.Join(err, rollback)
		}
	}
	if err != nil {
		s.replaceReader(c)
		return nil, nil, engineError(err)
	}
	release := func() {
		if v.released.Swap(true) {
			return
		}
		if _, err := c.exec("ROLLBACK"); err != nil {
			s.replaceReader(c)
			return
		}
		s.putReader(c)
	}
	return v, release, nil
}

// replaceReader puts a new connection in the place of one that failed. If
// there is none to be had, the old one is kept: its next view will tell.
func (s *Store) replaceReader(c *conn) {
	if fresh, err := connect(s.cfg.open, readerDSN(s.cfg.Path)); err == nil {
		c.close() // it failed already
		c = fresh
	}
	s.putReader(c)
}
