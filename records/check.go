package records

import (
	"fmt"
	"slices"
	"strings"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
)

// Kinds of check documents.
const (
	// KindCheck holds checks by name; index "instrument": instrument, time.
	KindCheck = "check"
	// KindPressure holds kitchen pressures by number of entry, and those read
	// with a boiling point by check and point; index "at".
	KindPressure = "pressure"
)

var (
	_ = register(validateCheck, projectCheck)
	_ = register(validatePressure, func(e Entry, m *kb.KitchenPressure) (Projection, error) {
		r, err := row(e, KindPressure, SequenceKey(e.First()), e.GetProductionDay(), m, Key{"at", TimeKey(m.GetAt().AsTime())})
		return rows(r), err
	})
)

// MaxPoints is the most points of one check.
const MaxPoints = 40

func projectCheck(e Entry, m *kb.Check) (Projection, error) {
	if len(m.GetPoints()) == 0 {
		return Projection{}, fmt.Errorf("%w: entry %d: a check without points", ErrMalformed, e.GetSequence())
	}
	first := m.GetPoints()[0].GetAt().AsTime()
	r, err := row(e, KindCheck, m.GetCheckId(), e.GetProductionDay(), m, Key{"instrument", JoinKey(m.GetInstrumentId(), TimeKey(first))})
	if err != nil {
		return Projection{}, err
	}
	p := rows(r)
	// What an amendment took out of the check leaves no pressure behind.
	for i := range MaxPoints {
		if e.Amends != 0 && (i >= len(m.GetPoints()) || m.GetPoints()[i].GetPressureHpa() == nil) {
			p.Rows = append(p.Rows, Row{Kind: KindPressure, ID: pointID(m.GetCheckId(), i)})
		}
	}
	for i, pt := range m.GetPoints() {
		if pt.GetPressureHpa() == nil {
			continue
		}
		at := TimeKey(pt.GetAt().AsTime())
		r, err := row(e, KindPressure, pointID(m.GetCheckId(), i), e.GetProductionDay(),
			&kb.KitchenPressure{At: pt.GetAt(), PressureHpa: pt.GetPressureHpa(), Kind: pt.GetPressureKind()}, Key{"at", at})
		if err != nil {
			return Projection{}, err
		}
		p.Rows = append(p.Rows, r)
	}
	return p, nil
}

// pointID names what one point of a check leaves.
func pointID(check string, index int) string { return JoinKey(check, fmt.Sprint(index)) }

func validatePressure(m *kb.KitchenPressure) error {
	if err := validTime("at", m.GetAt()); err != nil {
		return err
	}
	if m.GetPressureHpa() == nil {
		return invalid("pressure_hpa", "read the barometer, in hPa", "is missing")
	}
	return checkPressure(m.GetPressureHpa(), "kind", m.GetKind())
}

// checkPressure refuses what is no pressure of a kitchen; kindField is what
// the message calls its kind.
func checkPressure(d *kb.Decimal, kindField string, kind kb.PressureKind) error {
	const field = "pressure_hpa"
	if err := checkDecimal(field, d.GetMicro(), d.GetDecimals()); err != nil {
		return err
	}
	if d.GetMicro() < 450*One || d.GetMicro() > 1100*One {
		return invalid(field, "give it in hPa, for example 843.1", "%s hPa is no air pressure of a kitchen", FormatDecimal(d))
	}
	switch kind {
	case kb.PressureKind_PRESSURE_KIND_MEASURED:
	case kb.PressureKind_PRESSURE_KIND_ALTIMETER:
		if d.GetMicro() < 850*One || d.GetMicro() > 1090*One {
			return invalid(field, "an altimeter setting is a sea-level figure near 1013 hPa", "%s hPa is no altimeter setting", FormatDecimal(d))
		}
	default:
		return invalid(kindField, "say whether it was measured in the kitchen or is an altimeter setting", "a pressure without its kind")
	}
	return nil
}

func validateCheck(m *kb.Check) error {
	if err := name("check_id", m.GetCheckId(), 64); err != nil {
		return err
	}
	if err := name("instrument_id", m.GetInstrumentId(), 24); err != nil {
		return err
	}
	if err := text("adjustment", m.GetAdjustment(), 0, 500); err != nil {
		return err
	}
	if n := len(m.GetPoints()); n == 0 || n > MaxPoints {
		return invalid("points", fmt.Sprintf("give 1 to %d points", MaxPoints), "%d points", n)
	}
	var last time.Time
	for i, p := range m.GetPoints() {
		if err := Within(fmt.Sprintf("points[%d]", i), validatePoint(p)); err != nil {
			return err
		}
		at := p.GetAt().AsTime()
		if at.Before(last) {
			return invalid(fmt.Sprintf("points[%d].at", i), "send points in order of time", "goes back in time")
		}
		last = at
		if p.GetPhase() == kb.CheckPhase_CHECK_PHASE_AS_LEFT && !m.GetAdjusted() {
			return invalid(fmt.Sprintf("points[%d].phase", i), "say that it was adjusted, and how", "an as-left point without an adjustment")
		}
	}
	if m.GetAdjusted() && strings.TrimSpace(m.GetAdjustment()) == "" {
		return invalid("adjustment", "say what was done", "is empty")
	}
	return nil
}

