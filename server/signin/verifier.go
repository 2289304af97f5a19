package signin

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"

	"golang.org/x/crypto/argon2"
)

// Params are the cost parameters of argon2id (RFC 9106).
type Params struct {
	Passes    uint32 // over the memory, 1 to 16
	MemoryKiB uint32 // 8 KiB a lane to 1 GiB
	Lanes     uint8  // 1 to 16
}

// DefaultParams takes 64 MiB and one pass, on one core: 68 ms for one PIN on the
// two-core machine it was measured on (BenchmarkVerifier), long for a guesser and
// unnoticed by a person. With at most two at once it takes 128 MiB, which a small
// machine has.
var DefaultParams = Params{Passes: 1, MemoryKiB: 64 * 1024, Lanes: 1}

const (
	scheme    = "argon2id(hmac-sha256(pepper, pin))"
	saltBytes = 16
	hashBytes = 32
)

// atOnce is how many verifiers are computed at the same time.
const atOnce = 2

func (p Params) valid() bool {
	return p.Passes >= 1 && p.Passes <= 16 && p.Lanes >= 1 && p.Lanes <= 16 &&
		p.MemoryKiB >= 8*uint32(p.Lanes) && p.MemoryKiB <= 1<<20
}

// argon2id derives 32 bytes.
func argon2id(secret, salt []byte, p Params) []byte {
	return argon2.IDKey(secret, salt, p.Passes, p.MemoryKiB, p.Lanes, hashBytes)
}

// verifier is what is kept of a PIN.
type verifier struct {
	// Edition is drawn anew whenever a PIN is set, and stays when only the
	// parameters are renewed.
	Edition []byte
	Scheme  string
	Version int // of argon2
	Params  Params
	Salt    []byte
	Hash    []byte
}

func (v verifier) check() error {
	if v.Scheme != scheme || v.Version != argon2.Version || !v.Params.valid() ||
		len(v.Salt) != saltBytes || len(v.Edition) != saltBytes || len(v.Hash) != hashBytes {
		return fmt.Errorf("%w: a PIN verifier is not of a kind this program knows", ErrVault)
	}
	return nil
}

// derive computes a hash when one of the places is free. It waits until ctx ends.
func (d *Desk) derive(ctx context.Context, pin string, salt []byte, p Params) ([]byte, error) {
	select {
	case d.places <- struct{}{}:
		defer func() { <-d.places }()
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	mac := hmac.New(sha256.New, d.pepper)
	mac.Write([]byte(pin))
	return d.argon(mac.Sum(nil), salt, p), nil
}

// newVerifier computes the verifier of a PIN with the parameters in force.
func (d *Desk) newVerifier(ctx context.Context, pin string, edition []byte) (verifier, error) {
	v := verifier{Edition: edition, Scheme: scheme, Version: argon2.Version, Params: d.params, Salt: make([]byte, saltBytes)}
	if err := d.random(v.Salt); err != nil {
		return verifier{}, err
	}
	var err error
	v.Hash, err = d.derive(ctx, pin, v.Salt, v.Params)
	return v, err
}

// verify tells whether pin is the person's, and returns the verifier that said
// so. For a person without one it computes as much and says no.
func (d *Desk) verify(ctx context.Context, person, pin string) (v verifier, ok bool, err error) {
	found := false
	if validID(person) {
		if found, err = d.load(ctx, bucketPINs, person, &v); err != nil {
			return verifier{}, false, err
		}
	}
	if found {
		if err := v.check(); err != nil {
			return verifier{}, false, err
		}
	} else {
		v = d.nobody
	}
	hash, err := d.derive(ctx, pin, v.Salt, v.Params)
	if err != nil {
		return verifier{}, false, err
	}
	same := subtle.ConstantTimeCompare(hash, v.Hash) == 1
	return v, same && found, nil
}

// errShortRandom is returned when the source of randomness fails.
var errShortRandom = errors.New("signin: no randomness")

func (d *Desk) random(into []byte) error {
	d.randomMu.Lock()
	defer d.randomMu.Unlock()
	if _, err := io.ReadFull(d.source, into); err != nil {
		return fmt.Errorf("%w: %w", errShortRandom, err)
	}
	return nil
}

// maxIDBytes bounds what is looked up as a person.
const maxIDBytes = 256

func validID(person string) bool { return person != "" && len(person) <= maxIDBytes }
