package sqlite

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"kettlebook/records/store"
	"kettlebook/records/store/storetest"
)

// free are the statements after which SQLite lets everything be changed.
var free = []string{
	"DROP TRIGGER entries_append", "DROP TRIGGER entries_update", "DROP TRIGGER entries_delete",
	"DROP TRIGGER leaves_append", "DROP TRIGGER leaves_update", "DROP TRIGGER leaves_delete",
	"DROP TRIGGER receipts_append", "DROP TRIGGER receipts_update", "DROP TRIGGER receipts_delete",
}

// ledgerOfTwelve makes a closed ledger of 12 entries, of which the seventh
// and eighth are of one command.
func ledgerOfTwelve(t *testing.T) (file string, sound store.CheckReport) {
	t.Helper()
	dir := t.TempDir()
	s := mustOpen(t, testConfig(dir))
	for i := 1; i <= 12; i++ {
		id := fmt.Sprint("request ", i)
		switch i {
		case 7:
			cmd := storetest.NewCommand(id)
			if _, err := s.Append(context.Background(), cmd, storetest.Decide(storetest.NewTray(cmd, "7"), storetest.NewTray(cmd, "8"))); err != nil {
				t.Fatal(err)
			}
		case 8:
		default:
			mustAppend(t, s, id)
		}
	}
	sound = storetest.Sound(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, fileName), sound
}

// freed drops the triggers of a file and returns it.
func freed(t *testing.T, file string) string {
	t.Helper()
	if err := alter(filepath.Dir(file), free...); err != nil {
		t.Fatal(err)
	}
	return file
}

// tampered opens a copy of file after the statements and returns what Check
// says.
func tampered(t *testing.T, file string, statements ...string) error {
	t.Helper()
	dir := t.TempDir()
	copyFile(t, file, filepath.Join(dir, fileName))
	statements = append([]string{"PRAGMA ignore_check_constraints = 1"}, statements...)
	if err := alter(dir, statements...); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, testConfig(dir))
	defer s.Close()
	_, err := s.Check(context.Background())
	return err
}

// flipByte is an SQL expression for a blob column with one bit of byte n
// (from 1) changed; SQLite has no exclusive or.
func flipByte(column string, n int) string {
	return fmt.Sprintf(`CAST(substr(%[1]s, 1, %[2]d) || unhex(printf('%%02x',
		(instr('0123456789ABCDEF', substr(hex(%[1]s), 2*%[2]d+1, 1)) - 1) * 16 +
		(instr('0123456789ABCDEF', substr(hex(%[1]s), 2*%[2]d+2, 1)) - 1 + 1) %% 16)) || substr(%[1]s, %[3]d) AS BLOB)`, column, n-1, n+1)
}

