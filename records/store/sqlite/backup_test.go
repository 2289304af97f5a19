package sqlite

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
	"kettlebook/records/store/storetest"
)

// TestBackupWhileWriting backs up beside four writers: the copy is a sound
// ledger of some moment, with all that was acknowledged before it began, and
// the ledger extends it.
func TestBackupWhileWriting(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := mustOpen(t, testConfig(t.TempDir()))
	for i := range 20 {
		mustAppend(t, s, fmt.Sprint("before ", i))
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				cmd := storetest.NewCommand(fmt.Sprintf("%d.%d", w, i))
				if _, err := s.Append(ctx, cmd, storetest.Decide(storetest.NewTray(cmd, cmd.RequestID))); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	dir := t.TempDir()
	for i := range 5 {
		cmd := storetest.NewCommand(fmt.Sprint("acknowledged ", i))
		if _, err := s.Append(ctx, cmd, storetest.Decide(storetest.NewTray(cmd, cmd.RequestID))); err != nil {
			t.Fatal(err)
		}
		// It takes the place of the backup before.
		if err := s.Backup(ctx, filepath.Join(dir, fileName)); err != nil {
			t.Fatal(err)
		}
	}
	close(stop)
	wg.Wait()
	files, err := os.ReadDir(dir)
	if err != nil || len(files) != 1 {
		t.Fatalf("the backup is %d files, %v; want 1", len(files), err)
	}
	copied := mustOpen(t, testConfig(dir))
	report := storetest.Sound(t, copied)
	v, release, err := copied.Snapshot(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	if _, found, err := v.Receipt("acknowledged 4"); !found || err != nil {
		t.Errorf("what was acknowledged before the backup is not in it: %v", err)
	}
	now, releaseNow, err := s.Snapshot(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer releaseNow()
	root, err := ledger.RootAt(now, now.Size())
	if err != nil {
		t.Fatal(err)
	}
	proof, err := ledger.Consistency(now, report.Size, now.Size())
	if err != nil {
		t.Fatal(err)
	}
	if err := ledger.CheckConsistency(proof, report.Size, report.Root, now.Size(), root); err != nil {
		t.Error(err)
	}
}

func TestBackupFails(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, testConfig(t.TempDir()))
	mustAppend(t, s, "1")
	dir := t.TempDir()
	ended, end := context.WithCancel(context.Background())
	end()
	if err := s.Backup(ended, filepath.Join(dir, "a")); !errors.Is(err, context.Canceled) {
		t.Errorf("after its context ended: %v", err)
	}
	if err := s.Backup(context.Background(), filepath.Join(dir, "none", "a")); err == nil {
		t.Error("a backup into a folder that is not there")
	}
	if err := os.Mkdir(filepath.Join(dir, "folder"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := s.Backup(context.Background(), filepath.Join(dir, "folder")); err == nil {
		t.Error("a backup in the place of a folder")
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) != 1 {
		t.Errorf("a failed backup left %d files, %v", len(files)-1, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Backup(context.Background(), filepath.Join(dir, "a")); !errors.Is(err, store.ErrClosed) {
		t.Errorf("of a closed store: %v", err)
	}
}

// TestBackupFile backs up a file that a store has open and has just written
// to: what was acknowledged is in the copy, though it may still lie in the
// write-ahead log.
func TestBackupFile(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	c := testConfig(t.TempDir())
	s := mustOpen(t, c)
	for i := range 20 {
		mustAppend(t, s, fmt.Sprint("entry ", i))
	}
	copied := filepath.Join(t.TempDir(), fileName)
	if err := BackupFile(ctx, c.Path, copied); err != nil {
		t.Fatal(err)
	}
	want, err := s.Check(ctx)
	if err != nil {
		t.Fatal(err)
	}
	c.Path = copied
	got, err := mustOpen(t, c).Check(ctx)
	if err != nil || got != want {
		t.Errorf("the copy is %+v, %v; want %+v", got, err, want)
	}
	missing := filepath.Join(t.TempDir(), "none")
	if err := BackupFile(ctx, missing, copied); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
	if _, err := os.Stat(missing); !os.IsNotExist(err) {
		t.Error("the file that is not there was made")
	}
}
