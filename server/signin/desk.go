package signin

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"
)

// Errors that callers may want to tell apart; the returned errors wrap them.
var (
	// ErrWrongSignIn says that person and PIN do not go together. It is the same
	// for a person that does not exist.
	ErrWrongSignIn = errors.New("signin: initials and PIN do not go together")
	// ErrNoSession says that a token stands for no session, or for one that ended.
	ErrNoSession = errors.New("signin: not signed in")
	// ErrSessionExpired says that a session was not used for too long or has
	// lasted its time.
	ErrSessionExpired = errors.New("signin: the session has expired; sign in again")
	// ErrNotConfirmed says that a signing token was never given, was used before,
	// or was given for another person, meaning or content.
	ErrNotConfirmed = errors.New("signin: the signature is not confirmed; enter the PIN again")
	// ErrConfirmationExpired says that a signing token came too late.
	ErrConfirmationExpired = errors.New("signin: the confirmation has expired; enter the PIN again")
	// ErrConfig says what is missing or wrong in a Config or a call.
	ErrConfig = errors.New("signin: cannot work like this")
)

// Defaults of Config.
const (
	DefaultIdle        = 30 * time.Minute
	DefaultLongest     = 12 * time.Hour
	DefaultConfirmLife = 2 * time.Minute
)

// minPepperBytes is the shortest secret that is taken as a pepper.
const minPepperBytes = 32

// Config says what a Desk works with.
type Config struct {
	// Vault keeps everything. Required.
	Vault Vault
	// Pepper is a secret of at least 32 bytes that is not kept in the Vault. With
	// another pepper no PIN is right any more. Required.
	Pepper []byte
	// Clock tells the time. It is called from many goroutines. Required.
	Clock func() time.Time
	// Random is the source of salts and tokens: crypto/rand.Reader outside tests.
	// Required.
	Random io.Reader

	// Params of new verifiers; the zero value means DefaultParams. A verifier made
	// with others keeps working and is renewed when its person signs in.
	Params Params
	// Delays after failures; the zero value means DefaultDelays.
	Delays Delays
	// Idle is how long a session lives without being used; 0 means DefaultIdle.
	Idle time.Duration
	// Longest is how long a session lives at most; 0 means DefaultLongest.
	Longest time.Duration
	// ConfirmLife is how long a signing token may be used; 0 means
	// DefaultConfirmLife.
	ConfirmLife time.Duration
}

// Desk is where people sign in. Its methods may be called from many goroutines.
type Desk struct {
	vault       Vault
	pepper      []byte
	clock       func() time.Time
	params      Params
	delays      Delays
	idle        time.Duration
	longest     time.Duration
	confirmLife time.Duration

	randomMu sync.Mutex
	source   io.Reader

	argon  func(secret, salt []byte, p Params) []byte // argon2id, watched by tests
	places chan struct{}                              // taken while a verifier is computed
	nobody verifier                                   // stands in for people without a PIN

	tallyMu sync.Mutex // around reading and writing tallies
	// stateMu is held while verifiers and sessions are changed, so that a PIN
	// that is being replaced opens no session, and an ended session does not come
	// back because its last use is being noted.
	stateMu sync.Mutex
	seen    map[string]time.Time // last use of sessions, by key; newer than in the vault
}

// New returns a Desk.
func New(c Config) (*Desk, error) {
	if c.Params == (Params{}) {
		c.Params = DefaultParams
	}
	if c.Delays == (Delays{}) {
		c.Delays = DefaultDelays
	}
	setDefault(&c.Idle, DefaultIdle)
	setDefault(&c.Longest, DefaultLongest)
	setDefault(&c.ConfirmLife, DefaultConfirmLife)
	switch {
	case c.Vault == nil, c.Clock == nil, c.Random == nil:
		return nil, fmt.Errorf("%w: vault, clock and randomness are required", ErrConfig)
	case len(c.Pepper) < minPepperBytes:
		return nil, fmt.Errorf("%w: the pepper has %d bytes, fewer than %d", ErrConfig, len(c.Pepper), minPepperBytes)
	case !c.Params.valid():
		return nil, fmt.Errorf("%w: parameters %+v of argon2id", ErrConfig, c.Params)
	case !c.Delays.valid():
		return nil, fmt.Errorf("%w: delays %+v", ErrConfig, c.Delays)
	case c.Idle < 0 || c.Longest < c.Idle || c.ConfirmLife < 0:
		return nil, fmt.Errorf("%w: a session of %v that ends after %v unused, confirmations of %v",
			ErrConfig, c.Longest, c.Idle, c.ConfirmLife)
	}
	d := &Desk{
		vault: c.Vault, pepper: slices.Clone(c.Pepper), source: c.Random, params: c.Params, delays: c.Delays,
		idle: c.Idle, longest: c.Longest, confirmLife: c.ConfirmLife,
		// Times are kept in microseconds; cut here, a time kept equals the time read.
		clock:  func() time.Time { return c.Clock().UTC().Truncate(time.Microsecond) },
		argon:  argon2id,
		places: make(chan struct{}, atOnce),
		seen:   map[string]time.Time{},
	}
	d.nobody = verifier{Params: c.Params, Salt: make([]byte, saltBytes), Hash: make([]byte, hashBytes)}
	if err := errors.Join(d.random(d.nobody.Salt), d.random(d.nobody.Hash)); err != nil {
		return nil, err
	}
	return d, nil
}