// TestFlippedByteFound changes each column of what was appended, in the first,
// a middle and the last row, and demands that Check names the place.
func TestFlippedByteFound(t *testing.T) {
	t.Parallel()
	file, _ := ledgerOfTwelve(t)
	file = freed(t, file)
	if err := tampered(t, file); err != nil {
		t.Fatalf("nothing but the triggers is gone: %v", err)
	}
	for _, c := range []struct {
		sql      string
		sequence int64 // the first bad one
	}{
		{"UPDATE entries SET envelope = " + flipByte("envelope", 1) + " WHERE sequence = 1", 1},
		{"UPDATE entries SET envelope = " + flipByte("envelope", 40) + " WHERE sequence = 6", 6},
		{"UPDATE entries SET envelope = " + flipByte("envelope", 100) + " WHERE sequence = 12", 12},
		{"UPDATE entries SET envelope = substr(envelope, 1, length(envelope) - 1) WHERE sequence = 3", 3},
		{"UPDATE entries SET envelope = x'' WHERE sequence = 3", 3},
		{"UPDATE entries SET sequence = sequence + 256 WHERE sequence = 1", 1},
		{"UPDATE entries SET sequence = sequence + 256 WHERE sequence = 6", 6},
		{"UPDATE entries SET sequence = sequence + 256 WHERE sequence = 12", 12},
		{"UPDATE entries SET sequence = 0 WHERE sequence = 1", 1},
		{"UPDATE entries SET sequence = -sequence WHERE sequence = 6", 1},
		{"UPDATE entries SET site = 2 WHERE sequence = 1", 1},
		{"UPDATE entries SET site = 2 WHERE sequence = 6", 6},
		{"UPDATE entries SET site = 2 WHERE sequence = 12", 12},
		{"UPDATE entries SET sequence = 1000 WHERE sequence = 4; UPDATE entries SET sequence = 4 WHERE sequence = 5; UPDATE entries SET sequence = 5 WHERE sequence = 1000", 4},
		{"DELETE FROM entries WHERE sequence = 6", 6},
		{"DELETE FROM entries WHERE sequence >= 11", 11},
		{"INSERT INTO entries (site, sequence, envelope) SELECT site, 13, envelope FROM entries WHERE sequence = 12", 13},
		// Leaf 5 (entry 6) has position 8, the node over entries 1 to 8 has 14.
		{"UPDATE leaves SET hash = " + flipByte("hash", 1) + " WHERE position = 0", 1},
		{"UPDATE leaves SET hash = " + flipByte("hash", 32) + " WHERE position = 8", 6},
		{"UPDATE leaves SET hash = " + flipByte("hash", 17) + " WHERE position = 14", 8},
		{"UPDATE leaves SET hash = " + flipByte("hash", 9) + " WHERE position = (SELECT max(position) FROM leaves)", 12},
		{"UPDATE leaves SET hash = substr(hash, 1, 31) WHERE position = 8", 6},
		{"UPDATE leaves SET position = position + 256 WHERE position = 0", 1},
		{"UPDATE leaves SET position = position + 256 WHERE position = 8", 6},
		{"UPDATE leaves SET position = position + 256 WHERE position = (SELECT max(position) FROM leaves)", 12},
		{"UPDATE leaves SET site = 2 WHERE position = 0", 1},
		{"UPDATE leaves SET site = 2 WHERE position = 8", 6},
		{"UPDATE leaves SET site = 2 WHERE position = (SELECT max(position) FROM leaves)", 12},
		{"DELETE FROM leaves WHERE position >= (SELECT max(position) FROM leaves)", 12},
		{"INSERT INTO leaves (site, position, hash) SELECT site, 22, hash FROM leaves WHERE position = 8", 13},
		{"UPDATE receipts SET request_id = 'request 0' WHERE first_sequence = 1", 1},
		{"UPDATE receipts SET request_id = 'request 0' WHERE first_sequence = 7", 7},
		{"UPDATE receipts SET content_hash = " + flipByte("content_hash", 5) + " WHERE first_sequence = 12", 12},
		{"UPDATE receipts SET content_hash = substr(content_hash, 1, 31) WHERE first_sequence = 12", 12},
		{"UPDATE receipts SET first_sequence = 8 WHERE first_sequence = 7", 7},
		{"UPDATE receipts SET first_sequence = 13 WHERE first_sequence = 12", 12},
		{"UPDATE receipts SET entry_count = 1 WHERE first_sequence = 7", 8},
		{"UPDATE receipts SET entry_count = 0 WHERE first_sequence = 6", 6},
		{"UPDATE receipts SET entry_count = 2 WHERE first_sequence = 12", 13},
		{"UPDATE receipts SET site = 2 WHERE first_sequence = 6", 6},
		{"UPDATE receipts SET site = 2 WHERE first_sequence = 12", 12},
		{"INSERT INTO receipts SELECT site, 'more', content_hash, 13, 1 FROM receipts WHERE first_sequence = 12", 13},
		{"INSERT INTO receipts SELECT site, 'more', content_hash, 4, 1 FROM receipts WHERE first_sequence = 12", 4},
		{"INSERT INTO receipts SELECT site, 'more', content_hash, 0, 1 FROM receipts WHERE first_sequence = 12", 0},
	} {
		err := tampered(t, file, c.sql)
		var found *store.TamperedError
		if !errors.Is(err, store.ErrTampered) || !errors.As(err, &found) || found.Sequence != c.sequence {
			t.Errorf("%s: %v; want sequence %d", c.sql, err, c.sequence)
		}
	}
}

