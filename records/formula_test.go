package records_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

func fondant() *kb.Formula {
	return formula(limitOf("cook", classCritical, basisSolids, "114 C", "116 C"), limitOf("warm", classQuality, basisTemperature, "", "175.5 F"))
}

func TestFormulaIsEntered(t *testing.T) {
	drafts, err := DecideFormula(FormulaFacts{}, settings("1480"), act("AB"), "2026-03-02", fondant())
	d := decided(t, drafts, err)[0]
	sameMessage(t, d.Payload, fondant())
	if d.OccurredAt != act("AB").RecordedAt || d.Day != "2026-03-02" || d.Person != "AB" {
		t.Errorf("%+v", d)
	}
	if AllergenText(fondant()) != "milk" || AllergenText(&kb.Formula{}) != "none declared" || AllergenText(&kb.Formula{Allergens: []string{"milk", "almond"}}) != "milk, almond" {
		t.Errorf("allergens: %s", AllergenText(fondant()))
	}
}

func TestFormulaRefusals(t *testing.T) {
	solidsAt := func(m *kb.Formula, low string, at kb.EstablishedAt, hPa string) {
		m.Limits[0].Low, m.Limits[0].EstablishedAt, m.Limits[0].EstablishedHpa = deg(low), at, dec(hPa)
	}
	stated, here := kb.EstablishedAt_ESTABLISHED_AT_STATED, kb.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN
	for _, c := range []struct {
		kind   error
		change func(*kb.Formula, *FormulaFacts)
		want   string
	}{
		// D30: a solids limit without a reference pressure, or without what it was established on.
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[0].EstablishedAt = 0 }, "limits[0].established_at: a solids limit without a reference pressure (standard pressure, this kitchen, or a stated pressure)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[0].EstablishedOn = 0 }, "limits[0].established_on: a solids limit that does not say what it was established on (a book, a corrected thermometer, or this dial as it read)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { solidsAt(m, "114 C", stated, "") }, "limits[0].established_hpa: the stated pressure is missing (give it in hPa)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { solidsAt(m, "114 C", stated, "449") }, "limits[0].established_hpa: 449 is out of range (give 450 to 1100)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) {
			solidsAt(m, "99.9 C", kb.EstablishedAt_ESTABLISHED_AT_STANDARD, "")
		}, "limits[0].low: 99.9 degC lies below the boiling point of water where it was established, so it is no solids content (check the temperature and the basis of the limit)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { solidsAt(m, "95.0 C", here, "") }, "limits[0].low: 95.0 degC lies below the boiling point of water where it was established, so it is no solids content (check the temperature and the basis of the limit)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.FormulaId = "" }, "formula_id: is empty (give 1 to 24 characters)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Version = 0 }, "version: is missing (give 1, 2, 3 ...)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Name = "" }, "name: is empty (give 1 to 120 characters)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Allergens = []string{"milk", ""} }, "allergens[1]: is empty (give 1 to 60 characters)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.WaterFraction = dec("0.91") }, "water_fraction: 0.91 is out of range (give 0 to 0.9)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits = nil }, "limits: is empty (give at least the limit of the cook)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].Name = "cook" }, `limits[1].name: two limits are called "cook" (give each limit a name of its own)`},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].Name = "" }, "limits[1].name: is empty (give 1 to 40 characters)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].Class = 0 }, "limits[1].class: is missing (say critical, operating or quality)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].Basis = 0 }, "limits[1].basis: is missing (say solids, which moves with pressure, or temperature, which does not)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].High = nil }, "limits[1].low: no bound is given (give a lower or an upper bound)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].High.Unit = 0 }, "limits[1].high.unit: is missing (degC or degF)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].High = deg("1400 F") }, "limits[1].high: 1400 degF is no temperature of a sugar cook (check the digits and the unit)"},
		{ErrInvalid, func(m *kb.Formula, _ *FormulaFacts) { m.Limits[1].Low = deg("80 C") }, "limits[1].high: the upper bound lies below the lower one (exchange the bounds)"},
		{ErrExists, func(m *kb.Formula, f *FormulaFacts) { f.Known = docHere(proto.Clone(m).(*kb.Formula)) }, "version: version 1 of F-FON exists (enter the change as the next version)"},
	} {
		m, f := fondant(), FormulaFacts{}
		c.change(m, &f)
		_, err := DecideFormula(f, settings("1480"), act("AB"), "2026-03-02", m)
		refused(t, err, c.kind, c.want)
	}
	// 79.7 degC and 175.5 degF are the same edge: one bound in each unit is fine.
	m := fondant()
	m.Limits[1].Low = deg("79.7 C")
	if _, err := DecideFormula(FormulaFacts{}, settings("1480"), act("AB"), "2026-03-02", m); err != nil {
		t.Error(err)
	}
	// The same figure is a solids content where water boils lower.
	high := fondant()
	solidsAt(high, "95.0 C", here, "")
	if _, err := DecideFormula(FormulaFacts{}, settings("2000"), act("AB"), "2026-03-02", high); err != nil {
		t.Error(err)
	}
}

// The author cannot approve, except in a one-person kitchen and for paper taken
// over as it was used.
func TestFormulaApproval(t *testing.T) {
	alone := site("1480")
	alone.OnePerson = true
	transcribed := act("AB")
	transcribed.KnownBy, transcribed.TranscribedBy = kb.KnownBy_KNOWN_BY_TRANSCRIBED, "CD"
	entered := FormulaFacts{Known: docHere(fondant())} // by AB
	approved := entered
	approved.Approved = docHere(&kb.FormulaApproval{FormulaId: "F-FON", Version: 1})
	for _, c := range []struct {
		name  string
		facts FormulaFacts
		s     Settings
		act   Act
		kind  error
		want  string
	}{
		{"somebody else", entered, settings("1480"), act("CD"), nil, ""},
		{"the author", entered, settings("1480"), act("AB"), ErrNotAllowed, "AB wrote this version (ask somebody else to approve it)"},
		{"the author, alone", entered, settingsOf(alone), act("AB"), nil, ""},
		{"paper", entered, settings("1480"), transcribed, nil, ""},
		{"not entered", FormulaFacts{}, settings("1480"), act("CD"), ErrUnknownReference, "formula_id: version 1 of F-FON is not known (enter the version first)"},
		{"approved before", approved, settings("1480"), act("CD"), ErrExists, "version: version 1 of F-FON is approved (it can be used already)"},
	} {
		drafts, err := DecideFormulaApproval(c.facts, c.s, c.act, "2026-03-02", &kb.FormulaApproval{FormulaId: "F-FON", Version: 1})
		if c.kind != nil {
			refused(t, err, c.kind, c.want)
			continue
		}
		if err != nil || len(drafts) != 1 {
			t.Errorf("%s: %v, %v", c.name, drafts, err)
		}
	}
	_, err := DecideFormulaApproval(entered, settings("1480"), act("CD"), "2026-03-02", &kb.FormulaApproval{Version: 1})
	refused(t, err, ErrInvalid, "formula_id: is empty (give 1 to 24 characters)")
}
