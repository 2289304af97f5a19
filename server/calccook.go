package server

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
	"kettlebook/records/sugar"
)

func cookOf(m *sv.Cook) records.CookAsked {
	q := records.CookAsked{
		ReadingsUC: m.GetReadingsUC(), ReadToC: m.GetReadToC(), Air: airOf(m.GetAir()), Blend: components(m.GetBlend()),
	}
	if m == nil {
		return q
	}
	q.StartSolidsPct, q.StartSolidsUPct = m.StartSolidsPct, m.StartSolidsUPct
	for _, r := range m.GetReadings() {
		q.Readings = append(q.Readings, records.CookReading{Minutes: r.GetMinutes(), Temp: r.GetTemp()})
	}
	if m.GetDial() != nil {
		d := dialOf(m.GetDial())
		q.Dial = &d
	}
	return q
}

// stamp gives a time that may be none.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// timeOf reads an optional time.
func timeOf(field string, t *timestamppb.Timestamp) (time.Time, error) {
	if t == nil {
		return time.Time{}, nil
	}
	if y := t.AsTime().Year(); t.CheckValid() != nil || y < 1950 || y > 2200 {
		return time.Time{}, &records.FieldError{Kind: records.ErrInvalid, Field: field, Problem: "is no time", Cure: "check the date"}
	}
	return t.AsTime(), nil
}

// Forecast implements sv.CalcServiceServer.
func (Calculator) Forecast(_ context.Context, r *sv.ForecastRequest) (*sv.ForecastResponse, error) {
	q := records.ForecastAsked{Cook: cookOf(r.GetCook()), NextMinutes: r.NextMinutes, DrySolidsKg: r.DrySolidsKg}
	switch t := r.GetTarget().(type) {
	case *sv.ForecastRequest_TargetC:
		q.TargetC = &t.TargetC
	case *sv.ForecastRequest_Limit:
		q.Limit = optionalLimit(t.Limit)
	}
	if e := r.GetEase(); e != nil {
		q.Ease = &sugar.EaseOff{WithinC: e.GetWithinC(), Share: e.GetShare(), UShare: e.GetShareStandard()}
	}
	var err error
	if q.ClockZero, err = timeOf("clock_zero", r.GetClockZero()); err != nil {
		return nil, err
	}
	got, err := records.ForecastOf(q)
	if err != nil {
		return nil, err
	}
	return forecastOut(got), nil
}

func forecastOut(got records.ForecastFound) *sv.ForecastResponse {
	out := &sv.ForecastResponse{
		Boiling: got.Boiling, Reached: got.Reached, TargetC: got.TargetC, LastC: got.LastC, LastUC: got.LastUC, Stage: got.Stage,
		MinutesLeft: got.MinutesLeft, LowLeft: got.LowLeft, HighLeft: got.HighLeft, EndAt: stamp(got.EndAt), EndLowAt: stamp(got.EndLowAt), EndHighAt: stamp(got.EndHighAt),
		RateCPerMin: got.RateCPerMin, RateAtTargetCPerMin: got.RateAtTargetCPerMin, NextMinutes: got.NextMinutes, NextC: got.NextC, WouldOvershoot: got.WouldOvershoot,
		PowerKwPerKg: got.NetPowerKWPerKg, BeyondData: got.BeyondData, Air: airUsed(got.Air), Sources: got.Sources, Notes: got.Notes,
	}
	if got.NetPowerKW != 0 {
		out.PowerKw = &got.NetPowerKW
	}
	if got.SolidsPct != 0 {
		out.SolidsPct = &got.SolidsPct
	}
	return out
}

// CarryOver implements sv.CalcServiceServer.
func (Calculator) CarryOver(_ context.Context, r *sv.CarryOverRequest) (*sv.CarryOverResponse, error) {
	var past []sugar.PastPull
	for _, p := range r.GetPast() {
		past = append(past, sugar.PastPull{PullC: p.GetPullC(), HighestC: p.GetHighestC()})
	}
	got, err := records.CarryOverOf(past, r.TargetC)
	if err != nil {
		return nil, err
	}
	return carryOut(got), nil
}

func carryOut(got records.CarryFound) *sv.CarryOverResponse {
	return &sv.CarryOverResponse{
		Batches: int32(got.Batches), RiseC: got.RiseC, RiseUC: got.RiseUC, SpreadC: got.SpreadC, LeastC: got.LeastC, MostC: got.MostC,
		PullAtC: got.PullAtC, Sources: got.Sources, Notes: got.Notes,
	}
}

