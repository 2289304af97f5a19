package server_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// limitFor finds a formula's only limit in an answer.
func limitFor(t *testing.T, r *sv.DialNumbersResponse, formula string) *sv.LimitToday {
	t.Helper()
	for _, l := range r.GetLimits() {
		if l.GetFormulaId() == formula {
			return l
		}
	}
	t.Fatalf("no limit of %s in %v", formula, r)
	return nil
}

func dialFor(t *testing.T, l *sv.LimitToday, instrument string) *sv.DialToday {
	t.Helper()
	for _, d := range l.GetDials() {
		if d.GetInstrumentId() == instrument {
			return d
		}
	}
	t.Fatalf("no dial %s in %v", instrument, l)
	return nil
}

// TestDialNumbersToday. Worked by hand: C1 reads 0.2 high in ice and 0.3 in boiling water (843.1 hPa, 94.903 degC by IF97), so
// about 0.25; the middle of 140 to 146 is 143, on its marks of 0.1 then 143.2 or 143.3. 114 and 118 degC at standard pressure
// lie 5.3 to 5.4 degC lower at 843.1 hPa (water's own shift is 5.07, and 1.07 of it at soft ball).
func TestDialNumbersToday(t *testing.T) {
	k := furnished(t)
	c1 := "11111111-0000-4000-8000-000000000001"
	k.clock.Set(at(0, 6, 0))
	k.check(anna, c1, "C1", ice(at(0, 5, 45), "0.2"), boil(at(0, 5, 49), "95.2", "843.1"))
	k.check(anna, "11111111-0000-4000-8000-000000000002", "C2", boil(at(0, 5, 50), "100.0", "843.1"))
	got, err := k.as(anna).Today.DialNumbers(ctx, &sv.DialNumbersRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.GetLimits()) != 3 || len(got.GetSources()) == 0 || got.GetPressure().GetPressureHpa().GetMicro() != 843_100_000 {
		t.Fatalf("%v", got)
	}
	toffee := limitFor(t, got, "TOF")
	d := dialFor(t, toffee, "C1")
	if n := d.GetNumber().GetMicro(); n != 143_200_000 && n != 143_300_000 || d.GetNumber().GetUnit() != kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS || !d.GetMayBeUsed() || !d.GetFit() || !d.GetExtrapolated() {
		t.Errorf("C1 for toffee: %v", d)
	}
	if toffee.GetBest() != "C1" {
		t.Errorf("best for toffee %q", toffee.GetBest())
	}
	// 100.0 where water boils at 94.9: not believed, so it gives no number; F1 was never checked.
	if d := dialFor(t, toffee, "C2"); d.GetNumber() != nil || d.GetFit() || d.GetMayBeUsed() || !strings.Contains(d.GetWhy(), "not believed") {
		t.Errorf("C2: %v", d)
	}
	if d := dialFor(t, toffee, "F1"); d.GetNumber() != nil || !strings.Contains(d.GetWhy(), "check it first") {
		t.Errorf("F1: %v", d)
	}
	for _, l := range got.GetLimits() {
		for _, d := range l.GetDials() {
			if d.GetInstrumentId() == "REF" {
				t.Error("the reference is no dial of the rack")
			}
		}
	}
	fondant := limitFor(t, got, "FON")
	for i, pair := range [][2]float64{{float64(fondant.GetLowMicroC()) / 1e6, 114 - 5.43}, {float64(fondant.GetHighMicroC()) / 1e6, 118 - 5.5}} {
		if math.Abs(pair[0]-pair[1]) > 0.12 {
			t.Errorf("bound %d of fondant %g, want about %g", i, pair[0], pair[1])
		}
	}
	// A critical limit is guarded.
	sauce := limitFor(t, got, "SAU")
	if d := dialFor(t, sauce, "C1"); !sauce.GetGuarded() || d.GetNumber() == nil || sauce.GetBest() != "C1" {
		t.Errorf("sauce: %v", sauce)
	}
	// One of each; unknown ones are not found.
	one, err := k.op.Today.DialNumbers(ctx, &sv.DialNumbersRequest{FormulaId: "TOF", InstrumentId: "C1"})
	if err != nil || len(one.GetLimits()) != 1 || len(one.GetLimits()[0].GetDials()) != 1 {
		t.Errorf("%v, %v", one, err)
	}
	_, err = k.op.Today.DialNumbers(ctx, &sv.DialNumbersRequest{FormulaId: "NONE"})
	want(t, err, records.ErrNotFound, "formula_id")
	_, err = k.op.Today.DialNumbers(ctx, &sv.DialNumbersRequest{InstrumentId: "NONE"})
	want(t, err, records.ErrNotFound, "instrument_id")
}

