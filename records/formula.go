package records

import (
	"errors"
	"fmt"
	"strings"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
)

// Kinds of formula documents: versions by formula and version, approvals
// likewise, with index "at": formula, time.
const (
	KindFormula         = "formula"
	KindFormulaApproval = "formula_approval"
)

var (
	_ = register(validateFormula, func(e Entry, m *kb.Formula) (Projection, error) {
		id := FormulaKey(m.GetFormulaId(), m.GetVersion())
		r, err := row(e, KindFormula, id, "", m)
		return rows(r), err
	})
	_ = register(func(m *kb.FormulaApproval) error { return name("formula_id", m.GetFormulaId(), 24) }, func(e Entry, m *kb.FormulaApproval) (Projection, error) {
		id := FormulaKey(m.GetFormulaId(), m.GetVersion())
		r, err := row(e, KindFormulaApproval, id, "", m, Key{"at", JoinKey(m.GetFormulaId(), TimeKey(e.GetRecordedAt().AsTime()), SequenceKey(e.GetSequence()))})
		return rows(r), err
	})
)

// FormulaKey names a version of a formula; names sort in order of version.
func FormulaKey(id string, version uint32) string {
	return JoinKey(id, fmt.Sprintf("%08d", version))
}

func validateFormula(m *kb.Formula) error {
	if err := name("formula_id", m.GetFormulaId(), 24); err != nil {
		return err
	}
	if m.GetVersion() == 0 {
		return invalid("version", "give 1, 2, 3 ...", "is missing")
	}
	if err := text("name", m.GetName(), 1, 120); err != nil {
		return err
	}
	for i, a := range m.GetAllergens() {
		if err := text(fmt.Sprintf("allergens[%d]", i), a, 1, 60); err != nil {
			return err
		}
	}
	if w := m.GetWaterFraction(); w != nil && (w.GetMicro() < 0 || w.GetMicro() > 900_000) {
		return invalid("water_fraction", "give 0 to 0.9", "%s is out of range", FormatDecimal(w))
	}
	if len(m.GetLimits()) == 0 {
		return invalid("limits", "give at least the limit of the cook", "is empty")
	}
	names := map[string]bool{}
	for i, l := range m.GetLimits() {
		if err := Within(fmt.Sprintf("limits[%d]", i), validateLimit(l)); err != nil {
			return err
		}
		if names[l.GetName()] {
			return invalid(fmt.Sprintf("limits[%d].name", i), "give each limit a name of its own", "two limits are called %q", l.GetName())
		}
		names[l.GetName()] = true
	}
	return nil
}

// limitBound is a bound of a limit as written, under the name of its field.
type limitBound struct {
	field string
	t     *kb.Temperature
}

// bounds gives the bounds that a limit has.
func bounds(l *kb.Limit) []limitBound {
	var out []limitBound
	for _, b := range []limitBound{{"low", l.GetLow()}, {"high", l.GetHigh()}} {
		if b.t != nil {
			out = append(out, b)
		}
	}
	return out
}

func validateLimit(l *kb.Limit) error {
	if err := text("name", l.GetName(), 1, 40); err != nil {
		return err
	}
	if err := text("reason", l.GetReason(), 0, 500); err != nil {
		return err
	}
	if l.GetClass() == kb.LimitClass_LIMIT_CLASS_UNSPECIFIED {
		return invalid("class", "say critical, operating or quality", "is missing")
	}
	if l.GetBasis() == kb.LimitBasis_LIMIT_BASIS_UNSPECIFIED {
		return invalid("basis", "say solids, which moves with pressure, or temperature, which does not", "is missing")
	}
	if l.GetLow() == nil && l.GetHigh() == nil {
		return invalid("low", "give a lower or an upper bound", "no bound is given")
	}
	for _, b := range bounds(l) {
		if err := checkTemperature(b.field, b.t); err != nil {
			return err
		}
		if c := CelsiusMicro(b.t); c < -50*One || c > 300*One {
			return invalid(b.field, "check the digits and the unit", "%s is no temperature of a sugar cook", FormatTemperature(b.t))
		}
	}
	if l.GetLow() != nil && l.GetHigh() != nil && CelsiusMicro(l.GetLow()) > CelsiusMicro(l.GetHigh()) {
		return invalid("high", "exchange the bounds", "the upper bound lies below the lower one")
	}
	if l.GetBasis() == kb.LimitBasis_LIMIT_BASIS_SOLIDS {
		return validateReference(l)
	}
	return nil
}

