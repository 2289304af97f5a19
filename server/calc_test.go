package server_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/server"
)

func f64(v float64) *float64 { return &v }

func barometer() *sv.Air {
	return &sv.Air{
		Kind: kb.PressureKind_PRESSURE_KIND_MEASURED, PressureHpa: f64(843.1), ElevationM: f64(1480), ReadToHpa: f64(0.1), BarometerStandardHpa: f64(0.6),
		ElevationHalfWidthM: f64(10), WeatherHalfWidthHpa: f64(15), AgeHours: 1,
	}
}

func cookLimit() *sv.CookLimit {
	return &sv.CookLimit{
		LowC: f64(114), HighC: f64(116), Basis: kb.LimitBasis_LIMIT_BASIS_SOLIDS, EstablishedAt: kb.EstablishedAt_ESTABLISHED_AT_STATED,
		EstablishedHpa: f64(1013.25), Class: kb.LimitClass_LIMIT_CLASS_OPERATING,
	}
}

// checkedDial is a dial with points, toldDial one with a stated error.
func checkedDial() *sv.Dial {
	return &sv.Dial{
		Name: "TH-01", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, Division: 0.1, ReadTo: f64(0.1), RangeLow: f64(-50), RangeHigh: f64(300),
		Tolerance: f64(1), GrowthCPerC: f64(0.003), DriftCPerRootDay: f64(0.03),
		Points: []*sv.DialPoint{
			{Kind: kb.PointKind_POINT_KIND_ICE, Reading: 0.2, AgeHours: 2, Ice: kb.IceQuality_ICE_QUALITY_CRUSHED},
			{Kind: kb.PointKind_POINT_KIND_BOILING, Reading: 95.2, AgeHours: 2, Air: barometer(), Place: sv.BoilingPlace_BOILING_PLACE_MID_DEPTH},
			{
				Kind: kb.PointKind_POINT_KIND_COMPARISON, Reading: 150.5, AgeHours: 30, ReferenceC: f64(150.21), ReferenceReadToC: f64(0.01),
				CertificateCorrectionC: 0.02, CertificateUC: f64(0.1),
			},
		},
	}
}

func toldDial(name string) *sv.Dial {
	return &sv.Dial{Name: name, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT, Division: 2, Error: f64(1), ErrorU: f64(0.5), ErrorAt: f64(230)}
}

func mixture() []*sv.BlendComponent {
	return []*sv.BlendComponent{
		{Kind: sv.SolidKind_SOLID_KIND_SUCROSE, Kg: 2}, {Kind: sv.SolidKind_SOLID_KIND_GLUCOSE_SYRUP, Kg: 1, DextroseEquivalent: 42},
	}
}

// runningCook heats to its onset at 7 minutes and boils on, as a dial shows it.
func runningCook() *sv.Cook {
	c := &sv.Cook{Air: barometer(), StartSolidsPct: f64(70), StartSolidsUPct: f64(3), ReadingsUC: 0.3, ReadToC: 0.1}
	for i := range 25 {
		minutes := float64(i) / 2
		temp := math.Min(30+10*minutes, 99.7+0.55*math.Max(0, minutes-7))
		c.Readings = append(c.Readings, &sv.CookReading{Minutes: minutes, Temp: math.Round(10*temp) / 10})
	}
	return c
}

// ask is one kind of calculation: a request that is sound, with as many of its
// numbers given as can be at once.
type ask struct {
	name    string
	request proto.Message
}