// TestProjectionsCompared changes each column of the projections.
func TestProjectionsCompared(t *testing.T) {
	t.Parallel()
	file, _ := ledgerOfTwelve(t)
	for _, sql := range []string{
		"UPDATE documents SET site = 2 WHERE id = '7'", "UPDATE documents SET kind = 'trax' WHERE id = '7'",
		"UPDATE documents SET id = '9' WHERE id = '7'", "UPDATE documents SET day = '2031-05-07' WHERE id = '7'",
		"UPDATE documents SET sequence = 8 WHERE id = '7'", "UPDATE documents SET keys = " + flipByte("keys", 1) + " WHERE id = '7'",
		"UPDATE documents SET body = " + flipByte("body", 3) + " WHERE id = '7'", "DELETE FROM documents WHERE id = '7'",
		"INSERT INTO documents SELECT site, kind, 'zz', day, sequence, keys, body FROM documents WHERE id = '7'",
		"UPDATE index_keys SET site = 2 WHERE id = '7'", "UPDATE index_keys SET kind = 'trax' WHERE id = '7'",
		"UPDATE index_keys SET name = 'labem' WHERE id = '7'", "UPDATE index_keys SET value = '6' WHERE id = '7'",
		"UPDATE index_keys SET id = '8' WHERE id = '7'", "DELETE FROM index_keys WHERE id = '7'",
		"UPDATE days SET site = 2 WHERE id = '7'", "UPDATE days SET day = '2031-05-07' WHERE id = '7'",
		"UPDATE days SET kind = 'trax' WHERE id = '7'", "UPDATE days SET id = '9' WHERE id = '7'", "DELETE FROM days WHERE id = '7'",
		"UPDATE readings SET site = 2 WHERE sequence = 6", "UPDATE readings SET sequence = 7 WHERE sequence = 6",
		"UPDATE readings SET part = 1 WHERE sequence = 6", "UPDATE readings SET series = 't' WHERE sequence = 6",
		"UPDATE readings SET instrument = 'q' WHERE sequence = 6", "UPDATE readings SET long = 1 WHERE sequence = 6",
		"UPDATE readings SET first_at = 0 WHERE sequence = 6", "UPDATE readings SET last_at = 3 WHERE sequence = 6",
		"UPDATE readings SET count = 4 WHERE sequence = 6", "UPDATE readings SET body = x'00' WHERE sequence = 6",
		"DELETE FROM readings WHERE sequence = 12",
	} {
		if err := tampered(t, file, sql); !errors.Is(err, store.ErrProjection) || errors.Is(err, store.ErrTampered) ||
			!strings.Contains(err.Error(), "`kettlebook rebuild`") {
			t.Errorf("%s: %v", sql, err)
		}
	}
	// A rebuild is the cure.
	dir := t.TempDir()
	copyFile(t, file, filepath.Join(dir, fileName))
	if err := alter(dir, "DELETE FROM days", "UPDATE documents SET body = x'00', keys = x'ff'", "DELETE FROM readings"); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, testConfig(dir))
	if err := s.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	storetest.Sound(t, s)
}

// TestBrokenTreeIsFrozen: a file whose entries and tree hashes do not fit
// together can be looked at and is not continued.
func TestBrokenTreeIsFrozen(t *testing.T) {
	t.Parallel()
	file, _ := ledgerOfTwelve(t)
	dir := filepath.Dir(file)
	if err := alter(dir, append(slices.Clone(free), "DELETE FROM entries WHERE sequence = 12")...); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, testConfig(dir))
	cmd := storetest.NewCommand("more")
	_, err := s.Append(context.Background(), cmd, storetest.Decide(storetest.NewTray(cmd, "x")))
	if !errors.Is(err, store.ErrReadOnly) || !strings.Contains(err.Error(), "`kettlebook ledger check`") {
		t.Errorf("append to a broken ledger: %v", err)
	}
	if _, err := s.Check(context.Background()); !errors.Is(err, store.ErrTampered) {
		t.Errorf("check: %v", err)
	}
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	if e, err := v.Entry(11); err != nil || len(e.Envelope) == 0 {
		t.Errorf("entry 11 cannot be read: %v", err)
	}
}

// TestFlippedByteInFile flips bytes of the file itself: those of an envelope
// and of a leaf hash, and many anywhere. Either Check finds it, or cannot
// check, or the byte is one that holds nothing.
func TestFlippedByteInFile(t *testing.T) {
	t.Parallel()
	file, sound := ledgerOfTwelve(t)
	original, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	check := func(offset int) error {
		dir := t.TempDir()
		b := bytes.Clone(original)
		b[offset] ^= 0x10
		if err := os.WriteFile(filepath.Join(dir, fileName), b, 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := Open(context.Background(), testConfig(dir))
		if err != nil {
			return err
		}
		defer s.Close()
		report, err := s.Check(context.Background())
		if err == nil && report != sound {
			t.Errorf("byte %d flipped: %+v, want %+v", offset, report, sound)
		}
		return err
	}
	marks := map[int64][]byte{4: []byte(`"RequestID":"request 4"`), 7: []byte(`"Sequence":7,`), 12: []byte(`"RequestID":"request 12"`)}
	for sequence, mark := range marks {
		// Pages that were split keep stale copies; one of the places is the row.
		seen := false
		for at := bytes.Index(original, mark); at >= 0; {
			var found *store.TamperedError
			if err := check(at + 3); errors.As(err, &found) && found.Sequence == sequence {
				seen = true
			}
			next := bytes.Index(original[at+1:], mark)
			if next < 0 {
				break
			}
			at += 1 + next
		}
		if !seen {
			t.Errorf("envelope %d flipped in the file was not found", sequence)
		}
	}
	random := rand.New(rand.NewPCG(3, 4))
	unseen := 0
	const flips = 25
	for range flips * storetest.Slow() {
		if check(random.IntN(len(original))) == nil {
			unseen++
		}
	}
	// The file is mostly empty space in pages, where a flip changes nothing.
	if unseen == flips*storetest.Slow() {
		t.Error("no flipped byte was found")
	}
}