func setDefault(value *time.Duration, normal time.Duration) {
	if *value == 0 {
		*value = normal
	}
}

// SetPIN gives a person a PIN, in place of the one they had. It ends the
// person's sessions, takes back their signing tokens and forgets the failures
// that slowed them down. A PIN that is too easy is refused with a *RuleError.
// Whether the caller may do this is for the caller to know.
func (d *Desk) SetPIN(ctx context.Context, person, pin string) error {
	if !validID(person) {
		return fmt.Errorf("%w: a person's id has 1 to %d bytes", ErrConfig, maxIDBytes)
	}
	if err := CheckPIN(pin); err != nil {
		return err
	}
	edition := make([]byte, saltBytes)
	if err := d.random(edition); err != nil {
		return err
	}
	v, err := d.newVerifier(ctx, pin, edition)
	if err != nil {
		return err
	}
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	if err := d.save(ctx, bucketPINs, person, v, time.Time{}); err != nil {
		return err
	}
	if err := d.forgive(ctx, person); err != nil {
		return err
	}
	return d.endPerson(ctx, person)
}

// RemovePIN takes a person's PIN away, ends their sessions and takes back their
// signing tokens. It is no error when there was none.
func (d *Desk) RemovePIN(ctx context.Context, person string) error {
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	if !validID(person) {
		return nil
	}
	if _, err := d.remove(ctx, bucketPINs, person); err != nil {
		return err
	}
	return d.endPerson(ctx, person)
}

// HasPIN tells whether a person has a PIN.
func (d *Desk) HasPIN(ctx context.Context, person string) (bool, error) {
	if !validID(person) {
		return false, nil
	}
	var v verifier
	return d.load(ctx, bucketPINs, person, &v)
}

// checkPIN lets source try pin for person, with all counting, and returns the
// verifier that said yes. A no is ErrWrongSignIn or a *DelayError.
func (d *Desk) checkPIN(ctx context.Context, person, pin, source string) (verifier, error) {
	t, err := d.begin(ctx, person, source)
	if err != nil {
		return verifier{}, err
	}
	v, ok, err := d.verify(ctx, person, pin)
	// What follows is done although the caller may have hung up: that must not be
	// a way around being counted.
	ctx = context.WithoutCancel(ctx)
	if err != nil {
		return verifier{}, errors.Join(err, d.undone(ctx, t))
	}
	if !ok {
		if err := d.failed(ctx, t); err != nil {
			return verifier{}, err
		}
		return verifier{}, ErrWrongSignIn
	}
	return v, d.succeeded(ctx, t)
}

// stillValid tells whether the PIN that v was made for is the person's at this
// moment. d.stateMu must be held.
func (d *Desk) stillValid(ctx context.Context, person string, v verifier) (bool, error) {
	var now verifier
	found, err := d.load(ctx, bucketPINs, person, &now)
	return found && bytes.Equal(now.Edition, v.Edition), err
}

// renew replaces a verifier that was made with other parameters than those in
// force, now that its PIN is at hand. The PIN stays the same, so sessions do too.
func (d *Desk) renew(ctx context.Context, person, pin string, old verifier) error {
	if old.Params == d.params {
		return nil
	}
	v, err := d.newVerifier(ctx, pin, old.Edition)
	if err != nil {
		return err
	}
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	valid, err := d.stillValid(ctx, person, old)
	if err != nil || !valid {
		return err
	}
	return d.save(ctx, bucketPINs, person, v, time.Time{})
}
