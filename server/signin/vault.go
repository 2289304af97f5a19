package signin

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Vault keeps small values by bucket and key. Values and keys given to it hold
// no PIN, no token and nothing that either could be computed from without the
// pepper.
type Vault interface {
	// Get returns the value, and false when there is none. It need not look at
	// expiresAt.
	Get(ctx context.Context, bucket, key string) (value []byte, found bool, err error)
	// Put keeps value in place of the one with the same bucket and key. After
	// expiresAt the vault may drop it; the zero time means never.
	Put(ctx context.Context, bucket, key string, value []byte, expiresAt time.Time) error
	// Delete removes a value and tells whether there was one: of many callers at
	// once, one is told true.
	Delete(ctx context.Context, bucket, key string) (existed bool, err error)
	// DeleteBucket removes all values of a bucket and returns how many.
	DeleteBucket(ctx context.Context, bucket string) (int64, error)
	// List returns the values of a bucket by key.
	List(ctx context.Context, bucket string) (map[string][]byte, error)
}

// Buckets of the Vault.
const (
	bucketPINs     = "signin.pins"     // verifiers, by person
	bucketSessions = "signin.sessions" // by SHA-256 of the token
	bucketSignings = "signin.signings" // by SHA-256 of the token
	bucketTallies  = "signin.tallies"  // failures, by keyed name
)

// ErrVault says that the storage failed or holds something unreadable.
var ErrVault = errors.New("signin: storage")

func (d *Desk) load(ctx context.Context, bucket, key string, into any) (found bool, err error) {
	value, found, err := d.vault.Get(ctx, bucket, key)
	if err != nil {
		return false, fmt.Errorf("%w: %w", ErrVault, err)
	}
	if !found {
		return false, nil
	}
	if err := json.Unmarshal(value, into); err != nil {
		return false, fmt.Errorf("%w: %s is unreadable", ErrVault, bucket)
	}
	return true, nil
}

func (d *Desk) save(ctx context.Context, bucket, key string, value any, expiresAt time.Time) error {
	text, err := json.Marshal(value)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrVault, err)
	}
	if err := d.vault.Put(ctx, bucket, key, text, expiresAt); err != nil {
		return fmt.Errorf("%w: %w", ErrVault, err)
	}
	return nil
}

func (d *Desk) remove(ctx context.Context, bucket, key string) (existed bool, err error) {
	existed, err = d.vault.Delete(ctx, bucket, key)
	if err != nil {
		return false, fmt.Errorf("%w: %w", ErrVault, err)
	}
	return existed, nil
}

// removeOf removes what belongs to a person from a bucket of values that name
// their person.
func (d *Desk) removeOf(ctx context.Context, bucket, person string) error {
	values, err := d.vault.List(ctx, bucket)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrVault, err)
	}
	for key, value := range values {
		var owner struct{ Person string }
		if err := json.Unmarshal(value, &owner); err != nil {
			return fmt.Errorf("%w: %s is unreadable", ErrVault, bucket)
		}
		if owner.Person == person {
			if _, err := d.remove(ctx, bucket, key); err != nil {
				return err
			}
		}
	}
	return nil
}

// keyed names something under the pepper: the parts cannot be guessed back from
// the name without it. Each part stands behind its length, so that no two lists
// of parts share a name; the first byte of a length is 0, so that none shares it
// with a PIN under the same pepper.
func (d *Desk) keyed(parts ...string) string {
	mac := hmac.New(sha256.New, d.pepper)
	for _, part := range parts {
		mac.Write(frame(part))
	}
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

// frame returns a text behind its length in eight bytes.
func frame(text string) []byte {
	return append(binary.BigEndian.AppendUint64(nil, uint64(len(text))), text...)
}
