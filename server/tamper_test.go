package server_test

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// alter runs statements on a kitchen's database file while nobody serves it,
// as somebody with a tool of their own would.
func (k *kitchen) alter(statements ...string) {
	k.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(k.dir, "kettlebook.db"))
	if err != nil {
		k.t.Fatal(err)
	}
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			k.t.Fatalf("%s: %v", s, err)
		}
	}
	if err := db.Close(); err != nil {
		k.t.Fatal(err)
	}
}

func (k *kitchen) checkpoint() string {
	k.t.Helper()
	r, err := k.op.Ledger.GetCheckpoint(ctx, &sv.GetCheckpointRequest{})
	if err != nil {
		k.t.Fatal(err)
	}
	return r.GetCheckpoint()
}

func (k *kitchen) checked() *sv.CheckLedgerResponse {
	k.t.Helper()
	r, err := k.op.Ledger.CheckLedger(ctx, &sv.CheckLedgerRequest{})
	if err != nil {
		k.t.Fatal(err)
	}
	return r
}

// TestChangedEntryIsFound: one byte of one entry changed in the file is found,
// and the entry is named.
func TestChangedEntryIsFound(t *testing.T) {
	k := worked(t)
	k.checkpoint()
	if r := k.checked(); !r.GetSound() || r.GetState() != sv.LedgerState_LEDGER_STATE_SOUND || r.GetSize() != k.state().size {
		t.Fatalf("before: %v", r)
	}
	k.stop()
	whole := t.TempDir()
	if err := copyFolder(k.dir, whole); err != nil {
		t.Fatal(err)
	}
	for _, n := range []int64{1, 9, 20} {
		if err := copyFolder(whole, k.dir); err != nil {
			t.Fatal(err)
		}
		k.alter("DROP TRIGGER entries_update", fmt.Sprintf("UPDATE entries SET envelope = CAST(substr(envelope, 1, 30) || x'ff' || substr(envelope, 32) AS BLOB) WHERE sequence = %d", n))
		k.start()
		r := k.checked()
		if r.GetSound() || r.GetState() != sv.LedgerState_LEDGER_STATE_CHANGED || r.GetFirstBadSequence() != n || !strings.Contains(r.GetFinding(), fmt.Sprint("entry ", n)) {
			t.Errorf("entry %d: %v", n, r)
		}
		k.stop()
	}
	// Documents that were changed are no evidence against the entries.
	if err := copyFolder(whole, k.dir); err != nil {
		t.Fatal(err)
	}
	k.alter("UPDATE documents SET body = x'00' WHERE kind = 'person' AND id = 'AK'")
	k.start()
	if r := k.checked(); r.GetSound() || r.GetState() != sv.LedgerState_LEDGER_STATE_INDEX_DIFFERS || r.GetFirstBadSequence() != 0 {
		t.Errorf("a changed document: %v", r)
	}
	if err := k.store.Rebuild(ctx); err != nil {
		t.Fatal(err)
	}
	sound(t, k)
}

// readOnly checks that a kitchen reads but takes nothing, and says why.
func (k *kitchen) readOnly(state sv.LedgerState, words string) {
	k.t.Helper()
	before := k.state()
	_, err := k.op.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: k.id(), Site: site()})
	want(k.t, err, records.ErrReadOnly, "")
	if _, err := k.op.Ledger.GetCheckpoint(ctx, &sv.GetCheckpointRequest{}); !errors.Is(err, records.ErrReadOnly) {
		k.t.Errorf("a checkpoint was signed: %v", err)
	}
	k.day(monday)
	if r := k.checked(); r.GetSound() || r.GetState() != state || r.GetFirstBadSequence() != 0 || !strings.Contains(r.GetFinding(), words) {
		k.t.Errorf("the check says %v", r)
	}
	if k.server.ReadOnly() == nil || !strings.Contains(k.server.ReadOnly().Error(), words) {
		k.t.Errorf("the server says %v", k.server.ReadOnly())
	}
	if k.state() != before {
		k.t.Error("the ledger changed")
	}
}

