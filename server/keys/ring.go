package keys

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"
)

// Errors that callers may want to tell apart; the returned errors wrap them.
var (
	// ErrExists says that a key folder is not made because something is there.
	ErrExists = errors.New("keys: the folder is not empty, and keys are never written over")
	// ErrOptions says what is missing or wrong in what was asked for.
	ErrOptions = errors.New("keys: cannot be made like this")
	// ErrDamaged says that a file is missing or does not hold what it should.
	ErrDamaged = errors.New("keys: damaged key folder")
	// ErrNoSeal says that the kitchen has no key to seal documents with.
	ErrNoSeal = errors.New("keys: no seal key here: import one")
	// ErrSeal says why a key and certificate cannot seal documents.
	ErrSeal = errors.New("keys: not fit to seal documents")
	// ErrCheckpoint says that a checkpoint is not one to keep: not signed by the
	// key in use, or not a step forward from the one kept.
	ErrCheckpoint = errors.New("keys: checkpoint refused")
	// ErrAuthorityExpired says that the private CA has come to its end.
	ErrAuthorityExpired = errors.New("keys: the private CA has expired: no certificate can be made under it")
)

const (
	layoutName    = "layout"
	layoutContent = "kettlebook keys 1\n"
)

// Defaults of Options.
const (
	// DefaultSealYears is how long a made seal certificate must last: two years
	// of keeping records behind ten years of sealing them.
	DefaultSealYears = 12
	// DefaultAuthorityYears is the life of the private CA, long because a new one
	// has to be carried to every tablet by hand.
	DefaultAuthorityYears = 20
	// DefaultServerLifetime of the server's certificate; it renews by itself.
	DefaultServerLifetime = 397 * 24 * time.Hour
)

// pepperBytes is the length of the PIN pepper.
const pepperBytes = 32

// Options says what Create makes.
type Options struct {
	// Random is the source of the Ed25519 key, the pepper and serial numbers;
	// crypto/rand.Reader outside tests. Required.
	Random io.Reader
	// Now is the moment of making; certificates begin an hour earlier, so that a
	// tablet whose clock is behind believes them. Required.
	Now time.Time
	// Origin of the ledger: the first line of its checkpoints and the name of
	// the key that signs them. No spaces, no plus sign. Required.
	Origin string
	// Kitchen is the organisation named in certificates, at most 64 characters
	// (the upper bound of RFC 5280 for a name). Required.
	Kitchen string

	// MakeSeal makes the certificates of the seal key. When nil the folder is
	// made without a seal, and one has to be imported before sealing.
	MakeSeal SealMaker
	// SealYears is how long the seal certificate must last; 0 means
	// DefaultSealYears.
	SealYears int

	// Hosts are further names and addresses of the server beside localhost,
	// 127.0.0.1 and ::1.
	Hosts []string
	// ServerLifetime of the server's certificate; 0 means DefaultServerLifetime.
	ServerLifetime time.Duration
	// AuthorityYears is the life of the private CA; 0 means DefaultAuthorityYears.
	AuthorityYears int
}

func (o Options) filled() (Options, error) {
	if o.SealYears == 0 {
		o.SealYears = DefaultSealYears
	}
	if o.AuthorityYears == 0 {
		o.AuthorityYears = DefaultAuthorityYears
	}
	if o.ServerLifetime == 0 {
		o.ServerLifetime = DefaultServerLifetime
	}
	switch {
	case o.Random == nil:
		return o, fmt.Errorf("%w: no source of randomness", ErrOptions)
	case o.Now.IsZero():
		return o, fmt.Errorf("%w: no time", ErrOptions)
	case strings.TrimSpace(o.Kitchen) == "" || utf8.RuneCountInString(o.Kitchen) > 64 || !utf8.ValidString(o.Kitchen):
		return o, fmt.Errorf("%w: the kitchen's name has to have 1 to 64 characters", ErrOptions)
	case o.SealYears < 0 || o.AuthorityYears < 0 || o.ServerLifetime < 0:
		return o, fmt.Errorf("%w: a certificate cannot last a negative time", ErrOptions)
	}
	return o, nil
}

// Ring holds a kitchen's keys. Its methods may be called from many goroutines.
type Ring struct {
	dir folder

	mu        sync.Mutex
	ledgers   []ledgerKey // ascending; the last is in use
	seals     []Seal      // ascending; the last is in use; may be empty
	authority tlsPair
	server    tlsPair
	pepper    []byte
}

// String names the folder and no secret.
func (r *Ring) String() string { return "keys in " + r.dir.path }

// GoString names the folder and no secret.
func (r *Ring) GoString() string { return r.String() }

// Create makes the key folder of a new kitchen and opens it. The folder must
// not exist or must be empty, or the error wraps ErrExists. It appears complete
// or not at all.
func Create(dir string, options Options) (*Ring, error) {
	return create(dir, options, nil)
}