// asks are sound requests: every call, and every way to put it.
func asks() []ask {
	dialCook := runningCook()
	dialCook.Dial, dialCook.Blend = checkedDial(), mixture()
	day := func(d int) *timestamppb.Timestamp { return ts(at(d, 5, 0)) }
	return []ask{
		{"BoilingPoint", &sv.BoilingPointRequest{Air: barometer()}},
		{"DialNumber", &sv.DialNumberRequest{Limit: cookLimit(), Air: barometer(), Dial: checkedDial()}},
		{"DialNumber", &sv.DialNumberRequest{Limit: cookLimit(), Air: barometer(), Dial: toldDial("")}},
		{"ReadDial", &sv.ReadDialRequest{Dial: checkedDial(), Reading: 118, Air: barometer(), Limit: cookLimit()}},
		{"ReadDial", &sv.ReadDialRequest{Dial: toldDial(""), Reading: 244}},
		{"FitForCook", &sv.FitForCookRequest{Limit: cookLimit(), Air: barometer(), Rack: []*sv.Dial{checkedDial(), toldDial("TH-02")}}},
		{"CompareRack", &sv.CompareRackRequest{
			Reference: &sv.RackReading{Name: "REF", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, Reading: 150.02, ReadTo: 0.01, Correction: 0.01, CorrectionU: f64(0.1)},
			Rack: []*sv.RackReading{
				{Name: "A", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, Reading: 150.1, ReadTo: 0.1, Correction: -0.1, CorrectionU: f64(0.2)},
				{Name: "B", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT, Reading: 302, ReadTo: 2, Correction: 0.5, CorrectionU: f64(1)},
			},
			BathUC: f64(0.1),
		}},
		{"Drift", &sv.DriftRequest{
			Points: []*sv.DriftPoint{
				{At: day(0), ErrorC: 0.1, UC: 0.1}, {At: day(1), ErrorC: 0.15, UC: 0.1}, {At: day(2), ErrorC: 0.25, UC: 0.1}, {At: day(3), ErrorC: 0.26, UC: 0.1},
			},
			ToleranceC: f64(1), Confidence: f64(0.95), Weight: f64(0.3), PredictAt: day(9),
		}},
		{"StemCorrection", &sv.StemCorrectionRequest{Liquid: sv.StemLiquid_STEM_LIQUID_MERCURY, EmergentC: 80, BathC: 150, StemC: 30}},
		{"SensorTolerance", &sv.SensorToleranceRequest{SensorClass: "K class 1", TempC: 150}},
		{"MoveLimit", &sv.MoveLimitRequest{Limit: cookLimit(), Air: barometer()}},
		{"Solids", &sv.SolidsRequest{Known: &sv.SolidsRequest_TempC{TempC: 112}, U: 0.4, Air: barometer(), Blend: mixture()}},
		{"Solids", &sv.SolidsRequest{Known: &sv.SolidsRequest_SolidsPct{SolidsPct: 85}, U: 0.4, Air: barometer(), Blend: mixture()}},
		{"Blend", &sv.BlendRequest{Components: mixture(), SolidsPct: f64(80)}},
		{"Stages", &sv.StagesRequest{Air: barometer(), TempC: f64(112), TempUC: 0.4}},
		{"WaterActivity", &sv.WaterActivityRequest{Solids: mixture(), Water: &sv.WaterActivityRequest_WaterKg{WaterKg: 0.5}, Ph: f64(5)}},
		{"WaterActivity", &sv.WaterActivityRequest{Solids: mixture(), Water: &sv.WaterActivityRequest_MoisturePct{MoisturePct: 12}, Crystallised: true, Ph: f64(5), Packaged: true}},
		{"YieldOf", &sv.YieldOfRequest{
			DrySolidsKg: 6.3, At: &sv.YieldOfRequest_TempC{TempC: 110}, U: 0.5, Air: barometer(), InvertedShare: 0.1, ActualKg: f64(7), ActualUKg: 0.02,
			HandlingShare: f64(0.02), HandlingUShare: f64(0.01), StartSolidsPct: f64(70),
		}},
		{"YieldOf", &sv.YieldOfRequest{DrySolidsKg: 6.3, At: &sv.YieldOfRequest_SolidsPct{SolidsPct: 86}, U: 1, ActualKg: f64(7)}},
		{"ScaleFormula", &sv.ScaleFormulaRequest{Lines: []*sv.FormulaLine{{Name: "sugar", Kg: 5}, {Name: "water", Kg: 2}}, FormulaYieldKg: 6, WantedYieldKg: 9, StepKg: 0.01}},
		{"Forecast", &sv.ForecastRequest{
			Cook: runningCook(), Target: &sv.ForecastRequest_TargetC{TargetC: 112}, NextMinutes: f64(0.5), DrySolidsKg: f64(6.3),
			Ease: &sv.EaseOff{WithinC: 2, Share: 0.65, ShareStandard: 0.2}, ClockZero: day(0),
		}},
		{"Forecast", &sv.ForecastRequest{Cook: dialCook, Target: &sv.ForecastRequest_Limit{Limit: cookLimit()}}},
		{"CarryOver", &sv.CarryOverRequest{Past: []*sv.PastPull{{PullC: 110, HighestC: 111}, {PullC: 110, HighestC: 112}, {PullC: 111, HighestC: 112.5}}, TargetC: f64(115)}},
		{"OnsetHint", &sv.OnsetHintRequest{Cook: runningCook()}},
		{"SecondWitness", &sv.SecondWitnessRequest{Witness: &sv.SecondWitnessRequest_ColdWaterStage{ColdWaterStage: "soft ball"}, TempC: 112, TempUC: 0.4, Air: barometer()}},
		{"SecondWitness", &sv.SecondWitnessRequest{Witness: &sv.SecondWitnessRequest_Brix{Brix: 85}, BrixU: f64(1), TempC: 112, TempUC: 0.4, Air: barometer()}},
	}
}

