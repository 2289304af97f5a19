package main

import (
	"archive/tar"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kettlebook/records"
	"kettlebook/records/store"
	"kettlebook/records/store/sqlite"
	"kettlebook/server"
	"kettlebook/server/keys"
)

// A backup is one tar file, so that any tar can open it:
//
//	backup.json      what it is: see backupNote
//	kettlebook.db    the database at one moment
//	ca.pem, seal-ca.pem
//	files/           evidence by its SHA-256: sealed logs, day contents
//	keys/            with --with-keys only
//
// logs/ is not in it: those are files of files/ under the names that the
// ledger gives them.
const (
	backupFormat = "kettlebook backup 1"
	backupJSON   = "backup.json"
	databaseFile = "kettlebook.db"
)

// backupNote stands first in a backup and says what it holds.
type backupNote struct {
	// Format names this arrangement.
	Format string `json:"format"`
	// Software that wrote it, and when.
	Software string    `json:"software"`
	MadeAt   time.Time `json:"made_at"`
	// Entries in the ledger, and the root over them in base64.
	Entries int64  `json:"entries"`
	Root    string `json:"root"`
	// Checkpoint signed last when it was made.
	Checkpoint string `json:"checkpoint"`
	// Keys says that it holds the kitchen's private keys.
	Keys bool `json:"keys"`
}

func backupCommand() *cobra.Command {
	var withKeys bool
	c := atMachine(&cobra.Command{
		Use:   "backup FILE --dir DIR",
		Short: "Copy a kitchen into one file, also while it is being served",
		Long: "Writes the ledger as it is at one moment, and all sealed logs, into one tar file, and checks the\n" +
			"copy. The service may go on meanwhile. Without --with-keys the private keys are not in it: keep\n" +
			"the folder's keys/ apart. With them the file is as good as the kitchen itself: lock it away.\n" +
			"Keep backups on another machine.",
		Example: "  kettlebook backup /mnt/stick/kitchen.tar --dir k",
		Args:    cobra.ExactArgs(1),
	}, func(c *cobra.Command, dir string, args []string) error {
		n, err := makeBackup(c.Context(), dir, args[0], withKeys)
		if err != nil {
			return err
		}
		fmt.Fprintln(c.OutOrStdout(), args[0])
		w := c.ErrOrStderr()
		fmt.Fprintf(w, "Backed up and checked: %d entries.\n", n.Entries)
		if withKeys {
			fmt.Fprintln(w, "It holds the private keys: whoever has it can sign as this kitchen.")
		}
		return nil
	})
	c.Flags().BoolVar(&withKeys, "with-keys", false, "put the private keys in too")
	return c
}

// makeBackup writes a backup of the kitchen in dir to path.
func makeBackup(ctx context.Context, dir, path string, withKeys bool) (n backupNote, err error) {
	if exists(path) {
		return n, &records.FieldError{Kind: records.ErrExists, Field: path, Problem: "is there", Cure: "a backup is never written over: choose another name"}
	}
	if err := holdsKitchen(dir); err != nil {
		return n, err
	}
	ring, err := keys.Open(filepath.Join(dir, "keys"))
	if err != nil {
		return n, err
	}
	work, err := os.MkdirTemp(filepath.Dir(path), ".backup-*")
	if err != nil {
		return n, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	// The database first: every file that its entries name is there by then.
	database := filepath.Join(work, databaseFile)
	if err := sqlite.BackupFile(ctx, filepath.Join(dir, databaseFile), database); err != nil {
		return n, err
	}
	report, err := checkDatabase(ctx, database, false)
	if err != nil {
		return n, err
	}
	last, err := ring.LastCheckpoint()
	if err != nil {
		return n, err
	}
	n = backupNote{Format: backupFormat, Software: softwareVersion, MadeAt: time.Now().UTC().Truncate(time.Second), Entries: report.Size, Root: report.Root.String(), Checkpoint: string(last), Keys: withKeys}
	archive := filepath.Join(work, "backup.tar")
	if err := writeArchive(archive, n, dir, database); err != nil {
		return n, err
	}
	// A link, not a rename: it fails when the name was taken meanwhile.
	if err := os.Link(archive, path); err != nil {
		return n, err
	}
	return n, syncFolder(filepath.Dir(path))
}

func writeArchive(path string, n backupNote, dir, database string) (err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	t := tar.NewWriter(f)
	note, err := json.MarshalIndent(n, "", "  ")
	if err != nil {
		return err
	}
	note = append(note, '\n')
	if err := t.WriteHeader(&tar.Header{Name: backupJSON, Mode: 0o600, Size: int64(len(note)), ModTime: n.MadeAt}); err != nil {
		return err
	}
	if _, err := t.Write(note); err != nil {
		return err
	}
	if err := addFile(t, database, databaseFile); err != nil {
		return err
	}
	parts := []string{"ca.pem", "seal-ca.pem", "files"}
	if n.Keys {
		parts = append(parts, "keys")
	}
	for _, part := range parts {
		if err := addTree(t, dir, part); err != nil {
			return err
		}
	}
	return errors.Join(t.Close(), f.Sync())
}

// addTree adds a file, or a folder with all that is finished in it.
func addTree(t *tar.Writer, dir, part string) error {
	return filepath.WalkDir(filepath.Join(dir, part), func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // a kitchen without evidence yet, or a file that was unfinished
		}
		if err != nil || !e.Type().IsRegular() || strings.HasPrefix(e.Name(), ".") {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		return addFile(t, path, filepath.ToSlash(name))
	})
}

func addFile(t *tar.Writer, path, name string) (err error) {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if err := t.WriteHeader(&tar.Header{Name: name, Mode: 0o600, Size: info.Size(), ModTime: info.ModTime()}); err != nil {
		return err
	}
	_, err = io.Copy(t, f)
	return err
}

// checkDatabase opens a database that nobody else has open and recomputes it.
// With remake, projections of older software, or such as do not follow from
// the entries, are made anew. A *store.TamperedError comes with exit code 3.
func checkDatabase(ctx context.Context, path string, remake bool) (report store.CheckReport, err error) {
	st, err := sqlite.Open(ctx, sqlite.Config{Path: path, Site: 1, Project: server.Projector(), ProjectionVersion: projectionVersion, Upgrade: remake})
	if err != nil {
		return report, err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	report, err = st.Check(ctx)
	if remake && errors.Is(err, store.ErrProjection) {
		if err := st.Rebuild(ctx); err != nil {
			return report, err
		}
		report, err = st.Check(ctx)
	}
	return report, tampered(err)
}

// tampered gives an error of the store that is evidence of tampering its exit code.
func tampered(err error) error {
	var t *store.TamperedError
	if errors.As(err, &t) {
		return &exitError{exitTampered, fmt.Errorf("evidence of tampering: entry %d: %s\nhint: keep the folder as it is; compare it with a backup and with the printed logs", t.Sequence, t.What)}
	}
	return err
}