func create(dir string, options Options, at func(step string)) (*Ring, error) {
	o, err := options.filled()
	if err != nil {
		return nil, err
	}
	err = inNewFolder(dir, at, func(f folder) error {
		if err := writeLedger(f, 1, o.Random, o.Origin); err != nil {
			return err
		}
		if err := writePepper(f, o.Random); err != nil {
			return err
		}
		authority, err := makeAuthority(o)
		if err != nil {
			return err
		}
		if err := f.create(kindAuthority.name(1), authority.encode()); err != nil {
			return err
		}
		server, err := makeServer(authority, o.Random, o.Now, o.ServerLifetime, o.Hosts)
		if err != nil {
			return err
		}
		if err := f.create(kindServer.name(1), server.encode()); err != nil {
			return err
		}
		if o.MakeSeal != nil {
			seal, err := makeSeal(o)
			if err != nil {
				return err
			}
			if err := f.create(kindSeal.name(1), seal.encode()); err != nil {
				return err
			}
		}
		return f.create(layoutName, []byte(layoutContent))
	})
	if err != nil {
		return nil, err
	}
	return Open(dir)
}

// Open reads a key folder. It refuses one that others than the owner may open
// (*PermissionError), one of another layout, and one in which a file is missing
// or does not fit (ErrDamaged).
func Open(dir string) (*Ring, error) {
	r := &Ring{dir: folder{path: dir}}
	if err := r.dir.checkModes(); err != nil {
		return nil, err
	}
	layout, err := r.dir.read(layoutName)
	if err != nil {
		return nil, fmt.Errorf("%s is no key folder: %w", dir, err)
	}
	if !bytes.Equal(layout, []byte(layoutContent)) {
		return nil, fmt.Errorf("keys: %s has the layout %.40q; this program knows %q",
			dir, layout, layoutContent)
	}
	for _, load := range []func() error{r.loadLedgers, r.loadSeals, r.loadTLS, r.loadPepper} {
		if err := load(); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// newest returns the number of the file of a kind that is in use.
func (r *Ring) newest(k kind) (int, error) {
	numbers, err := r.dir.numbers(k)
	if err != nil {
		return 0, err
	}
	if len(numbers) == 0 {
		return 0, fmt.Errorf("%w: there is no %s in %s", ErrDamaged, k.name(1), r.dir.path)
	}
	return numbers[len(numbers)-1], nil
}

func writePepper(f folder, random io.Reader) error {
	pepper := make([]byte, pepperBytes)
	if _, err := io.ReadFull(random, pepper); err != nil {
		return fmt.Errorf("keys: pepper: %w", err)
	}
	return f.create(kindPepper.name(1), []byte(hex.EncodeToString(pepper)+"\n"))
}

func (r *Ring) loadPepper() error {
	number, err := r.newest(kindPepper)
	if err != nil {
		return err
	}
	text, err := r.dir.read(kindPepper.name(number))
	if err != nil {
		return err
	}
	pepper, err := hex.DecodeString(strings.TrimSuffix(string(text), "\n"))
	if err != nil || len(pepper) != pepperBytes {
		// The error of hex would quote the secret.
		return fmt.Errorf("%w: %s is not %d bytes in hexadecimal",
			ErrDamaged, r.dir.join(kindPepper.name(number)), pepperBytes)
	}
	r.pepper = pepper
	return nil
}

// Pepper returns the 32 secret bytes that are mixed into every PIN.
func (r *Ring) Pepper() []byte { return slices.Clone(r.pepper) }

// Fingerprint is the SHA-256 of a DER certificate in lower-case hexadecimal,
// two digits a byte with colons between, 95 characters.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	pairs := make([]string, len(sum))
	for i, octet := range sum {
		pairs[i] = hex.EncodeToString([]byte{octet})
	}
	return strings.Join(pairs, ":")
}

// Fingerprints are what a binder, a log or a wall holds to know a kitchen by.
type Fingerprints struct {
	// SealCA and Seal are the Fingerprints of the seal's CA certificate and of
	// the seal certificate; empty when there is no seal. They are equal when the
	// seal certificate signed itself.
	SealCA, Seal string
	// TLSAuthority is the Fingerprint of the private CA of connections.
	TLSAuthority string
	// LedgerVerifier is the whole verifier key of the ledger, name+hash+key.
	LedgerVerifier string
}

// Fingerprints returns those of the keys in use.
func (r *Ring) Fingerprints() Fingerprints {
	r.mu.Lock()
	defer r.mu.Unlock()
	prints := Fingerprints{
		TLSAuthority:   Fingerprint(r.authority.cert.Raw),
		LedgerVerifier: r.currentLedger().verifierKey,
	}
	if n := len(r.seals); n > 0 {
		prints.Seal = Fingerprint(r.seals[n-1].Certificate.Raw)
		prints.SealCA = Fingerprint(r.seals[n-1].CA().Raw)
	}
	return prints
}
