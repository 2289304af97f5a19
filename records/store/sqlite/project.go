package sqlite

import (
	"bytes"
	"database/sql/driver"
	"encoding/binary"
	"fmt"
	"slices"

	"kettlebook/records/store"
)

// maxShortRun splits runs in two classes, in microseconds (6 hours). A short
// run that overlaps a range begins at most this long before it, so that a
// search by time reads a bounded stretch of the index; long runs are few and
// are searched apart.
const maxShortRun = 6 * 3600 * 1_000_000

const (
	insertDocumentSQL = `INSERT INTO documents (site, kind, id, day, sequence, keys, body)
		VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`
	replaceDocumentSQL = `UPDATE documents SET day = ?, sequence = ?, keys = ?, body = ?
		WHERE site = ? AND kind = ? AND id = ?`
	oldDocumentSQL    = "SELECT day, keys FROM documents WHERE site = ? AND kind = ? AND id = ?"
	deleteDocumentSQL = "DELETE FROM documents WHERE site = ? AND kind = ? AND id = ?"
	insertKeySQL      = "INSERT INTO index_keys (site, kind, name, value, id) VALUES (?, ?, ?, ?, ?)"
	deleteKeySQL      = "DELETE FROM index_keys WHERE site = ? AND kind = ? AND name = ? AND value = ? AND id = ?"
	insertDaySQL      = "INSERT INTO days (site, day, kind, id) VALUES (?, ?, ?, ?)"
	deleteDaySQL      = "DELETE FROM days WHERE site = ? AND day = ? AND kind = ? AND id = ?"
	putRunSQL         = `INSERT OR REPLACE INTO readings
		(site, sequence, part, series, instrument, long, first_at, last_at, count, body)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	deleteRunSQL = "DELETE FROM readings WHERE site = ? AND sequence = ? AND part = ?"
)

// project writes what an entry changes in the projections.
func project(c *conn, site, sequence int64, p store.Projection) error {
	for i := range p.Rows {
		if err := projectRow(c, site, sequence, &p.Rows[i]); err != nil {
			return err
		}
	}
	for i := range p.Runs {
		if err := projectRun(c, site, sequence, &p.Runs[i]); err != nil {
			return err
		}
	}
	return nil
}

func projectRow(c *conn, site, sequence int64, r *store.Row) error {
	if r.Kind == "" || r.ID == "" {
		return fmt.Errorf("%w: a document needs a kind and an id", store.ErrInvalid)
	}
	keys := sortedKeys(r.Keys)
	for i, k := range keys {
		if k.Index == "" || i > 0 && k == keys[i-1] {
			return fmt.Errorf("%w: keys of document %s %s: no index, or one twice", store.ErrInvalid, r.Kind, r.ID)
		}
	}
	if r.Body == nil {
		if err := unlink(c, site, r.Kind, r.ID); err != nil {
			return engineError(err)
		}
		if _, err := c.exec(deleteDocumentSQL, site, r.Kind, r.ID); err != nil {
			return engineError(err)
		}
		return nil
	}
	packed := packKeys(keys)
	inserted, err := c.exec(insertDocumentSQL, site, r.Kind, r.ID, r.Day, sequence, packed, r.Body)
	if err != nil {
		return engineError(err)
	}
	if inserted == 0 {
		same, err := sameLinks(c, site, r, packed)
		if err != nil {
			return engineError(err)
		}
		if !same {
			if err := unlink(c, site, r.Kind, r.ID); err != nil {
				return engineError(err)
			}
		}
		if _, err := c.exec(replaceDocumentSQL, r.Day, sequence, packed, r.Body, site, r.Kind, r.ID); err != nil {
			return engineError(err)
		}
		if same {
			return nil
		}
	}
	for _, k := range keys {
		if _, err := c.exec(insertKeySQL, site, r.Kind, k.Index, k.Value, r.ID); err != nil {
			return engineError(err)
		}
	}
	if r.Day != "" {
		if _, err := c.exec(insertDaySQL, site, r.Day, r.Kind, r.ID); err != nil {
			return engineError(err)
		}
	}
	return nil
}

// sameLinks tells whether the document in the database has the day and the
// keys of r, so that only its body is to be written.
func sameLinks(c *conn, site int64, r *store.Row, packed []byte) (same bool, err error) {
	err = c.query(func(row []driver.Value) error {
		same = text(row[0]) == r.Day && bytes.Equal(blob(row[1]), packed)
		return nil
	}, oldDocumentSQL, site, r.Kind, r.ID)
	return same, err
}

// unlink removes a document's day and keys, if there is such a document.
func unlink(c *conn, site int64, kind, id string) error {
	var day string
	var packed []byte
	err := c.query(func(row []driver.Value) error {
		day, packed = text(row[0]), blob(row[1])
		return nil
	}, oldDocumentSQL, site, kind, id)
	if err != nil {
		return err
	}
	keys, err := unpackKeys(packed)
	if err != nil {
		return fmt.Errorf("document %s %s: %w", kind, id, err)
	}
	for _, k := range keys {
		if _, err := c.exec(deleteKeySQL, site, kind, k.Index, k.Value, id); err != nil {
			return err
		}
	}
	if day != "" {
		if _, err := c.exec(deleteDaySQL, site, day, kind, id); err != nil {
			return err
		}
	}
	return nil
}

func projectRun(c *conn, site, sequence int64, r *store.Run) error {
	at := r.Sequence
	if at == 0 {
		at = sequence
	}
	if r.Body == nil {
		if _, err := c.exec(deleteRunSQL, site, at, int64(r.Part)); err != nil {
			return engineError(err)
		}
		return nil
	}
	if at < 0 || at > sequence || r.Part < 0 || r.Series == "" || r.Instrument == "" || r.Count < 0 || r.LastAt < r.FirstAt {
		return fmt.Errorf("%w: run %d.%d of series %q", store.ErrInvalid, at, r.Part, r.Series)
	}
	var long int64
	if r.LastAt-r.FirstAt > maxShortRun {
		long = 1
	}
	_, err := c.exec(putRunSQL, site, at, int64(r.Part), r.Series, r.Instrument, long,
		r.FirstAt, r.LastAt, int64(r.Count), r.Body)
	if err != nil {
		return engineError(err)
	}
	return nil
}

// sortedKeys returns the keys in order of index and value. It does not touch
// the projector's slice.
func sortedKeys(keys []store.Key) []store.Key {
	compare := func(a, b store.Key) int {
		if a.Index != b.Index {
			return cmpString(a.Index, b.Index)
		}
		return cmpString(a.Value, b.Value)
	}
	if slices.IsSortedFunc(keys, compare) {
		return keys
	}
	keys = slices.Clone(keys)
	slices.SortFunc(keys, compare)
	return keys
}

func cmpString(a, b string) int {
	if a < b {
		return -1
	}
	if a > b {
		return 1
	}
	return 0
}

// packKeys writes keys as length-prefixed strings.
func packKeys(keys []store.Key) []byte {
	b := []byte{}
	for _, k := range keys {
		b = binary.AppendUvarint(b, uint64(len(k.Index)))
		b = append(b, k.Index...)
		b = binary.AppendUvarint(b, uint64(len(k.Value)))
		b = append(b, k.Value...)
	}
	return b
}

// unpackKeys reads what packKeys wrote.
func unpackKeys(b []byte) ([]store.Key, error) {
	var keys []store.Key
	next := func() (string, bool) {
		n, used := binary.Uvarint(b)
		if used <= 0 || n > uint64(len(b)-used) {
			return "", false
		}
		s := string(b[used : used+int(n)])
		b = b[used+int(n):]
		return s, true
	}
	for len(b) > 0 {
		index, ok1 := next()
		value, ok2 := next()
		if !ok1 || !ok2 {
			return nil, fmt.Errorf("its keys are damaged")
		}
		keys = append(keys, store.Key{Index: index, Value: value})
	}
	return keys, nil
}
