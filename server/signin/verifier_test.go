package signin

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
)

// The values were made with two programs that share no code with the library
// used here, and that agree with each other:
//
//   - the command argon2 of Debian 12 (package argon2 0~20171227-0.3+deb12u1, the
//     reference implementation), as in
//     argon2 SALT -id -t 1 -k 65536 -p 1 -l 32 -v 13 -r < SECRET
//   - OpenSSL 4.0.0 through Python's cryptography 48.0.0 (Argon2id.derive). With
//     the secret and the associated data that the library here does not take, the
//     same call gives the tag of RFC 9106 section 5.3:
//     0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659
//
// The first row has the inputs of RFC 9106 section 5.3 without those two.
func TestArgon2idAgainstOtherPrograms(t *testing.T) {
	ones, twos := bytes.Repeat([]byte{1}, 32), bytes.Repeat([]byte{2}, 16)
	for _, c := range []struct {
		params Params
		want   string
	}{
		{Params{Passes: 3, MemoryKiB: 32, Lanes: 4}, "03aab965c12001c9d7d0d2de33192c0494b684bb148196d73c1df1acaf6d0c2e"},
		{Params{Passes: 1, MemoryKiB: 19456, Lanes: 1}, "4c126d70764834695bed75cc4f5ab2abe1a353909030a49ffc893ee7dd13c2c6"},
		{DefaultParams, "faa0e397be3d691d1a50b9582ce7d3ecbb913cdb2b05075eec1d16dc25a0efd4"},
	} {
		if got := hex.EncodeToString(argon2id(ones, twos, c.params)); got != c.want {
			t.Errorf("%+v: %s, want %s", c.params, got, c.want)
		}
	}
}

// The whole verifier, from the same two programs with the key that Python's
// hmac.new(b"\x0b"*32, b"4071", "sha256") gives.
func TestVerifierAgainstOtherPrograms(t *testing.T) {
	const want = "eccff5c58f6084d06533e071569bc5273dfc0357587f9c596185cffb7725dd83"
	f := newFixture(t)
	got, err := f.derive(t.Context(), "4071", bytes.Repeat([]byte{2}, 16), DefaultParams)
	if err != nil || hex.EncodeToString(got) != want {
		t.Errorf("%x, %v; want %s", got, err, want)
	}
}

