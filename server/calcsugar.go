package server

import (
	"context"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/sugar"
)

// MoveLimit implements sv.CalcServiceServer.
func (Calculator) MoveLimit(_ context.Context, r *sv.MoveLimitRequest) (*sv.MoveLimitResponse, error) {
	got, err := records.MoveLimit(limitOf(r.GetLimit()), airOf(r.GetAir()))
	if err != nil {
		return nil, err
	}
	return &sv.MoveLimitResponse{Low: movedBound(got.Low), High: movedBound(got.High), Air: airUsed(got.Air), Sources: got.Sources, Notes: got.Notes}, nil
}

func movedBound(b *records.MovedBound) *sv.MovedBound {
	if b == nil {
		return nil
	}
	return &sv.MovedBound{
		WrittenC: b.WrittenC, HereC: b.HereC, HereF: fahrenheit(b.HereC), UC: b.UC, SolidsPct: b.SolidsPct, BeyondData: b.BeyondData, StandardC: b.StandardC,
		WaterRuleC: b.WaterRuleC, ShortfallC: b.ShortfallC, FootRuleC: b.FootRuleC, SlopeCPerHpa: b.SlopeCPerHPa,
	}
}

var solidKinds = map[sv.SolidKind]sugar.Kind{
	sv.SolidKind_SOLID_KIND_SUCROSE: sugar.Sucrose, sv.SolidKind_SOLID_KIND_GLUCOSE_SYRUP: sugar.GlucoseSyrup, sv.SolidKind_SOLID_KIND_INVERT_SUGAR: sugar.InvertSugar,
	sv.SolidKind_SOLID_KIND_HONEY: sugar.HoneySolids, sv.SolidKind_SOLID_KIND_LACTOSE: sugar.Lactose, sv.SolidKind_SOLID_KIND_MILK_PROTEIN: sugar.MilkProtein,
	sv.SolidKind_SOLID_KIND_GEL_STARCH: sugar.GelStarch, sv.SolidKind_SOLID_KIND_SORBITOL: sugar.Sorbitol, sv.SolidKind_SOLID_KIND_GLYCEROL: sugar.Glycerol,
	sv.SolidKind_SOLID_KIND_SALT: sugar.Salt, sv.SolidKind_SOLID_KIND_ACID: sugar.Acid, sv.SolidKind_SOLID_KIND_FAT: sugar.Fat,
}

// components turns what is dissolved; a kind that is not given becomes one that
// the rules refuse.
func components(list []*sv.BlendComponent) []sugar.Component {
	var out []sugar.Component
	for _, c := range list {
		kind, ok := solidKinds[c.GetKind()]
		if !ok {
			kind = -1
		}
		out = append(out, sugar.Component{Kind: kind, Kg: c.GetKg(), DE: c.GetDextroseEquivalent()})
	}
	return out
}

// Solids implements sv.CalcServiceServer.
func (Calculator) Solids(_ context.Context, r *sv.SolidsRequest) (*sv.SolidsResponse, error) {
	var got records.SolidsOf
	var err error
	switch known := r.GetKnown().(type) {
	case *sv.SolidsRequest_TempC:
		got, err = records.SolidsAt(known.TempC, r.GetU(), airOf(r.GetAir()), components(r.GetBlend()))
	case *sv.SolidsRequest_SolidsPct:
		got, err = records.BoilingOf(known.SolidsPct, r.GetU(), airOf(r.GetAir()), components(r.GetBlend()))
	default:
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "temp_c", Problem: "is missing", Cure: "give the boiling temperature or the solids"}
	}
	if err != nil {
		return nil, err
	}
	return &sv.SolidsResponse{
		BoilingC: got.BoilingC, BoilingF: fahrenheit(got.BoilingC), BoilingUC: got.BoilingUC, SolidsPct: got.SolidsPct, SolidsUPct: got.SolidsUPct,
		EquivalentPct: got.EquivalentPct, Estimate: got.Estimate, BeyondData: got.BeyondData, Stage: got.Stage, Air: airUsed(got.Air),
		Sources: got.Sources, Notes: got.Notes,
	}, nil
}

// Blend implements sv.CalcServiceServer.
func (Calculator) Blend(_ context.Context, r *sv.BlendRequest) (*sv.BlendResponse, error) {
	got, err := records.ReduceBlend(components(r.GetComponents()), r.SolidsPct)
	if err != nil {
		return nil, err
	}
	out := &sv.BlendResponse{
		Factor: got.Factor, SucroseShare: got.SucroseShare, DissolvedKg: got.DissolvedKg, EquivalentKg: got.SucroseEquivalentKg, Estimate: got.Estimate,
		EquivalentPct: got.EquivalentSolidsPct, BoilingUC: got.BoilingUC, Sources: got.Sources, Notes: got.Notes,
	}
	for _, c := range got.Components {
		out.Components = append(out.Components, &sv.BlendShare{Name: c.Name, Factor: c.Factor, EquivalentKg: c.EquivalentKg})
	}
	return out, nil
}

