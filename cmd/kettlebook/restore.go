package main

import (
	"archive/tar"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
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

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
	"kettlebook/records/store/sqlite"
	"kettlebook/server"
	"kettlebook/server/keys"
	"kettlebook/server/signin"
)

func restoreCommand() *cobra.Command {
	var newLedger bool
	var as, reason string
	c := atMachine(&cobra.Command{
		Use:   "restore [BACKUP] --dir DIR [--new-ledger --as INITIALS --reason WHY]",
		Short: "Put a backup in place",
		Long: "Checks a backup, puts it in place of the ledger in DIR, and keeps what stood there beside it. All\n" +
			"sessions end. When the backup has everything that was signed for, the kitchen goes on. When\n" +
			"it has not, it opens for reading only (exit code 1): restore a newer one.\n\n" +
			"When there is no newer one, --new-ledger goes on from the copy under a new name. Its first\n" +
			"entry says what was lost, who decided it and why, and every later log prints that. The old\n" +
			"name is never signed again. Only an administrator may, and it cannot be undone.",
		Example: "  kettlebook restore /mnt/stick/kitchen.tar --dir k\n" +
			"  kettlebook restore --new-ledger --as HV --reason \"disk broke on 12 May\" --dir k",
		Args: cobra.MaximumNArgs(1),
	}, func(c *cobra.Command, dir string, args []string) error {
		if !c.Flags().Changed("as") {
			fromEnv(&as, "KETTLEBOOK_AS")
		}
		switch {
		case len(args) == 0 && !newLedger:
			return usage("what is to be restored? give the backup's file")
		case newLedger && (as == "" || strings.TrimSpace(reason) == ""):
			return usage("--new-ledger needs --as INITIALS and --reason WHY: both are printed on every later log")
		}
		ctx := c.Context()
		if len(args) == 1 {
			if err := putInPlace(ctx, args[0], dir, c.ErrOrStderr()); err != nil {
				return err
			}
		}
		readOnly, err := standing(ctx, c, dir)
		switch {
		case err != nil:
			return err
		case newLedger && readOnly == nil:
			return &records.FieldError{Kind: records.ErrState, Problem: "the ledger has everything that was signed for: nothing was lost", Cure: "go on as it is"}
		case newLedger:
			return goOn(ctx, c, door{dir: dir, as: as}, reason)
		case readOnly != nil:
			return fmt.Errorf("it opens for reading only: %w", readOnly)
		}
		c.PrintErrln("It has everything that was signed for. All sessions have ended.")
		return nil
	})
	f := c.Flags()
	f.BoolVar(&newLedger, "new-ledger", false, "go on from an older copy under a new name")
	f.StringVar(&as, "as", "", "initials of the administrator who decides it; the PIN is asked for")
	f.StringVar(&reason, "reason", "", "why it is restored")
	return c
}

// putInPlace checks a backup and puts it in place of the ledger in dir.
func putInPlace(ctx context.Context, backup, dir string, w io.Writer) (err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	work, err := os.MkdirTemp(dir, ".restore-*")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	n, err := readArchive(backup, work)
	if err != nil {
		return err
	}
	report, err := checkDatabase(ctx, filepath.Join(work, databaseFile), true)
	if err != nil {
		return fmt.Errorf("the backup itself is not sound, and nothing was changed: %w", err)
	}
	if report.Size != n.Entries || report.Root.String() != n.Root {
		return &exitError{exitTampered, fmt.Errorf("the backup does not hold the ledger that it says it holds; nothing was changed")}
	}
	fresh := !exists(filepath.Join(dir, "keys"))
	if fresh && !n.Keys {
		return &records.FieldError{Kind: records.ErrNotFound, Problem: "there are no keys in " + dir + " and none in the backup", Cure: "put the kitchen's keys/ folder there first"}
	}
	if fresh {
		if err := os.Rename(filepath.Join(work, "keys"), filepath.Join(dir, "keys")); err != nil {
			return err
		}
	}
	if err := endSessions(ctx, dir, filepath.Join(work, databaseFile)); err != nil {
		return err
	}
	if err := moveEvidence(work, dir); err != nil {
		return err
	}
	aside, err := exchange(filepath.Join(work, databaseFile), filepath.Join(dir, databaseFile), time.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "The ledger of %d entries, backed up %s, is in place.\n", n.Entries, n.MadeAt.Format(time.RFC3339))
	if aside != "" {
		fmt.Fprintf(w, "What stood there is kept as %s.\n", aside)
	}
	return nil
}

