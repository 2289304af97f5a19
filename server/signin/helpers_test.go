package signin

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"
)

// memVault is a Vault in memory that remembers everything ever put into it.
type memVault struct {
	mu      sync.Mutex
	buckets map[string]map[string][]byte
	ever    bytes.Buffer // all keys and values of all Puts
	ops     []string     // names of calls
	// failAt makes the call with that number (from 1) fail; 0 means none.
	failAt int
}

var errDisk = errors.New("disk full")

func newVault() *memVault { return &memVault{buckets: map[string]map[string][]byte{}} }

// call notes a call; v.mu must be held.
func (v *memVault) call(ctx context.Context, op, bucket string) error {
	v.ops = append(v.ops, op+" "+bucket)
	if len(v.ops) == v.failAt {
		return errDisk
	}
	return ctx.Err()
}

func (v *memVault) Get(ctx context.Context, bucket, key string) ([]byte, bool, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.call(ctx, "get", bucket); err != nil {
		return nil, false, err
	}
	value, found := v.buckets[bucket][key]
	return bytes.Clone(value), found, nil
}

func (v *memVault) Put(ctx context.Context, bucket, key string, value []byte, expiresAt time.Time) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.call(ctx, "put", bucket); err != nil {
		return err
	}
	if v.buckets[bucket] == nil {
		v.buckets[bucket] = map[string][]byte{}
	}
	v.buckets[bucket][key] = bytes.Clone(value)
	v.ever.WriteString(bucket + "\n" + key + "\n" + string(value) + "\n" + expiresAt.String() + "\n")
	return nil
}

func (v *memVault) Delete(ctx context.Context, bucket, key string) (bool, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.call(ctx, "delete", bucket); err != nil {
		return false, err
	}
	_, found := v.buckets[bucket][key]
	delete(v.buckets[bucket], key)
	return found, nil
}

func (v *memVault) DeleteBucket(ctx context.Context, bucket string) (int64, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.call(ctx, "delete bucket", bucket); err != nil {
		return 0, err
	}
	n := len(v.buckets[bucket])
	delete(v.buckets, bucket)
	return int64(n), nil
}

func (v *memVault) List(ctx context.Context, bucket string) (map[string][]byte, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.call(ctx, "list", bucket); err != nil {
		return nil, err
	}
	return maps.Clone(v.buckets[bucket]), nil
}

func (v *memVault) size(bucket string) int {
	v.mu.Lock()
	defer v.mu.Unlock()
	return len(v.buckets[bucket])
}

// testClock is a clock that tests move.
type testClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *testClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *testClock) Advance(by time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(by)
}

// fixture is a desk with everything around it in hand.
type fixture struct {
	*Desk
	t       *testing.T
	vault   *memVault
	clock   *testClock
	mu      sync.Mutex
	derived []Params // of all computations, in order
}

// lightParams make a computation of microseconds.
var lightParams = Params{Passes: 1, MemoryKiB: 8, Lanes: 1}

func testConfig(v Vault, clock func() time.Time) Config {
	return Config{Vault: v, Pepper: bytes.Repeat([]byte{0x0b}, 32), Clock: clock,
		Random: rand.NewChaCha8([32]byte{1}), Params: lightParams}
}

// newFixture gives ana and ben a PIN; the vault's memory begins after that.
func newFixture(t *testing.T) *fixture {
	t.Helper()
	f := &fixture{t: t, vault: newVault(),
		clock: &testClock{now: time.Date(2026, 3, 2, 5, 30, 0, 0, time.UTC)}}
	f.restart()
	for person, pin := range map[string]string{"ana": anasPIN, "ben": bensPIN} {
		if err := f.SetPIN(t.Context(), person, pin); err != nil {
			t.Fatal(err)
		}
	}
	f.derived = nil
	return f
}

const (
	anasPIN = "4071"
	bensPIN = "92635"
	wrong   = "5550"
)

// restart makes a new desk over the same vault, as a restarted server does.
func (f *fixture) restart() {
	f.t.Helper()
	d, err := New(testConfig(f.vault, f.clock.Now))
	if err != nil {
		f.t.Fatal(err)
	}
	real := d.argon
	d.argon = func(secret, salt []byte, p Params) []byte {
		f.mu.Lock()
		f.derived = append(f.derived, p)
		f.mu.Unlock()
		return real(secret, salt, p)
	}
	f.Desk = d
}

func (f *fixture) computations() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.derived)
}

func (f *fixture) signIn(person, pin, source string) (string, Session) {
	f.t.Helper()
	token, s, err := f.SignIn(f.t.Context(), person, pin, source)
	if err != nil {
		f.t.Fatalf("%s at %s: %v", person, source, err)
	}
	return token, s
}

// miss tries a wrong PIN that is expected to be looked at.
func (f *fixture) miss(person, source string) {
	f.t.Helper()
	if _, _, err := f.SignIn(f.t.Context(), person, wrong, source); !errors.Is(err, ErrWrongSignIn) {
		f.t.Fatalf("%s at %s: %v, want ErrWrongSignIn", person, source, err)
	}
}

// delayed expects a try, even with the right PIN, to have to wait that long.
func (f *fixture) delayed(person, pin, source string, want time.Duration) {
	f.t.Helper()
	before := f.computations()
	_, _, err := f.SignIn(f.t.Context(), person, pin, source)
	var delay *DelayError
	if !errors.As(err, &delay) || delay.RetryAfter != want {
		f.t.Fatalf("%s at %s: %v, want a delay of %v", person, source, err, want)
	}
	if f.computations() != before {
		f.t.Fatalf("%s at %s: a delayed try was computed", person, source)
	}
}

func (f *fixture) session(token string) error {
	f.t.Helper()
	_, err := f.Session(f.t.Context(), token)
	return err
}

func contains(haystack []byte, needle string) bool { return strings.Contains(string(haystack), needle) }
