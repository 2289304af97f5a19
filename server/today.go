package server

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type todayService struct {
	sv.UnimplementedTodayServiceServer
	s *Server
}

// pressuresKept is how many kitchen pressures a judgement looks back over.
const pressuresKept = 12

// dialFacts loads what dial numbers follow from, at the present moment.
func (t *todayService) dialFacts(v store.View, formula, instrument string) (records.DialFacts, error) {
	f := records.DialFacts{Now: t.s.cfg.Clock.Now()}
	var err error
	if f.Settings, err = settingsAt(v, f.Now); err != nil {
		return f, err
	}
	if f.Pressures, err = list[*kb.KitchenPressure](v, store.Query{Kind: records.KindPressure, Index: "at", To: through(f.Now), Desc: true, Limit: pressuresKept}); err != nil {
		return f, err
	}
	if f.Formulas, err = approvedFormulas(v, formula); err != nil {
		return f, err
	}
	if formula != "" && len(f.Formulas) == 0 {
		return f, &records.FieldError{Kind: records.ErrNotFound, Field: "formula_id", Problem: "there is no approved formula " + formula, Cure: "check the name, or have a version approved"}
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindInstrument}) {
		if err != nil {
			return f, err
		}
		doc, err := records.ReadDoc[*kb.Instrument](d.Body)
		if err != nil {
			return f, err
		}
		id := doc.Record.GetInstrumentId()
		if instrument != "" && id != instrument || instrument == "" && (doc.Record.GetRetired() || doc.Record.GetReference()) {
			continue
		}
		r := records.RackDoc{Instrument: doc}
		if r.Points, r.Adjusted, err = pointsAt(v, id, f.Now); err != nil {
			return f, err
		}
		if r.Check, err = latest[*kb.CheckAssessment](v, records.KindCheckAssessment, "instrument", []string{id}, f.Now); err != nil {
			return f, err
		}
		f.Rack = append(f.Rack, r)
	}
	if instrument != "" && len(f.Rack) == 0 {
		return f, &records.FieldError{Kind: records.ErrNotFound, Field: "instrument_id", Problem: "there is no instrument " + instrument, Cure: "check the name"}
	}
	return f, nil
}

// approvedFormulas gives the latest approved version of each formula, or of one.
func approvedFormulas(v store.View, only string) ([]records.Doc[*kb.Formula], error) {
	versions := map[string]uint32{}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindFormulaApproval}) {
		if err != nil {
			return nil, err
		}
		a, err := records.ReadDoc[*kb.FormulaApproval](d.Body)
		if err != nil {
			return nil, err
		}
		if id := a.Record.GetFormulaId(); only == "" || id == only {
			versions[id] = max(versions[id], a.Record.GetVersion())
		}
	}
	var out []records.Doc[*kb.Formula]
	for id, version := range versions {
		f, err := get[*kb.Formula](v, records.KindFormula, records.FormulaKey(id, version))
		if err != nil {
			return nil, err
		}
		if f.Has() {
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b records.Doc[*kb.Formula]) int {
		return strings.Compare(a.Record.GetFormulaId(), b.Record.GetFormulaId())
	})
	return out, nil
}

// DialNumbers implements sv.TodayServiceServer.
func (t *todayService) DialNumbers(ctx context.Context, r *sv.DialNumbersRequest) (*sv.DialNumbersResponse, error) {
	v, release, err := t.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	f, err := t.dialFacts(v, r.GetFormulaId(), r.GetInstrumentId())
	if err != nil {
		return nil, err
	}
	got, err := f.Numbers()
	if err != nil {
		return nil, err
	}
	out := &sv.DialNumbersResponse{At: timestamppb.New(f.Now), Pressure: got.Pressure, Sources: got.Sources, Notes: got.Notes}
	for _, l := range got.Limits {
		row := &sv.LimitToday{
			FormulaId: l.Formula.GetFormulaId(), Version: l.Formula.GetVersion(), FormulaName: l.Formula.GetName(), Limit: l.Limit,
			LowMicroC: l.LowMicroC, HighMicroC: l.HighMicroC, BeyondData: l.BeyondData, Guarded: l.Guarded, Best: l.Best,
		}
		for _, d := range l.Dials {
			row.Dials = append(row.Dials, &sv.DialToday{
				InstrumentId: d.InstrumentID, Number: d.Number, Fit: d.Fit, Why: d.Why, MayBeUsed: d.MayBeUsed, ErrorMicroC: d.ErrorMicroC, UMicroC: d.UMicroC,
				Extrapolated: d.Extrapolated, CheckedAt: stamp(d.CheckedAt),
			})
		}
		out.Limits = append(out.Limits, row)
	}
	return out, nil
}

