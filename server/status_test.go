package server_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
	"kettlebook/server"
	"kettlebook/server/signin"
)

// brokenStore is a store whose snapshots fail with what a test sets.
type brokenStore struct {
	store.Store
	mu   sync.Mutex
	err  error
	boom bool
}

func (b *brokenStore) fail(err error, boom bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.err, b.boom = err, boom
}

func (b *brokenStore) Snapshot(ctx context.Context) (store.View, func(), error) {
	b.mu.Lock()
	err, boom := b.err, b.boom
	b.mu.Unlock()
	if boom {
		panic("a secret that must stay inside")
	}
	if err != nil {
		return nil, nil, err
	}
	return b.Store.Snapshot(ctx)
}

// broken opens a kitchen on a broken store.
func broken(t *testing.T) (*kitchen, *brokenStore) {
	b := new(brokenStore)
	return openKitchen(t, func(c *server.Config) { b.Store, c.Store = c.Store, b }), b
}

// TestErrorsTravel sends every kind of error through the server's table, over
// the wire and back through the client's: the kind, the field, the words and
// the cure survive.
func TestErrorsTravel(t *testing.T) {
	k, b := broken(t)
	seen := map[string]bool{}
	for _, kind := range records.Kinds() {
		if seen[kind.Reason] {
			t.Errorf("the word %s stands for two errors", kind.Reason)
		}
		seen[kind.Reason] = true
		code, ok := server.CodesByReason[kind.Reason]
		if !ok || code == codes.OK || code == codes.Unknown || code == codes.Internal {
			t.Errorf("%s has the code %v", kind.Reason, code)
		}
		for _, sent := range []*records.FieldError{
			{Kind: kind.Sentinel, Field: "points[1].reading", Problem: "the problem", Cure: "the cure"},
			{Kind: kind.Sentinel, Field: "points[1].reading", Problem: "the problem"},
			{Kind: kind.Sentinel, Problem: "the problem", Cure: "the cure (with brackets)"},
			{Kind: kind.Sentinel, Problem: "the problem"},
		} {
			b.fail(sent, false)
			_, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
			if !errors.Is(err, kind.Sentinel) {
				t.Fatalf("%s came back as %v", kind.Reason, err)
			}
			for _, other := range records.Kinds() {
				if other.Reason != kind.Reason && errors.Is(err, other.Sentinel) {
					t.Errorf("%s came back as %s too", kind.Reason, other.Reason)
				}
			}
			var got *records.FieldError
			if !errors.As(err, &got) {
				t.Fatalf("%s lost its field: %#v", kind.Reason, err)
			}
			if got.Field != sent.Field || got.Problem != sent.Problem || got.Cure != sent.Cure {
				t.Errorf("%s was %+v and came back as %+v", kind.Reason, sent, got)
			}
			if got.Error() != sent.Error() {
				t.Errorf("%q became %q", sent, got)
			}
			if status.Code(err) != code {
				t.Errorf("%s has code %v, not %v", kind.Reason, status.Code(err), code)
			}
		}
		// A sentinel that is wrapped without a field keeps its kind.
		b.fail(fmt.Errorf("around it: %w", kind.Sentinel), false)
		if _, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{}); !errors.Is(err, kind.Sentinel) {
			t.Errorf("%s wrapped came back as %v", kind.Reason, err)
		}
	}
	if len(seen) != len(server.CodesByReason) {
		t.Errorf("%d kinds of errors, %d codes", len(seen), len(server.CodesByReason))
	}
}

// TestErrorsOfOthers: what the store and the sign-in desk say becomes one of
// the kinds; what nobody foresaw stays inside.
func TestErrorsOfOthers(t *testing.T) {
	k, b := broken(t)
	for _, c := range []struct {
		err   error
		kind  error
		field string
	}{
		{store.ErrRequestIDReused, records.ErrRequestIDReused, "request_id"},
		{fmt.Errorf("%w: because", store.ErrReadOnly), records.ErrReadOnly, ""},
		{fmt.Errorf("%w: 7", store.ErrNotFound), records.ErrNotFound, ""},
		{store.ErrBadCursor, records.ErrInvalid, "page_token"},
		{&store.TamperedError{Sequence: 3, What: "hash"}, records.ErrMalformed, ""},
		{store.ErrUnavailable, records.ErrUnavailable, ""},
		{store.ErrClosed, records.ErrUnavailable, ""},
		{&signin.RuleError{Field: "pin", Reason: "too short"}, records.ErrInvalid, "pin"},
		{&signin.DelayError{RetryAfter: time.Second}, records.ErrTooMany, "pin"},
		{signin.ErrWrongSignIn, records.ErrNotSignedIn, "pin"},
		{signin.ErrNoSession, records.ErrNotSignedIn, ""},
		{signin.ErrSessionExpired, records.ErrNotSignedIn, ""},
		{signin.ErrNotConfirmed, records.ErrNotSignedIn, "signing_token"},
		{signin.ErrConfirmationExpired, records.ErrNotSignedIn, "signing_token"},
	} {
		b.fail(fmt.Errorf("wrapped: %w", c.err), false)
		_, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
		want(t, err, c.kind, c.field)
	}
	for _, c := range []struct {
		err  error
		code codes.Code
	}{
		{errors.New("a secret that must stay inside"), codes.Internal},
		{store.ErrInvalid, codes.Internal},
		{&store.PanicError{Value: "a secret that must stay inside"}, codes.Internal},
		{context.DeadlineExceeded, codes.DeadlineExceeded},
		{context.Canceled, codes.Canceled},
	} {
		b.fail(c.err, false)
		_, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
		if status.Code(err) != c.code || strings.Contains(err.Error(), "secret") {
			t.Errorf("%v came out as %v", c.err, err)
		}
	}
	if !strings.Contains(k.log.String(), "a secret that must stay inside") {
		t.Error("the server's own log does not say what went wrong")
	}
	b.fail(nil, true)
	_, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "secret") {
		t.Errorf("a panic came out as %v", err)
	}
	// A stream says it in the same way.
	b.fail(nil, true)
	s, err := k.op.Day.GetLog(ctx, &sv.GetLogRequest{ProductionDay: monday})
	if err == nil {
		_, err = s.Recv()
	}
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "secret") {
		t.Errorf("a panic in a stream came out as %v", err)
	}
	b.fail(nil, false)
	if _, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{}); !errors.Is(err, records.ErrNotSetUp) {
		t.Errorf("the service did not go on: %v", err)
	}
}

// TestNothingBeforeSettings: without settings nothing is taken but settings.
func TestNothingBeforeSettings(t *testing.T) {
	k := openKitchen(t)
	must(t)(k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: adele, PrintedName: "A", Roles: []kb.Role{kb.Role_ROLE_ADMINISTRATOR, kb.Role_ROLE_COOK}}}))
	must(t)(k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: adele, NewPin: pins[adele]}))
	c := k.as(adele)
	must(t)(c.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: k.id(), Instrument: &kb.Instrument{InstrumentId: "C1", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1")}}))
	before := k.state()
	_, err := c.Check.RecordCheck(ctx, &sv.RecordCheckRequest{RequestId: k.id(), Check: &kb.Check{CheckId: "c", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0")}}})
	if !errors.Is(err, records.ErrNotSetUp) {
		t.Errorf("a check: %v", err)
	}
	if _, err := c.Day.GetDay(ctx, &sv.GetDayRequest{}); !errors.Is(err, records.ErrNotSetUp) {
		t.Errorf("the day: %v", err)
	}
	if k.state() != before {
		t.Error("the ledger changed")
	}
}
