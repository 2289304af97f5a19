package main

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store/sqlite"
	"kettlebook/server"
	"kettlebook/server/keys"
)

// goOn continues an older copy of a ledger under a new origin: a person with
// the right signs in, the notice is appended, and only then is the key of the
// new origin made. A crash in between leaves the folder for reading only, and
// the same command finishes it.
func goOn(ctx context.Context, c *cobra.Command, d door, reason string) error {
	strays, err := admitted(ctx, c, d)
	if err != nil {
		return err
	}
	aside, err := setAside(d.dir, strays)
	if err != nil {
		return err
	}
	m, err := continueUnder(ctx, d.dir, d.as, reason)
	if err != nil {
		return err
	}
	w := c.ErrOrStderr()
	fmt.Fprintf(w, "The ledger goes on as %s after %d entries; %d that were signed for are lost.\n", m.GetNewOrigin(), m.GetRestoredSize(), m.GetLostEntries())
	if aside != "" {
		fmt.Fprintf(w, "Logs that it does not know any more are in %s: they stay evidence of what was lost.\n", aside)
	}
	// Opening it signs the first checkpoint of the new origin.
	readOnly, err := standing(ctx, c, d.dir)
	return errors.Join(err, readOnly)
}

// admitted signs the person in, who must be an administrator, and lists the
// logs in the folder that the restored ledger does not know.
func admitted(ctx context.Context, c *cobra.Command, d door) (strays []string, err error) {
	s, err := d.open(ctx, c, byPerson)
	if err != nil {
		return nil, err
	}
	defer s.close()
	if !slices.Contains(s.person.GetRoles(), kb.Role_ROLE_ADMINISTRATOR) {
		return nil, &records.FieldError{Kind: records.ErrNotAllowed, Problem: d.as + " is no administrator", Cure: "an administrator decides that signed entries are given up"}
	}
	known := map[[sha256.Size]byte]bool{}
	logs, err := allLogs(ctx, s.Client)
	if err != nil {
		return nil, err
	}
	for _, l := range logs {
		known[[sha256.Size]byte(l.GetPdfSha256())] = true
	}
	found, err := os.ReadDir(filepath.Join(d.dir, "logs"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, e := range found {
		if !e.Type().IsRegular() {
			continue
		}
		b, err := os.ReadFile(filepath.Join(d.dir, "logs", e.Name()))
		if err != nil {
			return nil, err
		}
		if !known[sha256.Sum256(b)] {
			strays = append(strays, e.Name())
		}
	}
	return strays, nil
}

// continueUnder appends the notice and makes the key of the next origin.
func continueUnder(ctx context.Context, dir, person, reason string) (m *kb.LedgerRestored, err error) {
	lock, err := lockFolder(dir)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	ring, err := keys.Open(filepath.Join(dir, "keys"))
	if err != nil {
		return nil, err
	}
	last, err := ring.LastCheckpoint()
	if err != nil {
		return nil, err
	}
	st, err := sqlite.Open(ctx, sqlite.Config{Path: filepath.Join(dir, databaseFile), Site: 1, Project: server.Projector(), ProjectionVersion: projectionVersion})
	if err != nil {
		return nil, err
	}
	m, err = server.ContinueRestored(ctx, st, server.Restore{
		LastCheckpoint: last, VerifierKey: ring.Fingerprints().LedgerVerifier, NewOrigin: nextOrigin(ring.Origin()),
		Person: person, Reason: reason, Now: time.Now(), SoftwareVersion: softwareVersion,
	})
	if err := errors.Join(err, st.Close()); err != nil {
		return nil, err
	}
	if err := ring.NewLedger(rand.Reader, m.GetNewOrigin()); err != nil {
		return nil, err
	}
	return m, endSessions(ctx, dir, filepath.Join(dir, databaseFile))
}

// nextOrigin counts up the number at the end of an origin: .../1 goes on as .../2.
func nextOrigin(origin string) string {
	i := strings.LastIndexByte(origin, '/')
	if n, err := strconv.Atoi(origin[i+1:]); i > 0 && err == nil {
		return origin[:i+1] + strconv.Itoa(n+1)
	}
	return origin + "/2"
}

// setAside moves logs that the ledger does not know into a folder of their
// own, so that a later log of the same day takes no name from them.
func setAside(dir string, names []string) (string, error) {
	if len(names) == 0 {
		return "", nil
	}
	ring, err := keys.Open(filepath.Join(dir, "keys"))
	if err != nil {
		return "", err
	}
	origin := nextOrigin(ring.Origin())
	aside := filepath.Join(dir, "logs", "before-ledger-"+origin[strings.LastIndexByte(origin, '/')+1:])
	if err := os.MkdirAll(aside, 0o700); err != nil {
		return "", err
	}
	for _, n := range names {
		if err := os.Rename(filepath.Join(dir, "logs", n), filepath.Join(aside, n)); err != nil {
			return "", err
		}
	}
	return aside, errors.Join(syncFolder(aside), syncFolder(filepath.Join(dir, "logs")))
}