// validateReference refuses a solids limit that does not say where it comes
// from: it could not be moved.
func validateReference(l *kb.Limit) error {
	if l.GetEstablishedAt() == kb.EstablishedAt_ESTABLISHED_AT_UNSPECIFIED {
		return invalid("established_at", "standard pressure, this kitchen, or a stated pressure", "a solids limit without a reference pressure")
	}
	if l.GetEstablishedOn() == kb.EstablishedOn_ESTABLISHED_ON_UNSPECIFIED {
		return invalid("established_on", "a book, a corrected thermometer, or this dial as it read", "a solids limit that does not say what it was established on")
	}
	if l.GetEstablishedAt() != kb.EstablishedAt_ESTABLISHED_AT_STATED {
		return nil
	}
	if l.GetEstablishedHpa() == nil {
		return invalid("established_hpa", "give it in hPa", "the stated pressure is missing")
	}
	return between("established_hpa", l.GetEstablishedHpa(), 450, 1100)
}

// FormulaFacts is what is known when a formula is entered or approved.
type FormulaFacts struct {
	// Known is that version; Approved its approval.
	Known    Doc[*kb.Formula]
	Approved Doc[*kb.FormulaApproval]
}

// DecideFormula enters a version. A version that exists is never changed. A
// solids limit that cannot be moved, because it lies below the boiling point
// of water where it was established, is refused.
func DecideFormula(f FormulaFacts, s Settings, act Act, day string, m *kb.Formula) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if f.Known.Has() {
		return nil, refuse(ErrExists, "version", "enter the change as the next version", "version %d of %s exists", m.GetVersion(), m.GetFormulaId())
	}
	pressure, used, err := s.pressureOf(nil, 0, nil)
	if err != nil {
		return nil, err
	}
	for i, l := range m.GetLimits() {
		for _, b := range bounds(l) {
			if _, _, err := s.moveBound(l, b.t, pressure, used); err != nil {
				problem := fmt.Sprintf("%s cannot be moved as a solids content: %v", FormatTemperature(b.t), err)
				if errors.Is(err, sugar.ErrNotBoiling) {
					problem = fmt.Sprintf("%s lies below the boiling point of water where it was established, so it is no solids content", FormatTemperature(b.t))
				}
				return nil, invalid(fmt.Sprintf("limits[%d].%s", i, b.field), "check the temperature and the basis of the limit", "%s", problem)
			}
		}
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: m}}, nil
}

// DecideFormulaApproval lets a version be used. The author may approve only in
// a one-person kitchen; paper taken over as it was used is approved as taken.
func DecideFormulaApproval(f FormulaFacts, s Settings, act Act, day string, m *kb.FormulaApproval) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if !f.Known.Has() {
		return nil, refuse(ErrUnknownReference, "formula_id", "enter the version first", "version %d of %s is not known", m.GetVersion(), m.GetFormulaId())
	}
	if f.Approved.Has() {
		return nil, refuse(ErrExists, "version", "it can be used already", "version %d of %s is approved", m.GetVersion(), m.GetFormulaId())
	}
	if act.Person != "" && f.Known.Meta.GetPerson() == act.Person && !s.Site.GetOnePerson() && act.KnownBy != kb.KnownBy_KNOWN_BY_TRANSCRIBED {
		return nil, refuse(ErrNotAllowed, "", "ask somebody else to approve it", "%s wrote this version", act.Person)
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: m}}, nil
}

// AllergenText lists allergens, or says that none is declared.
func AllergenText(m *kb.Formula) string {
	if len(m.GetAllergens()) == 0 {
		return "none declared"
	}
	return strings.Join(m.GetAllergens(), ", ")
}
