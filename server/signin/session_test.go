package signin

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestSessionTimes(t *testing.T) {
	f := newFixture(t)
	begun := f.clock.Now()
	token, s := f.signIn("ana", anasPIN, "wall")
	want := Session{Person: "ana", Source: "wall", Started: begun,
		IdleEnd: begun.Add(30 * time.Minute), End: begun.Add(12 * time.Hour)}
	if s != want {
		t.Errorf("%+v, want %+v", s, want)
	}
	f.clock.Advance(10 * time.Minute)
	want.IdleEnd = begun.Add(40 * time.Minute)
	if s, err := f.Session(t.Context(), token); err != nil || s != want {
		t.Errorf("%+v, %v; want %+v", s, err, want)
	}
}

func TestIdleSessionEndsAtTheMoment(t *testing.T) {
	for _, short := range []time.Duration{0, time.Microsecond} {
		f := newFixture(t)
		token, _ := f.signIn("ana", anasPIN, "wall")
		// A use that is too recent to be noted in the vault counts all the same.
		f.clock.Advance(time.Minute)
		if err := f.session(token); err != nil {
			t.Fatal(err)
		}
		f.clock.Advance(30*time.Minute - short)
		err := f.session(token)
		if short == 0 && !errors.Is(err, ErrSessionExpired) || short > 0 && err != nil {
			t.Errorf("%v before the end: %v", short, err)
		}
		if short == 0 {
			if err := f.session(token); !errors.Is(err, ErrNoSession) || f.vault.size(bucketSessions) != 0 {
				t.Errorf("once expired: %v", err)
			}
		}
	}
}

func TestLongSessionEndsAtTheMoment(t *testing.T) {
	f := newFixture(t)
	token, _ := f.signIn("ana", anasPIN, "wall")
	for range 12*60 - 1 {
		f.clock.Advance(time.Minute)
		if err := f.session(token); err != nil {
			t.Fatal(err)
		}
	}
	f.clock.Advance(time.Minute - time.Microsecond)
	if err := f.session(token); err != nil {
		t.Errorf("a microsecond before the end: %v", err)
	}
	f.clock.Advance(time.Microsecond)
	if err := f.session(token); !errors.Is(err, ErrSessionExpired) {
		t.Errorf("at the end: %v", err)
	}
}

func TestRestartEndsIdleSessionsAtMostASixteenthEarly(t *testing.T) {
	f := newFixture(t)
	token, _ := f.signIn("ana", anasPIN, "wall")
	f.clock.Advance(DefaultIdle/16 - time.Microsecond)
	if err := f.session(token); err != nil {
		t.Fatal(err)
	}
	f.restart()
	f.clock.Advance(DefaultIdle - DefaultIdle/16)
	if err := f.session(token); err != nil {
		t.Errorf("fifteen sixteenths after the last use: %v", err)
	}
	f.restart()
	f.clock.Advance(DefaultIdle)
	if err := f.session(token); !errors.Is(err, ErrSessionExpired) {
		t.Errorf("the idle time after the last use: %v", err)
	}
}

func TestUsesAreNotedSeldom(t *testing.T) {
	f := newFixture(t)
	token, _ := f.signIn("ana", anasPIN, "wall")
	f.vault.ops = nil
	for range 300 {
		f.clock.Advance(time.Second)
		if err := f.session(token); err != nil {
			t.Fatal(err)
		}
	}
	puts := 0
	for _, op := range f.vault.ops {
		if strings.HasPrefix(op, "put") {
			puts++
		}
	}
	// 300 s of 1800 s / 16 = 112.5 s, noted at the second after each.
	if puts != 2 {
		t.Errorf("%d writes for 300 uses in 5 minutes, want 2", puts)
	}
}