func validatePoint(p *kb.CheckPoint) error {
	if err := validTime("at", p.GetAt()); err != nil {
		return err
	}
	if p.GetReading() == nil {
		return invalid("reading", "give what the instrument showed", "is missing")
	}
	if err := checkTemperature("reading", p.GetReading()); err != nil {
		return err
	}
	if err := text("note", p.GetNote(), 0, 500); err != nil {
		return err
	}
	boiling := p.GetKind() == kb.PointKind_POINT_KIND_BOILING
	comparison := p.GetKind() == kb.PointKind_POINT_KIND_COMPARISON
	switch {
	case p.GetKind() == kb.PointKind_POINT_KIND_UNSPECIFIED:
		return invalid("kind", "ice, boiling or comparison", "is missing")
	case p.GetPressureHpa() != nil && !boiling:
		return invalid("pressure_hpa", "record it as a kitchen pressure", "only a boiling point takes a pressure")
	case comparison && p.GetReferenceReading() == nil:
		return invalid("reference_reading", "give what the reference showed", "is missing")
	case comparison && p.GetReferenceId() == "":
		return invalid("reference_id", "name the reference", "is missing")
	case !comparison && (p.GetReferenceId() != "" || p.GetReferenceReading() != nil):
		return invalid("reference_id", "make it a comparison", "only a comparison has a reference")
	}
	if p.GetReferenceReading() != nil {
		if err := checkTemperature("reference_reading", p.GetReferenceReading()); err != nil {
			return err
		}
	}
	if p.GetPressureHpa() != nil {
		return checkPressure(p.GetPressureHpa(), "pressure_kind", p.GetPressureKind())
	}
	return nil
}

// CheckFacts is what is known when a check is recorded or assessed.
type CheckFacts struct {
	// Settings of the site at the time.
	Settings Settings
	// Known is the check of that name, if there is one.
	Known Doc[*kb.Check]
	// Instrument is the instrument checked.
	Instrument Doc[*kb.Instrument]
	// References are the instruments it was compared with, by name.
	References map[string]Doc[*kb.Instrument]
	// Assessment is the one in force, if there is one.
	Assessment Doc[*kb.CheckAssessment]
	// Fault is the deviation that it opened, if it did.
	Fault Doc[*kb.Deviation]
	// Struck are values of points struck through by amendments, by index of the point.
	Struck map[int]*kb.Temperature
}

// DecideCheck keeps a check as claimed. What it showed is assessed apart.
func DecideCheck(f CheckFacts, act Act, m *kb.Check) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if f.Known.Has() {
		return nil, refuse(ErrExists, "check_id", "give the check a new name", "check %s exists", m.GetCheckId())
	}
	if err := knownInstrument("instrument_id", m.GetInstrumentId(), f.Instrument); err != nil {
		return nil, err
	}
	if err := f.checkReadings(m); err != nil {
		return nil, err
	}
	last := m.GetPoints()[len(m.GetPoints())-1]
	if err := CheckAhead(fmt.Sprintf("points[%d].at", len(m.GetPoints())-1), last.GetAt().AsTime(), act.RecordedAt); err != nil {
		return nil, err
	}
	at := m.GetPoints()[0].GetAt().AsTime()
	return []Draft{{Act: act, OccurredAt: at, Day: f.Settings.Day(at), Payload: m}}, nil
}

func (f CheckFacts) checkReadings(m *kb.Check) error {
	for i, p := range m.GetPoints() {
		at := fmt.Sprintf("points[%d]", i)
		if err := CheckReading(at+".reading", f.Instrument.Record, p.GetReading()); err != nil {
			return err
		}
		if p.GetKind() != kb.PointKind_POINT_KIND_COMPARISON {
			continue
		}
		ref := f.References[p.GetReferenceId()]
		if err := knownInstrument(at+".reference_id", p.GetReferenceId(), ref); err != nil {
			return err
		}
		if p.GetReferenceId() == m.GetInstrumentId() {
			return invalid(at+".reference_id", "name another instrument", "an instrument cannot be compared with itself")
		}
		if err := CheckReading(at+".reference_reading", ref.Record, p.GetReferenceReading()); err != nil {
			return err
		}
	}
	return nil
}

// DecidePressure keeps a kitchen pressure.
func DecidePressure(s Settings, act Act, m *kb.KitchenPressure) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	at := m.GetAt().AsTime()
	if err := CheckAhead("at", at, act.RecordedAt); err != nil {
		return nil, err
	}
	return []Draft{{Act: act, OccurredAt: at, Day: s.Day(at), Payload: m}}, nil
}

// ReferenceNames lists the references that a check names.
func ReferenceNames(m *kb.Check) []string {
	var out []string
	for _, p := range m.GetPoints() {
		if id := p.GetReferenceId(); id != "" && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

// PressureTimes lists when the kitchen pressures that a check carries were read.
func PressureTimes(m *kb.Check) []time.Time {
	var out []time.Time
	for _, p := range m.GetPoints() {
		if p.GetPressureHpa() != nil {
			out = append(out, p.GetAt().AsTime())
		}
	}
	return out
}
