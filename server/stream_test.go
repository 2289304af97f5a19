package server_test

import (
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// patience is how long a test waits for what must come.
const patience = 20 * time.Second

// withBatch opens a kitchen with an open batch L1 on C1.
func withBatch(t *testing.T) *kitchen {
	k := furnished(t)
	k.clock.Set(at(0, 7, 0))
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))}))
	return k
}

func (k *kitchen) chunk(minute int, readings ...string) *sv.StreamReadingsRequest {
	return &sv.StreamReadingsRequest{RequestId: k.id(), Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, minute), time.Second, readings...)}
}

// TestStreamAcknowledgesInOrder: each chunk is one entry, acknowledged after it
// is durable, in the order in which the chunks were sent. Chunks that wait for
// the ledger at once may be entered in any order: what counts is when they were read.
func TestStreamAcknowledgesInOrder(t *testing.T) {
	k := withBatch(t)
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	s, err := k.as(anna).Batch.StreamReadings(ctx)
	if err != nil {
		t.Fatal(err)
	}
	size := k.state().size
	var sent []string
	for i := range 40 {
		c := k.chunk(i, "90.0", "90.1", "90.2")
		sent = append(sent, c.GetRequestId())
		if err := s.Send(c); err != nil {
			t.Fatal(err)
		}
	}
	again := k.chunk(40, "91.0")
	for range 2 { // one sent twice is one entry
		sent = append(sent, again.GetRequestId())
		if err := s.Send(again); err != nil {
			t.Fatal(err)
		}
	}
	numbers := map[string]int64{}
	for i, id := range sent {
		r, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		got := r.GetReceipt()
		if got.GetRequestId() != id || got.GetCount() != 1 {
			t.Fatalf("answer %d is %v, want one for %s", i, got, id)
		}
		if k.state().size < got.GetFirstSequence() {
			t.Fatalf("chunk %d was acknowledged before it was kept", i)
		}
		if first, twice := numbers[id]; twice && first != got.GetFirstSequence() {
			t.Errorf("the chunk sent twice is entries %d and %d", first, got.GetFirstSequence())
		}
		numbers[id] = got.GetFirstSequence()
	}
	if len(numbers) != 41 || k.state().size != size+41 {
		t.Errorf("%d chunks, and the ledger grew by %d", len(numbers), k.state().size-size)
	}
	b, err := k.op.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: "L1"})
	if err != nil {
		t.Fatal(err)
	}
	var last int64 = -1
	for _, c := range b.GetBatch().GetCook() {
		for _, p := range c.GetSamples() {
			if p.GetAfterMs() < last {
				t.Fatal("the curve goes back in time")
			}
			last = p.GetAfterMs()
		}
	}
	if n := len(b.GetBatch().GetCook()); n != 1 || len(b.GetBatch().GetCook()[0].GetSamples()) != 121 {
		t.Errorf("%d curves", n)
	}
	if err := s.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last: %v", err)
	}
}

