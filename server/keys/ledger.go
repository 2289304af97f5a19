package keys

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// ledgerKey is the key of one origin.
type ledgerKey struct {
	number      int
	signer      note.Signer
	verifier    note.Verifier
	verifierKey string
}

// writeLedger makes the key of an origin and its empty checkpoint file. The
// checkpoint file goes first: the key file is what puts the origin in use, and
// from then on a missing checkpoint file is a loss that is noticed.
func writeLedger(f folder, number int, random io.Reader, origin string) error {
	if origin == "" || strings.ContainsFunc(origin, func(c rune) bool { return c < ' ' }) {
		return fmt.Errorf("%w: the ledger's origin %q is empty or has control characters", ErrOptions, origin)
	}
	skey, vkey, err := note.GenerateKey(random, origin)
	if err != nil {
		return fmt.Errorf("keys: ledger key: %w", err)
	}
	// GenerateKey takes any name, the readers of keys do not.
	if _, err := note.NewVerifier(vkey); err != nil {
		return fmt.Errorf("%w: the ledger's origin %q is not a key name (no spaces, no plus sign)", ErrOptions, origin)
	}
	checkpoint := kindCheckpoint.name(number)
	if info, err := os.Stat(f.join(checkpoint)); err == nil && info.Size() > 0 {
		return fmt.Errorf("%w: %s is there but its key is not", ErrDamaged, f.join(checkpoint))
	}
	if err := f.replace(checkpoint, nil); err != nil {
		return err
	}
	return f.create(kindLedger.name(number), []byte(skey+"\n"+vkey+"\n"))
}

func (r *Ring) loadLedgers() error {
	numbers, err := r.dir.numbers(kindLedger)
	if err != nil {
		return err
	}
	if len(numbers) == 0 {
		return fmt.Errorf("%w: there is no %s in %s", ErrDamaged, kindLedger.name(1), r.dir.path)
	}
	r.ledgers = nil
	for _, number := range numbers {
		key, err := r.readLedger(number)
		if err != nil {
			return err
		}
		r.ledgers = append(r.ledgers, key)
	}
	_, err = r.readCheckpoint(r.currentLedger())
	return err
}

func (r *Ring) readLedger(number int) (ledgerKey, error) {
	name := kindLedger.name(number)
	data, err := r.dir.read(name)
	if err != nil {
		return ledgerKey{}, err
	}
	damaged := func(what string) (ledgerKey, error) {
		return ledgerKey{}, fmt.Errorf("%w: %s: %s", ErrDamaged, r.dir.join(name), what)
	}
	lines := strings.Split(string(data), "\n")
	if len(lines) != 3 || lines[2] != "" {
		return damaged("not two lines")
	}
	// The errors of package note say nothing of a key's content; ours neither.
	signer, err := note.NewSigner(lines[0])
	if err != nil {
		return damaged("no signing key in line 1")
	}
	verifier, err := note.NewVerifier(lines[1])
	if err != nil {
		return damaged("no verifier key in line 2")
	}
	probe := []byte("kettlebook: do these two belong together?\n")
	sig, err := signer.Sign(probe)
	if err != nil || signer.Name() != verifier.Name() || signer.KeyHash() != verifier.KeyHash() ||
		!verifier.Verify(probe, sig) {
		return damaged("the two keys do not belong together")
	}
	return ledgerKey{number: number, signer: signer, verifier: verifier, verifierKey: lines[1]}, nil
}

func (r *Ring) currentLedger() ledgerKey { return r.ledgers[len(r.ledgers)-1] }

// Origin returns the name of the ledger that checkpoints are signed for.
func (r *Ring) Origin() string { return r.LedgerSigner().Name() }

// LedgerSigner returns the signer of checkpoints. Retired origins have none:
// they are never signed again.
func (r *Ring) LedgerSigner() note.Signer {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.currentLedger().signer
}

// LedgerVerifier returns the verifier of the ledger in use.
func (r *Ring) LedgerVerifier() note.Verifier {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.currentLedger().verifier
}

// LedgerVerifiers returns the verifiers of the ledger in use and of all retired
// ones.
func (r *Ring) LedgerVerifiers() note.Verifiers {
	r.mu.Lock()
	defer r.mu.Unlock()
	list := make([]note.Verifier, len(r.ledgers))
	for i, key := range r.ledgers {
		list[i] = key.verifier
	}
	return note.VerifierList(list...)
}

// RetiredLedger is an origin that is no longer signed for.
type RetiredLedger struct {
	Origin         string
	VerifierKey    string // name+hash+key
	LastCheckpoint []byte // the last one kept; nil when none was
}