// readArchive unpacks a backup into a folder. It takes nothing that a backup
// does not hold, and no evidence that does not have its own hash.
func readArchive(path, into string) (n backupNote, err error) {
	f, err := os.Open(path)
	if err != nil {
		return n, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	foreign := func(what string) error {
		return &records.FieldError{Kind: records.ErrInvalid, Field: path, Problem: what, Cure: "give a file that kettlebook backup wrote"}
	}
	t := tar.NewReader(f)
	h, err := t.Next()
	if err != nil || h.Name != backupJSON {
		return n, foreign("is no backup")
	}
	if err := json.NewDecoder(io.LimitReader(t, 1<<20)).Decode(&n); err != nil || n.Format != backupFormat {
		return n, foreign("is no backup that this version can read")
	}
	for {
		h, err := t.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return n, foreign("breaks off or is damaged: " + err.Error())
		}
		if !h.FileInfo().Mode().IsRegular() || !belongs(h.Name, n.Keys) {
			return n, foreign(fmt.Sprintf("holds %q, which is no part of a backup", h.Name))
		}
		sum, err := unpack(t, filepath.Join(into, filepath.FromSlash(h.Name)))
		if err != nil {
			return n, err
		}
		if dir, name, _ := strings.Cut(h.Name, "/"); dir == "files" && filepath.Base(name) != sum {
			return n, &exitError{exitTampered, fmt.Errorf("%s: %s was changed: its SHA-256 is %s", path, h.Name, sum)}
		}
	}
	if !exists(filepath.Join(into, databaseFile)) {
		return n, foreign("holds no ledger")
	}
	return n, nil
}

// belongs says that a name may stand in a backup.
func belongs(name string, withKeys bool) bool {
	parts := strings.Split(name, "/")
	switch {
	case !filepath.IsLocal(filepath.FromSlash(name)):
		return false
	case len(parts) == 1:
		return name == databaseFile || name == "ca.pem" || name == "seal-ca.pem"
	case parts[0] == "keys":
		return withKeys && len(parts) == 2
	}
	return parts[0] == "files" && len(parts) == 3
}

// unpack writes a file and gives its SHA-256 in hexadecimal.
func unpack(r io.Reader, path string) (sum string, err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return "", err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	h := sha256.New()
	if _, err := io.Copy(io.MultiWriter(f, h), r); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), f.Sync()
}

// endSessions ends every session that a database holds.
func endSessions(ctx context.Context, dir, database string) (err error) {
	ring, err := keys.Open(filepath.Join(dir, "keys"))
	if err != nil {
		return err
	}
	st, err := sqlite.Open(ctx, sqlite.Config{Path: database, Site: 1, Project: server.Projector(), ProjectionVersion: projectionVersion})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	desk, err := signin.New(signin.Config{Vault: server.NewVault(st.Secrets()), Pepper: ring.Pepper(), Clock: time.Now, Random: rand.Reader})
	if err != nil {
		return err
	}
	return desk.EndAll(ctx)
}

// moveEvidence moves what the folder does not have yet; nothing there is
// written over.
func moveEvidence(from, to string) error {
	for _, part := range []string{"ca.pem", "seal-ca.pem", "files"} {
		err := filepath.WalkDir(filepath.Join(from, part), func(path string, e fs.DirEntry, err error) error {
			if errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			if err != nil || !e.Type().IsRegular() {
				return err
			}
			name, err := filepath.Rel(from, path)
			if err != nil || exists(filepath.Join(to, name)) {
				return err
			}
			if err := os.MkdirAll(filepath.Dir(filepath.Join(to, name)), 0o700); err != nil {
				return err
			}
			return errors.Join(os.Rename(path, filepath.Join(to, name)), syncFolder(filepath.Dir(filepath.Join(to, name))))
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// exchange puts a database in place of another, which is kept under a name of
// its own with its write-ahead log, so that it opens as it was.
func exchange(from, to string, now time.Time) (aside string, err error) {
	if exists(to) {
		// A link, not a rename: it never writes over one that is kept already.
		name := to + ".before-" + now.UTC().Format("20060102T150405Z")
		aside = name
		err := os.Link(to, aside)
		for n := 2; errors.Is(err, fs.ErrExist); n++ {
			aside = fmt.Sprintf("%s-%d", name, n)
			err = os.Link(to, aside)
		}
		if err != nil {
			return "", err
		}
		// A log that is left behind would be read as the new database's own.
		for _, tail := range []string{"-wal", "-shm"} {
			if err := os.Rename(to+tail, aside+tail); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return "", err
			}
		}
	}
	return aside, errors.Join(os.Rename(from, to), syncFolder(filepath.Dir(to)))
}

// standing opens the restored kitchen, puts the logs that its ledger names
// back under their names, and says why it is for reading only; nil when it is
// not.
func standing(ctx context.Context, c *cobra.Command, dir string) (readOnly, err error) {
	k, err := openFolder(ctx, dir, openOptions{})
	if err != nil {
		return nil, err
	}
	defer k.close()
	logs, err := allLogs(ctx, k.operator)
	if err != nil {
		return nil, err
	}
	for _, l := range logs {
		path := filepath.Join(dir, "logs", l.GetFileName())
		if exists(path) {
			continue
		}
		pdf, _, err := k.operator.FetchLog(ctx, &sv.GetLogRequest{Serial: l.GetSerial()})
		if err != nil {
			fmt.Fprintf(c.ErrOrStderr(), "kettlebook: log %d (%s) is not among the files: %v\n", l.GetSerial(), l.GetFileName(), err)
			continue
		}
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), writeFile(path, pdf)); err != nil {
			return nil, err
		}
	}
	return k.server.ReadOnly(), nil
}
