package server

import (
	"context"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
	"kettlebook/records/thermometry"
)

// Calculator is the calculation service: it knows no kitchen and keeps nothing,
// so that it may be asked in the same process too. It turns messages into the
// inputs of package records and results into messages; the rules are there. Its
// methods' errors are records.FieldError.
type Calculator struct {
	sv.UnimplementedCalcServiceServer
}

// airOf gives the air of a request; absent air is refused by its kind.
func airOf(m *sv.Air) records.Air {
	if m == nil {
		return records.Air{}
	}
	return records.Air{
		Kind: m.GetKind(), PressureHPa: m.PressureHpa, ElevationM: m.ElevationM, ReadToHPa: m.ReadToHpa, BarometerStandardHPa: m.BarometerStandardHpa,
		ElevationHalfWidthM: m.ElevationHalfWidthM, WeatherHalfWidthHPa: m.WeatherHalfWidthHpa, AgeHours: m.GetAgeHours(),
	}
}

// optionalAir gives the air of a request, or none.
func optionalAir(m *sv.Air) *records.Air {
	if m == nil {
		return nil
	}
	a := airOf(m)
	return &a
}

func airUsed(a records.AirUsed) *sv.AirUsed {
	return &sv.AirUsed{PressureHpa: a.PressureHPa, UHpa: a.UHPa, Kind: a.Kind, StandardHpa: a.StandardHPa, Questioned: a.Questioned}
}

func budgetOf(b thermometry.Budget) []*sv.BudgetTerm {
	var out []*sv.BudgetTerm
	for _, t := range b {
		shared := ""
		if t.Shared != thermometry.SharedNone {
			shared = t.Shared.String()
		}
		out = append(out, &sv.BudgetTerm{Name: t.Name, Standard: t.StandardC, Shape: t.Shape.String(), Shared: shared})
	}
	return out
}

func limitOf(m *sv.CookLimit) records.CookLimit {
	if m == nil {
		return records.CookLimit{}
	}
	return records.CookLimit{
		LowC: m.LowC, HighC: m.HighC, Basis: m.GetBasis(), EstablishedAt: m.GetEstablishedAt(), EstablishedHPa: m.EstablishedHpa,
		Class: m.GetClass(), Unguarded: m.GetUnguarded(),
	}
}

func optionalLimit(m *sv.CookLimit) *records.CookLimit {
	if m == nil {
		return nil
	}
	l := limitOf(m)
	return &l
}

var boilingPlaces = map[sv.BoilingPlace]thermometry.BoilingPlace{
	sv.BoilingPlace_BOILING_PLACE_IN_VAPOUR: thermometry.InVapour, sv.BoilingPlace_BOILING_PLACE_NEAR_BOTTOM: thermometry.NearBottom,
}

func dialOf(m *sv.Dial) records.Dial {
	if m == nil {
		return records.Dial{}
	}
	d := records.Dial{
		Name: m.GetName(), Unit: m.GetUnit(), Division: m.GetDivision(), ReadTo: m.ReadTo, RangeLow: m.RangeLow, RangeHigh: m.RangeHigh,
		Tolerance: m.Tolerance, Error: m.Error, ErrorU: m.ErrorU, ErrorAt: m.ErrorAt, GrowthCPerC: m.GrowthCPerC, DriftCPerRootDay: m.DriftCPerRootDay,
	}
	for _, p := range m.GetPoints() {
		d.Points = append(d.Points, records.DialPoint{
			Kind: p.GetKind(), Reading: p.GetReading(), AgeHours: p.GetAgeHours(), Ice: p.GetIce(), Place: boilingPlaces[p.GetPlace()], Air: optionalAir(p.GetAir()),
			ReferenceC: p.ReferenceC, ReferenceReadToC: p.ReferenceReadToC, CertificateCorrectionC: p.GetCertificateCorrectionC(),
			CertificateUC: p.CertificateUC, CertificateExpired: p.GetCertificateExpired(),
		})
	}
	return d
}

