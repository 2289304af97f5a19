package server_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/store"
	"kettlebook/server"
)

// dip opens a batch of tempered coating and pulls it at a moment, at a reading.
func (k *kitchen) dip(lot, instrument string, pulled time.Time, reading string) {
	k.t.Helper()
	if list, err := k.op.Kitchen.ListFormulas(ctx, &sv.ListFormulasRequest{}); err != nil || !slices.ContainsFunc(list.GetRows(), func(f *kb.Formula) bool { return f.GetFormulaId() == "TEM" }) {
		must(k.t)(k.op.Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: k.id(), Formula: &kb.Formula{FormulaId: "TEM", Version: 1, Name: "tempered coating", Limits: []*kb.Limit{{
			Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_OPERATING, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("60"), High: tc("62"),
		}}}}))
		must(k.t)(k.op.Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: k.id(), Approval: &kb.FormulaApproval{FormulaId: "TEM", Version: 1}}))
	}
	c := k.as(anna)
	must(k.t)(c.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: lot, FormulaId: "TEM", InstrumentId: instrument, StartedAt: ts(pulled.Add(-10 * time.Minute))}}))
	must(k.t)(c.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: lot, At: ts(pulled), Reading: tc(reading)}}))
}

// lookBacks gives the look-backs of a day, each as check: lots of the first
// list | lots of the second.
func (k *kitchen) lookBacks(day string) map[string]string {
	k.t.Helper()
	c, _ := k.day(day)
	out := map[string]string{}
	for _, l := range c.GetLookBacks() {
		var lists [2][]string
		for _, i := range l.GetItems() {
			n := 0
			if i.GetAfterFailure() {
				n = 1
			}
			lists[n] = append(lists[n], i.GetLotCode())
		}
		out[l.GetCheckId()] = strings.Join(lists[0], " ") + "|" + strings.Join(lists[1], " ")
	}
	return out
}

func (k *kitchen) lookBackIs(day, check, want string) {
	k.t.Helper()
	if got := k.lookBacks(day)[check]; got != want {
		k.t.Errorf("the look-back of %s on %s lists %q, want %q", check, day, got, want)
	}
}

// sec is a moment of Monday to the second.
func sec(hour, minute, second int) time.Time {
	return at(0, hour, minute).Add(time.Duration(second) * time.Second)
}

// TestLookBackEdges: a reading at the moment of the passing check is not in,
// the one after it is; the reading at the moment of the failed check is of the
// first list, what follows of the second, up to the next passing check.
func TestLookBackEdges(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 12, 0))
	k.check(anna, "pass", "C1", ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "95.1", "845.0"))
	for _, b := range []struct {
		lot string
		at  time.Time
	}{{"before", sec(4, 59, 59)}, {"at-pass", sec(5, 0, 0)}, {"after-pass", sec(5, 0, 1)}, {"noon", sec(7, 0, 0)}, {"at-fail", sec(8, 0, 0)}, {"after-fail", sec(8, 0, 1)}, {"last", sec(9, 59, 59)}, {"at-next", sec(10, 0, 0)}, {"later", sec(11, 0, 0)}} {
		k.dip(b.lot, "C1", b.at, "61.0")
	}
	k.dip("hot", "C1", sec(6, 0, 0), "118.0") // beyond what the check covers
	k.dip("other", "C2", sec(6, 0, 0), "61.0")
	if n := len(k.lookBacks(monday)); n != 0 {
		t.Errorf("%d look-backs before any failure", n)
	}
	k.check(anna, "fail", "C1", ice(at(0, 8, 0), "1.6"), boil(at(0, 8, 5), "96.6", "845.0"))
	k.lookBackIs(monday, "fail", "after-pass hot noon at-fail|after-fail last at-next later")
	k.check(anna, "next", "C1", ice(at(0, 10, 0), "0.1"), boil(at(0, 10, 5), "95.1", "845.0"))
	k.lookBackIs(monday, "fail", "after-pass hot noon at-fail|after-fail last")
	day, _ := k.day(monday)
	l := day.GetLookBacks()[0]
	if l.GetWindowFrom() != nil {
		t.Errorf("the window of a reading that no check covers begins at %v", l.GetWindowFrom().AsTime())
	}
	if !l.GetWindowTo().AsTime().Equal(at(0, 10, 0)) {
		t.Errorf("the second list ends at %v", l.GetWindowTo().AsTime())
	}
	for _, i := range l.GetItems() {
		if i.BeforeMicroC == nil || i.FoundMicroC == nil || i.GetBeforeMicroC() <= i.GetFoundMicroC() {
			t.Errorf("%s is put right as %d before and %d found", i.GetLotCode(), i.GetBeforeMicroC(), i.GetFoundMicroC())
		}
	}
	sound(t, k)
	settled(t, k)
}

