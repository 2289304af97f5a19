package server

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/note"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// Restore says how a ledger that was restored from an older copy goes on.
type Restore struct {
	// LastCheckpoint is the last checkpoint signed under the origin that ends,
	// and VerifierKey the key to open it with.
	LastCheckpoint []byte
	VerifierKey    string
	// NewOrigin is the origin that begins.
	NewOrigin string
	// Person is who answers for it, signed in by PIN.
	Person string
	// Reason is why, 1 to 500 characters.
	Reason string
	// Now is the time, and SoftwareVersion the version that writes.
	Now             time.Time
	SoftwareVersion string
}

// ContinueRestored appends the first entry of a new origin to a restored
// ledger: what was signed, what is lost, who answers for it and why. It is no
// call of the service: the machine that holds the folder does it, on a store
// that no server has opened, and makes the key of the new origin afterwards.
// A crash in between leaves the ledger read-only; the same again gives the
// entry that is there. The error wraps ErrState when the ledger extends the
// last checkpoint, or is not an older copy of what was signed.
func ContinueRestored(ctx context.Context, st store.Store, r Restore) (*kb.LedgerRestored, error) {
	verifier, err := note.NewVerifier(r.VerifierKey)
	if err != nil {
		return nil, fmt.Errorf("server: verifier key: %w", err)
	}
	last, err := ledger.OpenCheckpoint(r.LastCheckpoint, verifier)
	if err != nil {
		return nil, fmt.Errorf("server: last checkpoint: %w", err)
	}
	act := records.Act{Site: 1, Person: r.Person, KnownBy: kb.KnownBy_KNOWN_BY_PIN_SESSION, RequestID: systemID("restore", r.NewOrigin),
		ContentHash: sha256.Sum256([]byte(r.NewOrigin)), RecordedAt: r.Now, SoftwareVersion: r.SoftwareVersion}
	kept, err := st.Append(ctx, store.Command{RequestID: act.RequestID, ContentHash: act.ContentHash},
		step(func(v store.View) (restoreFacts, error) {
			f := restoreFacts{size: v.Size(), day: registerDay(v, r.Now)}
			if f.size >= last.Size {
				_, err := extends(v, last)
				return f, stillWhole(err)
			}
			return f, nil
		}, func(f restoreFacts) ([]records.Draft, error) {
			return records.DecideRestored(act, f.day, &kb.LedgerRestored{
				OldCheckpoint: string(r.LastCheckpoint), RestoredSize: f.size, LostEntries: last.Size - f.size, NewOrigin: r.NewOrigin, Reason: r.Reason,
			})
		}))
	if err != nil {
		return nil, err
	}
	v, release, err := st.Snapshot(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	stored, err := v.Entry(kept.First)
	if err != nil {
		return nil, err
	}
	e, err := records.ParseEntry(stored.Envelope)
	if err != nil {
		return nil, err
	}
	m, ok := e.Message.(*kb.LedgerRestored)
	if !ok {
		return nil, fmt.Errorf("%w: entry %d is no notice of a restore", records.ErrMalformed, kept.First)
	}
	return m, nil
}

type restoreFacts struct {
	size int64
	day  string
}

// stillWhole refuses a ledger that is no shorter than what was signed for.
func stillWhole(forked error) error {
	if forked == nil {
		return &records.FieldError{Kind: records.ErrState, Problem: "the ledger extends the last checkpoint that was signed: nothing was lost", Cure: "go on as it is"}
	}
	return &records.FieldError{Kind: records.ErrState, Problem: problem(forked),
		Cure: "a new origin is for an older copy that is otherwise whole: restore a backup from before the two parted"}
}
