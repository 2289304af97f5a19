package server_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// TestSameRequestTwice: the same id and content give the first answer, other
// content is refused, whoever sends it.
func TestSameRequestTwice(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	r := &sv.RecordCheckRequest{RequestId: k.id(), Check: &kb.Check{CheckId: "c1", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 45), "1.3"), boil(at(0, 5, 50), "95.1", "845.0")}}}
	first, err := k.as(anna).Check.RecordCheck(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	if first.GetReceipt().GetReplayed() || first.GetReceipt().GetCount() != 3 || first.GetAssessment().GetAsFound() != kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE {
		t.Fatalf("the first answer is %v", first)
	}
	before := k.state()
	k.clock.Advance(time.Hour)
	again, err := k.as(anna).Check.RecordCheck(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	if !again.GetReceipt().GetReplayed() {
		t.Error("the second answer is not marked as replayed")
	}
	again.GetReceipt().Replayed = false
	if !proto.Equal(first, again) {
		t.Errorf("the second answer is %v", again)
	}
	changed := proto.Clone(r).(*sv.RecordCheckRequest)
	changed.Check.Points[0].Reading = tc("0.1")
	_, err = k.as(anna).Check.RecordCheck(ctx, changed)
	want(t, err, records.ErrRequestIDReused, "request_id")
	if status.Code(err) != codes.AlreadyExists {
		t.Errorf("code %v", status.Code(err))
	}
	// The id under another method is another content too.
	_, err = k.as(anna).Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: r.GetRequestId(), Batch: &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 5, 55))}})
	want(t, err, records.ErrRequestIDReused, "request_id")
	if k.state() != before {
		t.Error("the ledger changed")
	}
	// After a restart the answer is still the first.
	k.stop()
	k.start()
	again, err = k.as(anna).Check.RecordCheck(ctx, r)
	if err != nil || !again.GetReceipt().GetReplayed() || again.GetReceipt().GetFirstSequence() != first.GetReceipt().GetFirstSequence() {
		t.Errorf("after a restart: %v, %v", again, err)
	}
}

// TestSameRequestAtOnce: many tablets' worth of the same request are one entry;
// of two with other content under one id, one is kept.
func TestSameRequestAtOnce(t *testing.T) {
	k := withBatch(t)
	same := &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 30), time.Second, "90.0", "90.5")}
	c := k.as(anna)
	size := k.state().size
	var mu sync.Mutex
	var wg sync.WaitGroup
	replays := 0
	firsts := map[int64]bool{}
	for range 16 {
		wg.Go(func() {
			r, err := c.Batch.AddReadings(ctx, same)
			mu.Lock()
			defer mu.Unlock()
			if err != nil {
				t.Error(err)
				return
			}
			firsts[r.GetReceipt().GetFirstSequence()] = true
			if r.GetReceipt().GetReplayed() {
				replays++
			}
		})
	}
	wg.Wait()
	if len(firsts) != 1 || replays != 15 || k.state().size != size+1 {
		t.Errorf("%d answers, %d replays, the ledger grew by %d", len(firsts), replays, k.state().size-size)
	}
	// Other content at once.
	id := k.id()
	kept, refused := 0, 0
	for i := range 8 {
		wg.Go(func() {
			readings := []string{"90.0"}
			if i%2 == 1 {
				readings = []string{"91.0"}
			}
			r, err := c.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: id, Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 40), time.Second, readings...)})
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil && !r.GetReceipt().GetReplayed():
				kept++
			case errors.Is(err, records.ErrRequestIDReused):
				refused++
			case err != nil:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if kept != 1 || refused != 4 || k.state().size != size+2 {
		t.Errorf("%d kept, %d refused, the ledger grew by %d", kept, refused, k.state().size-size)
	}
}

// TestReviewTwice: a review sent again, with the used token or another, after
// the day went on or a restart, gives the first answer; the signature is there once.
func TestReviewTwice(t *testing.T) {
	k := withBatch(t)
	_, shown := k.day(monday)
	r := k.signed(rita, monday, shown)
	first, err := k.as(rita).Day.ReviewDay(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	again := func(r *sv.ReviewDayRequest) {
		t.Helper()
		got, err := k.as(rita).Day.ReviewDay(ctx, r)
		if err != nil {
			t.Fatal(err)
		}
		if !got.GetReceipt().GetReplayed() {
			t.Error("not marked as replayed")
		}
		got.GetReceipt().Replayed = false
		if !proto.Equal(got, first) {
			t.Errorf("the answer is %v, and was %v", got, first)
		}
	}
	size := k.state().size
	again(r)
	other := proto.Clone(r).(*sv.ReviewDayRequest)
	other.SigningToken = "another"
	again(other)
	if k.state().size != size {
		t.Error("the ledger grew")
	}
	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 30), time.Second, "90.0")))
	again(r)
	k.stop()
	k.start()
	again(r)
	remark := proto.Clone(r).(*sv.ReviewDayRequest)
	remark.Review.Remark = "something else"
	_, err = k.as(rita).Day.ReviewDay(ctx, remark)
	want(t, err, records.ErrRequestIDReused, "request_id")
	if _, err := k.as(anna).Day.ReviewDay(ctx, r); !errors.Is(err, records.ErrNotAllowed) {
		t.Errorf("a cook sent the reviewer's request: %v", err)
	}
}