// TestLookBackAsLeft: a passing as-left closes the second list within the check
// itself; an as-left that fails does not.
func TestLookBackAsLeft(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 12, 0))
	k.dip("first", "C1", sec(5, 0, 0), "61.0")
	k.dip("between", "C1", sec(8, 10, 0), "61.0")
	k.dip("hot", "C1", sec(9, 0, 0), "118.0")
	k.dip("after", "C1", sec(9, 30, 0), "61.0")
	k.check(anna, "left", "C1", ice(at(0, 8, 0), "1.6"), boil(at(0, 8, 5), "96.6", "845.0"), left(ice(at(0, 8, 20), "0.0")), left(boil(at(0, 8, 25), "95.0", "845.0")))
	k.lookBackIs(monday, "left", "first|between")
	k.dip("first2", "C2", sec(5, 0, 0), "61.0")
	k.dip("after2", "C2", sec(9, 0, 0), "61.0")
	k.check(anna, "still-out", "C2", ice(at(0, 8, 0), "1.9"), left(ice(at(0, 8, 20), "1.6")))
	k.lookBackIs(monday, "still-out", "first2|after2")
	settled(t, k)
}

// TestLookBackOfDoubtfulChecks: a check that is not believed opens none, a
// provisional one closes none, and one that cannot be shown does neither.
func TestLookBackOfDoubtfulChecks(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 12, 0))
	k.dip("one", "C1", sec(5, 0, 0), "61.0")
	k.check(anna, "unbelieved", "C1", boil(at(0, 6, 0), "100.0", "845.0"))
	if n := k.lookBacks(monday); len(n) != 0 {
		t.Errorf("a check that is not believed opened %v", n)
	}
	k.check(anna, "fail", "C1", ice(at(0, 8, 0), "1.6"), boil(at(0, 8, 5), "96.6", "845.0"))
	k.dip("two", "C1", sec(9, 0, 0), "61.0")
	k.check(anna, "assumed", "C1", ice(at(0, 9, 30), "0.1"), boil(at(0, 9, 35), "95.1", ""))
	k.dip("three", "C1", sec(10, 0, 0), "61.0")
	k.check(anna, "unbelieved again", "C1", boil(at(0, 10, 10), "100.0", "845.0"))
	k.dip("four", "C1", sec(10, 30, 0), "61.0")
	k.lookBackIs(monday, "fail", "one|two three four")
	k.check(anna, "sound", "C1", ice(at(0, 11, 0), "0.1"), boil(at(0, 11, 5), "95.1", "845.0"))
	k.dip("five", "C1", sec(11, 30, 0), "61.0")
	k.lookBackIs(monday, "fail", "one|two three four")
	settled(t, k)
}

