package signin

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"time"
)

// Signing is what a person's PIN is asked for again: the act of putting a name
// under something.
type Signing struct {
	Person string
	// Meaning of the signature, in the caller's words, such as "review". Not empty.
	Meaning string
	// ContentHash is the SHA-256 of what is signed.
	ContentHash [sha256.Size]byte
}

// binding is a hash over all parts; each text stands behind its length, so that
// no two signings share one.
func (s Signing) binding() []byte {
	h := sha256.New()
	h.Write(frame(s.Person))
	h.Write(frame(s.Meaning))
	h.Write(s.ContentHash[:])
	return h.Sum(nil)
}

// confirmation is what is kept of a signing token.
type confirmation struct {
	Person  string
	Binding []byte
	EndUS   int64 // the moment from which it is too late
}

// ConfirmSigning asks for the PIN of the person who is about to sign and returns
// a token that UseConfirmation takes once, for this signing only, before the
// moment until. It refuses and counts like SignIn.
func (d *Desk) ConfirmSigning(ctx context.Context, s Signing, pin, source string) (token string, until time.Time, err error) {
	if s.Meaning == "" {
		return "", time.Time{}, fmt.Errorf("%w: a signature without a meaning", ErrConfig)
	}
	v, err := d.checkPIN(ctx, s.Person, pin, source)
	if err != nil {
		return "", time.Time{}, err
	}
	token, key, err := d.newToken()
	if err != nil {
		return "", time.Time{}, err
	}
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	valid, err := d.stillValid(ctx, s.Person, v)
	if err != nil {
		return "", time.Time{}, err
	}
	if !valid {
		return "", time.Time{}, ErrWrongSignIn // the PIN was changed while it was checked
	}
	until = d.clock().Add(d.confirmLife)
	c := confirmation{Person: s.Person, Binding: s.binding(), EndUS: until.UnixMicro()}
	if err := d.save(ctx, bucketSignings, key, c, until); err != nil {
		return "", time.Time{}, err
	}
	return token, until, nil
}

// UseConfirmation uses up a token of ConfirmSigning and returns nil when it was
// given for exactly this signing and is not too late. Whatever the answer, the
// token is gone afterwards; of many uses at once at most one gets nil. When the
// storage fails it is not known to be gone, and the answer is an error.
func (d *Desk) UseConfirmation(ctx context.Context, token string, s Signing) error {
	key, ok := tokenKey(token)
	if !ok {
		return ErrNotConfirmed
	}
	var c confirmation
	found, err := d.load(ctx, bucketSignings, key, &c)
	if err != nil {
		return err
	}
	if !found {
		return ErrNotConfirmed
	}
	// Only the one whose Delete removed it goes on.
	existed, err := d.remove(ctx, bucketSignings, key)
	if err != nil {
		return err
	}
	if !existed || subtle.ConstantTimeCompare(c.Binding, s.binding()) != 1 {
		return ErrNotConfirmed
	}
	if !d.clock().Before(time.UnixMicro(c.EndUS)) {
		return ErrConfirmationExpired
	}
	return nil
}
