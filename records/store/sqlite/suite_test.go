package sqlite

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"

	"kettlebook/records/store"
	"kettlebook/records/store/storetest"
)

const fileName = "ledger.db"

func openSuite(dir string, project store.Projector) (store.Store, error) {
	return Open(context.Background(), Config{Path: filepath.Join(dir, fileName), Site: 3, Project: project})
}

func TestSuite(t *testing.T) {
	t.Parallel()
	storetest.Run(t, storetest.Engine{Open: openSuite, Attempts: attempts})
}

// attempts are the statements by which SQLite could change what was appended.
func attempts(dir string) map[string]func() error {
	all := map[string]func() error{}
	for table, statements := range map[string][]string{
		"entries": {
			"UPDATE entries SET envelope = x'00'", "UPDATE entries SET sequence = 99 WHERE sequence = 5", "UPDATE entries SET site = 4",
			"DELETE FROM entries", "DELETE FROM entries WHERE sequence = 5",
			"INSERT INTO entries (site, sequence, envelope) VALUES (3, 7, x'00')",
			"INSERT INTO entries (site, sequence, envelope) VALUES (3, 5, x'00')",
			"INSERT OR REPLACE INTO entries (site, sequence, envelope) VALUES (3, 5, x'00')",
			"REPLACE INTO entries (site, sequence, envelope) VALUES (3, 1, x'00')",
			"INSERT OR IGNORE INTO entries (site, sequence, envelope) VALUES (3, 5, x'00')",
			"INSERT INTO entries (site, sequence, envelope) VALUES (3, 5, x'00') ON CONFLICT DO UPDATE SET envelope = x'00'",
			"INSERT INTO entries (site, sequence, envelope) VALUES (3, 6, x'')",
			"INSERT INTO entries (site, sequence, envelope) VALUES (3, 6, NULL)",
			"INSERT INTO entries (site, sequence, envelope) VALUES (3, 6, 'text')",
			"INSERT INTO entries (site, sequence, envelope) VALUES (9, 0, x'00')",
		},
		"leaves": {
			"UPDATE leaves SET hash = zeroblob(32)", "UPDATE leaves SET position = position + 100", "DELETE FROM leaves",
			"INSERT OR REPLACE INTO leaves (site, position, hash) VALUES (3, 0, zeroblob(32))",
			"INSERT INTO leaves (site, position, hash) VALUES (3, 20, zeroblob(32))",
			"INSERT INTO leaves (site, position, hash) VALUES (3, 8, zeroblob(31))",
		},
		"receipts": {
			"UPDATE receipts SET entry_count = 2", "UPDATE receipts SET request_id = 'other' WHERE request_id = '1'", "DELETE FROM receipts",
			"INSERT OR REPLACE INTO receipts (site, request_id, content_hash, first_sequence, entry_count) VALUES (3, '1', zeroblob(32), 1, 1)",
			"INSERT INTO receipts (site, request_id, content_hash, first_sequence, entry_count) VALUES (3, '', zeroblob(32), 6, 1)",
		},
	} {
		for _, sql := range statements {
			all[table+": "+sql] = func() error { return alter(dir, sql) }
		}
	}
	return all
}

// alter runs statements on the file in dir as anyone with SQLite could.
func alter(dir string, statements ...string) error {
	c, err := connect(openDriver, dsn(filepath.Join(dir, fileName), "rw"))
	if err != nil {
		return err
	}
	defer c.close()
	for _, sql := range statements {
		if err := c.script(sql); err != nil {
			return fmt.Errorf("%s: %w", sql, err)
		}
	}
	return nil
}