// TestLookBackFollowsLateEntries: what comes in late finds its place, and what
// is struck or proves another window leaves it.
func TestLookBackFollowsLateEntries(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(2, 12, 0))
	k.check(anna, "fail", "C1", ice(at(1, 8, 0), "1.6"), boil(at(1, 8, 5), "96.6", "845.0"))
	k.lookBackIs(tuesday, "fail", "|")
	k.dip("late", "C1", at(0, 9, 0), "61.0")
	k.dip("next-day", "C1", at(2, 6, 0), "61.0")
	k.lookBackIs(tuesday, "fail", "late|")
	k.lookBackIs(wednesday, "fail", "|next-day") // each day shows what was read on it
	if len(k.lookBacks(monday)) != 0 {
		t.Error("the look-back stands on the day before the failure")
	}
	k.check(anna, "forgotten", "C1", ice(at(0, 10, 0), "0.1"), boil(at(0, 10, 5), "95.1", "845.0"))
	k.lookBackIs(tuesday, "fail", "|")
	k.strike(entryOf[*kb.Check](k, "forgotten"), 0, tc("3.3"))
	k.lookBackIs(tuesday, "fail", "late|")
	k.strike(entryOf[*kb.Pull](k, "late"), 0, tc("61.5"))
	k.lookBackIs(tuesday, "fail", "late|")
	day, _ := k.day(tuesday)
	for _, l := range day.GetLookBacks() {
		if l.GetCheckId() == "fail" && l.GetItems()[0].GetReading().GetMicro() != 61_500_000 {
			t.Errorf("the look-back holds the struck reading: %v", l.GetItems()[0])
		}
	}
	// The cooling clock is measured too.
	must(t)(k.as(anna).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("late", "C1", kb.SeriesKind_SERIES_KIND_COOLING, at(0, 10, 0), time.Hour, "60.0", "20.0", "4.0")}))
	day, _ = k.day(tuesday)
	found := false
	for _, l := range day.GetLookBacks() {
		for _, i := range l.GetItems() {
			found = found || l.GetCheckId() == "fail" && i.GetCooling() && i.GetLotCode() == "late"
		}
	}
	if !found {
		t.Errorf("the cooling clock is not in: %v", day.GetLookBacks())
	}
	// A reading of it is struck; whatever the clock comes to, the list shows what stands.
	k.strike(entryOf[*kb.Readings](k, "late"), 0, tc("60.2"))
	day, _ = k.day(tuesday)
	for _, l := range day.GetLookBacks() {
		for _, i := range l.GetItems() {
			if i.GetCooling() && i.GetReading().GetMicro() != 60_200_000 {
				t.Errorf("the list still shows %v", i.GetReading())
			}
		}
	}
	sound(t, k)
	settled(t, k)
}

// unluckyStore refuses the commands that follow others while it is unlucky.
type unluckyStore struct {
	store.Store
	own     func(id string) bool // the test's own requests are let through
	unlucky atomic.Bool
}

func (u *unluckyStore) Append(ctx context.Context, cmd store.Command, steps ...store.Step) (store.Receipt, error) {
	if u.unlucky.Load() && !u.own(cmd.RequestID) {
		return store.Receipt{}, errors.New("the line to the disk broke")
	}
	return u.Store.Append(ctx, cmd, steps...)
}

// TestLookBackAfterACrash: the failed check is kept, its look-back is not made;
// the next start makes it, and so does the next thing that touches the
// instrument.
func TestLookBackAfterACrash(t *testing.T) {
	for _, how := range []string{"restart", "next entry"} {
		t.Run(how, func(t *testing.T) {
			u := &unluckyStore{}
			wrap := func(c *server.Config) { u.Store, c.Store = c.Store, u }
			k := furnished(t, wrap)
			u.own = func(id string) bool { return slices.Contains(k.given, id) }
			k.clock.Set(at(0, 12, 0))
			k.dip("one", "C1", sec(5, 0, 0), "61.0")
			u.unlucky.Store(true)
			k.check(anna, "fail", "C1", ice(at(0, 8, 0), "1.6"), boil(at(0, 8, 5), "96.6", "845.0"))
			k.check(anna, "other", "C2", ice(at(0, 8, 0), "0.0"))
			u.unlucky.Store(false)
			if got := k.lookBacks(monday); len(got) != 0 {
				t.Fatalf("the look-back was made: %v", got)
			}
			if !strings.Contains(k.log.String(), "the line to the disk broke") {
				t.Errorf("the server's log: %s", k.log)
			}
			if how == "restart" {
				k.stop()
				k.start(wrap)
			} else {
				k.dip("two", "C2", sec(9, 0, 0), "61.0")
			}
			k.lookBackIs(monday, "fail", "one|")
			size := k.state().size
			k.stop()
			k.start(wrap)
			if k.state().size != size {
				t.Error("a further start wrote something")
			}
		})
	}
}

