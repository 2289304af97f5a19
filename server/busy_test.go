package server_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// mostRows is the most rows that a step may read while the writer waits (D2).
const mostRows = 200

// busy is a kitchen with 60 batches on Monday, all on C1 and under a pressure
// nobody has read yet, one of them read 56 times one by one by two cooks, and
// its cooling clock 58 times: more than one step looks at.
func busy(t *testing.T) *kitchen {
	k := furnished(t)
	k.clock.Set(at(0, 23, 0))
	var rows []*sv.SheetRow
	reading := func(lot string, series kb.SeriesKind, at time.Time, v string) {
		rows = append(rows, &sv.SheetRow{RowKey: fmt.Sprintf("%s %s %v", lot, at, series), Record: &sv.SheetRow_Reading{Reading: &sv.SheetReading{LotCode: lot, Series: series, InstrumentId: "C1", At: ts(at), Reading: tc(v)}}})
	}
	for i := range 60 {
		lot, start := fmt.Sprintf("B%03d", i), at(0, 6, 0).Add(time.Duration(i)*15*time.Minute)
		rows = append(rows, &sv.SheetRow{RowKey: lot, Initials: anna, Record: &sv.SheetRow_Batch{Batch: &sv.SheetBatch{
			Start: &kb.BatchStart{LotCode: lot, FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(start)}, PulledAt: ts(start.Add(20 * time.Minute)), YieldKg: dec("6"),
		}}})
		reading(lot, kb.SeriesKind_SERIES_KIND_COOK, start.Add(19*time.Minute), "111.0")
	}
	must(t)(k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "busy", Rows: rows}))
	for i := range 56 {
		who := k.as([]string{anna, bo}[i/53])
		must(t)(who.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("B000", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 6, 1).Add(time.Duration(i)*time.Second), time.Second, "90.0")}))
	}
	for i := range 58 {
		v := 60.5 - 0.75*float64(i)
		if i > 47 {
			v = 24 - 2*float64(i-47)
		}
		must(t)(nil, readingsOf(k, run("B000", "C1", kb.SeriesKind_SERIES_KIND_COOLING, at(0, 6, 30).Add(time.Duration(i)*time.Minute), time.Second, fmt.Sprintf("%.1f", v))))
	}
	k.stop()
	k.start() // the store's counts begin anew
	return k
}

// TestBusyKitchen: on a day with more batches than one step may look at, what a
// late check or pressure changes is judged again to the last batch, who read a
// batch late is still one who made it, and no step reads more than it may.
func TestBusyKitchen(t *testing.T) {
	k := busy(t)
	c := k.as(anna)
	pulls := func() map[string]*kb.PullAssessment {
		t.Helper()
		day, _ := k.day(monday)
		out := map[string]*kb.PullAssessment{}
		for _, b := range day.GetBatches() {
			out[b.GetStart().GetLotCode()] = b.GetPull()
		}
		if len(out) != 60 {
			t.Fatalf("%d batches", len(out))
		}
		return out
	}
	for lot, p := range pulls() {
		if !slices.Contains(p.GetFlags(), kb.UseFlag_USE_FLAG_NO_CORRECTION) {
			t.Fatalf("%s before any check: %v", lot, p.GetFlags())
		}
	}
	// The morning's check comes in late, without a barometer.
	k.check(anna, "c1", "C1", ice(at(0, 5, 0), "0.1"), boil(at(0, 5, 5), "95.1", ""))
	for lot, p := range pulls() {
		if p.GetCheckId() != "c1" || p.GetPull().CorrectedMicroC == nil || p.GetPressure().GetKind() != kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE {
			t.Fatalf("%s after the check: %v", lot, p)
		}
	}
	// The pressure was on another sheet of paper; a sea-level figure at noon ends nothing.
	pressure := func(at time.Time, hPa string) {
		t.Helper()
		must(t)(c.Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: k.id(), Pressure: &kb.KitchenPressure{At: ts(at), PressureHpa: dec(hPa), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}}))
	}
	pressure(at(0, 12, 0), "1014.0")
	pressure(at(0, 5, 10), "845.0")
	for lot, p := range pulls() {
		if p.GetPressure().GetKind() != kb.PressureKind_PRESSURE_KIND_MEASURED || p.GetPressure().GetPressureHpa().GetMicro() != 845_000_000 {
			t.Fatalf("%s after the pressure: %v", lot, p.GetPressure())
		}
	}
	// A barometer misread all day long hides no good figure from before.
	for i := range 13 {
		pressure(at(0, 21, i), "1014.0")
	}
	k.open("LAST", at(0, 22, 0))
	must(t)(c.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: "LAST", At: ts(at(0, 22, 20)), Reading: tc("111.0")}}))
	b, err := k.op.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: "LAST"})
	if err != nil || b.GetBatch().GetPull().GetPressure().GetPressureHpa().GetMicro() != 845_000_000 {
		t.Errorf("the last batch: %v, %v", b.GetBatch().GetPull().GetPressure(), err)
	}
	// The cooling clock is judged to its last reading, over a hundred entries in.
	b, err = k.op.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: "B000"})
	if err != nil || b.GetBatch().GetCoolingResult().GetReadings() != 58 || b.GetBatch().GetCoolingResult().GetLegs()[1].GetResult() != kb.LimitResult_LIMIT_RESULT_MET {
		t.Errorf("the cooling clock: %v, %v", b.GetBatch().GetCoolingResult(), err)
	}
	if n := len(b.GetCookSequences()); n != 57 {
		t.Errorf("%d entries of readings", n)
	}
	// Rita decides; one who read it does not, however many read before.
	s := site()
	must(t)(k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: bo, PrintedName: "Invented BO", Roles: []kb.Role{kb.Role_ROLE_COOK, kb.Role_ROLE_REVIEWER}}}))
	decide := &kb.Disposition{LotCode: "B000", At: ts(at(0, 22, 30)), Kind: kb.DispositionKind_DISPOSITION_KIND_RELEASE, Reason: "limits met"}
	_, err = k.as(bo).Deviation.RecordDisposition(ctx, &sv.RecordDispositionRequest{RequestId: k.id(), Disposition: decide})
	want(t, err, records.ErrNotAllowed, "")
	must(t)(k.as(rita).Deviation.RecordDisposition(ctx, &sv.RecordDispositionRequest{RequestId: k.id(), Disposition: decide}))
	// The other writes.
	k.strike(entryOf[*kb.Check](k, "c1"), 0, tc("0.2"))
	must(t)(c.Deviation.OpenDeviation(ctx, &sv.OpenDeviationRequest{RequestId: k.id(), Deviation: &kb.Deviation{DeviationId: "d1", LotCode: "B000", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, At: ts(at(0, 22, 0)), What: "spilt"}}))
	must(t)(c.Deviation.RecordAction(ctx, &sv.RecordActionRequest{RequestId: k.id(), Action: &kb.CorrectiveAction{DeviationId: "d1", At: ts(at(0, 22, 0)), Text: "wiped"}}))
	must(t)(c.Batch.VoidBatch(ctx, &sv.VoidBatchRequest{RequestId: k.id(), Void: &kb.BatchVoid{LotCode: "B001", Reason: "opened twice"}}))
	must(t)(k.op.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: k.id(), Site: s}))
	must(t)(k.review(rita, monday))
	settled(t, k)
	if st := k.store.Stats(); st.StepRows > mostRows || st.Commands < 20 {
		t.Errorf("a step of %s read %d rows (of %d commands)", st.StepRequestID, st.StepRows, st.Commands)
	}
	sound(t, k)
}

