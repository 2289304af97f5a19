package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql/driver"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// Check implements store.Store. It works on a snapshot beside the writer. The
// projections are made again in a scratch database, and both are walked
// through in step.
func (s *Store) Check(ctx context.Context) (r store.CheckReport, err error) {
	v, release, err := s.Snapshot(ctx)
	if err != nil {
		return r, err
	}
	defer release()
	c, site := v.(*view).c, s.cfg.Site

	scratch, remove, err := openScratch(c)
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, remove()) }()

	if err := s.checkEntries(ctx, c, scratch, &r); err != nil {
		return r, err
	}
	r.Projections, r.Digest, err = compareProjections(ctx, c, scratch, site)
	return r, err
}

// openScratch makes a database that nobody else sees, with empty projection
// tables as c has them.
func openScratch(like *conn) (c *conn, remove func() error, err error) {
	dir, err := os.MkdirTemp("", "kettlebook-check-")
	if err != nil {
		return nil, nil, err
	}
	c, err = connect(openDriver, dsn(filepath.Join(dir, "scratch.db"), "rwc", "journal_mode(off)", "synchronous(off)"))
	if err != nil {
		return nil, nil, errors.Join(err, os.RemoveAll(dir))
	}
	remove = func() error { return errors.Join(c.close(), os.RemoveAll(dir)) }
	script := "BEGIN"
	err = like.query(func(row []driver.Value) error {
		script += ";\n" + text(row[0])
		return nil
	}, `SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL
		AND tbl_name IN ('documents', 'index_keys', 'days', 'readings') ORDER BY type = 'table' DESC`)
	if err == nil {
		err = c.script(script)
	}
	if err != nil {
		return nil, nil, errors.Join(err, remove())
	}
	return c, remove, nil
}

// checkEntries recomputes the tree from the envelopes, compares it with the
// stored hashes and the receipts, and projects into scratch.
func (s *Store) checkEntries(ctx context.Context, c, scratch *conn, r *store.CheckReport) error {
	var tree ledger.Tree
	var made []ledger.Hash
	site := s.cfg.Site
	nextHash, stopHashes := iter.Pull2(storedHashes(c, site))
	defer stopHashes()
	nextReceipt, stopReceipts := iter.Pull2(storedReceipts(c, site))
	defer stopReceipts()
	receipt := store.Receipt{First: 1} // covers nothing, up to the first entry
	err := eachEntry(c, site, func(e store.Entry) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if want := tree.Size() + 1; e.Sequence != want {
			return &store.TamperedError{Sequence: want, What: "the entry is missing"}
		}
		var position int64
		made, position = tree.Append(made[:0], ledger.LeafHash(e.Envelope))
		for i, h := range made {
			p := position + int64(i)
			stored, err, ok := nextHash()
			switch {
			case err != nil:
				return err
			case !ok || stored.position != p:
				return &store.TamperedError{Sequence: e.Sequence, What: fmt.Sprintf("tree hash %d is missing", p)}
			case !bytes.Equal(stored.hash, h[:]):
				return &store.TamperedError{Sequence: e.Sequence,
					What: fmt.Sprintf("tree hash %d is not that of the stored envelopes", p)}
			}
		}
		if e.Sequence == receipt.First+receipt.Count {
			r.Receipts++
			var err error
			if receipt, err = receiptFrom(nextReceipt, e.Sequence); err != nil {
				return err
			}
		}
		p, err := s.cfg.Project(e)
		if err != nil {
			return fmt.Errorf("project entry %d: %w", e.Sequence, err)
		}
		if p.RequestID != "" && (p.RequestID != receipt.RequestID || p.ContentHash != receipt.ContentHash) {
			return &store.TamperedError{Sequence: e.Sequence, What: "the receipt is not that of the command in the envelope"}
		}
		return project(scratch, site, e.Sequence, p)
	})
	if err != nil {
		return err
	}
	r.Size, r.Root = tree.Size(), tree.Root()
	if stored, err, ok := nextHash(); err != nil {
		return err
	} else if ok {
		return &store.TamperedError{Sequence: ledger.LeafAt(stored.position) + 1, What: "there is a tree hash and no entry"}
	}
	if r.Size > 0 && receipt.First+receipt.Count != r.Size+1 {
		return &store.TamperedError{Sequence: r.Size + 1, What: "there is a receipt and no entry"}
	}
	if extra, err, ok := nextReceipt(); err != nil {
		return err
	} else if ok {
		return &store.TamperedError{Sequence: extra.First, What: "there is a second receipt, or one for no entry"}
	}
	return nil
}

// receiptFrom returns the next receipt, which must begin at sequence.
func receiptFrom(next func() (store.Receipt, error, bool), sequence int64) (store.Receipt, error) {
	r, err, ok := next()
	switch {
	case err != nil:
		return r, err
	case !ok || r.First > sequence:
		return r, &store.TamperedError{Sequence: sequence, What: "no receipt covers the entry"}
	case r.First < sequence:
		return r, &store.TamperedError{Sequence: r.First, What: "two receipts cover the entry"}
	case r.Count < 1:
		return r, &store.TamperedError{Sequence: sequence, What: "the receipt covers no entry"}
	}
	return r, nil
}