// rowStore counts the rows that snapshots give.
type rowStore struct {
	store.Store
	rows atomic.Int64
}

func (r *rowStore) Snapshot(ctx context.Context) (store.View, func(), error) {
	v, release, err := r.Store.Snapshot(ctx)
	return &rowView{v, r}, release, err
}

type rowView struct {
	store.View
	s *rowStore
}

func (v *rowView) Documents(q store.Query) ([]store.Doc, error) {
	docs, err := v.View.Documents(q)
	v.s.rows.Add(int64(len(docs)))
	return docs, err
}

func (v *rowView) Document(kind, id string) (store.Doc, bool, error) {
	v.s.rows.Add(1)
	return v.View.Document(kind, id)
}

func (v *rowView) Runs(q store.RunQuery) ([]store.Run, error) {
	runs, err := v.View.Runs(q)
	v.s.rows.Add(int64(len(runs)))
	return runs, err
}

func (v *rowView) Entries(from int64, limit int) ([]store.Entry, error) {
	entries, err := v.View.Entries(from, limit)
	v.s.rows.Add(int64(len(entries)))
	return entries, err
}

func (v *rowView) Entry(sequence int64) (store.Entry, error) {
	v.s.rows.Add(1)
	return v.View.Entry(sequence)
}

// TestLookBacksOfAYear: an instrument with a long past is weighed by what
// matters now. Where failures were put right, a day's passing check and batch
// read no more of that past the longer it is.
func TestLookBacksOfAYear(t *testing.T) {
	for name, adjusted := range map[string]bool{"adjusted after each failure": true, "never adjusted": false} {
		t.Run(name, func(t *testing.T) {
			r := new(rowStore)
			k := furnished(t, func(c *server.Config) { r.Store, c.Store = c.Store, r })
			passes := func(day int) {
				k.check(anna, fmt.Sprintf("pass-%d", day), "C1", ice(at(day, 5, 0), "0.0"), boil(at(day, 5, 5), "95.0", "845.0"))
			}
			works := func(day int) { k.dip(fmt.Sprintf("batch-%d", day), "C1", at(day, 9, 0), "61.0") }
			read := map[int]int64{}
			for day := range 21 {
				k.clock.Set(at(day, 12, 0))
				before := r.rows.Load()
				switch {
				case day%4 != 1:
					passes(day)
				case adjusted:
					k.check(anna, fmt.Sprintf("fail-%d", day), "C1", ice(at(day, 5, 0), "1.6"), left(ice(at(day, 5, 20), "0.0")), left(boil(at(day, 5, 25), "95.0", "845.0")))
				default:
					k.check(anna, fmt.Sprintf("fail-%d", day), "C1", ice(at(day, 5, 0), "1.6"))
				}
				works(day)
				read[day] = r.rows.Load() - before
			}
			if adjusted && read[20] > read[8] {
				t.Errorf("a day's check and batch read %d rows on the 8th day and %d on the 20th", read[8], read[20])
			}
			for day := 5; day < 20; day += 4 {
				second := ""
				if !adjusted {
					second = fmt.Sprintf("batch-%d", day)
				}
				k.lookBackIs(at(day, 0, 0).Format(time.DateOnly), fmt.Sprintf("fail-%d", day), fmt.Sprintf("batch-%d|%s", day-1, second))
			}
			settled(t, k)
			if n := k.store.Stats().StepRows; n > mostRows {
				t.Errorf("a step read %d rows", n)
			}
		})
	}
}