// Stages implements sv.CalcServiceServer.
func (Calculator) Stages(_ context.Context, r *sv.StagesRequest) (*sv.StagesResponse, error) {
	got, err := records.StagesIn(airOf(r.GetAir()), r.TempC, r.GetTempUC())
	if err != nil {
		return nil, err
	}
	out := &sv.StagesResponse{BurntAboveC: sugar.BurntAboveC, Air: airUsed(got.Air), Sources: got.Sources, Notes: got.Notes}
	for i, b := range got.Bands {
		s := got.Stages[i]
		band := &sv.StageBand{
			Name: b.Name, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, LowC: b.LowC, HighC: b.HighC, LowSoftC: b.LowSoftC, HighSoftC: b.HighSoftC,
			StandardLowC: b.StandardLowC, StandardHighC: b.StandardHighC, UC: 2 * b.UC, ColdWater: s.ColdWater, BeyondData: b.BeyondData, Sources: s.Sources,
		}
		if b.Basis == sugar.SolidsBasis {
			band.Basis, band.LowPct, band.HighPct = kb.LimitBasis_LIMIT_BASIS_SOLIDS, &s.LowPct, &s.HighPct
		}
		for _, u := range s.UsedFor {
			band.Uses = append(band.Uses, &sv.StageUse{Product: u.Product, Source: u.Source})
		}
		out.Bands = append(out.Bands, band)
	}
	if p := got.Place; p != nil {
		out.Place = &sv.StagePlace{Label: p.Label, WithinU: got.WithinU, StandardC: p.StandardC, SoftEdge: p.SoftEdge, BeyondData: p.BeyondData}
	}
	return out, nil
}

// WaterActivity implements sv.CalcServiceServer.
func (Calculator) WaterActivity(_ context.Context, r *sv.WaterActivityRequest) (*sv.WaterActivityResponse, error) {
	var waterKg, moisturePct *float64
	switch w := r.GetWater().(type) {
	case *sv.WaterActivityRequest_WaterKg:
		waterKg = &w.WaterKg
	case *sv.WaterActivityRequest_MoisturePct:
		moisturePct = &w.MoisturePct
	}
	got, err := records.WaterActivityOf(components(r.GetSolids()), waterKg, moisturePct, r.GetCrystallised(), r.Ph, r.GetPackaged())
	if err != nil {
		return nil, err
	}
	out := &sv.WaterActivityResponse{
		Aw: got.Aw, LowAw: got.LowAw, HighAw: got.HighAw, MoisturePct: got.MoisturePct, SimpleWrong: got.SimpleWrong, CrystalKg: got.CrystalKg,
		Notice: sugar.AwNotice, Sources: got.Sources, Notes: got.Worked.Notes,
	}
	for _, route := range got.Routes {
		out.Routes = append(out.Routes, &sv.ActivityRoute{Name: route.Name, Aw: route.Aw, Valid: route.Valid, Note: route.Note})
	}
	for _, l := range got.Limits {
		out.Limits = append(out.Limits, &sv.ActivityLimit{Aw: l.Aw, Says: l.Says, Standing: l.Standing, Source: l.Source})
	}
	if got.Interaction != nil {
		out.Interaction, out.InteractionTable = string(got.Interaction.AtHighAw), got.Interaction.Table
	}
	return out, nil
}

// YieldOf implements sv.CalcServiceServer.
func (Calculator) YieldOf(_ context.Context, r *sv.YieldOfRequest) (*sv.YieldOfResponse, error) {
	q := records.YieldAsked{
		DrySolidsKg: r.GetDrySolidsKg(), U: r.GetU(), Air: optionalAir(r.GetAir()), InvertedShare: r.GetInvertedShare(), ActualKg: r.ActualKg,
		ActualUKg: r.GetActualUKg(), HandlingShare: r.HandlingShare, HandlingUShare: r.HandlingUShare, StartSolidsPct: r.StartSolidsPct,
	}
	switch at := r.GetAt().(type) {
	case *sv.YieldOfRequest_TempC:
		q.TempC = &at.TempC
	case *sv.YieldOfRequest_SolidsPct:
		q.SolidsPct = &at.SolidsPct
	}
	got, err := records.YieldFor(q)
	if err != nil {
		return nil, err
	}
	out := &sv.YieldOfResponse{
		ExpectedKg: got.ExpectedKg, UKg: 2 * got.UKg, BeyondData: got.BeyondData, WaterKg: got.WaterKg, EvaporatedKg: got.EvaporatedKg,
		Sources: got.Sources, Notes: got.Notes,
	}
	if !got.BeyondData {
		out.SolidsPct = &got.SolidsPct
	}
	if b := got.Balance; b != nil {
		out.Balance = &sv.YieldBalance{LossKg: b.LossKg, LossPct: b.LossPct, HandlingKg: b.HandlingKg, UnexplainedKg: b.UnexplainedKg, UKg: b.UKg, Unexplained: b.Unexplained}
	}
	return out, nil
}

// ScaleFormula implements sv.CalcServiceServer.
func (Calculator) ScaleFormula(_ context.Context, r *sv.ScaleFormulaRequest) (*sv.ScaleFormulaResponse, error) {
	var lines []sugar.Ingredient
	for _, l := range r.GetLines() {
		lines = append(lines, sugar.Ingredient{Name: l.GetName(), Kg: l.GetKg()})
	}
	got, err := records.ScaleFor(lines, r.GetFormulaYieldKg(), r.GetWantedYieldKg(), r.GetStepKg())
	if err != nil {
		return nil, err
	}
	out := &sv.ScaleFormulaResponse{Factor: got.Factor, TotalKg: got.TotalKg, WithinKg: got.WithinKg, Sources: got.Sources, Notes: got.Notes}
	for _, l := range got.Lines {
		out.Lines = append(out.Lines, &sv.ScaledLine{Name: l.Name, Kg: l.Kg, ExactKg: l.ExactKg, ChangePct: l.ChangePct, Lost: l.Lost})
	}
	return out, nil
}