// TestDialNumbersWithoutBarometer: an assumed pressure is said to be one, and gives a critical limit no number.
func TestDialNumbersWithoutBarometer(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	k.check(anna, "11111111-0000-4000-8000-000000000001", "C1", ice(at(0, 5, 45), "0.0"), boil(at(0, 5, 49), "95.0", ""))
	got, err := k.op.Today.DialNumbers(ctx, &sv.DialNumbersRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if got.GetPressure().GetKind() != kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE || !strings.Contains(strings.Join(got.GetNotes(), " "), "barometer") {
		t.Errorf("%v %q", got.GetPressure(), got.GetNotes())
	}
	if d := dialFor(t, limitFor(t, got, "SAU"), "C1"); d.GetNumber() != nil || !strings.Contains(d.GetWhy(), "barometer") {
		t.Errorf("sauce: %v", d)
	}
	if d := dialFor(t, limitFor(t, got, "TOF"), "C1"); d.GetNumber() == nil {
		t.Errorf("toffee: %v", d)
	}
	// Next day nothing was checked: the number stands and says so.
	k.clock.Set(at(1, 12, 0))
	if got, err = k.op.Today.DialNumbers(ctx, &sv.DialNumbersRequest{FormulaId: "TOF", InstrumentId: "C1"}); err != nil {
		t.Fatal(err)
	}
	if d := dialFor(t, limitFor(t, got, "TOF"), "C1"); d.GetNumber() == nil || d.GetWhy() == "" {
		t.Errorf("the day after: %v", d)
	}
}

// boilingPan is a pan of 1 kg of sucrose at 1 kW from 70 % solids: seconds since the onset and degC at 1013.25 hPa, by an
// independent heat balance; before it the syrup was heated at 12 degC a minute.
var boilingPan = [][2]float64{{0, 104.963}, {617, 115}, {683, 118}, {734, 121}, {842, 130}, {944, 143}, {989, 150}}

func panAt(seconds float64) float64 {
	if seconds < 0 {
		return 104.963 + seconds*12/60
	}
	for i := 1; i < len(boilingPan); i++ {
		a, b := boilingPan[i-1], boilingPan[i]
		if seconds <= b[0] {
			// Between the anchors the rise grows in a geometric way; a quadratic in the first, long stretch.
			f := (seconds - a[0]) / (b[0] - a[0])
			if i == 1 {
				f = f * (0.42 + 0.58*f)
			}
			return a[1] + f*(b[1]-a[1])
		}
	}
	return boilingPan[len(boilingPan)-1][1]
}

// TestForecastBatch follows a running batch from its stored readings: to 143 degC, the middle of the toffee's limit, the pan
// above takes 944 s from the onset.
func TestForecastBatch(t *testing.T) {
	k := openKitchen(t)
	s := site()
	s.ElevationM = dec("0")
	k.furnish(s)
	k.clock.Set(at(0, 6, 0))
	k.check(anna, "11111111-0000-4000-8000-000000000001", "C1", ice(at(0, 5, 45), "0.0"), boil(at(0, 5, 49), "100.0", "1013.3"))
	must(t)(k.op.Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: k.id(), Formula: &kb.Formula{
		FormulaId: "TOF", Version: 2, Name: "toffee", WaterFraction: dec("0.3"), Limits: []*kb.Limit{{
			Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_OPERATING, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("142"), High: tc("144"),
		}},
	}}))
	must(t)(k.op.Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: k.id(), Approval: &kb.FormulaApproval{FormulaId: "TOF", Version: 2}}))
	start := at(0, 6, 30)
	must(t)(k.as(anna).Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: "L1", FormulaId: "TOF", InstrumentId: "C1", StartedAt: ts(start), SolidsKg: dec("1")}}))
	ask := &sv.ForecastBatchRequest{LotCode: "L1"}
	_, err := k.as(anna).Today.ForecastBatch(ctx, ask)
	want(t, err, records.ErrState, "lot_code")
	// The onset comes 6 minutes after the start; readings every 30 s to 12 minutes after it.
	var shown []string
	for i := range 36 {
		shown = append(shown, fmt.Sprintf("%.1f", panAt(float64(i)*30-360)))
	}
	must(t)(k.as(anna).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, start, 30*time.Second, shown...)}))
	k.clock.Set(start.Add(18 * time.Minute))
	got, err := k.as(anna).Today.ForecastBatch(ctx, ask)
	if err != nil {
		t.Fatal(err)
	}
	f := got.GetForecast()
	if !f.GetBoiling() || f.GetReached() || f.GetTargetC() != 143 || f.GetStage() == "" || !got.GetMayBeUsed() || f.GetNextMinutes() != 0.5 {
		t.Errorf("%v", got)
	}
	// The last reading is at 690 s of the boil: 254 s are left, a little more with the heat taken back at the end.
	if left := f.GetMinutesLeft() * 60; math.Abs(left-254) > 45 || f.GetLowLeft()*60 > 254 || f.GetHighLeft()*60 < 254 {
		t.Errorf("%.0f s left (%.0f to %.0f), want about 254", left, 60*f.GetLowLeft(), 60*f.GetHighLeft())
	}
	if end := f.GetEndAt().AsTime().Sub(start).Seconds() - 360; math.Abs(end-944) > 45 {
		t.Errorf("end %.0f s after the onset, want about 944", end)
	}
	if got.GetOnset() == nil || math.Abs(got.GetOnset().GetExpectedC()-104.97) > 0.05 || got.GetOnset().GetBeyond() {
		t.Errorf("onset %v", got.GetOnset())
	}
	if !strings.Contains(got.GetTargetFrom(), `"cook"`) || got.GetLimit().GetName() != "cook" {
		t.Errorf("target from %q", got.GetTargetFrom())
	}
	// Pulled: nothing is left to forecast. Unknown: not found.
	must(t)(k.as(anna).Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: "L1", At: ts(start.Add(20 * time.Minute)), Reading: tc("143.0")}}))
	_, err = k.as(anna).Today.ForecastBatch(ctx, ask)
	want(t, err, records.ErrState, "lot_code")
	_, err = k.as(anna).Today.ForecastBatch(ctx, &sv.ForecastBatchRequest{LotCode: "L9"})
	want(t, err, records.ErrNotFound, "lot_code")
}