// storedReceipts yields the receipts in order of their entries.
func storedReceipts(c *conn, site int64) iter.Seq2[store.Receipt, error] {
	return func(yield func(store.Receipt, error) bool) {
		err := c.query(func(row []driver.Value) error {
			r := store.Receipt{RequestID: text(row[0]), First: integer(row[2]), Count: integer(row[3])}
			if copy(r.ContentHash[:], blob(row[1])) != len(r.ContentHash) {
				return &store.TamperedError{Sequence: r.First, What: "the receipt's content hash is damaged"}
			}
			if !yield(r, nil) {
				return errStopped
			}
			return nil
		}, `SELECT request_id, content_hash, first_sequence, entry_count FROM receipts
			WHERE site = ? ORDER BY first_sequence, request_id`, site)
		if err != nil && !errors.Is(err, errStopped) {
			yield(store.Receipt{}, err)
		}
	}
}

type storedHash struct {
	position int64
	hash     []byte
}

// storedHashes yields the tree hashes in order of their position.
func storedHashes(c *conn, site int64) iter.Seq2[storedHash, error] {
	return func(yield func(storedHash, error) bool) {
		next := int64(-1 << 63)
		for {
			var page []storedHash
			err := c.query(func(row []driver.Value) error {
				page = append(page, storedHash{integer(row[0]), blob(row[1])})
				return nil
			}, "SELECT position, hash FROM leaves WHERE site = ? AND position >= ? ORDER BY position LIMIT ?",
				site, next, int64(2*entryPage))
			if err != nil {
				yield(storedHash{}, err)
				return
			}
			for _, h := range page {
				if !yield(h, nil) {
					return
				}
				next = h.position + 1
			}
			if len(page) < 2*entryPage {
				return
			}
		}
	}
}

// projected is one row of the projections, for comparing.
type projected struct {
	name string // table and key, for people
	data []byte // table, key and content
}

// projectionTables lists, for each table, a query whose rows come in the order
// of its key; the first columns are the key.
var projectionTables = []struct {
	name string
	keys int
	sql  string
}{
	{"document", 2, "SELECT kind, id, day, sequence, keys, body FROM documents WHERE site = ? ORDER BY kind, id"},
	{"index key", 4, "SELECT kind, name, value, id FROM index_keys WHERE site = ? ORDER BY kind, name, value, id"},
	{"day", 3, "SELECT day, kind, id FROM days WHERE site = ? ORDER BY day, kind, id"},
	{"run", 2, `SELECT sequence, part, series, instrument, long, first_at, last_at, count, body
		FROM readings WHERE site = ? ORDER BY sequence, part`},
}

// errStopped ends a query whose reader wants no more.
var errStopped = errors.New("stopped")

// projections yields every projected row in a fixed order.
func projections(c *conn, site int64) iter.Seq2[projected, error] {
	return func(yield func(projected, error) bool) {
		for _, t := range projectionTables {
			err := c.query(func(row []driver.Value) error {
				p := projected{name: t.name}
				p.data = appendField(p.data, []byte(t.name))
				for i, v := range row {
					if i < t.keys {
						p.name += fmt.Sprintf(" %v", v)
					}
					switch x := v.(type) {
					case int64:
						p.data = appendField(p.data, binary.BigEndian.AppendUint64(nil, uint64(x)))
					case string:
						p.data = appendField(p.data, []byte(x))
					default:
						p.data = appendField(p.data, blob(v))
					}
				}
				if !yield(p, nil) {
					return errStopped
				}
				return nil
			}, t.sql, site)
			if errors.Is(err, errStopped) {
				return
			}
			if err != nil {
				yield(projected{}, err)
				return
			}
		}
	}
}

func appendField(b, field []byte) []byte {
	return append(binary.AppendUvarint(b, uint64(len(field))), field...)
}

// compareProjections walks through the kept projections and those made again,
// and returns the number of rows and their digest.
func compareProjections(ctx context.Context, kept, made *conn, site int64) (n int64, digest [32]byte, err error) {
	h := sha256.New()
	next, stop := iter.Pull2(projections(made, site))
	defer stop()
	for row, err := range projections(kept, site) {
		if err := errors.Join(err, ctx.Err()); err != nil {
			return n, digest, err
		}
		want, err, ok := next()
		if err != nil {
			return n, digest, err
		}
		if !ok {
			return n, digest, &store.ProjectionError{What: row.name + " is too much"}
		}
		if !bytes.Equal(row.data, want.data) {
			what := row.name + " differs"
			if row.name != want.name {
				what = row.name + " stands where " + want.name + " should"
			}
			return n, digest, &store.ProjectionError{What: what}
		}
		h.Write(row.data)
		n++
	}
	if want, err, ok := next(); err != nil {
		return n, digest, err
	} else if ok {
		return n, digest, &store.ProjectionError{What: want.name + " is missing"}
	}
	return n, [32]byte(h.Sum(nil)), nil
}

// Digest implements store.Store.
func (s *Store) Digest(ctx context.Context) (digest [32]byte, err error) {
	v, release, err := s.Snapshot(ctx)
	if err != nil {
		return digest, err
	}
	defer release()
	h := sha256.New()
	for row, err := range projections(v.(*view).c, s.cfg.Site) {
		if err := errors.Join(err, ctx.Err()); err != nil {
			return digest, err
		}
		h.Write(row.data)
	}
	return [32]byte(h.Sum(nil)), nil
}