// TestStreamErrorComesAtOnce: a bad chunk is answered while the sender waits
// for it; what was acknowledged before stays; what came after is settled by
// sending it again.
func TestStreamErrorComesAtOnce(t *testing.T) {
	for name, spoil := range map[string]struct {
		spoil func(*sv.StreamReadingsRequest)
		kind  error
		field string
	}{
		"unknown batch": {func(r *sv.StreamReadingsRequest) { r.Readings.LotCode = "L9" }, records.ErrUnknownReference, "readings.lot_code"},
		"1,400 degC":    {func(r *sv.StreamReadingsRequest) { r.Readings.Micro[0] = 1_400_000_000 }, records.ErrInvalid, "readings.micro[0]"},
		"no request id": {func(r *sv.StreamReadingsRequest) { r.RequestId = "" }, records.ErrInvalid, "request_id"},
		"no readings":   {func(r *sv.StreamReadingsRequest) { r.Readings = nil }, records.ErrInvalid, "readings"},
		"control text":  {func(r *sv.StreamReadingsRequest) { r.Readings.LotCode = "\x01" }, records.ErrInvalid, "readings.lot_code"},
		"1,001 readings": {func(r *sv.StreamReadingsRequest) {
			r.Readings = run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 1), time.Second, slices.Repeat([]string{"90.0"}, 1001)...)
		}, records.ErrInvalid, "readings.micro"},
		"over the limit": {func(r *sv.StreamReadingsRequest) { r.RequestId = strings.Repeat("x", 20_000) }, records.ErrInvalid, "request_id"},
	} {
		t.Run(name, func(t *testing.T) {
			k := withBatch(t)
			ctx, cancel := context.WithTimeout(ctx, patience)
			defer cancel()
			s, err := k.as(anna).Batch.StreamReadings(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Send(k.chunk(1, "90.0")); err != nil {
				t.Fatal(err)
			}
			if _, err := s.Recv(); err != nil {
				t.Fatal(err)
			}
			size := k.state().size
			bad := k.chunk(2, "91.0")
			spoil.spoil(bad)
			if err := s.Send(bad); err != nil {
				t.Fatal(err)
			}
			// The sender neither sends more nor closes: it waits for its answer.
			_, err = s.Recv()
			want(t, err, spoil.kind, spoil.field)
			if k.state().size != size {
				t.Errorf("the ledger grew from %d to %d", size, k.state().size)
			}
			if k.log.String() != "" {
				t.Errorf("the server's log: %s", k.log)
			}
		})
	}
}

// TestStreamGoesOnAfterLosingTheLine: chunks that were never acknowledged are
// sent again on a new stream and are there once.
func TestStreamGoesOnAfterLosingTheLine(t *testing.T) {
	k := withBatch(t)
	lost, cut := context.WithCancel(ctx)
	s, err := k.as(anna).Batch.StreamReadings(lost)
	if err != nil {
		t.Fatal(err)
	}
	size := k.state().size
	var chunks []*sv.StreamReadingsRequest
	for i := range 20 {
		chunks = append(chunks, k.chunk(i, "90.0"))
		if err := s.Send(chunks[i]); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Recv(); err != nil {
		t.Fatal(err)
	}
	cut()
	s, err = k.as(anna).Batch.StreamReadings(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range chunks {
		if err := s.Send(c); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.CloseSend(); err != nil {
		t.Fatal(err)
	}
	seen := map[int64]bool{}
	for range chunks {
		r, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		seen[r.GetReceipt().GetFirstSequence()] = true
	}
	if len(seen) != len(chunks) || k.state().size != size+int64(len(chunks)) {
		t.Errorf("%d entries for %d chunks; the ledger grew by %d", len(seen), len(chunks), k.state().size-size)
	}
}

// TestStopTellsStreams: a graceful stop does not wait for streams that go on
// for ever; their senders and watchers are told to come back.
func TestStopTellsStreams(t *testing.T) {
	k := withBatch(t)
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	readings, err := k.as(anna).Batch.StreamReadings(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := readings.Send(k.chunk(1, "90.0")); err != nil {
		t.Fatal(err)
	}
	if _, err := readings.Recv(); err != nil {
		t.Fatal(err)
	}
	watch, err := k.as(rita).Day.WatchDay(ctx, &sv.WatchDayRequest{ProductionDay: monday})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := watch.Recv(); err != nil {
		t.Fatal(err)
	}
	stopped := make(chan struct{})
	go func() {
		k.server.Stop()
		close(stopped)
	}()
	if _, err := watch.Recv(); !errors.Is(err, records.ErrUnavailable) {
		t.Errorf("the watcher was told %v", err)
	}
	if _, err := readings.Recv(); !errors.Is(err, records.ErrUnavailable) {
		t.Errorf("the sender was told %v", err)
	}
	select {
	case <-stopped:
	case <-time.After(patience):
		t.Error("the service did not stop")
	}
	if _, err := k.op.Kitchen.GetSite(ctx, &sv.GetSiteRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("after the stop: %v", err)
	}
}
