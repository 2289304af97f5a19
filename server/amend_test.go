package server_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// strike amends one value of the entry that first recorded a name.
func (k *kitchen) strike(sequence int64, index uint32, value *kb.Temperature) {
	k.t.Helper()
	must(k.t)(k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: sequence, TargetIndex: index, Value: value, Reason: "misread"}}))
}

func (k *kitchen) replace(sequence int64, with proto.Message) {
	k.t.Helper()
	a, err := anypb.New(with)
	if err != nil {
		k.t.Fatal(err)
	}
	must(k.t)(k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: sequence, Replacement: a, Reason: "typed wrongly"}}))
}

// entryOf gives the number of the first entry that holds a kind of record of a name.
func entryOf[M proto.Message](k *kitchen, name string) int64 {
	k.t.Helper()
	for _, e := range k.entries(0) {
		if m, ok := e.Message.(M); ok && records.RecordName(m) == name {
			return e.GetSequence()
		}
	}
	k.t.Fatalf("no such entry of %q", name)
	return 0
}

// amended checks that a day shows a struck and a new value together.
func amended(t *testing.T, day *kb.DayContent, what, struck, now string) {
	t.Helper()
	for _, m := range marksOf(day, kb.MarkKind_MARK_KIND_AMENDED) {
		if m.GetWhat() == what && m.GetStruck() == struck && m.GetNow() == now {
			if m.GetReason() == "" || m.GetInitials() != anna {
				t.Errorf("the amendment is by %q because of %q", m.GetInitials(), m.GetReason())
			}
			return
		}
	}
	t.Errorf("not on the page: %s, struck %s, now %s; there is %v", what, struck, now, marksOf(day, kb.MarkKind_MARK_KIND_AMENDED))
}