// pastPulls is how many earlier pulls on an instrument are looked at for the
// carry-over of a formula.
const pastPulls = 60

// cookRuns is the most runs of one cook that are forecast from.
const cookRuns = 2000

func runningFacts(v store.View, lot string) (records.RunningFacts, error) {
	var f records.RunningFacts
	var err error
	if f.BatchFacts, err = batchOf(v, lot); err != nil {
		return f, err
	}
	id := f.Batch.Record.GetInstrumentId()
	f.Readings, _, err = readRuns(v, store.RunQuery{Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOK), Desc: true, Limit: cookRuns})
	if err != nil || len(f.Readings) == 0 {
		return f, err
	}
	last := f.Readings[0].At
	for _, r := range f.Readings {
		if r.At.After(last) {
			last = r.At
		}
	}
	if f.Points, f.Adjusted, err = pointsAt(v, id, last); err != nil {
		return f, err
	}
	if f.Check, err = latest[*kb.CheckAssessment](v, records.KindCheckAssessment, "instrument", []string{id}, last); err != nil {
		return f, err
	}
	if f.Pressures, err = list[*kb.KitchenPressure](v, store.Query{Kind: records.KindPressure, Index: "at", To: through(last), Desc: true, Limit: pressuresKept}); err != nil {
		return f, err
	}
	f.Past, err = pastOf(v, f.Batch.Record)
	return f, err
}

// batchOf gives a batch and what hangs on it; ErrNotFound when there is none.
func batchOf(v store.View, lot string) (records.BatchFacts, error) {
	f, err := batchFacts(v, lot, time.Time{})
	if err == nil && !f.Batch.Has() {
		err = &records.FieldError{Kind: records.ErrNotFound, Field: "lot_code", Problem: "there is no batch " + lot, Cure: "check the lot code"}
	}
	return f, err
}

// pastOf lists earlier pulls of the same formula in the same vessel, on the same
// instrument.
func pastOf(v store.View, b *kb.BatchStart) ([]*kb.PullAssessment, error) {
	id := b.GetInstrumentId()
	docs, err := list[*kb.PullAssessment](v, store.Query{
		Kind: records.KindPullAssessment, Index: "instrument", From: records.JoinKey(id, ""), To: below(id), Desc: true, Limit: pastPulls,
	})
	if err != nil {
		return nil, err
	}
	var out []*kb.PullAssessment
	for _, d := range docs {
		if d.Record.GetHighestAfter() == nil {
			continue
		}
		other, err := get[*kb.BatchStart](v, records.KindBatch, d.Record.GetLotCode())
		if err != nil {
			return nil, err
		}
		if other.Record.GetFormulaId() == b.GetFormulaId() && other.Record.GetVessel() == b.GetVessel() {
			out = append(out, d.Record)
		}
	}
	return out, nil
}

// ForecastBatch implements sv.TodayServiceServer.
func (t *todayService) ForecastBatch(ctx context.Context, r *sv.ForecastBatchRequest) (*sv.ForecastBatchResponse, error) {
	v, release, err := t.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	f, err := runningFacts(v, r.GetLotCode())
	if err != nil {
		return nil, err
	}
	got, err := f.Forecast()
	if err != nil {
		return nil, err
	}
	out := &sv.ForecastBatchResponse{
		Forecast: forecastOut(got.Forecast), Limit: got.Limit, TargetFrom: got.TargetFrom, LastAt: stamp(got.LastAt), MayBeUsed: got.MayBeUsed,
	}
	if got.Onset != nil {
		out.Onset = onsetOut(*got.Onset)
	}
	if got.CarryOver != nil {
		out.CarryOver = carryOut(*got.CarryOver)
	}
	return out, nil
}
