package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// marksOf gives the marks of a kind on a day.
func marksOf(c *kb.DayContent, kind kb.MarkKind) []*kb.MarkedRecord {
	var out []*kb.MarkedRecord
	for _, m := range c.GetMarked() {
		if m.GetKind() == kind {
			out = append(out, m)
		}
	}
	return out
}

func batchOf(t testing.TB, c *kb.DayContent, lot string) *kb.BatchDay {
	t.Helper()
	for _, b := range c.GetBatches() {
		if b.GetStart().GetLotCode() == lot {
			return b
		}
	}
	t.Fatalf("no batch %s on %s", lot, c.GetProductionDay())
	return nil
}

func instrumentOf(t testing.TB, c *kb.DayContent, id string) *kb.InstrumentDay {
	t.Helper()
	for _, i := range c.GetInstruments() {
		if i.GetInstrument().GetInstrumentId() == id {
			return i
		}
	}
	t.Fatalf("no instrument %s on %s", id, c.GetProductionDay())
	return nil
}

// standing gives the deviations of a day that are not withdrawn, by name.
func standing(c *kb.DayContent) map[string]*kb.DeviationDay {
	out := map[string]*kb.DeviationDay{}
	for _, d := range c.GetDeviations() {
		if !d.GetDeviation().GetWithdrawn() {
			out[d.GetDeviation().GetDeviationId()] = d
		}
	}
	return out
}

// TestImplausibleIsKept: what is only unlikely is kept and marked (D32).
func TestImplausibleIsKept(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	c := k.as(anna)
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 5, 55))}))

	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 50), time.Minute, "20.0", "21.0")))
	must(t)(c.Batch.RecordColdWaterTest(ctx, &sv.RecordColdWaterTestRequest{RequestId: k.id(), Test: &kb.ColdWaterTest{LotCode: "L1", At: ts(at(0, 5, 54)), Stage: "soft ball"}}))
	must(t)(c.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: "L1", At: ts(at(0, 5, 54)), Reading: tc("112.0")}}))
	must(t)(c.Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: k.id(), Pressure: &kb.KitchenPressure{At: ts(at(0, 5, 58)), PressureHpa: dec("1016.2"), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}}))
	// Somebody notices at once and reads the barometer of the kitchen.
	must(t)(c.Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: k.id(), Pressure: &kb.KitchenPressure{At: ts(at(0, 5, 58)), PressureHpa: dec("845.1"), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}}))
	k.check(anna, "sea", "C2", ice(at(0, 5, 30), "0.0"), boil(at(0, 5, 35), "95.0", "1016.2"))

	day, _ := k.day(monday)
	var questions []string
	for _, m := range marksOf(day, kb.MarkKind_MARK_KIND_QUESTIONED) {
		questions = append(questions, m.GetWhat())
	}
	slices.Sort(questions)
	for _, q := range []string{
		"cold-water test of batch L1: tested before the batch began",
		"kitchen pressure: 1016.2 hPa does not fit an elevation of 1480 m; a sea-level figure? It was not used",
		"pull of batch L1: pulled before the batch began",
		"readings of batch L1: read before the batch began",
	} {
		if !slices.Contains(questions, q) {
			t.Errorf("not questioned: %s", q)
		}
	}
	if n := strings.Count(strings.Join(questions, "\n"), "1016.2 hPa"); n != 2 || len(questions) != 5 {
		t.Errorf("questioned: %q", questions)
	}
	// Both readings of the barometer stand on the page; the sea-level one is questioned.
	var seen []string
	for _, p := range day.GetPressures() {
		s := p.GetPressureHpa().String()
		if p.GetQuestioned() {
			s += " questioned"
		}
		seen = append(seen, s)
	}
	if len(seen) != 3 {
		t.Errorf("pressures of the day: %q", seen)
	}
	// Neither was the batch nor the check judged with it.
	if p := batchOf(t, day, "L1").GetPull().GetPressure(); p.GetKind() == kb.PressureKind_PRESSURE_KIND_MEASURED && p.GetPressureHpa().GetMicro() > 900_000_000 {
		t.Errorf("the pull was judged at %v", p)
	}
	boiling := instrumentOf(t, day, "C2").GetChecks()[0].GetAssessment().GetPoints()[1]
	hPa, err := thermometry.StandardPressureHPa(1480)
	if err != nil {
		t.Fatal(err)
	}
	expected, err := thermometry.BoilingPointC(hPa)
	if err != nil {
		t.Fatal(err)
	}
	if d := float64(boiling.GetExpectedMicroC())/1e6 - expected; d > 0.001 || d < -0.001 {
		t.Errorf("boiling was expected at %d, not at %.3f", boiling.GetExpectedMicroC(), expected)
	}
	settled(t, k)
	if !boiling.GetPressure().GetQuestioned() || boiling.GetResult() != kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN {
		t.Errorf("the boiling point came to %v", boiling)
	}
}

