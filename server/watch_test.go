package server_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

// watching is a watcher of a day.
type watching struct {
	t testing.TB
	s sv.DayService_WatchDayClient
}

func (k *kitchen) watch(ctx context.Context, day string, after int64) watching {
	k.t.Helper()
	s, err := k.as(rita).Day.WatchDay(ctx, &sv.WatchDayRequest{ProductionDay: day, AfterSequence: after})
	if err != nil {
		k.t.Fatal(err)
	}
	return watching{k.t, s}
}

// next waits for the next answer and gives the lots in it.
func (w watching) next() (size int64, lots []string) {
	w.t.Helper()
	r, err := w.s.Recv()
	if err != nil {
		w.t.Fatal(err)
	}
	c := new(kb.DayContent)
	if err := protojson.Unmarshal(r.GetContent(), c); err != nil {
		w.t.Fatal(err)
	}
	for _, b := range c.GetBatches() {
		lots = append(lots, b.GetStart().GetLotCode())
	}
	return r.GetLedgerSize(), lots
}

func (k *kitchen) open(lot string, start time.Time) {
	k.t.Helper()
	must(k.t)(nil, startOf(k, &kb.BatchStart{LotCode: lot, FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(start)}))
}

// TestWatch: first the day as it stands, then each change of it, nothing when
// another day changes; after a break from the size last seen; and a slow
// watcher misses what lay in between, never the last (D36).
func TestWatch(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(1, 7, 0))
	ctx, cancel := context.WithTimeout(ctx, 2*patience)
	defer cancel()
	first, broken := context.WithCancel(ctx)
	w := k.watch(first, tuesday, 0)
	if size, lots := w.next(); size != k.state().size || len(lots) != 0 {
		t.Errorf("the snapshot is %q at %d", lots, size)
	}
	k.open("A", at(1, 6, 0))
	size, lots := w.next()
	if size != k.state().size || fmt.Sprint(lots) != "[A]" {
		t.Errorf("after A: %q at %d", lots, size)
	}
	// Another day's records are no change of this one: the next answer is about B.
	k.open("OTHER", at(2, 5, 0))
	k.open("B", at(1, 6, 30))
	size, lots = w.next()
	if size != k.state().size || fmt.Sprint(lots) != "[A B]" {
		t.Errorf("after B: %q at %d", lots, size)
	}
	broken()

	// Nothing came in meanwhile: the reconnected watcher is told of the next change only.
	w = k.watch(ctx, tuesday, size)
	time.Sleep(20 * time.Millisecond)
	k.open("C", at(1, 6, 40))
	if size, lots = w.next(); size != k.state().size || fmt.Sprint(lots) != "[A B C]" {
		t.Errorf("after C: %q at %d", lots, size)
	}
	// Something did: it is told at once.
	k.open("D", at(1, 6, 50))
	w = k.watch(ctx, tuesday, size)
	if size, lots = w.next(); size != k.state().size || fmt.Sprint(lots) != "[A B C D]" {
		t.Errorf("after D: %q at %d", lots, size)
	}
	// A watcher that does not look for a while gets to what is, whatever it missed.
	for i := range 30 {
		k.open(fmt.Sprintf("E%02d", i), at(1, 6, 55))
	}
	for len(lots) < 34 {
		before := size
		if size, lots = w.next(); size <= before {
			t.Fatalf("answers go back from %d to %d", before, size)
		}
	}
	if size != k.state().size {
		t.Errorf("the last answer is at %d of %d", size, k.state().size)
	}
	if _, err := k.as(rita).Day.GetDay(ctx, &sv.GetDayRequest{ProductionDay: tuesday}); err != nil {
		t.Error(err)
	}
}
