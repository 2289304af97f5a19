package main

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store/sqlite"
	"kettlebook/server"
	"kettlebook/server/keys"
)

// olderCopy makes a kitchen whose ledger is an older copy: how many entries it
// has, and how many more were signed for.
func olderCopy(t *testing.T, lost int) (dir string, size int64) {
	t.Helper()
	k, err := scriptKitchen()
	if err != nil {
		t.Fatal(err)
	}
	dir = filepath.Join(t.TempDir(), "k")
	copyPrivate(t, k, dir)
	backup := filepath.Join(t.TempDir(), "b.tar")
	mustRun(t, "backup", backup, "--dir", dir)
	for range lost {
		mustRun(t, "person", "put", "OL", "--name", "Oda Lie", "--role", "cook", "--dir", dir)
	}
	code, _, words := program(t, "restore", backup, "--dir", dir)
	if code != exitFailed || !strings.Contains(words, "older copy") {
		t.Fatalf("exit %d\n%s", code, words)
	}
	return dir, 9
}

// TestNewLedgerAfterCrash stops between the notice and the key of the new
// origin: the folder stays for reading only, whatever was lost, and the same
// command finishes it with the one notice that is there.
func TestNewLedgerAfterCrash(t *testing.T) {
	for _, lost := range []int{1, 2, 5} {
		dir, size := olderCopy(t, lost)
		ring, err := keys.Open(filepath.Join(dir, "keys"))
		if err != nil {
			t.Fatal(err)
		}
		last, err := ring.LastCheckpoint()
		if err != nil {
			t.Fatal(err)
		}
		st, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(dir, databaseFile), Site: 1, Project: server.Projector(), ProjectionVersion: projectionVersion})
		if err != nil {
			t.Fatal(err)
		}
		first, err := server.ContinueRestored(t.Context(), st, server.Restore{LastCheckpoint: last, VerifierKey: ring.Fingerprints().LedgerVerifier,
			NewOrigin: nextOrigin(ring.Origin()), Person: "HV", Reason: "the disk broke", Now: time.Now(), SoftwareVersion: softwareVersion})
		if err := errors.Join(err, st.Close()); err != nil {
			t.Fatal(err)
		}
		if first.GetRestoredSize() != size || first.GetLostEntries() != int64(lost) || first.GetOldCheckpoint() != string(last) {
			t.Errorf("%v", first)
		}

		if entries := openAndList(t, dir, true); len(entries) != int(size)+1 {
			t.Errorf("%d lost: %d entries after the crash", lost, len(entries))
		}
		m, err := continueUnder(t.Context(), dir, "HV", "said otherwise the second time")
		if err != nil {
			t.Fatal(err)
		}
		if m.GetReason() != "the disk broke" {
			t.Errorf("a second notice: %v", m)
		}
		entries := openAndList(t, dir, false)
		if notice, ok := entries[len(entries)-1].Message.(*kb.LedgerRestored); !ok || len(entries) != int(size)+1 || notice.GetNewOrigin() != m.GetNewOrigin() {
			t.Errorf("%d lost: the ledger ends with %v at %d", lost, entries[len(entries)-1].Message, len(entries))
		}
		// And nothing is left to be done again.
		if _, err := continueUnder(t.Context(), dir, "HV", "again"); !errors.Is(err, records.ErrState) {
			t.Errorf("a third time: %v", err)
		}
	}
}

// openAndList opens a folder, and lists its entries.
func openAndList(t *testing.T, dir string, readOnly bool) []records.Entry {
	t.Helper()
	k, err := openFolder(context.Background(), dir, openOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer k.close()
	if (k.server.ReadOnly() != nil) != readOnly {
		t.Errorf("read-only: %v, want %v", k.server.ReadOnly(), readOnly)
	}
	r, err := k.operator.Ledger.ListEntries(t.Context(), &sv.ListEntriesRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	var out []records.Entry
	for _, stored := range r.GetRows() {
		e, err := records.ParseEntry(stored)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}
