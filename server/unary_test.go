package server_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

// oneByOne is a record of the paper, entered on its own.
type oneByOne struct {
	name  string    // of the batch it belongs to or opens; empty for a check
	opens bool      // it opens the batch
	pulls bool      // it pulls the batch
	at    time.Time // when it was done
	enter func(k *kitchen) error
}

// records gives what stands on the paper as records entered one by one: checks
// with their points, batches, single readings, pulls, tests and ends.
func (p *paperKitchen) records() []oneByOne {
	var out []oneByOne
	checks := map[string]*kb.Check{}
	by := map[string]string{}
	for _, name := range plainOrder() {
		for _, row := range p.sheets[name] {
			who := row.GetInitials()
			switch r := row.GetRecord().(type) {
			case *sv.SheetRow_Point:
				id := fmt.Sprintf("%s of %s", r.Point.GetInstrumentId(), r.Point.GetPoint().GetAt().AsTime().Format(time.DateOnly))
				if checks[id] == nil {
					checks[id] = &kb.Check{CheckId: testID(id), InstrumentId: r.Point.GetInstrumentId()}
					by[id] = who
				}
				checks[id].Points = append(checks[id].Points, r.Point.GetPoint())
			case *sv.SheetRow_Batch:
				b := r.Batch
				lot := b.GetStart().GetLotCode()
				out = append(out, oneByOne{lot, true, false, b.GetStart().GetStartedAt().AsTime(), func(k *kitchen) error {
					_, err := k.as(who).Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: b.GetStart()})
					return err
				}}, oneByOne{lot, false, true, b.GetPulledAt().AsTime(), func(k *kitchen) error {
					_, err := k.as(who).Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: lot, At: b.GetPulledAt()}})
					return err
				}}, oneByOne{lot, false, false, b.GetPulledAt().AsTime(), func(k *kitchen) error {
					_, err := k.as(who).Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: k.id(), End: &kb.BatchEnd{LotCode: lot, At: b.GetPulledAt(), YieldKg: b.GetYieldKg()}})
					return err
				}})
				if b.GetColdWaterStage() != "" {
					out = append(out, oneByOne{lot, false, false, b.GetPulledAt().AsTime(), func(k *kitchen) error {
						_, err := k.as(who).Batch.RecordColdWaterTest(ctx, &sv.RecordColdWaterTestRequest{RequestId: k.id(), Test: &kb.ColdWaterTest{LotCode: lot, At: b.GetPulledAt(), Stage: b.GetColdWaterStage()}})
						return err
					}})
				}
			case *sv.SheetRow_Reading:
				m := r.Reading
				v := m.GetReading()
				out = append(out, oneByOne{m.GetLotCode(), false, false, m.GetAt().AsTime(), func(k *kitchen) error {
					_, err := k.as(anna).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: &kb.Readings{
						LotCode: m.GetLotCode(), Series: m.GetSeries(), InstrumentId: m.GetInstrumentId(), Unit: v.GetUnit(), FirstAt: m.GetAt(),
						AfterMs: []uint32{0}, Micro: []int64{v.GetMicro()}, Decimals: []uint32{v.GetDecimals()},
					}})
					return err
				}})
			}
		}
	}
	for id, c := range checks {
		out = append(out, oneByOne{"", false, false, c.GetPoints()[0].GetAt().AsTime(), func(k *kitchen) error {
			_, err := k.as(by[id]).Check.RecordCheck(ctx, &sv.RecordCheckRequest{RequestId: k.id(), Check: c})
			return err
		}})
	}
	slices.SortStableFunc(out, func(a, b oneByOne) int { return a.at.Compare(b.at) })
	return out
}

// shuffled puts records into another order in which each still finds its batch.
func shuffled(in []oneByOne, seed uint64) []oneByOne {
	left := slices.Clone(in)
	open := map[string]bool{"": true}
	var out []oneByOne
	for len(left) > 0 {
		seed = seed*6364136223846793005 + 1442695040888963407
		i := int(seed>>33) % len(left)
		if r := left[i]; open[r.name] || r.opens {
			open[r.name] = true
			out, left = append(out, r), slices.Delete(left, i, i+1)
		}
	}
	return out
}

// concluded leaves of a day what the rules concluded: without marks of when
// things were entered, and without deviations that were withdrawn again.
func concluded(c *kb.DayContent) *kb.DayContent {
	c = proto.Clone(c).(*kb.DayContent)
	c.Marked, c.Sheets, c.People = nil, nil, nil
	c.Deviations = slices.DeleteFunc(c.GetDeviations(), func(d *kb.DeviationDay) bool { return d.GetDeviation().GetWithdrawn() })
	return c
}

// TestRecordsInAnyOrder enters the same records one by one, as they happened
// and in other orders: the rules go by when things happened, so they conclude
// the same.
func TestRecordsInAnyOrder(t *testing.T) {
	t.Parallel()
	p := newPaper(t, "2300", [3]string{"766.1", "769.9", "761.2"})
	// Two days say as much as three.
	all := slices.DeleteFunc(p.records(), func(r oneByOne) bool { return !r.at.Before(at(2, 4, 0)) })
	var want [2]*kb.DayContent
	for run, order := range [][]oneByOne{all, shuffled(all, 1)} {
		k := p.kitchen()
		for _, r := range order {
			if err := r.enter(k); err != nil {
				t.Fatalf("order %d, %s at %s: %v", run, r.name, r.at, err)
			}
		}
		for d, day := range []string{monday, tuesday} {
			c, _ := k.day(day)
			got := concluded(c)
			if run == 0 {
				want[d] = got
				if len(got.GetBatches()) != 5 {
					t.Errorf("%d batches on %s", len(got.GetBatches()), day)
				}
			} else if !proto.Equal(got, want[d]) {
				t.Errorf("order %d: %s differs\n%s", run, day, firstDifference(want[d].String(), got.String()))
			}
		}
		settled(t, k)
		if run == 0 {
			if n := k.store.Stats().StepRows; n > mostRows {
				t.Errorf("a step read %d rows", n)
			}
		}
	}
}
