package sqlite

import (
	"context"
	"database/sql/driver"
	"fmt"
	"math"

	"kettlebook/records/store"
)

// entryPage is how many entries are read at a time when all of them are.
const entryPage = 500

// Rebuild implements store.Store.
func (s *Store) Rebuild(ctx context.Context) error {
	return s.do(ctx, &job{run: func(w *writer) error {
		c, site := w.c, s.cfg.Site
		for _, table := range []string{"documents", "index_keys", "days", "readings"} {
			if _, err := c.exec("DELETE FROM "+table+" WHERE site = ?", site); err != nil {
				return engineError(err)
			}
		}
		err := eachEntry(c, site, func(e store.Entry) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			p, err := s.cfg.Project(e)
			if err != nil {
				return fmt.Errorf("project entry %d: %w", e.Sequence, err)
			}
			return project(c, site, e.Sequence, p)
		})
		if err != nil {
			return err
		}
		_, err = c.exec("INSERT OR REPLACE INTO projections (site, version) VALUES (?, ?)", site, s.cfg.ProjectionVersion)
		return err
	}})
}

// eachEntry calls f for every stored entry in order of its sequence.
func eachEntry(c *conn, site int64, f func(store.Entry) error) error {
	next := int64(math.MinInt64) // what stands below 1 was not put there by us, and is to be seen
	for {
		page := make([]store.Entry, 0, entryPage)
		err := c.query(func(row []driver.Value) error {
			page = append(page, store.Entry{Sequence: integer(row[0]), Envelope: blob(row[1])})
			return nil
		}, "SELECT sequence, envelope FROM entries WHERE site = ? AND sequence >= ? ORDER BY sequence LIMIT ?",
			site, next, int64(entryPage))
		if err != nil {
			return err
		}
		for _, e := range page {
			if err := f(e); err != nil {
				return err
			}
			next = e.Sequence + 1
		}
		if len(page) < entryPage {
			return nil
		}
	}
}
