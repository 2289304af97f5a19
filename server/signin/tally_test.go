package signin

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

func TestDelayGrowsByPerson(t *testing.T) {
	f := newFixture(t)
	// Each try comes from another source, so that only the person's count grows.
	source := 0
	next := func() string { source++; return fmt.Sprint("address ", source) }
	for range 3 {
		f.miss("ana", next())
	}
	var seen []time.Duration
	for _, want := range []time.Duration{2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900} {
		want *= time.Second
		f.delayed("ana", anasPIN, next(), want)
		f.clock.Advance(want / 2)
		f.delayed("ana", anasPIN, next(), want-want/2) // trying early does not lengthen it
		f.clock.Advance(want - want/2 - time.Microsecond)
		f.delayed("ana", anasPIN, next(), time.Microsecond)
		f.clock.Advance(time.Microsecond)
		f.miss("ana", next())
		seen = append(seen, want)
	}
	if !slices.IsSorted(seen) {
		t.Errorf("delays %v", seen)
	}
	// It ends by itself, and the right PIN makes a clean start.
	f.clock.Advance(15 * time.Minute)
	_, s := f.signIn("ana", anasPIN, next())
	if s.FailedBefore != 15 || !s.LastFailed.Equal(f.clock.Now().Add(-15*time.Minute)) {
		t.Errorf("told of %d failures, the last at %v", s.FailedBefore, s.LastFailed)
	}
	for range 3 {
		f.miss("ana", next())
	}
	f.delayed("ana", anasPIN, next(), 2*time.Second)
}

func TestDelayGrowsBySource(t *testing.T) {
	f := newFixture(t)
	for i := range 10 {
		f.miss(fmt.Sprint("name ", i), "address")
	}
	for i, want := range []time.Duration{1, 2, 4, 8, 16, 32, 60, 60} {
		want *= time.Second
		f.delayed("ana", anasPIN, "address", want)
		f.clock.Advance(want - time.Microsecond)
		f.delayed("ben", bensPIN, "address", time.Microsecond)
		f.clock.Advance(time.Microsecond)
		f.miss(fmt.Sprint("other name ", i), "address")
	}
	// Other places are as ever.
	f.signIn("ana", anasPIN, "elsewhere")
	f.clock.Advance(time.Minute)
	f.signIn("ana", anasPIN, "address")
	// One person's success does not excuse the place: the last failure there is a
	// minute old, and the next one doubles nothing but starts the longest delay.
	f.miss("name", "address")
	f.delayed("ben", bensPIN, "address", time.Minute)
}

// A guesser who does nothing but fail, at everybody, from everywhere but the
// tablets, stops nobody who works at the tablets.
func TestNobodyCanLockTheKitchen(t *testing.T) {
	f := newFixture(t)
	staff := map[string]string{"ana": anasPIN, "ben": bensPIN}
	for i := range 10 {
		name, pin := fmt.Sprint("cook ", i), fmt.Sprint(40718+7*i)
		if err := f.SetPIN(t.Context(), name, pin); err != nil {
			t.Fatal(err)
		}
		staff[name] = pin
	}
	open := map[string]string{}
	for name, pin := range staff {
		open[name], _ = f.signIn(name, pin, "wall")
	}
	f.clock.Advance(10 * time.Minute)
	for range 500 {
		for name := range staff {
			for i := range 3 {
				// A place of its own for each: no delay by place holds this guesser.
				_, _, err := f.SignIn(t.Context(), name, wrong, fmt.Sprint("street ", name, i))
				var delay *DelayError
				if !errors.Is(err, ErrWrongSignIn) && !errors.As(err, &delay) {
					t.Fatal(err)
				}
			}
		}
		f.clock.Advance(time.Second)
	}
	for name, pin := range staff {
		if err := f.session(open[name]); err != nil {
			t.Errorf("%s's open session: %v", name, err)
		}
		if _, _, err := f.ConfirmSigning(t.Context(), Signing{Person: name, Meaning: "review"}, pin, "wall"); err != nil {
			t.Errorf("%s signing at the wall: %v", name, err)
		}
		_, s := f.signIn(name, pin, "wall")
		// After 3 at once, one after each delay of 2, 4, ... 128 s (254 s in all;
		// the next would come after 510 s).
		if s.FailedBefore != 10 {
			t.Errorf("%s was told of %d failures, want 10", name, s.FailedBefore)
		}
	}
	// Not even somebody at the wall itself stops the others there.
	for range 200 {
		f.SignIn(t.Context(), "ben", wrong, "wall")
		f.SignIn(t.Context(), "nobody", wrong, "wall")
		f.clock.Advance(time.Second)
	}
	f.signIn("ana", anasPIN, "wall")
	// And who was stopped waits, at most a quarter of an hour.
	f.clock.Advance(15 * time.Minute)
	f.signIn("ben", bensPIN, "wall")
}