// TestForecastKnowsTheCarryOver: a limit that binds the highest after the pull is aimed at less the usual rise, once three
// batches of the formula in the vessel are known.
func TestForecastKnowsTheCarryOver(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	k.check(anna, "11111111-0000-4000-8000-000000000001", "C1", ice(at(0, 5, 45), "0.0"), boil(at(0, 5, 49), "94.9", "843.1"))
	must(t)(k.op.Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: k.id(), Formula: &kb.Formula{
		FormulaId: "PEAK", Version: 1, Name: "peak", WaterFraction: dec("0.25"), Limits: []*kb.Limit{{
			Name: "peak", Class: kb.LimitClass_LIMIT_CLASS_QUALITY, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("120"), High: tc("124"), Binds: kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER,
		}},
	}}))
	must(t)(k.op.Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: k.id(), Approval: &kb.FormulaApproval{FormulaId: "PEAK", Version: 1}}))
	begin := func(lot string, start time.Time) {
		must(t)(k.as(anna).Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: lot, FormulaId: "PEAK", InstrumentId: "C1", StartedAt: ts(start), Vessel: "copper"}}))
	}
	for i, rise := range []string{"121.0", "122.0", "123.0"} {
		lot, start := fmt.Sprintf("P%d", i), at(0, 7+i, 0)
		k.clock.Set(start.Add(30 * time.Minute))
		begin(lot, start)
		must(t)(k.as(anna).Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: lot, At: ts(start.Add(20 * time.Minute)), Reading: tc("120.0"), HighestAfter: tc(rise)}}))
	}
	k.clock.Set(at(0, 11, 10))
	begin("P9", at(0, 11, 0))
	var shown []string
	for i := range 12 {
		shown = append(shown, fmt.Sprintf("%.1f", math.Min(30+12*float64(i)/2, 99.5+float64(i)/10)))
	}
	must(t)(k.as(anna).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("P9", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 11, 0), 30*time.Second, shown...)}))
	got, err := k.as(anna).Today.ForecastBatch(ctx, &sv.ForecastBatchRequest{LotCode: "P9"})
	if err != nil {
		t.Fatal(err)
	}
	// 122 less a mean rise of 2.
	if math.Abs(got.GetForecast().GetTargetC()-120) > 1e-6 || got.GetCarryOver().GetBatches() != 3 || got.GetCarryOver().GetPullAtC() != got.GetForecast().GetTargetC() {
		t.Errorf("%v", got)
	}
	// Beside it: an unknown error of the instrument stops the forecast.
	must(t)(k.as(anna).Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: "Q1", FormulaId: "PEAK", InstrumentId: "C2", StartedAt: ts(at(0, 11, 0))}}))
	must(t)(k.as(anna).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("Q1", "C2", kb.SeriesKind_SERIES_KIND_COOK, at(0, 11, 0), 30*time.Second, shown...)}))
	_, err = k.as(anna).Today.ForecastBatch(ctx, &sv.ForecastBatchRequest{LotCode: "Q1"})
	if !errors.Is(err, records.ErrState) || !strings.Contains(err.Error(), "C2") {
		t.Errorf("%v", err)
	}
}