// TestStrikeACheck: a check reading keyed wrongly opens an instrument fault and
// a look-back and flags the batch; struck through, all of that is taken back,
// and the other way round.
func TestStrikeACheck(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 7, 0))
	k.check(anna, "good", "C1", ice(at(0, 4, 10), "0.1"), boil(at(0, 4, 15), "95.1", "845.0"))
	k.cook(anna, "L0", "FON", "C1", at(0, 4, 30), "80.0", "94.0", "111.0")
	k.check(anna, "c1", "C1", ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "97.1", "845.0"))
	k.cook(anna, "L1", "FON", "C1", at(0, 6, 0), "80.0", "100.0", "111.0")

	day, _ := k.day(monday)
	if d := standing(day)["check/c1"]; d.GetDeviation().GetClass() != kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT {
		t.Fatalf("no instrument fault: %v", day.GetDeviations())
	}
	before := batchOf(t, day, "L1").GetPull()
	if !slices.Contains(before.GetFlags(), kb.UseFlag_USE_FLAG_FAILED) || before.GetLimits()[0].GetResult() == kb.LimitResult_LIMIT_RESULT_MET {
		t.Errorf("with the failed check: %v", before)
	}
	if l := day.GetLookBacks(); len(l) != 1 || len(l[0].GetItems()) != 2 || l[0].GetItems()[0].GetLotCode() != "L0" || l[0].GetItems()[1].GetLotCode() != "L1" || !l[0].GetItems()[1].GetAfterFailure() {
		t.Errorf("the look-back: %v", l)
	}

	k.strike(entryOf[*kb.Check](k, "c1"), 1, tc("95.1"))
	day, _ = k.day(monday)
	c := instrumentOf(t, day, "C1").GetChecks()[1].GetAssessment()
	if p := c.GetPoints()[1]; p.GetPoint().GetReading().GetMicro() != 95_100_000 || p.GetStruck().GetMicro() != 97_100_000 || c.GetAsFound() != kb.CheckResult_CHECK_RESULT_IN_TOLERANCE {
		t.Errorf("the check struck: %v", c)
	}
	amended(t, day, "check of C1", "boiling reading 97.1 degC", "boiling reading 95.1 degC")
	if len(standing(day)) != 0 {
		t.Errorf("still open: %v", standing(day))
	}
	// What was taken back is told, with the words it had.
	if d := day.GetDeviations(); len(d) != 2 || !d[0].GetDeviation().GetWithdrawn() || !d[1].GetDeviation().GetWithdrawn() || d[0].GetDeviation().GetWhat() == "" || d[0].GetOpen() {
		t.Errorf("the fault taken back is told as %v", d)
	}
	after := batchOf(t, day, "L1").GetPull()
	if len(after.GetFlags()) != 0 || after.GetLimits()[0].GetResult() != kb.LimitResult_LIMIT_RESULT_MET {
		t.Errorf("after the amendment: %v", after)
	}
	for _, l := range day.GetLookBacks() {
		if len(l.GetItems()) != 0 {
			t.Errorf("the look-back still lists %v", l.GetItems())
		}
	}

	// Struck a second time: what stood before is the first amendment's value.
	k.strike(entryOf[*kb.Check](k, "c1"), 1, tc("97.3"))
	day, _ = k.day(monday)
	amended(t, day, "check of C1", "boiling reading 97.1 degC", "boiling reading 95.1 degC")
	amended(t, day, "check of C1", "boiling reading 95.1 degC", "boiling reading 97.3 degC")
	if d := standing(day); d["check/c1"] == nil || d["pull/L1/cook"] == nil || len(d) != 2 {
		t.Errorf("open again: %v", standing(day))
	}
	if l := day.GetLookBacks(); len(l) != 1 || len(l[0].GetItems()) != 2 {
		t.Errorf("the look-back again: %v", l)
	}
	if b := batchOf(t, day, "L1").GetPull(); !slices.Contains(b.GetFlags(), kb.UseFlag_USE_FLAG_FAILED) {
		t.Errorf("flags again: %v", b.GetFlags())
	}
	// Taking a point out of the check: it corrects nothing any more.
	k.replace(entryOf[*kb.Check](k, "c1"), &kb.Check{CheckId: "c1", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0.1")}})
	day, _ = k.day(monday)
	for _, p := range batchOf(t, day, "L1").GetPull().GetPull().GetPoints() {
		if p.GetCheckId() == "c1" && p.GetKind() == kb.PointKind_POINT_KIND_BOILING {
			t.Error("the point that was taken out still corrects")
		}
	}
	if n := len(day.GetPressures()); n != 1 {
		t.Errorf("%d pressures stand, one was taken out with its point: %v", n, day.GetPressures())
	}
	sound(t, k)
	settled(t, k)
}

// sound checks the whole ledger, projections included.
func sound(t *testing.T, k *kitchen) {
	t.Helper()
	r, err := k.op.Ledger.CheckLedger(ctx, &sv.CheckLedgerRequest{})
	if err != nil || !r.GetSound() {
		t.Errorf("the ledger: %v, %v", r, err)
	}
}

// TestStrikeReadings: the reading that served as the pull, the pull itself, and
// a reading of the cooling clock.
func TestStrikeReadings(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 7, 0))
	k.check(anna, "c1", "C1", ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "95.1", "845.0"))
	k.cook(anna, "L1", "FON", "C1", at(0, 6, 0), "80.0", "100.0", "118.0")
	result := func(lot string) kb.LimitResult {
		t.Helper()
		day, _ := k.day(monday)
		return batchOf(t, day, lot).GetPull().GetLimits()[0].GetResult()
	}
	open := func(name string) bool {
		t.Helper()
		day, _ := k.day(monday)
		return standing(day)[name] != nil
	}
	if result("L1") != kb.LimitResult_LIMIT_RESULT_NOT_MET || !open("pull/L1/cook") {
		t.Fatal("118 degC is within the limit of the fondant")
	}
	k.strike(entryOf[*kb.Readings](k, "L1"), 2, tc("111.0"))
	if result("L1") != kb.LimitResult_LIMIT_RESULT_MET || open("pull/L1/cook") {
		t.Error("the run's reading was struck, and the pull is judged as before")
	}
	day, _ := k.day(monday)
	amended(t, day, "readings of batch L1", "at 06:02:00 118.0 degC", "at 06:02:00 111.0 degC")
	if s := batchOf(t, day, "L1").GetCook()[0].GetSamples(); len(s) != 3 || s[2].GetMicro() != 111_000_000 {
		t.Errorf("the curve shows %v", s)
	}
	// The pull as read at the pan, and the carry-over.
	c := k.as(anna)
	k.open("L2", at(0, 6, 10))
	must(t)(c.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: "L2", At: ts(at(0, 6, 30)), Reading: tc("111.0"), HighestAfter: tc("112.0")}}))
	if result("L2") != kb.LimitResult_LIMIT_RESULT_MET {
		t.Error("111 degC is out")
	}
	k.strike(entryOf[*kb.Pull](k, "L2"), 0, tc("121.0"))
	if result("L2") != kb.LimitResult_LIMIT_RESULT_NOT_MET || !open("pull/L2/cook") {
		t.Error("the pull was struck, and is judged as before")
	}
	day, _ = k.day(monday)
	amended(t, day, "pull of batch L2", "reading 111.0 degC", "reading 121.0 degC")
	// A reading of the cooling clock.
	must(t)(c.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: "L3", FormulaId: "SAU", InstrumentId: "C1", StartedAt: ts(at(0, 0, 0))}}))
	must(t)(nil, readingsOf(k, run("L3", "C1", kb.SeriesKind_SERIES_KIND_COOLING, at(0, 0, 30), 40*time.Minute, "60.0", "55.0", "49.0", "44.0", "33.0", "24.0", "12.0", "4.0")))
	cooling := func() kb.LimitResult {
		t.Helper()
		b, err := k.op.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: "L3"})
		if err != nil {
			t.Fatal(err)
		}
		return b.GetBatch().GetCoolingResult().GetLegs()[0].GetResult()
	}
	if cooling() != kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN {
		t.Errorf("before any check the clock comes to %v", cooling())
	}
	k.check(anna, "early", "C1", ice(at(0, 0, 5), "0.1"), boil(at(0, 0, 10), "95.1", "845.0"))
	if cooling() != kb.LimitResult_LIMIT_RESULT_NOT_MET {
		t.Errorf("57 to 21 degC took longer than 2 h 00 min: %v", cooling())
	}
	for i, v := range []string{"60.0", "45.0", "30.0", "20.0", "15.0", "10.0", "8.0", "4.0"} {
		if i > 0 && i < 7 {
			k.strike(entryOf[*kb.Readings](k, "L3"), uint32(i), tc(v))
		}
	}
	if cooling() != kb.LimitResult_LIMIT_RESULT_MET {
		t.Errorf("struck down to a fast curve: %v", cooling())
	}
	sound(t, k)
	settled(t, k)
}

