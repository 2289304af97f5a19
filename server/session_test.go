package server_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/server"
)

func whoAmI(c *client.Client) (string, error) {
	r, err := c.Session.WhoAmI(ctx, &sv.WhoAmIRequest{})
	return r.GetPerson().GetInitials(), err
}

// TestSessions: a session ends by sign-out, by a new PIN, when its person
// leaves, when it is not used, and in any case at the end of a shift; at once,
// also for calls that came just before.
func TestSessions(t *testing.T) {
	k := furnished(t)
	c := k.as(anna)
	if who, err := whoAmI(c); err != nil || who != anna {
		t.Fatal(who, err)
	}
	ended := func(c *client.Client, why string) {
		t.Helper()
		if _, err := whoAmI(c); !errors.Is(err, records.ErrNotSignedIn) || status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", why, err)
		}
	}
	must(t)(c.Session.SignOut(ctx, &sv.SignOutRequest{}))
	ended(c, "signed out")

	c = k.as(anna)
	must(t)(k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: anna, NewPin: "5802"}))
	ended(c, "new PIN")
	if _, err := k.dial("").SignIn(ctx, anna, pins[anna], ""); !errors.Is(err, records.ErrNotSignedIn) {
		t.Errorf("the old PIN: %v", err)
	}
	must(t)(k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: anna, NewPin: pins[anna]}))

	c = k.as(anna)
	k.clock.Advance(29 * time.Minute)
	if _, err := whoAmI(c); err != nil {
		t.Errorf("after 29 minutes: %v", err)
	}
	k.clock.Advance(30 * time.Minute)
	ended(c, "not used for 30 minutes")
	c = k.as(anna)
	for range 12 * 3 {
		k.clock.Advance(20 * time.Minute)
		_, _ = whoAmI(c)
	}
	ended(c, "after 12 hours")

	c = k.as(anna)
	person := &kb.Person{Initials: anna, PrintedName: "Invented " + anna, Roles: []kb.Role{kb.Role_ROLE_INSPECTOR}}
	must(t)(k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: person}))
	_, err := c.Batch.VoidBatch(ctx, &sv.VoidBatchRequest{})
	if !errors.Is(err, records.ErrNotAllowed) {
		t.Errorf("with the role taken away: %v", err)
	}
	person.Left = true
	must(t)(k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: person}))
	ended(c, "left")
	if _, err := k.dial("").SignIn(ctx, anna, pins[anna], ""); !errors.Is(err, records.ErrNotSignedIn) {
		t.Errorf("who left signs in: %v", err)
	}
	for _, token := range []string{"", "x", "operator", operatorToken + " ", "Bearer " + operatorToken} {
		if _, err := whoAmI(k.dial(token)); !errors.Is(err, records.ErrNotSignedIn) {
			t.Errorf("the token %q: %v", token, err)
		}
	}
	// Two tokens are none.
	twice := metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+operatorToken)
	if _, err := k.op.Session.WhoAmI(twice, &sv.WhoAmIRequest{}); !errors.Is(err, records.ErrNotSignedIn) {
		t.Errorf("two tokens: %v", err)
	}
}

// TestSignOutAgainstCalls: calls that are under way while their session ends
// do not bring it back.
func TestSignOutAgainstCalls(t *testing.T) {
	k := furnished(t)
	for range 20 {
		c := k.dial("")
		must(t)(c.SignIn(ctx, anna, pins[anna], ""))
		var wg sync.WaitGroup
		for range 4 {
			wg.Go(func() {
				for range 5 {
					_, _ = whoAmI(c) // its answer depends on who was first
				}
			})
		}
		must(t)(c.Session.SignOut(ctx, &sv.SignOutRequest{}))
		if _, err := whoAmI(c); !errors.Is(err, records.ErrNotSignedIn) {
			t.Errorf("after the sign-out: %v", err)
		}
		wg.Wait()
		if _, err := whoAmI(c); !errors.Is(err, records.ErrNotSignedIn) {
			t.Errorf("after calls under way: %v", err)
		}
		_ = c.Close()
	}
}

// TestWrongPINs: failures slow the next try down, on the wire as TOO_MANY.
func TestWrongPINs(t *testing.T) {
	k := furnished(t)
	c := k.dial("")
	var last error
	for range 8 {
		_, last = c.SignIn(ctx, bo, "9999", "wall")
		if last == nil {
			t.Fatal("a wrong PIN signed in")
		}
	}
	if !errors.Is(last, records.ErrTooMany) || status.Code(last) != codes.ResourceExhausted {
		t.Errorf("the eighth try: %v", last)
	}
	if _, err := c.SignIn(ctx, bo, pins[bo], "wall"); !errors.Is(err, records.ErrTooMany) {
		t.Errorf("the right PIN too early: %v", err)
	}
	k.clock.Advance(time.Hour)
	must(t)(c.SignIn(ctx, bo, pins[bo], "wall"))
	// A PIN of somebody else is set by an administrator, one's own by oneself.
	_, err := k.as(bo).Session.SetPin(ctx, &sv.SetPinRequest{Initials: anna, NewPin: "5802"})
	want(t, err, records.ErrNotAllowed, "initials")
	must(t)(k.as(adele).Session.SetPin(ctx, &sv.SetPinRequest{Initials: anna, NewPin: "5802"}))
	must(t)(k.as(bo).Session.SetPin(ctx, &sv.SetPinRequest{Initials: bo, NewPin: "5803"}))
	for _, pin := range []string{"", "123", "1234567890123", "12a4", "1111", "1234", "9876"} {
		_, err := k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: bo, NewPin: pin})
		want(t, err, records.ErrInvalid, "new_pin")
	}
	_, err = k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: "NONE", NewPin: "5804"})
	want(t, err, records.ErrUnknownReference, "initials")
}

// TestRateLimit: a caller who calls too often is told to wait, others are not.
func TestRateLimit(t *testing.T) {
	k := furnished(t, func(c *server.Config) { c.RateLimit = 2 })
	busy := k.as(anna)
	taken := 0
	var err error
	for range 30 {
		if _, err = whoAmI(busy); err != nil {
			break
		}
		taken++
	}
	if !errors.Is(err, records.ErrTooMany) || taken < 5 {
		t.Errorf("%d calls were taken, then %v", taken, err)
	}
	if _, err := whoAmI(k.op); err != nil {
		t.Errorf("another caller: %v", err)
	}
	k.clock.Advance(3 * time.Second)
	if _, err := whoAmI(busy); err != nil {
		t.Errorf("after a while: %v", err)
	}
	// Trying PINs is limited by where it comes from.
	c := k.dial("")
	for range 30 {
		if _, err = c.SignIn(context.Background(), "NOBODY", "9999", ""); errors.Is(err, records.ErrTooMany) {
			return
		}
	}
	t.Errorf("thirty tries to sign in: %v", err)
}