// RetiredLedgers returns the retired origins, oldest first.
func (r *Ring) RetiredLedgers() ([]RetiredLedger, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var retired []RetiredLedger
	for _, key := range r.ledgers[:len(r.ledgers)-1] {
		kept, err := r.readCheckpoint(key)
		if err != nil {
			return nil, err
		}
		retired = append(retired, RetiredLedger{
			Origin: key.signer.Name(), VerifierKey: key.verifierKey, LastCheckpoint: kept.signed})
	}
	return retired, nil
}

// NewLedger makes a key for a new origin and retires the one in use, whose
// verifier and last checkpoint stay. It is for a restored backup that does not
// extend the last checkpoint and goes on under a name of its own. An origin that
// was used before is refused.
func (r *Ring) NewLedger(random io.Reader, origin string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, key := range r.ledgers {
		if key.signer.Name() == origin {
			return fmt.Errorf("%w: the origin %q was used before", ErrOptions, origin)
		}
	}
	number := r.currentLedger().number + 1
	if number > maxNumber {
		return fmt.Errorf("%w: no more than %d ledgers", ErrOptions, maxNumber)
	}
	if err := writeLedger(r.dir, number, random, origin); err != nil {
		return err
	}
	return r.loadLedgers()
}

// checkpoint is what keeping one needs to know about it.
type checkpoint struct {
	signed []byte // nil when there is none
	size   int64
	root   string // standard base64 of 32 bytes
}

// parseCheckpoint reads a signed note whose text begins with origin, size and
// root, one a line (the checkpoint of C2SP tlog-checkpoint).
func parseCheckpoint(signed []byte, key ledgerKey) (checkpoint, error) {
	opened, err := note.Open(signed, note.VerifierList(key.verifier))
	if err != nil {
		return checkpoint{}, fmt.Errorf("%w: not signed by %s: %w", ErrCheckpoint, key.signer.Name(), err)
	}
	lines := strings.Split(opened.Text, "\n")
	if len(lines) < 4 || lines[0] != key.signer.Name() {
		return checkpoint{}, fmt.Errorf("%w: it is not one of the ledger %s", ErrCheckpoint, key.signer.Name())
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 1 || strconv.FormatInt(size, 10) != lines[1] {
		return checkpoint{}, fmt.Errorf("%w: %.40q is not a size", ErrCheckpoint, lines[1])
	}
	if root, err := base64.StdEncoding.Strict().DecodeString(lines[2]); err != nil || len(root) != 32 {
		return checkpoint{}, fmt.Errorf("%w: %.60q is not a root", ErrCheckpoint, lines[2])
	}
	return checkpoint{signed: bytes.Clone(signed), size: size, root: lines[2]}, nil
}

func (r *Ring) readCheckpoint(key ledgerKey) (checkpoint, error) {
	name := kindCheckpoint.name(key.number)
	data, err := r.dir.read(name)
	if errors.Is(err, fs.ErrNotExist) {
		return checkpoint{}, fmt.Errorf("%w: %s is missing: a fork could not be noticed without it; "+
			"put it back from the newest copy of the folder", ErrDamaged, r.dir.join(name))
	}
	if err != nil || len(data) == 0 {
		return checkpoint{}, err
	}
	kept, err := parseCheckpoint(data, key)
	if err != nil {
		return checkpoint{}, fmt.Errorf("%w: %s: %w", ErrDamaged, r.dir.join(name), err)
	}
	return kept, nil
}

// LastCheckpoint returns the signed checkpoint that was kept last for the origin
// in use, as read from disk now, or nil when none was kept yet. A file that is
// missing or not signed by the key gives an error: without it a forked ledger
// would go unnoticed.
func (r *Ring) LastCheckpoint() ([]byte, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	kept, err := r.readCheckpoint(r.currentLedger())
	return kept.signed, err
}

// SaveLastCheckpoint keeps a signed checkpoint outside the database; when it
// returns nil the checkpoint is on disk. It refuses (ErrCheckpoint) one that is
// not signed by the key in use, one of a smaller tree than the one kept, and one
// of the same size with another root. Whether a larger tree extends the one kept
// is for the ledger to prove before it signs.
func (r *Ring) SaveLastCheckpoint(signed []byte) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	key := r.currentLedger()
	next, err := parseCheckpoint(signed, key)
	if err != nil {
		return err
	}
	kept, err := r.readCheckpoint(key)
	if err != nil {
		return err
	}
	switch {
	case slices.Equal(next.signed, kept.signed):
		return nil
	case next.size < kept.size:
		return fmt.Errorf("%w: its tree has %d entries, the one kept has %d", ErrCheckpoint, next.size, kept.size)
	case next.size == kept.size && next.root != kept.root:
		return fmt.Errorf("%w: another root for the same %d entries", ErrCheckpoint, next.size)
	}
	return r.dir.replace(kindCheckpoint.name(key.number), next.signed)
}