// TestWrongInstrument: a batch and a check written down for the wrong
// thermometer are judged by the right one once that is known (D33).
func TestWrongInstrument(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 7, 30))
	k.check(anna, "c1", "C1", ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "95.1", "845.0"))
	k.check(anna, "c2", "C2", ice(at(0, 5, 20), "3.1"), boil(at(0, 5, 25), "98.1", "845.0"))
	k.cook(anna, "L1", "FON", "C1", at(0, 6, 0), "80.0", "100.0", "111.0")
	start := &kb.BatchStart{LotCode: "L1", FormulaId: "FON", Version: 1, InstrumentId: "C2", StartedAt: ts(at(0, 6, 0))}
	k.replace(entryOf[*kb.BatchStart](k, "L1"), start)
	k.replace(entryOf[*kb.Readings](k, "L1"), run("L1", "C2", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 1), 30*time.Second, "80.0", "100.0", "111.0"))
	day, _ := k.day(monday)
	b := batchOf(t, day, "L1").GetPull()
	if b.GetInstrumentId() != "C2" || !slices.Contains(b.GetFlags(), kb.UseFlag_USE_FLAG_FAILED) || b.GetLimits()[0].GetResult() != kb.LimitResult_LIMIT_RESULT_NOT_MET {
		t.Errorf("judged by the right instrument: %v", b)
	}
	amended(t, day, "start of batch L1", "instrument C1", "instrument C2")
	if i := instrumentOf(t, day, "C1"); len(i.GetLots()) != 0 {
		t.Errorf("C1 still has %q", i.GetLots())
	}
	if l := day.GetLookBacks(); len(l) != 1 || l[0].GetInstrumentId() != "C2" || len(l[0].GetItems()) != 1 || !l[0].GetItems()[0].GetAfterFailure() {
		t.Errorf("the look-back of C2: %v", l)
	}
	if batchOf(t, day, "L1").GetBy().GetInitials() != anna {
		t.Error("the batch is no longer Anna's")
	}
	// And back: the look-back of C2 lets it go.
	start.InstrumentId = "C1"
	k.replace(entryOf[*kb.BatchStart](k, "L1"), start)
	k.replace(entryOf[*kb.Readings](k, "L1"), run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 1), 30*time.Second, "80.0", "100.0", "111.0"))
	day, _ = k.day(monday)
	if b := batchOf(t, day, "L1").GetPull(); len(b.GetFlags()) != 0 || b.GetLimits()[0].GetResult() != kb.LimitResult_LIMIT_RESULT_MET {
		t.Errorf("judged by C1 again: %v", b)
	}
	if l := day.GetLookBacks(); len(l) != 1 || len(l[0].GetItems()) != 0 {
		t.Errorf("the look-back of C2 keeps %v", l)
	}
	// The failed check was C1's after all.
	bad := &kb.Check{CheckId: "c2", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 20), "3.1"), boil(at(0, 5, 25), "98.1", "845.0")}}
	k.replace(entryOf[*kb.Check](k, "c2"), bad)
	day, _ = k.day(monday)
	if c1, c2 := instrumentOf(t, day, "C1"), instrumentOf(t, day, "C2"); len(c1.GetChecks()) != 2 || c1.GetStanding() != kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE || len(c2.GetChecks()) != 0 || !c2.GetMissedCheck() {
		t.Errorf("C1 has %d checks and C2 %d", len(c1.GetChecks()), len(c2.GetChecks()))
	}
	if b := batchOf(t, day, "L1").GetPull(); !slices.Contains(b.GetFlags(), kb.UseFlag_USE_FLAG_FAILED) {
		t.Errorf("after C1 is known to have failed: %v", b.GetFlags())
	}
	if l := day.GetLookBacks(); len(l) != 1 || l[0].GetInstrumentId() != "C1" || len(l[0].GetItems()) != 1 {
		t.Errorf("the look-back: %v", l)
	}
	sound(t, k)
	settled(t, k)
}

