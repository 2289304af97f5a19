package signin

import (
	"crypto/sha256"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

var dayReview = Signing{Person: "ana", Meaning: "review", ContentHash: sha256.Sum256([]byte("the day's content"))}

func (f *fixture) confirm(s Signing, pin string) string {
	f.t.Helper()
	token, until, err := f.ConfirmSigning(f.t.Context(), s, pin, "wall")
	if err != nil {
		f.t.Fatal(err)
	}
	if want := f.clock.Now().Add(2 * time.Minute); !until.Equal(want) {
		f.t.Errorf("valid until %v, want %v", until, want)
	}
	return token
}

func TestConfirmationIsUsedOnce(t *testing.T) {
	f := newFixture(t)
	token := f.confirm(dayReview, anasPIN)
	if err := f.UseConfirmation(t.Context(), token, dayReview); err != nil {
		t.Errorf("first use: %v", err)
	}
	if err := f.UseConfirmation(t.Context(), token, dayReview); !errors.Is(err, ErrNotConfirmed) {
		t.Errorf("second use: %v", err)
	}
	if err := f.session(token); !errors.Is(err, ErrNoSession) {
		t.Errorf("as a session: %v", err)
	}
}

func TestConfirmationIsUsedOnceByMany(t *testing.T) {
	for range 20 {
		f := newFixture(t)
		token := f.confirm(dayReview, anasPIN)
		var wg sync.WaitGroup
		var yes atomic.Int32
		start := make(chan struct{})
		for range 32 {
			wg.Go(func() {
				<-start
				switch err := f.UseConfirmation(t.Context(), token, dayReview); {
				case err == nil:
					yes.Add(1)
				case !errors.Is(err, ErrNotConfirmed):
					t.Error(err)
				}
			})
		}
		close(start)
		wg.Wait()
		if yes.Load() != 1 {
			t.Fatalf("used %d times", yes.Load())
		}
	}
}

func TestConfirmationEndsAtTheMoment(t *testing.T) {
	f := newFixture(t)
	early, late := f.confirm(dayReview, anasPIN), f.confirm(dayReview, anasPIN)
	f.clock.Advance(2*time.Minute - time.Microsecond)
	if err := f.UseConfirmation(t.Context(), early, dayReview); err != nil {
		t.Errorf("a microsecond before the end: %v", err)
	}
	f.clock.Advance(time.Microsecond)
	if err := f.UseConfirmation(t.Context(), late, dayReview); !errors.Is(err, ErrConfirmationExpired) {
		t.Errorf("at the end: %v", err)
	}
}

func TestConfirmationIsBound(t *testing.T) {
	for name, change := range map[string]func(*Signing){
		"person":                    func(s *Signing) { s.Person = "ben" },
		"meaning":                   func(s *Signing) { s.Meaning = "release" },
		"content":                   func(s *Signing) { s.ContentHash[31] ^= 1 },
		"parts shifted":             func(s *Signing) { s.Person, s.Meaning = "anar", "eview" },
		"everything left out":       func(s *Signing) { *s = Signing{} },
		"person with a letter more": func(s *Signing) { s.Person += " " },
	} {
		f := newFixture(t)
		token := f.confirm(dayReview, anasPIN)
		other := dayReview
		change(&other)
		if err := f.UseConfirmation(t.Context(), token, other); !errors.Is(err, ErrNotConfirmed) {
			t.Errorf("another %s: %v", name, err)
		}
		// It is gone: whoever brought it for something else does not try again.
		if err := f.UseConfirmation(t.Context(), token, dayReview); !errors.Is(err, ErrNotConfirmed) {
			t.Errorf("after another %s: %v", name, err)
		}
	}
}

func TestConfirmSigningRefuses(t *testing.T) {
	f := newFixture(t)
	if _, _, err := f.ConfirmSigning(t.Context(), dayReview, wrong, "wall"); !errors.Is(err, ErrWrongSignIn) {
		t.Errorf("wrong PIN: %v", err)
	}
	if _, _, err := f.ConfirmSigning(t.Context(), Signing{Person: "ana"}, anasPIN, "wall"); !errors.Is(err, ErrConfig) {
		t.Errorf("no meaning: %v", err)
	}
	for _, token := range []string{"", "x", "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"} {
		if err := f.UseConfirmation(t.Context(), token, dayReview); !errors.Is(err, ErrNotConfirmed) {
			t.Errorf("token %q: %v", token, err)
		}
	}
	session, _ := f.signIn("ana", anasPIN, "wall")
	if err := f.UseConfirmation(t.Context(), session, dayReview); !errors.Is(err, ErrNotConfirmed) {
		t.Errorf("a session's token: %v", err)
	}
	// Failures at confirming count like those at signing in, and are told of.
	f.ConfirmSigning(t.Context(), dayReview, wrong, "wall")
	if _, s := f.signIn("ana", anasPIN, "wall"); s.FailedBefore != 1 {
		t.Errorf("told of %d failures", s.FailedBefore)
	}
	for range 3 {
		f.ConfirmSigning(t.Context(), dayReview, wrong, "street")
	}
	var delay *DelayError
	if _, _, err := f.ConfirmSigning(t.Context(), dayReview, anasPIN, "street"); !errors.As(err, &delay) {
		t.Errorf("after three failures: %v", err)
	}
}

// When the storage cannot say that the token is gone, it is not taken.
func TestConfirmationWithFailingStorage(t *testing.T) {
	for n := 1; n <= 2; n++ {
		f := newFixture(t)
		token := f.confirm(dayReview, anasPIN)
		f.vault.ops, f.vault.failAt = nil, n
		if err := f.UseConfirmation(t.Context(), token, dayReview); !errors.Is(err, ErrVault) {
			t.Errorf("call %d failed: %v", n, err)
		}
	}
}