// TestAheadIsKept: less than a day ahead is kept and marked, on the day it
// claims.
func TestAheadIsKept(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	k.check(anna, "c1", "C1", ice(at(1, 1, 58), "0.1"), boil(at(1, 2, 0), "95.1", "845.0"))
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(1, 5, 0))}))
	must(t)(k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "checks.csv", Rows: []*sv.SheetRow{
		{RowKey: "1", Initials: bo, Record: &sv.SheetRow_Point{Point: &sv.SheetPoint{InstrumentId: "C2", Point: ice(at(1, 5, 0), "0.1")}}},
	}}))
	day, _ := k.day(monday) // Tuesday 02:00 still belongs to Monday's production day
	if m := marksOf(day, kb.MarkKind_MARK_KIND_AHEAD); len(m) != 1 || m[0].GetWhat() != "check of C1" || !m[0].GetRecordedAt().AsTime().Equal(at(0, 6, 0)) {
		t.Errorf("ahead on Monday: %v", m)
	}
	day, _ = k.day(tuesday)
	var what []string
	for _, m := range marksOf(day, kb.MarkKind_MARK_KIND_AHEAD) {
		what = append(what, m.GetWhat())
	}
	if !slices.Equal(what, []string{"check of C2", "start of batch L1"}) {
		t.Errorf("ahead on Tuesday: %q", what)
	}
	if len(marksOf(day, kb.MarkKind_MARK_KIND_LATE)) != 0 {
		t.Errorf("marked late: %v", day.GetMarked())
	}
}

// TestLateAndQueued: entries beyond the site's limit are late, those a tablet
// held are queued and not late, transcribed ones are neither.
func TestLateAndQueued(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	c := k.as(anna)
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 5, 45))})) // 15 min: in time
	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 20), 25*time.Minute, "20.0", "21.0"))) // its last is in time
	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 44), time.Second, "22.0", "22.1")))
	must(t)(c.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Queued: true, Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 46), time.Second, "23.0")}))
	must(t)(c.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Queued: true, Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 40), time.Second, "21.5")}))
	must(t)(k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "checks.csv", Rows: []*sv.SheetRow{
		{RowKey: "1", Initials: bo, Record: &sv.SheetRow_Point{Point: &sv.SheetPoint{InstrumentId: "C2", Point: ice(at(0, 4, 30), "0.1")}}},
	}}))
	day, _ := k.day(monday)
	late := marksOf(day, kb.MarkKind_MARK_KIND_LATE)
	if len(late) != 1 || !late[0].GetAt().AsTime().Equal(at(0, 5, 44)) {
		t.Errorf("late: %v", late)
	}
	if q := marksOf(day, kb.MarkKind_MARK_KIND_QUEUED); len(q) != 2 {
		t.Errorf("queued: %v", q)
	}
	if i := instrumentOf(t, day, "C2"); !i.GetChecks()[0].GetBy().GetTranscribed() || i.GetChecks()[0].GetBy().GetInitials() != bo {
		t.Errorf("the transcribed check is by %v", i.GetChecks()[0].GetBy())
	}
}
