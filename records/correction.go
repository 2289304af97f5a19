package records

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// syrup is the sucrose model over the saturation line of water.
var syrup = func() sugar.Syrup {
	s, err := sugar.New(sugar.Water{PressureHPa: thermometry.SaturationPressureHPa, BoilingC: thermometry.BoilingPointC})
	if err != nil {
		panic(err) // the two functions are fixed and tested
	}
	return s
}()

// checkStage refuses a word that is no stage of the trade.
func checkStage(stage string) error {
	if _, err := sugar.StageIndex(stage); err != nil {
		var names []string
		for _, s := range sugar.Stages() {
			names = append(names, s.Name)
		}
		return invalid("stage", "write one of: "+strings.Join(append(names, sugar.Burnt), ", "), "%q is no stage", stage)
	}
	return nil
}

// PointDoc is one believed point of a check, as projected.
type PointDoc = Doc[*kb.CheckAssessment]

// correctionPoints chooses the points that correct a reading taken at a
// moment: the latest ice and boiling point and the latest comparison near
// each temperature, at or before it, passed or failed, and never from before
// the last adjustment.
func correctionPoints(all []PointDoc, adjusted, at time.Time) []PointDoc {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b PointDoc) int {
		return cmp.Or(pointOf(b).GetPoint().GetAt().AsTime().Compare(pointOf(a).GetPoint().GetAt().AsTime()), cmp.Compare(b.Meta.GetSequence(), a.Meta.GetSequence()))
	})
	var out []PointDoc
	for _, d := range sorted {
		if pointOf(d).GetPoint().GetAt().AsTime().After(at) || d.Record.GetAt().AsTime().Before(adjusted) {
			continue
		}
		if !slices.ContainsFunc(out, func(later PointDoc) bool { return takenAgain(pointOf(d), pointOf(later)) }) {
			out = append(out, d)
		}
	}
	slices.Reverse(out)
	return out
}

// nearTemperature is how near to a later comparison an earlier one is the
// same point taken before.
const nearTemperature = 10 * One

// takenAgain says whether a later point stands in place of an earlier one.
func takenAgain(earlier, later *kb.PointResult) bool {
	kind := earlier.GetPoint().GetKind()
	return kind == later.GetPoint().GetKind() &&
		(kind != kb.PointKind_POINT_KIND_COMPARISON || abs(earlier.GetExpectedMicroC()-later.GetExpectedMicroC()) < nearTemperature)
}

func pointOf(d PointDoc) *kb.PointResult { return d.Record.GetPoints()[0] }

// corrector prepares the judge of an instrument from its points as they were
// at a moment. It is nil when there is no point.
func corrector(opt thermometry.CurveOptions, inst *kb.Instrument, points []PointDoc, at time.Time) (*thermometry.Corrector, error) {
	if len(points) == 0 {
		return nil, nil
	}
	var in []thermometry.Point
	for _, d := range points {
		p := pointOf(d)
		in = append(in, thermometry.Point{
			Kind: pointKinds[p.GetPoint().GetKind()], TrueC: float64(p.GetExpectedMicroC()) / float64(One),
			ReadingC: CelsiusF(p.GetPoint().GetReading()), AgeHours: max(0, at.Sub(p.GetPoint().GetAt().AsTime()).Hours()),
			Budget: termsIn(p.GetTerms()), Provisional: provisional(p),
		})
	}
	curve, err := thermometry.FitCurve(in, opt)
	if err != nil {
		return nil, fmt.Errorf("records: correction of %s: %w", inst.GetInstrumentId(), err)
	}
	_, readToC := DivisionC(inst)
	return thermometry.NewCorrector(curve, thermometry.CookOptions{ReadToC: readToC})
}

var pointKinds = map[kb.PointKind]thermometry.PointKind{
	kb.PointKind_POINT_KIND_ICE:        thermometry.PointIce,
	kb.PointKind_POINT_KIND_BOILING:    thermometry.PointBoiling,
	kb.PointKind_POINT_KIND_COMPARISON: thermometry.PointComparison,
}

// provisional says that a boiling point rests on an assumed pressure.
func provisional(p *kb.PointResult) bool {
	return p.GetPressure().GetKind() == kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE
}