// A success at a familiar tablet frees nothing elsewhere.
func TestGuesserGoesOnWaiting(t *testing.T) {
	f := newFixture(t)
	f.signIn("ana", anasPIN, "wall")
	for range 3 {
		f.miss("ana", "street")
	}
	for _, wait := range []time.Duration{2, 4, 8} {
		f.clock.Advance(wait * time.Second)
		f.miss("ana", "street")
	}
	f.clock.Advance(5 * time.Second)
	f.signIn("ana", anasPIN, "wall")
	f.delayed("ana", anasPIN, "street", 11*time.Second)
	f.clock.Advance(11 * time.Second)
	f.miss("ana", "street")
	f.delayed("ana", anasPIN, "street", 32*time.Second)
}

func TestFamiliarityEnds(t *testing.T) {
	f := newFixture(t)
	attack := func() {
		for range 15 {
			f.SignIn(t.Context(), "ana", wrong, "street")
			f.clock.Advance(15 * time.Minute)
		}
		f.clock.Advance(-15 * time.Minute)
	}
	f.signIn("ana", anasPIN, "wall")
	attack()
	f.signIn("ana", anasPIN, "wall")
	// Three failures in a row there, and the fourth try waits like anybody's.
	for range 3 {
		f.miss("ana", "wall")
	}
	f.delayed("ana", anasPIN, "wall", 15*time.Minute)
	f.clock.Advance(15 * time.Minute)
	f.signIn("ana", anasPIN, "wall")

	// Thirty days unseen.
	f.clock.Advance(30*24*time.Hour - 4*time.Hour)
	attack()
	f.clock.Advance(4*time.Hour - 15*14*time.Minute - time.Microsecond)
	f.signIn("ana", anasPIN, "wall") // a microsecond before they are over
	f.clock.Advance(30*24*time.Hour - 4*time.Hour)
	attack()
	f.clock.Advance(15*time.Minute - time.Microsecond)
	f.delayed("ana", anasPIN, "elsewhere", time.Microsecond)
	f.clock.Advance(4*time.Hour - 15*15*time.Minute + time.Microsecond)
	f.miss("ana", "street")
	f.delayed("ana", anasPIN, "wall", 15*time.Minute)
}

func TestFailuresAreForgottenAfterADay(t *testing.T) {
	f := newFixture(t)
	for range 3 {
		f.miss("ana", "street")
	}
	f.clock.Advance(24*time.Hour - time.Microsecond)
	f.miss("ana", "street") // the fourth in a row
	f.delayed("ana", anasPIN, "cellar", 4*time.Second)
	f.clock.Advance(24 * time.Hour)
	for range 3 {
		f.miss("ana", "street")
	}
	f.delayed("ana", anasPIN, "cellar", 2*time.Second)
	f.clock.Advance(2 * time.Second)
	if _, s := f.signIn("ana", anasPIN, "cellar"); s.FailedBefore != 7 {
		t.Errorf("told of %d failures, want all 7", s.FailedBefore)
	}
}

func TestRestartForgetsNoFailure(t *testing.T) {
	f := newFixture(t)
	for range 3 {
		f.miss("ana", "street")
	}
	f.restart()
	f.delayed("ana", anasPIN, "street", 2*time.Second)
}

func TestNewPINEndsTheDelay(t *testing.T) {
	f := newFixture(t)
	for range 3 {
		f.miss("ana", "street")
	}
	if err := f.SetPIN(t.Context(), "ana", "80417263"); err != nil {
		t.Fatal(err)
	}
	f.signIn("ana", "80417263", "cellar")
}

func TestClockSetBackLengthensNoDelay(t *testing.T) {
	f := newFixture(t)
	for range 3 {
		f.miss("ana", "street")
	}
	f.clock.Advance(-365 * 24 * time.Hour)
	f.delayed("ana", anasPIN, "street", 2*time.Second)
}