// BoilingPoint implements sv.CalcServiceServer.
func (Calculator) BoilingPoint(_ context.Context, r *sv.BoilingPointRequest) (*sv.BoilingPointResponse, error) {
	got, err := records.BoilingPoint(airOf(r.GetAir()))
	if err != nil {
		return nil, err
	}
	return &sv.BoilingPointResponse{
		BoilingC: got.BoilingC, BoilingF: fahrenheit(got.BoilingC), UC: got.UC, Air: airUsed(got.Air), SlopeCPerHpa: got.SlopeCPerHPa,
		Budget: budgetOf(got.Budget), IfAltimeterC: got.IfAltimeterC, Sources: got.Sources, Notes: got.Notes,
	}, nil
}

func fahrenheit(c float64) float64 { return c*1.8 + 32 }

// DialNumber implements sv.CalcServiceServer.
func (Calculator) DialNumber(_ context.Context, r *sv.DialNumberRequest) (*sv.DialNumberResponse, error) {
	got, err := records.DialNumberFor(limitOf(r.GetLimit()), airOf(r.GetAir()), dialOf(r.GetDial()))
	if err != nil {
		return nil, err
	}
	out := &sv.DialNumberResponse{
		CanShow: got.CanShow, Number: numberOf(got.DialAnswer), Why: got.Why, TooNarrow: got.TooNarrow, WindowLow: got.WindowLow, WindowHigh: got.WindowHigh,
		Error: got.Error, UC: got.UC, Guarded: got.Guarded, Extrapolated: got.Extrapolated, Sources: got.Sources, Notes: got.Notes, Air: airUsed(got.Limit.Air),
	}
	if b := got.Limit.Low; b != nil {
		out.LowC, out.BeyondData = &b.HereC, b.BeyondData
	}
	if b := got.Limit.High; b != nil {
		out.HighC, out.BeyondData = &b.HereC, out.BeyondData || b.BeyondData
	}
	return out, nil
}

func numberOf(a records.DialAnswer) *float64 {
	if !a.CanShow {
		return nil
	}
	return &a.Number
}

// ReadDial implements sv.CalcServiceServer.
func (Calculator) ReadDial(_ context.Context, r *sv.ReadDialRequest) (*sv.ReadDialResponse, error) {
	got, err := records.ReadDial(dialOf(r.GetDial()), r.GetReading(), optionalAir(r.GetAir()), optionalLimit(r.GetLimit()))
	if err != nil {
		return nil, err
	}
	out := &sv.ReadDialResponse{
		CorrectedC: got.CorrectedC, CorrectedF: fahrenheit(got.CorrectedC), ErrorC: got.ErrorC, UC: got.ExpandedC, Extrapolated: got.Extrapolated,
		Misfit: got.Misfit, Form: got.Form, Budget: budgetOf(got.Budget), Stage: got.Stage, SoftEdge: got.SoftEdge, Sources: got.Sources, Notes: got.Notes,
	}
	for _, p := range got.Points {
		out.Points = append(out.Points, &sv.PointShown{Kind: p.Kind, TrueC: p.TrueC, ErrorC: p.ErrorC, UC: p.UC, Result: p.Result, Outcome: p.Outcome})
	}
	for _, h := range got.Help {
		out.Help = append(out.Help, &sv.Help{Action: h.Action, UC: h.ExpandedC, GainC: h.GainC})
	}
	if l := got.Limit; l != nil {
		out.Limit = &sv.LimitShown{LowC: l.LowC, HighC: l.HighC, UC: l.UC, Guarded: l.Guarded, Result: l.Result, AsRead: l.AsRead, BeyondData: l.BeyondData}
	}
	if got.Air != nil {
		out.Air = airUsed(*got.Air)
	}
	return out, nil
}