// TestOlderCopyIsReadOnly: a copy older than the last checkpoint is served for
// reading only, told from one that was continued, and neither is signed.
func TestOlderCopyIsReadOnly(t *testing.T) {
	k := worked(t)
	k.stop()
	older := t.TempDir()
	if err := copyFolder(k.dir, older); err != nil {
		t.Fatal(err)
	}
	k.start()
	k.open("L2", at(0, 7, 20))
	k.open("L3", at(0, 7, 21))
	signed := k.checkpoint()
	k.stop()
	database := func(dir string) {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, "kettlebook.db"))
		if err == nil {
			err = os.WriteFile(filepath.Join(k.dir, "kettlebook.db"), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		_ = os.Remove(filepath.Join(k.dir, "kettlebook.db-wal"))
		_ = os.Remove(filepath.Join(k.dir, "kettlebook.db-shm"))
	}
	newest := t.TempDir()
	if err := copyFolder(k.dir, newest); err != nil {
		t.Fatal(err)
	}
	database(older)
	k.start()
	k.readOnly(sv.LedgerState_LEDGER_STATE_OLDER_COPY, "restored from an older copy")
	k.stop()

	// Continued where no checkpoint was known, and brought back: another ledger.
	if err := os.Remove(filepath.Join(k.dir, "last-checkpoint")); err != nil {
		t.Fatal(err)
	}
	k.start()
	for i := range 4 {
		k.open(fmt.Sprint("FORK", i), at(0, 7, 22))
	}
	sound(t, k)
	k.stop()
	if err := os.WriteFile(filepath.Join(k.dir, "last-checkpoint"), []byte(signed), 0o600); err != nil {
		t.Fatal(err)
	}
	k.start()
	k.readOnly(sv.LedgerState_LEDGER_STATE_FORKED, "are not those that the last checkpoint was signed over")
	k.stop()

	// The newest copy goes on.
	database(newest)
	k.start()
	k.open("L4", at(0, 7, 23))
	sound(t, k)
	// A checkpoint that cannot be read stops the service: it may hide a restore.
	k.stop()
	if err := os.WriteFile(filepath.Join(k.dir, "last-checkpoint"), []byte(strings.Replace(signed, "kettlebook.invalid", "kettlebook.invalix", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := k.tryStart(); err == nil {
		t.Error("it started with a checkpoint of somebody else")
		k.stop()
	}
	if err := os.WriteFile(filepath.Join(k.dir, "last-checkpoint"), []byte(signed), 0o600); err != nil {
		t.Fatal(err)
	}
	k.start()
}

// TestLedgerProofs: entries, inclusion and consistency as the service proves
// them to a stranger, page by page.
func TestLedgerProofs(t *testing.T) {
	k := worked(t)
	old := k.state()
	k.open("L2", at(0, 7, 20))
	now := k.state()
	c, err := k.op.Ledger.ProveConsistency(ctx, &sv.ProveConsistencyRequest{OldSize: old.size})
	if err != nil || c.GetNewSize() != now.size {
		t.Fatal(c, err)
	}
	consistent(t, c, old, now)
	var all [][]byte
	token := ""
	for {
		r, err := k.op.Ledger.ListEntries(ctx, &sv.ListEntriesRequest{PageSize: 7, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, r.GetRows()...)
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	if int64(len(all)) != now.size {
		t.Fatalf("%d entries of %d", len(all), now.size)
	}
	for _, n := range []int64{1, 2, old.size, now.size} {
		p, err := k.op.Ledger.ProveInclusion(ctx, &sv.ProveInclusionRequest{Sequence: n})
		if err != nil {
			t.Fatal(err)
		}
		included(t, p, n, now, all[n-1])
	}
	for _, r := range []*sv.ProveConsistencyRequest{{OldSize: 0}, {OldSize: -1}, {OldSize: now.size + 1}, {OldSize: 5, NewSize: 4}, {OldSize: 1, NewSize: now.size + 1}, {OldSize: 1, NewSize: -1}} {
		_, err := k.op.Ledger.ProveConsistency(ctx, r)
		want(t, err, records.ErrInvalid, "old_size")
	}
	for _, r := range []*sv.ProveInclusionRequest{{}, {Sequence: -1}, {Sequence: now.size + 1}, {Sequence: 5, Size: 4}, {Sequence: 1, Size: now.size + 1}} {
		_, err := k.op.Ledger.ProveInclusion(ctx, r)
		want(t, err, records.ErrInvalid, "sequence")
	}
	for _, token := range []string{"x", "0", "-1", "99999999999999999999"} {
		_, err := k.op.Ledger.ListEntries(ctx, &sv.ListEntriesRequest{PageToken: token})
		want(t, err, records.ErrInvalid, "page_token")
	}
	empty := openKitchen(t)
	if _, err := empty.op.Ledger.GetCheckpoint(ctx, &sv.GetCheckpointRequest{}); !errors.Is(err, records.ErrNotFound) {
		t.Errorf("an empty ledger was signed: %v", err)
	}
}

// TestLedgerIsSignedAsItGrows: so that a restore after a power cut is noticed,
// the last checkpoint follows the ledger without anybody asking for it.
func TestLedgerIsSignedAsItGrows(t *testing.T) {
	k := withBatch(t)
	var rows []*sv.SheetRow
	for i := range 120 {
		rows = append(rows, &sv.SheetRow{RowKey: fmt.Sprint(i), Record: &sv.SheetRow_Instrument{Instrument: &kb.Instrument{InstrumentId: fmt.Sprint("I", i), Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1")}}})
	}
	must(t)(k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "rack", Rows: rows}))
	deadline := time.Now().Add(patience)
	for {
		b, err := files{k.dir}.lastCheckpoint()
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), fmt.Sprintf("\n%d\n", k.state().size)) {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("the ledger has %d entries, the last checkpoint is %q", k.state().size, b)
		}
		time.Sleep(5 * time.Millisecond)
	}
}