func TestSignOut(t *testing.T) {
	f := newFixture(t)
	mine, _ := f.signIn("ana", anasPIN, "wall")
	other, _ := f.signIn("ana", anasPIN, "hand")
	for range 2 { // twice is no error
		if err := f.SignOut(t.Context(), mine); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.session(mine); !errors.Is(err, ErrNoSession) {
		t.Errorf("signed out: %v", err)
	}
	if err := f.session(other); err != nil {
		t.Errorf("the other session: %v", err)
	}
}

func TestEndAllAndEndPerson(t *testing.T) {
	for name, c := range map[string]struct {
		end       func(*fixture) error
		bensFalls bool
	}{
		"EndAll":    {func(f *fixture) error { return f.EndAll(t.Context()) }, true},
		"EndPerson": {func(f *fixture) error { return f.EndPerson(t.Context(), "ana") }, false},
		"SetPIN":    {func(f *fixture) error { return f.SetPIN(t.Context(), "ana", "80417263") }, false},
		"RemovePIN": {func(f *fixture) error { return f.RemovePIN(t.Context(), "ana") }, false},
	} {
		f := newFixture(t)
		signing := Signing{Person: "ana", Meaning: "review"}
		anas, _ := f.signIn("ana", anasPIN, "wall")
		anasHand, _ := f.signIn("ana", anasPIN, "hand")
		bens, _ := f.signIn("ben", bensPIN, "wall")
		confirmed, _, err := f.ConfirmSigning(t.Context(), signing, anasPIN, "wall")
		if err != nil {
			t.Fatal(err)
		}
		if err := c.end(f); err != nil {
			t.Fatal(err)
		}
		for _, token := range []string{anas, anasHand} {
			if err := f.session(token); !errors.Is(err, ErrNoSession) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if err := f.UseConfirmation(t.Context(), confirmed, signing); !errors.Is(err, ErrNotConfirmed) {
			t.Errorf("%s: the signing token: %v", name, err)
		}
		if err := f.session(bens); errors.Is(err, ErrNoSession) != c.bensFalls {
			t.Errorf("%s: ben's session: %v", name, err)
		}
	}
}

func TestRemovePIN(t *testing.T) {
	f := newFixture(t)
	for _, want := range []bool{true, false} {
		if has, err := f.HasPIN(t.Context(), "ana"); has != want || err != nil {
			t.Errorf("has a PIN: %v, %v", has, err)
		}
		if err := f.RemovePIN(t.Context(), "ana"); err != nil {
			t.Fatal(err)
		}
	}
	f.miss("ana", "wall")
	if _, _, err := f.SignIn(t.Context(), "ana", anasPIN, "wall"); !errors.Is(err, ErrWrongSignIn) {
		t.Errorf("the removed PIN: %v", err)
	}
	if has, err := f.HasPIN(t.Context(), ""); has || err != nil {
		t.Errorf("nobody has a PIN: %v, %v", has, err)
	}
	if err := f.RemovePIN(t.Context(), ""); err != nil {
		t.Error(err)
	}
}

func TestOnlyTheTokenItselfOpens(t *testing.T) {
	f := newFixture(t)
	token, _ := f.signIn("ana", anasPIN, "wall")
	if len(token) != 43 {
		t.Errorf("token %q", token)
	}
	again, _ := f.signIn("ana", anasPIN, "wall")
	if again == token {
		t.Error("two sessions with one token")
	}
	key, _ := tokenKey(token)
	// Base64 has other spellings of the last two bits; none may pass.
	last := strings.IndexByte("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_", token[42])
	respelt := token[:42] + string("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"[last|1])
	for _, bad := range []string{"", key, respelt, token[:42], token + "A", token + "=", token + "\n", "\n" + token[1:], strings.ToLower(token)} {
		if err := f.session(bad); !errors.Is(err, ErrNoSession) {
			t.Errorf("%q: %v", bad, err)
		}
		if err := f.SignOut(t.Context(), bad); err != nil {
			t.Errorf("sign-out of %q: %v", bad, err)
		}
	}
	if err := f.session(token); err != nil {
		t.Errorf("the token itself: %v", err)
	}
}

// A session that is used while it ends does not come back.
func TestSignOutAgainstUse(t *testing.T) {
	for range 50 {
		f := newFixture(t)
		token, _ := f.signIn("ana", anasPIN, "wall")
		f.clock.Advance(5 * time.Minute) // so that the next use is written
		var wg sync.WaitGroup
		for range 4 {
			wg.Go(func() { f.Session(t.Context(), token) })
		}
		wg.Go(func() {
			if err := f.SignOut(t.Context(), token); err != nil {
				t.Error(err)
			}
		})
		wg.Wait()
		if err := f.session(token); !errors.Is(err, ErrNoSession) {
			t.Fatalf("after the sign-out: %v", err)
		}
	}
}

// A PIN that is replaced while it is being checked opens nothing.
func TestPINReplacedWhileChecked(t *testing.T) {
	signing := Signing{Person: "ana", Meaning: "review"}
	for name, try := range map[string]func(*fixture) error{
		"SignIn": func(f *fixture) error { _, _, err := f.SignIn(t.Context(), "ana", anasPIN, "wall"); return err },
		"ConfirmSigning": func(f *fixture) error {
			_, _, err := f.ConfirmSigning(t.Context(), signing, anasPIN, "wall")
			return err
		},
	} {
		f := newFixture(t)
		real := f.argon
		f.argon = func(secret, salt []byte, p Params) []byte {
			f.argon = real
			hash := real(secret, salt, p)
			if err := f.SetPIN(t.Context(), "ana", "80417263"); err != nil {
				t.Error(err)
			}
			return hash
		}
		if err := try(f); !errors.Is(err, ErrWrongSignIn) {
			t.Errorf("%s: %v", name, err)
		}
		if f.vault.size(bucketSessions)+f.vault.size(bucketSignings) != 0 {
			t.Errorf("%s: a token was given out", name)
		}
	}
}

func TestClockSetBackLengthensNoSession(t *testing.T) {
	f := newFixture(t)
	token, _ := f.signIn("ana", anasPIN, "wall")
	f.clock.Advance(-time.Hour)
	s, err := f.Session(t.Context(), token)
	if err != nil || !s.IdleEnd.Equal(f.clock.Now().Add(90*time.Minute)) {
		t.Errorf("%+v, %v", s, err)
	}
}

func TestForgottenSessionsLeaveMemory(t *testing.T) {
	f := newFixture(t)
	for range 40 {
		f.signIn("ana", anasPIN, "wall")
		f.clock.Advance(time.Minute)
	}
	if n := len(f.seen); n != 30 {
		t.Errorf("%d sessions in memory, want those of the last 30 minutes", n)
	}
}