// FitForCook implements sv.CalcServiceServer.
func (Calculator) FitForCook(_ context.Context, r *sv.FitForCookRequest) (*sv.FitForCookResponse, error) {
	var rack []records.Dial
	for _, d := range r.GetRack() {
		rack = append(rack, dialOf(d))
	}
	got, err := records.FitForCook(limitOf(r.GetLimit()), airOf(r.GetAir()), rack)
	if err != nil {
		return nil, err
	}
	out := &sv.FitForCookResponse{Best: got.Best, Air: airUsed(got.Limit.Air), Sources: got.Sources, Notes: got.Notes}
	for _, f := range got.Rack {
		fit := &sv.DialFit{Name: f.Name, Fit: f.Fit(), Number: numberOf(f.DialAnswer), Why: f.Why, NeededC: f.NeededC, UC: f.UC, Extrapolated: f.Extrapolated}
		if got.Limit.Low != nil && got.Limit.High != nil {
			fit.WindowC = &f.WindowC
		}
		out.Rack = append(out.Rack, fit)
	}
	return out, nil
}

func rackOf(m *sv.RackReading) records.RackReading {
	if m == nil {
		return records.RackReading{}
	}
	return records.RackReading{Name: m.GetName(), Unit: m.GetUnit(), Reading: m.GetReading(), ReadTo: m.GetReadTo(), Correction: m.GetCorrection(), CorrectionU: m.CorrectionU}
}

// CompareRack implements sv.CalcServiceServer.
func (Calculator) CompareRack(_ context.Context, r *sv.CompareRackRequest) (*sv.CompareRackResponse, error) {
	var rack []records.RackReading
	for _, m := range r.GetRack() {
		rack = append(rack, rackOf(m))
	}
	got, err := records.CompareRackOf(rackOf(r.GetReference()), rack, r.BathUC)
	if err != nil {
		return nil, err
	}
	out := &sv.CompareRackResponse{Agree: got.Agree, Odd: got.Odd, OddIsReference: got.OddIsReference, Sources: got.Sources, Notes: got.Notes}
	for _, l := range got.Lines {
		out.Rack = append(out.Rack, &sv.RackDifference{Name: l.Name, ErrorC: l.ErrorC, DifferenceC: l.DifferenceC, UC: l.ExpandedC, Normalised: l.Normalised})
	}
	return out, nil
}

var stemLiquids = map[sv.StemLiquid]thermometry.StemLiquid{
	sv.StemLiquid_STEM_LIQUID_MERCURY: thermometry.StemMercury, sv.StemLiquid_STEM_LIQUID_SPIRIT: thermometry.StemSpirit,
}

// StemCorrection implements sv.CalcServiceServer.
func (Calculator) StemCorrection(_ context.Context, r *sv.StemCorrectionRequest) (*sv.StemCorrectionResponse, error) {
	liquid, ok := stemLiquids[r.GetLiquid()]
	if !ok {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "liquid", Problem: "is missing", Cure: "mercury or spirit"}
	}
	got, err := records.StemCorrectionOf(liquid, r.GetEmergentC(), r.GetBathC(), r.GetStemC())
	if err != nil {
		return nil, err
	}
	return &sv.StemCorrectionResponse{CorrectionC: got.CorrectionC, UC: got.UC, Sources: got.Sources, Notes: got.Notes}, nil
}

// SensorTolerance implements sv.CalcServiceServer.
func (Calculator) SensorTolerance(_ context.Context, r *sv.SensorToleranceRequest) (*sv.SensorToleranceResponse, error) {
	got, err := records.SensorTolerancesAt(r.GetSensorClass(), r.GetTempC())
	if err != nil {
		return nil, err
	}
	out := &sv.SensorToleranceResponse{Sources: got.Sources, Notes: got.Notes}
	for i, c := range got.Classes {
		out.Classes = append(out.Classes, &sv.SensorClass{Name: c.Name, ToleranceC: got.ToleranceC[i], GrowthCPerC: c.GrowthPerC()})
	}
	return out, nil
}