func TestVerifiersAreSaltedAndKeepTheirParameters(t *testing.T) {
	f := newFixture(t)
	read := func(person string) verifier {
		t.Helper()
		var v verifier
		if err := json.Unmarshal(f.vault.buckets[bucketPINs][person], &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	first := read("ana")
	if first.Params != lightParams || first.Version != 0x13 || len(first.Salt) != 16 || len(first.Hash) != 32 {
		t.Errorf("%+v", first)
	}
	if err := f.SetPIN(t.Context(), "ben", anasPIN); err != nil {
		t.Fatal(err)
	}
	if other := read("ben"); bytes.Equal(other.Salt, first.Salt) || bytes.Equal(other.Hash, first.Hash) {
		t.Error("two people with one PIN have one salt or hash")
	}
}

func TestVerifierIsRenewedWithNewParameters(t *testing.T) {
	f := newFixture(t)
	open, _ := f.signIn("ana", anasPIN, "wall")
	f.params = Params{Passes: 2, MemoryKiB: 16, Lanes: 1}
	f.nobody.Params = f.params
	f.derived = nil
	f.miss("ana", "wall")
	f.signIn("ana", anasPIN, "wall")
	f.signIn("ana", anasPIN, "wall")
	if want := []Params{lightParams, lightParams, f.params, f.params}; !slices.Equal(f.derived, want) {
		t.Errorf("computed %+v, want %+v", f.derived, want)
	}
	if err := f.session(open); err != nil {
		t.Errorf("the session from before: %v", err)
	}
}

func TestAnotherPepperOpensNothing(t *testing.T) {
	f := newFixture(t)
	f.Desk.pepper = bytes.Repeat([]byte{0x0c}, 32)
	if _, _, err := f.SignIn(t.Context(), "ana", anasPIN, "wall"); !errors.Is(err, ErrWrongSignIn) {
		t.Errorf("with another pepper: %v", err)
	}
}

func TestAtMostTwoAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		var running, most atomic.Int32
		release := make(chan struct{})
		real := f.argon
		f.argon = func(secret, salt []byte, p Params) []byte {
			most.Store(max(most.Load(), running.Add(1)))
			<-release
			defer running.Add(-1)
			return real(secret, salt, p)
		}
		const tries = 9
		done := make(chan error, tries)
		for i := range tries {
			go func() {
				person, source := "ana", string(rune('a'+i))
				switch i % 3 {
				case 0:
					done <- f.SetPIN(t.Context(), "person "+source, "4071")
				case 1:
					_, _, err := f.SignIn(t.Context(), "nobody "+source, "4071", source)
					done <- err
				default:
					_, _, err := f.ConfirmSigning(t.Context(), Signing{Person: person, Meaning: "review"}, anasPIN, source)
					done <- err
				}
			}()
		}
		for range tries {
			synctest.Wait() // everybody waits for a place or for release
			if n := running.Load(); n > 2 || n == 0 {
				t.Errorf("%d at once", n)
			}
			release <- struct{}{}
		}
		for range tries {
			if err := <-done; err != nil && !errors.Is(err, ErrWrongSignIn) {
				t.Error(err)
			}
		}
		if most.Load() != 2 {
			t.Errorf("at most %d at once, want 2", most.Load())
		}
	})
}

func TestWhoGivesUpWaitingIsNotCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		f.places <- struct{}{}
		f.places <- struct{}{}
		gone := errors.New("the tablet hung up")
		for range 20 {
			ctx, cancel := context.WithCancelCause(t.Context())
			waiting := make(chan error)
			go func() {
				_, _, err := f.SignIn(ctx, "ana", anasPIN, "wall")
				waiting <- err
			}()
			synctest.Wait() // it waits for a place
			cancel(gone)
			if err := <-waiting; !errors.Is(err, gone) {
				t.Fatalf("%v, want %v", err, gone)
			}
		}
		<-f.places
		<-f.places
		if _, s := f.signIn("ana", anasPIN, "wall"); s.FailedBefore != 0 {
			t.Errorf("told of %d failures", s.FailedBefore)
		}
	})
}

func TestDamagedVerifierIsAnErrorAndNoYes(t *testing.T) {
	for name, value := range map[string]string{
		"not JSON":       "{",
		"empty":          "{}",
		"huge memory":    `{"Scheme":"` + scheme + `","Version":19,"Params":{"Passes":1,"MemoryKiB":4000000000,"Lanes":1}}`,
		"another scheme": `{"Scheme":"plain","Hash":"NDA3MQ=="}`,
	} {
		f := newFixture(t)
		f.vault.buckets[bucketPINs]["ana"] = []byte(value)
		if _, _, err := f.SignIn(t.Context(), "ana", anasPIN, "wall"); !errors.Is(err, ErrVault) {
			t.Errorf("%s: %v", name, err)
		} else if strings.Contains(err.Error(), anasPIN) {
			t.Errorf("%s: %v", name, err)
		}
		if f.computations() != 0 {
			t.Errorf("%s: it was computed", name)
		}
	}
}

func BenchmarkVerifier(b *testing.B) {
	d, err := New(Config{Vault: newVault(), Pepper: make([]byte, 32), Clock: (&testClock{}).Now,
		Random: bytes.NewReader(make([]byte, 1000))})
	if err != nil {
		b.Fatal(err)
	}
	salt := make([]byte, saltBytes)
	for b.Loop() {
		if _, err := d.derive(context.Background(), "4071", salt, DefaultParams); err != nil {
			b.Fatal(err)
		}
	}
}