// TestOldDeviationsStand: a deviation stays on the page of every later day until
// it is answered, however many came after it.
func TestOldDeviationsStand(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 12, 0))
	c := k.as(anna)
	open := func(name string, class kb.DeviationClass, at time.Time) {
		t.Helper()
		must(t)(c.Deviation.OpenDeviation(ctx, &sv.OpenDeviationRequest{RequestId: k.id(), Deviation: &kb.Deviation{DeviationId: name, Class: class, At: ts(at), What: name}}))
	}
	open("old", kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY, at(0, 6, 0))
	open("miss", kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS, at(0, 6, 1))
	open("answered", kb.DeviationClass_DEVIATION_CLASS_PROCESS, at(0, 6, 2))
	must(t)(c.Deviation.RecordAction(ctx, &sv.RecordActionRequest{RequestId: k.id(), Action: &kb.CorrectiveAction{DeviationId: "answered", At: ts(at(0, 12, 0)), Text: "done"}}))
	names := func(day string) (out []string) {
		t.Helper()
		d, _ := k.day(day)
		for name := range standing(d) {
			out = append(out, name)
		}
		slices.Sort(out)
		return out
	}
	if got := names(monday); !slices.Equal(got, []string{"answered", "miss", "old"}) {
		t.Errorf("on Monday %q", got)
	}
	k.clock.Set(at(1, 12, 0))
	c = k.as(anna)
	for i := range 60 {
		open(fmt.Sprintf("later-%02d", i), kb.DeviationClass_DEVIATION_CLASS_PROCESS, at(1, 6, i))
		must(t)(c.Deviation.RecordAction(ctx, &sv.RecordActionRequest{RequestId: k.id(), Action: &kb.CorrectiveAction{DeviationId: fmt.Sprintf("later-%02d", i), At: ts(at(1, 7, 0)), Text: "done"}}))
	}
	for i := range 55 {
		must(t)(c.Deviation.RecordAction(ctx, &sv.RecordActionRequest{RequestId: k.id(), Action: &kb.CorrectiveAction{DeviationId: "later-00", At: ts(at(1, 7, i)), Text: fmt.Sprint("more ", i)}}))
	}
	if got := names(wednesday); !slices.Equal(got, []string{"old"}) {
		t.Errorf("on Wednesday %q", got)
	}
	tue, _ := k.day(tuesday)
	if d := standing(tue)["later-00"]; len(d.GetActions()) != 56 {
		t.Errorf("%d answers", len(d.GetActions()))
	}
	// Answered on Wednesday: listed there once more, then no longer; Tuesday's page stays.
	before, _ := k.day(tuesday)
	k.clock.Set(at(2, 12, 0))
	must(t)(k.as(anna).Deviation.RecordAction(ctx, &sv.RecordActionRequest{RequestId: k.id(), Action: &kb.CorrectiveAction{DeviationId: "old", At: ts(at(2, 8, 0)), Text: "done at last"}}))
	if got := names(wednesday); !slices.Equal(got, []string{"old"}) {
		t.Errorf("on Wednesday %q", got)
	}
	if got := names("2026-03-05"); len(got) != 0 {
		t.Errorf("on Thursday %q", got)
	}
	if after, _ := k.day(tuesday); !slices.Equal(names(tuesday), names(tuesday)) || after.String() != before.String() {
		t.Error("an answer of Wednesday changed Tuesday's page")
	}
}