// reckon asks the calculator in this process.
func reckon(a ask) (proto.Message, error) {
	got := reflect.ValueOf(server.Calculator{}).MethodByName(a.name).Call([]reflect.Value{reflect.ValueOf(ctx), reflect.ValueOf(a.request)})
	if err, ok := got[1].Interface().(error); ok {
		return nil, err
	}
	return got[0].Interface().(proto.Message), nil
}

// sourced is what every answer has.
type sourced interface {
	GetSources() []string
	GetNotes() []string
}

// TestEveryCalculationAnswers: each call has a sound request here; each answer names
// its sources, holds finite numbers only, and is the same over the wire.
func TestEveryCalculationAnswers(t *testing.T) {
	k := openKitchen(t)
	calls := map[string]bool{}
	for _, a := range asks() {
		got, err := reckon(a)
		if err != nil {
			t.Errorf("%s: %v", a.name, err)
			continue
		}
		calls[a.name] = true
		s, ok := got.(sourced)
		if !ok || len(s.GetSources()) == 0 {
			t.Errorf("%s does not name its sources", a.name)
		}
		if err := records.CheckFinite(got); err != nil {
			t.Errorf("%s: %v in %v", a.name, err, got)
		}
		back := reflect.ValueOf(k.op.Calc).MethodByName(a.name).Call([]reflect.Value{reflect.ValueOf(ctx), reflect.ValueOf(a.request)})
		if err, ok := back[1].Interface().(error); ok {
			t.Errorf("%s over the wire: %v", a.name, err)
			continue
		}
		if wire := back[0].Interface().(proto.Message); !proto.Equal(wire, got) {
			t.Errorf("%s: over the wire %v, in this process %v", a.name, wire, got)
		}
	}
	methods := sv.File_kettlebook_service_v1_calc_proto.Services().ByName("CalcService").Methods()
	for i := range methods.Len() {
		if name := string(methods.Get(i).Name()); !calls[name] {
			t.Errorf("no request for %s", name)
		}
	}
}

// numberAt is one number of a message: where it stands, and how to put another there.
type numberAt struct {
	path string
	put  func(float64)
	is   float64
}

// numbers lists the numbers that are given in a message.
func numbers(path string, m protoreflect.Message) []numberAt {
	var out []numberAt
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		name := string(fd.Name())
		if path != "" {
			name = path + "." + name
		}
		switch {
		case fd.Kind() == protoreflect.MessageKind && fd.IsList():
			for i := range v.List().Len() {
				out = append(out, numbers(fmt.Sprintf("%s[%d]", name, i), v.List().Get(i).Message())...)
			}
		case fd.Kind() == protoreflect.MessageKind:
			out = append(out, numbers(name, v.Message())...)
		case fd.Kind() == protoreflect.DoubleKind:
			out = append(out, numberAt{name, func(f float64) { m.Set(fd, protoreflect.ValueOfFloat64(f)) }, v.Float()})
		}
		return true
	})
	return out
}

// TestNumbersMustBeFinite puts NaN and the infinities in place of every number of every
// request: each is refused over the wire as INVALID_ARGUMENT with that field named. What
// reads the field refuses it in this process too.
func TestNumbersMustBeFinite(t *testing.T) {
	k := openKitchen(t)
	tried := 0
	for i, a := range asks() {
		for n := range numbers("", a.request.ProtoReflect()) {
			for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
				a := asks()[i]
				at := numbers("", a.request.ProtoReflect())[n]
				// A cook of 25 readings is the same 25 times over.
				if strings.Contains(at.path, "readings[") && !strings.Contains(at.path, "readings[7]") {
					continue
				}
				at.put(bad)
				tried++
				back := reflect.ValueOf(k.op.Calc).MethodByName(a.name).Call([]reflect.Value{reflect.ValueOf(ctx), reflect.ValueOf(a.request)})
				err, _ := back[1].Interface().(error)
				want(t, err, records.ErrInvalid, at.path)
				if got, err := reckon(a); err == nil {
					if err := records.CheckFinite(got); err != nil {
						t.Errorf("%s with %s = %v answers %v", a.name, at.path, bad, err)
					}
				}
			}
		}
	}
	if tried < 300 {
		t.Errorf("only %d tried", tried)
	}
}