// TestReviewAtOnce: the same review sent several times at once is one review
// and one log, and every sender gets the same answer.
func TestReviewAtOnce(t *testing.T) {
	k := withBatch(t)
	_, shown := k.day(monday)
	r := k.signed(rita, monday, shown)
	c := k.as(rita)
	size := k.state().size
	answers := make(chan *sv.ReviewDayResponse, 8)
	for range cap(answers) {
		go func() {
			got, err := c.Day.ReviewDay(ctx, r)
			if err != nil {
				t.Error(err)
			}
			answers <- got
		}()
	}
	logs := map[string]bool{}
	for range cap(answers) {
		got := <-answers
		logs[string(got.GetLog().GetPdfSha256())] = true
		if got.GetReceipt().GetFirstSequence() != size+1 {
			t.Errorf("receipt %v", got.GetReceipt())
		}
	}
	if len(logs) != 1 || k.state().size != size+2 {
		t.Errorf("%d logs, the ledger grew by %d", len(logs), k.state().size-size)
	}
}

// TestSigningTokenIsUsedOnce: a token is good once, for this person, meaning
// and content, for two minutes.
func TestSigningTokenIsUsedOnce(t *testing.T) {
	k := withBatch(t)
	_, shown := k.day(monday)
	c := k.as(rita)
	refused := func(r *sv.ReviewDayRequest) {
		t.Helper()
		before := k.state()
		_, err := c.Day.ReviewDay(ctx, r)
		want(t, err, records.ErrNotSignedIn, "signing_token")
		if k.state() != before {
			t.Error("the ledger changed")
		}
	}
	r := k.signed(rita, monday, shown)
	r.SigningToken = ""
	refused(r)

	// For other content; and that try has used it up.
	r = k.signed(rita, monday, shown)
	elsewhere := proto.Clone(r).(*sv.ReviewDayRequest)
	sum := sha256.Sum256([]byte("other content"))
	elsewhere.RequestId, elsewhere.Review.ContentSha256 = k.id(), sum[:]
	refused(elsewhere)
	refused(r)

	// Too late.
	r = k.signed(rita, monday, shown)
	k.clock.Advance(2 * time.Minute)
	refused(r)

	// After a new PIN.
	r = k.signed(rita, monday, shown)
	must(t)(k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: rita, NewPin: pins[rita]}))
	c = k.as(rita)
	refused(r)

	// By a wrong PIN there is none.
	_, err := c.Session.ConfirmSigning(ctx, &sv.ConfirmSigningRequest{Pin: "9999", Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED, ContentSha256: shown.GetContentSha256()})
	want(t, err, records.ErrNotSignedIn, "pin")
	_, err = c.Session.ConfirmSigning(ctx, &sv.ConfirmSigningRequest{Pin: pins[rita], ContentSha256: shown.GetContentSha256()})
	want(t, err, records.ErrInvalid, "meaning")
	_, err = c.Session.ConfirmSigning(ctx, &sv.ConfirmSigningRequest{Pin: pins[rita], Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED, ContentSha256: []byte("short")})
	want(t, err, records.ErrInvalid, "content_sha256")

	// Used once, it does not sign a second review of the same content.
	r = k.signed(rita, monday, shown)
	must(t)(c.Day.ReviewDay(ctx, r))
	second := proto.Clone(r).(*sv.ReviewDayRequest)
	second.RequestId = k.id()
	refused(second)
	reviews := 0
	for _, e := range k.entries(0) {
		if m, ok := e.Message.(*kb.DayReview); ok {
			reviews++
			if e.GetPerson() != rita || e.GetKnownBy() != kb.KnownBy_KNOWN_BY_PIN_AT_SIGNING || !bytes.Equal(m.GetContentSha256(), shown.GetContentSha256()) {
				t.Errorf("the review is %v by %s, known by %v", m, e.GetPerson(), e.GetKnownBy())
			}
		}
	}
	if reviews != 1 {
		t.Errorf("%d reviews", reviews)
	}
}

// TestSealAtOnce: a day sealed by several programs at once is sealed once.
func TestSealAtOnce(t *testing.T) {
	k := withBatch(t)
	_, shown := k.day(monday)
	var wg sync.WaitGroup
	var mu sync.Mutex
	sealed, refused := 0, 0
	for range 6 {
		id := k.id()
		wg.Go(func() {
			_, err := k.op.Day.SealDay(ctx, &sv.SealDayRequest{RequestId: id, Seal: &kb.DaySeal{ProductionDay: monday, LedgerSize: shown.GetLedgerSize(), ContentSha256: shown.GetContentSha256()}})
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil:
				sealed++
			case errors.Is(err, records.ErrState):
				refused++
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	logs, err := k.op.Day.ListLogs(ctx, &sv.ListLogsRequest{})
	if err != nil || sealed != 1 || refused != 5 || len(logs.GetRows()) != 1 {
		t.Errorf("%d sealed, %d refused, %d logs, %v", sealed, refused, len(logs.GetRows()), err)
	}
}
