package signin

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"time"
)

// tokenBytes is the length of session and signing tokens before base64url.
const tokenBytes = 32

// tokenCoding has one spelling for each token.
var tokenCoding = base64.RawURLEncoding.Strict()

// newToken returns a token (43 characters of base64url) and the key that it is
// kept under.
func (d *Desk) newToken() (token, key string, err error) {
	secret := make([]byte, tokenBytes)
	if err := d.random(secret); err != nil {
		return "", "", err
	}
	return tokenCoding.EncodeToString(secret), keyOf(secret), nil
}

// keyOf returns what a token is kept under: base64url of its SHA-256. Looking it
// up tells a guesser nothing by its timing, because nobody can choose hashes.
func keyOf(secret []byte) string {
	sum := sha256.Sum256(secret)
	return tokenCoding.EncodeToString(sum[:])
}

// tokenKey returns the key of a token that a caller brought.
func tokenKey(token string) (string, bool) {
	if len(token) != tokenCoding.EncodedLen(tokenBytes) {
		return "", false
	}
	secret, err := tokenCoding.DecodeString(token)
	if err != nil || len(secret) != tokenBytes {
		return "", false
	}
	return keyOf(secret), true
}

// Session is an open session. Times are UTC, in microseconds.
type Session struct {
	Person  string
	Source  string    // where the person signed in
	Started time.Time // when
	// IdleEnd is when the session ends unless it is used before; End when it ends
	// in any case. At that very moment it is over.
	IdleEnd, End time.Time
	// FailedBefore is how many wrong PINs were tried for this person since their
	// last sign-in, anywhere, and LastFailed when the last one was (zero when
	// none). Only SignIn fills them in: show them, for only the person can know
	// whether it was them.
	FailedBefore int
	LastFailed   time.Time
}

// session is what is kept of one.
type session struct {
	Person    string
	Source    string
	StartedUS int64
	SeenUS    int64 // last use, behind by up to a sixteenth of the idle time
}

func (d *Desk) open(s session, seen time.Time) Session {
	started := time.UnixMicro(s.StartedUS).UTC()
	return Session{
		Person: s.Person, Source: s.Source, Started: started,
		IdleEnd: seen.Add(d.idle), End: started.Add(d.longest),
	}
}

func (s Session) expired(now time.Time) bool { return !now.Before(s.IdleEnd) || !now.Before(s.End) }

// SignIn opens a session for a person whose PIN is right and returns its token.
// source names where the try comes from, such as a tablet or a network address:
// something that the person trying cannot choose at will. A wrong PIN and an
// unknown person give ErrWrongSignIn alike; a try that comes too early after
// failures gives a *DelayError.
func (d *Desk) SignIn(ctx context.Context, person, pin, source string) (token string, opened Session, err error) {
	v, err := d.checkPIN(ctx, person, pin, source)
	if err != nil {
		return "", Session{}, err
	}
	if err := d.renew(ctx, person, pin, v); err != nil {
		return "", Session{}, err
	}
	token, key, err := d.newToken()
	if err != nil {
		return "", Session{}, err
	}
	failed, last, err := d.tellFailures(ctx, person)
	if err != nil {
		return "", Session{}, err
	}

	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	valid, err := d.stillValid(ctx, person, v)
	if err != nil {
		return "", Session{}, err
	}
	if !valid {
		return "", Session{}, ErrWrongSignIn // the PIN was changed while it was checked
	}
	now := d.clock()
	s := session{Person: person, Source: source, StartedUS: now.UnixMicro(), SeenUS: now.UnixMicro()}
	opened = d.open(s, now)
	if err := d.save(ctx, bucketSessions, key, s, opened.End); err != nil {
		return "", Session{}, err
	}
	for old, seen := range d.seen {
		if !now.Before(seen.Add(d.idle)) {
			delete(d.seen, old)
		}
	}
	d.seen[key] = now
	opened.FailedBefore, opened.LastFailed = failed, last
	return token, opened, nil
}

// Session returns the session of a token and counts as a use of it. It gives
// ErrNoSession or ErrSessionExpired. Failed sign-ins, whoever makes them, have no
// bearing on it.
//
// The last use is known to the microsecond while the Desk lives. In the vault it
// is noted only every sixteenth of the idle time, so after a restart an idle
// session may end that much too early, never too late.
func (d *Desk) Session(ctx context.Context, token string) (Session, error) {
	key, ok := tokenKey(token)
	if !ok {
		return Session{}, ErrNoSession
	}
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	var s session
	found, err := d.load(ctx, bucketSessions, key, &s)
	if err != nil {
		return Session{}, err
	}
	if !found {
		delete(d.seen, key)
		return Session{}, ErrNoSession
	}
	noted := time.UnixMicro(s.SeenUS).UTC()
	seen := noted
	if newer, ok := d.seen[key]; ok && newer.After(noted) {
		seen = newer
	}
	now := d.clock()
	if d.open(s, seen).expired(now) {
		delete(d.seen, key)
		if _, err := d.remove(ctx, bucketSessions, key); err != nil {
			return Session{}, err
		}
		return Session{}, ErrSessionExpired
	}
	if now.Before(seen) {
		now = seen // the clock was set back: no session gets longer by that
	}
	if now.Sub(noted) >= d.idle/16 {
		s.SeenUS = now.UnixMicro()
		if err := d.save(ctx, bucketSessions, key, s, d.open(s, now).End); err != nil {
			return Session{}, err
		}
	}
	d.seen[key] = now
	return d.open(s, now), nil
}

// SignOut ends the session of a token. It is no error when there is none.
func (d *Desk) SignOut(ctx context.Context, token string) error {
	key, ok := tokenKey(token)
	if !ok {
		return nil
	}
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	delete(d.seen, key)
	_, err := d.remove(ctx, bucketSessions, key)
	return err
}

// EndPerson ends all sessions of a person and takes back their signing tokens.
func (d *Desk) EndPerson(ctx context.Context, person string) error {
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	return d.endPerson(ctx, person)
}

func (d *Desk) endPerson(ctx context.Context, person string) error {
	if err := d.removeOf(ctx, bucketSessions, person); err != nil {
		return err
	}
	return d.removeOf(ctx, bucketSignings, person)
}

// EndAll ends all sessions and takes back all signing tokens, as a restored
// backup must: what is in it was open on another day.
func (d *Desk) EndAll(ctx context.Context) error {
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	for _, bucket := range []string{bucketSessions, bucketSignings} {
		if _, err := d.vault.DeleteBucket(ctx, bucket); err != nil {
			return fmt.Errorf("%w: %w", ErrVault, err)
		}
	}
	clear(d.seen)
	return nil
}