// TestBadCalculations: what is out of range, missing or contradicts itself is refused
// with its field named.
func TestBadCalculations(t *testing.T) {
	for _, c := range []struct {
		field  string
		name   string
		change func(proto.Message)
	}{
		{"air.kind", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air.Kind = 0 }},
		{"air.kind", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air = nil }},
		{"air.pressure_hpa", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air.PressureHpa = f64(29.9) }},
		{"air.pressure_hpa", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air.PressureHpa = nil }},
		{"air.pressure_hpa", "BoilingPoint", func(m proto.Message) {
			m.(*sv.BoilingPointRequest).Air.Kind = kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE
		}},
		{"air.elevation_m", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air.ElevationM = f64(9000) }},
		{"air.elevation_m", "BoilingPoint", func(m proto.Message) {
			a := m.(*sv.BoilingPointRequest).Air
			a.Kind, a.ElevationM, a.PressureHpa = kb.PressureKind_PRESSURE_KIND_ALTIMETER, nil, f64(1013)
		}},
		{"air.age_hours", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air.AgeHours = -1 }},
		{"air.read_to_hpa", "BoilingPoint", func(m proto.Message) { m.(*sv.BoilingPointRequest).Air.ReadToHpa = f64(0) }},
		{"limit.low_c", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Limit = &sv.CookLimit{} }},
		{"limit.low_c", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Limit.LowC = f64(90) }},
		{"limit.high_c", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Limit.HighC = f64(113) }},
		{"limit.basis", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Limit.Basis = 0 }},
		{"limit.established_at", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Limit.EstablishedAt = 0 }},
		{"limit.established_hpa", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Limit.EstablishedHpa = f64(101325) }},
		{"dial.unit", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.Unit = 0 }},
		{"dial.division", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.Division = 0 }},
		{"dial.points", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.Points = nil }},
		{"dial.error", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.Error = f64(1) }},
		{"dial.range_high", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.RangeHigh = f64(-60) }},
		{"dial.points[1].kind", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.Points[1].Kind = 0 }},
		{"dial.points[2].reference_c", "DialNumber", func(m proto.Message) { m.(*sv.DialNumberRequest).Dial.Points[2].ReferenceC = nil }},
		{"reading", "ReadDial", func(m proto.Message) { m.(*sv.ReadDialRequest).Reading = 301 }},
		{"air", "ReadDial", func(m proto.Message) { m.(*sv.ReadDialRequest).Air = nil }},
		{"rack[1].name", "FitForCook", func(m proto.Message) { m.(*sv.FitForCookRequest).Rack[1].Name = "TH-01" }},
		{"rack", "FitForCook", func(m proto.Message) { m.(*sv.FitForCookRequest).Rack = nil }},
		{"rack[0].read_to", "CompareRack", func(m proto.Message) { m.(*sv.CompareRackRequest).Rack[0].ReadTo = 0 }},
		{"reference.name", "CompareRack", func(m proto.Message) { m.(*sv.CompareRackRequest).Reference = nil }},
		{"points", "Drift", func(m proto.Message) { m.(*sv.DriftRequest).Points = nil }},
		{"points[1].at", "Drift", func(m proto.Message) { m.(*sv.DriftRequest).Points[1].At = nil }},
		{"points[2].at", "Drift", func(m proto.Message) { m.(*sv.DriftRequest).Points[2].At = ts(at(0, 1, 0)) }},
		{"confidence", "Drift", func(m proto.Message) { m.(*sv.DriftRequest).Confidence = f64(95) }},
		{"predict_at", "Drift", func(m proto.Message) { m.(*sv.DriftRequest).PredictAt = &timestamppb.Timestamp{Seconds: 1 << 62} }},
		{"liquid", "StemCorrection", func(m proto.Message) { m.(*sv.StemCorrectionRequest).Liquid = 0 }},
		{"sensor_class", "SensorTolerance", func(m proto.Message) { m.(*sv.SensorToleranceRequest).SensorClass = "Q class 9" }},
		{"temp_c", "SensorTolerance", func(m proto.Message) { m.(*sv.SensorToleranceRequest).TempC = 1100 }},
		{"temp_c", "Solids", func(m proto.Message) { m.(*sv.SolidsRequest).Known = nil }},
		{"temp_c", "Solids", func(m proto.Message) { m.(*sv.SolidsRequest).Known = &sv.SolidsRequest_TempC{TempC: 80} }},
		{"solids_pct", "Solids", func(m proto.Message) { m.(*sv.SolidsRequest).Known = &sv.SolidsRequest_SolidsPct{SolidsPct: 99} }},
		{"blend[1].kind", "Solids", func(m proto.Message) { m.(*sv.SolidsRequest).Blend[1].Kind = 0 }},
		{"blend[1].dextrose_equivalent", "Solids", func(m proto.Message) { m.(*sv.SolidsRequest).Blend[1].DextroseEquivalent = 5 }},
		{"components", "Blend", func(m proto.Message) { m.(*sv.BlendRequest).Components = nil }},
		{"temp_u_c", "Stages", func(m proto.Message) { m.(*sv.StagesRequest).TempUC = -1 }},
		{"water_kg", "WaterActivity", func(m proto.Message) { m.(*sv.WaterActivityRequest).Water = nil }},
		{"ph", "WaterActivity", func(m proto.Message) { m.(*sv.WaterActivityRequest).Ph = f64(15) }},
		{"dry_solids_kg", "YieldOf", func(m proto.Message) { m.(*sv.YieldOfRequest).DrySolidsKg = 0 }},
		{"air", "YieldOf", func(m proto.Message) { m.(*sv.YieldOfRequest).Air = nil }},
		{"temp_c", "YieldOf", func(m proto.Message) { m.(*sv.YieldOfRequest).At = nil }},
		{"start_solids_pct", "YieldOf", func(m proto.Message) { m.(*sv.YieldOfRequest).StartSolidsPct = f64(97) }},
		{"lines[1].kg", "ScaleFormula", func(m proto.Message) { m.(*sv.ScaleFormulaRequest).Lines[1].Kg = -2 }},
		{"step_kg", "ScaleFormula", func(m proto.Message) { m.(*sv.ScaleFormulaRequest).StepKg = 0 }},
		{"cook.readings", "Forecast", func(m proto.Message) { m.(*sv.ForecastRequest).Cook.Readings = nil }},
		{"cook.readings[3].minutes", "Forecast", func(m proto.Message) { m.(*sv.ForecastRequest).Cook.Readings[3].Minutes = 0.2 }},
		{"cook.readings[3].temp", "Forecast", func(m proto.Message) { m.(*sv.ForecastRequest).Cook.Readings[3].Temp = 400 }},
		{"target_c", "Forecast", func(m proto.Message) { m.(*sv.ForecastRequest).Target = nil }},
		{"target_c", "Forecast", func(m proto.Message) { m.(*sv.ForecastRequest).Target = &sv.ForecastRequest_TargetC{TargetC: 251} }},
		{"ease.share", "Forecast", func(m proto.Message) { m.(*sv.ForecastRequest).Ease.Share = 0 }},
		{"past", "CarryOver", func(m proto.Message) { m.(*sv.CarryOverRequest).Past = m.(*sv.CarryOverRequest).Past[:2] }},
		{"past[1].highest_c", "CarryOver", func(m proto.Message) { m.(*sv.CarryOverRequest).Past[1].HighestC = 100 }},
		{"cook.start_solids_pct", "OnsetHint", func(m proto.Message) { m.(*sv.OnsetHintRequest).Cook.StartSolidsPct = nil }},
		{"cook.start_solids_pct", "OnsetHint", func(m proto.Message) { m.(*sv.OnsetHintRequest).Cook.StartSolidsPct = f64(5) }},
		{"cook.readings", "OnsetHint", func(m proto.Message) {
			m.(*sv.OnsetHintRequest).Cook.Readings = m.(*sv.OnsetHintRequest).Cook.Readings[:6]
		}},
		{"cold_water_stage", "SecondWitness", func(m proto.Message) {
			m.(*sv.SecondWitnessRequest).Witness = &sv.SecondWitnessRequest_ColdWaterStage{ColdWaterStage: "gooey"}
		}},
		{"cold_water_stage", "SecondWitness", func(m proto.Message) { m.(*sv.SecondWitnessRequest).Witness = nil }},
	} {
		for _, a := range asks() {
			if a.name != c.name {
				continue
			}
			c.change(a.request)
			_, err := reckon(a)
			var fe *records.FieldError
			if !errors.As(err, &fe) || !errors.Is(err, records.ErrInvalid) || fe.Field != c.field {
				t.Errorf("%s: %v, want %s refused", c.name, err, c.field)
			}
			break
		}
	}
}
