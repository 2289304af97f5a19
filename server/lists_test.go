package server_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// TestEveryListPagesAlike: every call with a page size and a token refuses sizes
// that are out of range and tokens that it did not give out, and naming them.
func TestEveryListPagesAlike(t *testing.T) {
	k := worked(t)
	conn, asOperator := k.raw(operatorToken)
	lists := 0
	for _, full := range k.methods() {
		m := method(t, full)
		size := m.Input().Fields().ByName("page_size")
		if size == nil {
			continue
		}
		lists++
		ask := func(fill func(protoreflect.Message)) error {
			r := dynamicpb.NewMessage(m.Input())
			fill(r)
			return fromStatus(conn.Invoke(asOperator, full, r, dynamicpb.NewMessage(m.Output())))
		}
		for _, n := range []int32{-1, 501, 1 << 30} {
			err := ask(func(r protoreflect.Message) { r.Set(size, protoreflect.ValueOfInt32(n)) })
			if err == nil {
				t.Errorf("%s gave a page of %d", full, n)
				continue
			}
			want(t, err, records.ErrInvalid, "page_size")
		}
		for _, token := range []string{"%%%", "zzzz", "\u00e9"} {
			err := ask(func(r protoreflect.Message) {
				r.Set(m.Input().Fields().ByName("page_token"), protoreflect.ValueOfString(token))
			})
			if err == nil {
				t.Errorf("%s took the token %q", full, token)
				continue
			}
			want(t, err, records.ErrInvalid, "page_token")
		}
		for _, n := range []int32{0, 1, 500} {
			if err := ask(func(r protoreflect.Message) { r.Set(size, protoreflect.ValueOfInt32(n)) }); err != nil {
				t.Errorf("%s, a page of %d: %v", full, n, err)
			}
		}
	}
	if lists < 9 {
		t.Errorf("only %d lists were found", lists)
	}
}

// TestListsGiveAll goes through lists page by page: everything once, in order.
func TestListsGiveAll(t *testing.T) {
	k := worked(t)
	for i := range 4 {
		k.open(fmt.Sprint("M", i), at(0, 7, 20+i))
	}
	pages := func(name string, page func(token string) (rows []string, next string, err error)) []string {
		t.Helper()
		var all []string
		for token, n := "", 0; ; n++ {
			rows, next, err := page(token)
			if err != nil || n > 20 {
				t.Fatalf("%s, page %d: %v", name, n, err)
			}
			all = append(all, rows...)
			if token = next; token == "" {
				break
			}
		}
		sorted := slices.Clone(all)
		slices.Sort(sorted)
		if len(slices.Compact(sorted)) != len(all) {
			t.Errorf("%s gave something twice: %q", name, all)
		}
		return all
	}
	people := pages("people", func(token string) (rows []string, next string, err error) {
		r, err := k.op.Kitchen.ListPeople(ctx, &sv.ListPeopleRequest{PageSize: 2, PageToken: token})
		for _, p := range r.GetRows() {
			rows = append(rows, p.GetInitials())
		}
		return rows, r.GetNextPageToken(), err
	})
	if !slices.Equal(people, []string{"ADM", "AK", "BO", "INS", "RR"}) {
		t.Errorf("people %q", people)
	}
	batches := pages("batches", func(token string) (rows []string, next string, err error) {
		r, err := k.op.Batch.ListBatches(ctx, &sv.ListBatchesRequest{PageSize: 2, PageToken: token, ProductionDay: monday})
		for _, b := range r.GetRows() {
			rows = append(rows, b.GetLotCode())
		}
		return rows, r.GetNextPageToken(), err
	})
	if !slices.Equal(batches, []string{"L1", "M0", "M1", "M2", "M3"}) {
		t.Errorf("batches %q", batches)
	}
	for i := range 3 {
		k.clock.Set(at(i+1, 7, 0))
		k.open(fmt.Sprint("D", i), at(i+1, 6, 0))
	}
	k.clock.Set(at(5, 7, 0))
	days := pages("overdue days", func(token string) (rows []string, next string, err error) {
		r, err := k.op.Day.ListOverdue(ctx, &sv.ListOverdueRequest{PageSize: 2, PageToken: token})
		for _, d := range r.GetRows() {
			rows = append(rows, d.GetProductionDay())
		}
		return rows, r.GetNextPageToken(), err
	})
	if !slices.Equal(days, []string{monday, tuesday, wednesday, "2026-03-05"}) {
		t.Errorf("overdue days %q", days)
	}
	checks := pages("checks", func(token string) (rows []string, next string, err error) {
		r, err := k.op.Check.ListChecks(ctx, &sv.ListChecksRequest{PageSize: 1, PageToken: token, InstrumentId: "C1"})
		for _, c := range r.GetRows() {
			rows = append(rows, c.GetCheckId())
		}
		return rows, r.GetNextPageToken(), err
	})
	if !slices.Equal(checks, []string{"c1"}) {
		t.Errorf("checks %q", checks)
	}
}

// TestVersionInForce: a batch is cooked to the version that was approved when
// it began, whenever it is entered.
func TestVersionInForce(t *testing.T) {
	k := furnished(t)
	version := func(lot string) uint32 {
		t.Helper()
		b, err := k.op.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: lot})
		if err != nil {
			t.Fatal(err)
		}
		return b.GetBatch().GetStart().GetVersion()
	}
	k.clock.Set(at(0, 7, 0))
	k.open("first", at(0, 6, 0))
	second := &kb.Formula{FormulaId: "FON", Version: 2, Name: "fondant, softer", Limits: []*kb.Limit{{
		Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_OPERATING, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("110"),
	}}}
	must(t)(k.as(rita).Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: k.id(), Formula: second}))
	k.open("not-yet", at(0, 6, 30))
	if err := startOf(k, &kb.BatchStart{LotCode: "x", FormulaId: "FON", Version: 2, InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))}); err == nil {
		t.Error("a version that is not approved was cooked")
	}
	k.clock.Set(at(0, 9, 0))
	must(t)(k.as(adele).Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: k.id(), Approval: &kb.FormulaApproval{FormulaId: "FON", Version: 2}}))
	k.clock.Set(at(1, 12, 0))
	k.open("after", at(0, 9, 30))
	k.open("late", at(0, 8, 30))
	k.open("from-paper", at(-30, 8, 0))
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "asked-for", FormulaId: "FON", Version: 1, InstrumentId: "C1", StartedAt: ts(at(0, 9, 45))}))
	for lot, want := range map[string]uint32{"first": 1, "not-yet": 1, "after": 2, "late": 1, "from-paper": 1, "asked-for": 1} {
		if got := version(lot); got != want {
			t.Errorf("%s was cooked to version %d, want %d", lot, got, want)
		}
	}
}

// TestManyWatchers: ten people who look at the same day cost little more than
// one, and each sees the last change.
func TestManyWatchers(t *testing.T) {
	k := worked(t)
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var all []watching
	for range 10 {
		w := k.watch(ctx, monday, 0)
		w.next()
		all = append(all, w)
	}
	for i := range 5 {
		must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 20).Add(time.Duration(i)*time.Second), time.Second, "108.0")))
	}
	last := k.state().size
	for n, w := range all {
		for size := int64(0); size < last; {
			size, _ = w.next()
		}
		if ctx.Err() != nil {
			t.Fatalf("watcher %d saw nothing of entry %d", n, last)
		}
	}
	if s := k.log.String(); strings.TrimSpace(s) != "" {
		t.Errorf("the server's log: %s", s)
	}
}