// correct puts a reading right and says with what.
func correct(c *thermometry.Corrector, points []PointDoc, reading *kb.Temperature) (*kb.Correction, error) {
	out := &kb.Correction{Reading: reading, Form: "none"}
	if c == nil {
		return out, nil
	}
	got := c.Correct(CelsiusF(reading))
	corrected, err := thermometry.MicroFromC(got.CorrectedC)
	if err != nil {
		return nil, fmt.Errorf("records: corrected value: %w", err)
	}
	u, err := thermometry.RoundUpCentiC(got.ExpandedC)
	if err != nil {
		return nil, fmt.Errorf("records: uncertainty: %w", err)
	}
	// Rounded to what is printed; the verdict is reached with the same figure.
	v := roundMicro(int64(corrected), 10_000)
	out.CorrectedMicroC = &v
	out.ErrorMicroC = roundMicro(CelsiusMicro(reading), 10_000) - v
	out.UMicroC = int64(u)
	out.Extrapolated = got.Extrapolated
	curve := c.Curve()
	out.Misfit = curve.Misfit
	out.Form = curve.Form.String()
	for _, d := range points {
		p := pointOf(d)
		unit := p.GetPoint().GetReading().GetUnit()
		out.Points = append(out.Points, &kb.PointUsed{
			CheckId: d.Record.GetCheckId(), At: p.GetPoint().GetAt(), Kind: p.GetPoint().GetKind(), TrueMicroC: p.GetExpectedMicroC(),
			ErrorMicroC: roundMicro(SpanCelsiusMicro(p.GetErrorMicro(), unit), 1000), Result: p.GetResult(),
		})
	}
	return out, nil
}

// PressureDoc is a kitchen pressure as projected.
type PressureDoc = Doc[*kb.KitchenPressure]

// PressureServes is how long after it was read a kitchen pressure serves a
// cook at most.
const PressureServes = 7 * 24 * time.Hour

// Questioned says that a figure given as measured in the kitchen is out of
// family with its elevation, so that it is not used: probably it is reduced to
// sea level.
func (s Settings) Questioned(m *kb.KitchenPressure) bool {
	return m.GetKind() == kb.PressureKind_PRESSURE_KIND_MEASURED && thermometry.OutOfFamily(float64(m.GetPressureHpa().GetMicro())/float64(One), s.ElevationM())
}

// pressureFor chooses the kitchen pressure for a cook pulled at a moment: the
// nearest one before it that is in family with the elevation; standard
// atmosphere when there is none within a week.
func (s Settings) pressureFor(pressures []PressureDoc, at time.Time) (thermometry.Pressure, *kb.PressureUsed, error) {
	var best PressureDoc
	questioned := false
	for _, d := range pressures {
		t := d.Record.GetAt().AsTime()
		if t.After(at) || at.Sub(t) > PressureServes {
			continue
		}
		if s.Questioned(d.Record) {
			questioned = true
			continue
		}
		if !best.Has() || t.After(best.Record.GetAt().AsTime()) || t.Equal(best.Record.GetAt().AsTime()) && d.Meta.GetSequence() > best.Meta.GetSequence() {
			best = d
		}
	}
	if !best.Has() {
		p, used, err := s.pressureOf(nil, 0, nil)
		if used != nil {
			used.Questioned = questioned
		}
		return p, used, err
	}
	p, used, err := s.pressureOf(best.Record.GetPressureHpa(), best.Record.GetKind(), best.Record.GetAt())
	if err != nil {
		return p, nil, err
	}
	age := at.Sub(best.Record.GetAt().AsTime())
	used.AgeMin = int32(age / time.Minute)
	used.Old = age > s.PressureAge
	return p, used, nil
}

// BoilingHere gives the boiling point of water in the kitchen now, rounded
// once to 0.001 degC, in millionths of a degC, and the pressure it follows
// from.
func (s Settings) BoilingHere(pressures []PressureDoc, now time.Time) (int64, *kb.PressureUsed, error) {
	p, used, err := s.pressureFor(pressures, now)
	if err != nil {
		return 0, nil, err
	}
	c, err := thermometry.BoilingPointC(p.HPa)
	if err != nil {
		return 0, nil, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	m, err := thermometry.RoundMilliHalfEven(c)
	return int64(m), used, err
}