// OnsetHint implements sv.CalcServiceServer.
func (Calculator) OnsetHint(_ context.Context, r *sv.OnsetHintRequest) (*sv.OnsetHintResponse, error) {
	got, err := records.OnsetOf(cookOf(r.GetCook()))
	if err != nil {
		return nil, err
	}
	return onsetOut(got), nil
}

func onsetOut(got records.OnsetFound) *sv.OnsetHintResponse {
	out := &sv.OnsetHintResponse{
		OnsetMinutes: got.Onset.Minutes, OnsetC: got.Onset.TempC, ExpectedC: got.ExpectedC, GapC: got.GapC, UC: got.UC, Beyond: got.Beyond,
		Air: airUsed(got.Air), Sources: got.Sources, Notes: got.Notes,
	}
	for _, t := range got.Terms {
		out.Budget = append(out.Budget, &sv.BudgetTerm{Name: t.Name, Standard: t.U})
	}
	return out
}

// SecondWitness implements sv.CalcServiceServer.
func (Calculator) SecondWitness(_ context.Context, r *sv.SecondWitnessRequest) (*sv.SecondWitnessResponse, error) {
	var brix *float64
	if b, ok := r.GetWitness().(*sv.SecondWitnessRequest_Brix); ok {
		brix = &b.Brix
	}
	got, err := records.WitnessOf(r.GetColdWaterStage(), brix, r.BrixU, r.GetTempC(), r.GetTempUC(), airOf(r.GetAir()))
	if err != nil {
		return nil, err
	}
	out := &sv.SecondWitnessResponse{
		Contradicts: got.Contradicts, Steps: got.Steps, Witness: got.Witness, Thermometer: got.Thermometer, TouchesWithinU: got.TouchesWithinU,
		Air: airUsed(got.Air), Sources: got.Sources, Notes: got.Notes,
	}
	if got.Contradicts {
		out.LikelyErrorC = &got.LikelyErrorC
	}
	return out, nil
}

// Drift implements sv.CalcServiceServer.
func (Calculator) Drift(_ context.Context, r *sv.DriftRequest) (*sv.DriftResponse, error) {
	q := records.DriftAsked{ToleranceC: r.ToleranceC, Confidence: r.Confidence, Weight: r.Weight}
	for _, p := range r.GetPoints() {
		d := records.DriftPoint{ErrorC: p.GetErrorC(), UC: p.GetUC(), Adjusted: p.GetAdjusted()}
		if p.GetAt().CheckValid() == nil {
			d.At = p.GetAt().AsTime()
		}
		q.Points = append(q.Points, d)
	}
	var err error
	if q.PredictAt, err = timeOf("predict_at", r.GetPredictAt()); err != nil {
		return nil, err
	}
	got, err := records.DriftOf(q)
	if err != nil {
		return nil, err
	}
	out := &sv.DriftResponse{Replace: got.Replace, Sources: got.Sources, Notes: got.Notes}
	for _, c := range got.Charts {
		out.Charts = append(out.Charts, chartOut(c))
	}
	if t := got.Trend; t != nil {
		const days = 30
		out.Trend = &sv.Trend{
			Points: int32(t.Points), ErrorC: got.LastErrorC, SlopeCPer_30Days: days * t.Line.Slope, SlopeUCPer_30Days: 2 * days * t.SlopeStandardPerDay(),
			SlopeShown: t.SlopeShown, ExitAt: stamp(got.ExitAt), EarliestExitAt: stamp(got.EarliestExitAt), IntervalDays: int32(got.IntervalDays),
			PredictedLowC: got.PredictedLowC, PredictedHighC: got.PredictedHighC, ResidualC: t.Line.Residual,
		}
	}
	return out, nil
}

func chartOut(c records.DriftChart) *sv.Chart {
	out := &sv.Chart{First: int32(c.First), Count: int32(len(c.History))}
	all := func(indices []int) []int32 {
		var out []int32
		for _, i := range indices {
			out = append(out, int32(c.First+i))
		}
		return out
	}
	out.MeanC = c.History[0].ErrorC
	if i := c.Individuals; i != nil {
		out.MeanC, out.LowC, out.HighC, out.Out = i.Mean, &i.Low, &i.High, all(i.Out)
	}
	if e := c.EWMA; e != nil {
		out.AverageC, out.AverageLowC, out.AverageHighC, out.AverageOut = e.Values, &e.Low, &e.High, all(e.Out)
	}
	return out
}