// TestAmendmentsRefused: what an amendment cannot do.
func TestAmendmentsRefused(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 7, 30))
	k.check(anna, "c1", "C1", ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "95.1", "845.0"))
	k.cook(anna, "L1", "FON", "C1", at(0, 6, 0), "80.0", "100.0", "111.0")
	check, readings, assessment := entryOf[*kb.Check](k, "c1"), entryOf[*kb.Readings](k, "L1"), entryOf[*kb.CheckAssessment](k, "C1")
	pack := func(m proto.Message) *anypb.Any {
		a, err := anypb.New(m)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	first := &kb.Check{CheckId: "c1", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "95.1", "845.0")}}
	other := proto.Clone(first).(*kb.Check)
	other.CheckId = "c2"
	start := entryOf[*kb.BatchStart](k, "L1")
	tomorrow := &kb.BatchStart{LotCode: "L1", FormulaId: "FON", Version: 1, InstrumentId: "C1", StartedAt: ts(at(1, 6, 0))}
	for _, c := range []struct {
		name  string
		a     *kb.Amendment
		kind  error
		field string
	}{
		{"nothing changes", &kb.Amendment{TargetSequence: check, Replacement: pack(first)}, records.ErrInvalid, "amendment.replacement"},
		{"another name", &kb.Amendment{TargetSequence: check, Replacement: pack(other)}, records.ErrInvalid, "amendment.replacement"},
		{"another kind", &kb.Amendment{TargetSequence: check, Replacement: pack(&kb.Pull{LotCode: "c1"})}, records.ErrInvalid, "amendment.replacement"},
		{"no point there", &kb.Amendment{TargetSequence: check, TargetIndex: 2, Value: tc("1.0")}, records.ErrInvalid, "amendment.target_index"},
		{"no reading there", &kb.Amendment{TargetSequence: readings, TargetIndex: 3, Value: tc("1.0")}, records.ErrInvalid, "amendment.target_index"},
		{"another unit", &kb.Amendment{TargetSequence: readings, Value: tf("100.0")}, records.ErrInvalid, "amendment.value.unit"},
		{"1,400 degC", &kb.Amendment{TargetSequence: readings, Value: tc("1400")}, records.ErrInvalid, "amendment.value.micro[0]"},
		{"what the rules concluded", &kb.Amendment{TargetSequence: assessment, Value: tc("1.0")}, records.ErrState, "amendment.target_sequence"},
		{"both", &kb.Amendment{TargetSequence: check, Value: tc("1.0"), Replacement: pack(first)}, records.ErrInvalid, "amendment.value"},
		{"neither", &kb.Amendment{TargetSequence: check}, records.ErrInvalid, "amendment.value"},
		{"an unknown instrument", &kb.Amendment{TargetSequence: readings, Replacement: pack(run("L1", "C9", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 1), time.Second, "80.0"))}, records.ErrUnknownReference, "amendment.replacement.instrument_id"},
		{"another production day", &kb.Amendment{TargetSequence: start, Replacement: pack(tomorrow)}, records.ErrState, "amendment.replacement.started_at"},
		{"no record at all", &kb.Amendment{TargetSequence: check, Replacement: &anypb.Any{TypeUrl: "type.googleapis.com/no.such.Record"}}, records.ErrInvalid, "amendment.replacement"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.a.Reason = "because"
			before := k.state()
			_, err := k.as(anna).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: c.a})
			want(t, err, c.kind, c.field)
			if k.state() != before {
				t.Error("the ledger changed")
			}
		})
	}
}