func TestManyAtOnceGainNothing(t *testing.T) {
	f := newFixture(t)
	var wg sync.WaitGroup
	var missed, delayed atomic.Int32
	for i := range 40 {
		wg.Go(func() {
			_, _, err := f.SignIn(t.Context(), "ana", wrong, fmt.Sprint("address ", i))
			var delay *DelayError
			switch {
			case errors.Is(err, ErrWrongSignIn):
				missed.Add(1)
			case errors.As(err, &delay):
				delayed.Add(1)
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if missed.Load() != 3 || delayed.Load() != 37 || f.computations() != 3 {
		t.Errorf("%d looked at, %d delayed, %d computed; want 3, 37, 3", missed.Load(), delayed.Load(), f.computations())
	}
}

// A name that nobody has cannot be told from a wrong PIN: not by the error, not by
// the work, not by what is asked of the storage, not by the delays.
func TestUnknownPersonIsLikeAWrongPIN(t *testing.T) {
	trace := func(person string) string {
		f := newFixture(t)
		f.vault.ops = nil
		var log strings.Builder
		for range 6 {
			_, _, err := f.SignIn(t.Context(), person, wrong, "wall")
			fmt.Fprintln(&log, err)
			_, _, err = f.ConfirmSigning(t.Context(), Signing{Person: person, Meaning: "review"}, wrong, "wall")
			fmt.Fprintln(&log, err)
			f.clock.Advance(3 * time.Second)
		}
		fmt.Fprintln(&log, f.derived)
		// The tallies are read and written in any order.
		slices.Sort(f.vault.ops)
		fmt.Fprintln(&log, f.vault.ops)
		return log.String()
	}
	known, unknown := trace("ana"), trace("zoe")
	if known != unknown {
		t.Errorf("a known person:\n%s\nan unknown one:\n%s", known, unknown)
	}
	if !strings.Contains(known, ErrWrongSignIn.Error()) || !strings.Contains(known, "try again in") {
		t.Errorf("nothing was tried:\n%s", known)
	}
	// What cannot be a person at all is computed, too.
	for _, person := range []string{"", strings.Repeat("x", 300)} {
		f := newFixture(t)
		if _, _, err := f.SignIn(t.Context(), person, wrong, "wall"); !errors.Is(err, ErrWrongSignIn) || f.computations() != 1 {
			t.Errorf("person of %d bytes: %v, %d computed", len(person), err, f.computations())
		}
	}
}

// Whichever call of the storage fails, nobody is let in by it.
func TestStorageFailureLetsNobodyIn(t *testing.T) {
	for n := 1; ; n++ {
		f := newFixture(t)
		f.vault.ops, f.vault.failAt = nil, n
		token, _, err := f.SignIn(t.Context(), "ana", anasPIN, "wall")
		if err == nil {
			if n < 10 {
				t.Errorf("only %d calls of the storage were seen", n)
			}
			break
		}
		if !errors.Is(err, ErrVault) || !errors.Is(err, errDisk) || token != "" {
			t.Errorf("call %d failed: %q, %v", n, token, err)
		}
		if f.vault.size(bucketSessions) != 0 {
			t.Errorf("call %d failed: a session is there", n)
		}
	}
}

func TestHangingUpIsCounted(t *testing.T) {
	f := newFixture(t)
	for range 3 {
		ctx, cancel := context.WithCancel(t.Context())
		real := f.argon
		f.argon = func(secret, salt []byte, p Params) []byte {
			cancel() // at the moment the answer is known
			return real(secret, salt, p)
		}
		if _, _, err := f.SignIn(ctx, "ana", wrong, "street"); !errors.Is(err, ErrWrongSignIn) {
			t.Fatal(err)
		}
		f.argon = real
	}
	f.delayed("ana", anasPIN, "street", 2*time.Second)
}

func TestDelayErrorRoundsUp(t *testing.T) {
	for wait, says := range map[time.Duration]string{
		time.Microsecond:             "in 1 s",
		2 * time.Second:              "in 2 s",
		2*time.Second + 1:            "in 3 s",
		15*time.Minute - time.Minute: "in 840 s",
	} {
		if err := (&DelayError{RetryAfter: wait}); !strings.HasSuffix(err.Error(), says) {
			t.Errorf("%v: %v", wait, err)
		}
	}
}
