package records_test

import (
	"testing"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// follow takes what the rules conclude about a pull as it is known now, and
// gives how many entries that were.
func (s *shelf) follow(f PullFacts) int {
	s.t.Helper()
	return len(s.take(AssessPull(f, act("AB"))))
}

func (s *shelf) deviation(limit string) *kb.Deviation {
	return lookup[*kb.Deviation](s.book, KindDeviation, PullDeviationID("L-1", limit)).Record
}

// A missed limit opens a deviation of its class, once; it is reworded when the
// reading is amended and withdrawn when its cause goes.
func TestDeviationsFollowThePull(t *testing.T) {
	s := exact(t)
	peak := limitOf("peak", classQuality, basisTemperature, "", "116.00 C")
	peak.Binds = kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER
	limits := formula(limitOf("safety", classCritical, basisTemperature, "110.00 C", ""), limitOf("cook", classOperating, basisTemperature, "114.00 C", "116.00 C"), peak)
	facts := func(reading, highest string) PullFacts {
		f := s.cook(limits, reading)
		f.Pull.Record.HighestAfter = deg(highest)
		return f
	}
	for _, c := range []struct {
		name, reading, highest string
		entries                int
		safety, cook, peak     string // what stands
	}{
		{"all met", "115.0 C", "115.5 C", 1, "", "", ""},
		{"the same again", "115.0 C", "115.5 C", 0, "", "", ""},
		{"all missed", "105.0 C", "117.3 C", 4,
			`Limit "safety" not met: pulled at 105.0 degC, corrected 105.00 degC, against at least 110.00 degC.`,
			`Limit "cook" not met: pulled at 105.0 degC, corrected 105.00 degC, against 114.00 to 116.00 degC.`,
			`Limit "peak" not met: highest after the pull 117.3 degC, corrected 117.30 degC, against at most 116.00 degC.`},
		{"once", "105.0 C", "117.3 C", 0,
			`Limit "safety" not met: pulled at 105.0 degC, corrected 105.00 degC, against at least 110.00 degC.`,
			`Limit "cook" not met: pulled at 105.0 degC, corrected 105.00 degC, against 114.00 to 116.00 degC.`,
			`Limit "peak" not met: highest after the pull 117.3 degC, corrected 117.30 degC, against at most 116.00 degC.`},
		{"reworded and partly withdrawn", "112.0 C", "115.0 C", 4, "",
			`Limit "cook" not met: pulled at 112.0 degC, corrected 112.00 degC, against 114.00 to 116.00 degC.`, ""},
		{"withdrawn", "115.0 C", "115.0 C", 2, "", "", ""},
		{"opened again", "105.0 C", "", 3,
			`Limit "safety" not met: pulled at 105.0 degC, corrected 105.00 degC, against at least 110.00 degC.`,
			`Limit "cook" not met: pulled at 105.0 degC, corrected 105.00 degC, against 114.00 to 116.00 degC.`, ""},
	} {
		if got := s.follow(facts(c.reading, c.highest)); got != c.entries {
			t.Errorf("%s: %d entries, want %d", c.name, got, c.entries)
		}
		for limit, want := range map[string]string{"safety": c.safety, "cook": c.cook, "peak": c.peak} {
			d := s.deviation(limit)
			if stands := d != nil && !d.GetWithdrawn(); stands != (want != "") || stands && d.GetWhat() != want {
				t.Errorf("%s: %s: %q withdrawn %v, want %q", c.name, limit, d.GetWhat(), d.GetWithdrawn(), want)
			}
		}
	}
	for limit, class := range map[string]kb.DeviationClass{
		"safety": kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY, "cook": kb.DeviationClass_DEVIATION_CLASS_PROCESS, "peak": kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS,
	} {
		if d := s.deviation(limit); d.GetClass() != class || d.GetLotCode() != "L-1" || d.GetInstrumentId() != "TH-01" {
			t.Errorf("%s: %v", limit, d)
		}
	}
	// A voided batch has none.
	f := facts("105.0 C", "")
	f.Void = docHere(&kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"})
	if got := s.follow(f); got != 2 || !s.deviation("safety").GetWithdrawn() || !s.deviation("cook").GetWithdrawn() {
		t.Errorf("voided: %d entries, %v, %v", got, s.deviation("safety"), s.deviation("cook"))
	}
	f.Deviations = s.cook(limits, "105.0 C").Deviations
	if again := s.follow(f); again != 0 {
		t.Errorf("voided once more: %d entries", again)
	}
}

// An assessment names what it rests on and the one that it replaces.
func TestPullAssessmentNamesItsInputs(t *testing.T) {
	s := exact(t)
	limits := formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "116.00 C"))
	f := s.cook(limits, "115.0 C")
	f.Cold = docOf(&kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: "soft ball"}, 103, "2026-03-02", "2026-03-02 07:41")
	drafts, err := AssessPull(f, act("AB"))
	d := decided(t, drafts, err)[0]
	a := d.Payload.(*kb.PullAssessment)
	check := f.Check.Meta.GetSequence()
	want := []int64{101, 102, 103, check, check, check, check} // batch, pull, cold water, check, its three points
	if len(a.GetInputs()) != len(want) || a.Replaces != nil || d.Person != "" || d.Day != "2026-03-02" || d.OccurredAt != when("2026-03-02 07:40") {
		t.Fatalf("%+v", d)
	}
	for i := range want {
		if a.GetInputs()[i] != want[i] {
			t.Errorf("inputs %v, want %v", a.GetInputs(), want)
		}
	}
	if a.GetCheckId() != f.Check.Record.GetCheckId() || a.GetCheckAt().AsTime() != when("2026-03-02 06:00") || a.GetRulesVersion() != RulesVersion || len(a.GetPull().GetPoints()) != 3 {
		t.Errorf("%v", a)
	}
	f.Assessment = docOf(a, 110, "2026-03-02", "2026-03-02 07:40")
	f.Pull.Record.Reading = deg("115.2 C")
	drafts, err = AssessPull(f, act("AB"))
	if again := only[*kb.PullAssessment](t, decided(t, drafts, err)); again.GetReplaces() != 110 {
		t.Errorf("replaces %d", again.GetReplaces())
	}
}

// What was wrong with the instrument is recorded, never refused.
func TestUseFlags(t *testing.T) {
	const at = "2026-03-02 06:"
	limits := formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", ""))
	adjusted := func() *kb.CheckPoint { return asLeftOf(icePoint("2026-03-02 06:20", "0.1 C")) }
	for _, c := range []struct {
		name   string
		points []*kb.CheckPoint
		want   []kb.UseFlag
	}{
		{"in tolerance", []*kb.CheckPoint{icePoint(at+"00", "0.1 C")}, nil},
		{"yesterday", []*kb.CheckPoint{icePoint("2026-03-02 03:59", "0.1 C")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_CHECKED}},
		{"at the day's start", []*kb.CheckPoint{icePoint("2026-03-02 04:00", "0.1 C")}, nil},
		{"at the pull", []*kb.CheckPoint{icePoint("2026-03-02 07:40", "0.1 C")}, nil},
		{"after the pull", []*kb.CheckPoint{icePoint("2026-03-02 07:41", "0.1 C")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_CHECKED, kb.UseFlag_USE_FLAG_NO_CORRECTION}},
		{"failed", []*kb.CheckPoint{icePoint(at+"00", "1.1 C")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_FAILED}},
		{"failed, put right", []*kb.CheckPoint{icePoint(at+"00", "1.1 C"), adjusted()}, nil},
		{"failed yesterday", []*kb.CheckPoint{icePoint("2026-03-01 06:00", "1.1 C")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_CHECKED, kb.UseFlag_USE_FLAG_FAILED}},
		{"no barometer", []*kb.CheckPoint{boilingPoint(at+"00", "95.1 C", "")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_PROVISIONAL}},
		{"no barometer, not near enough", []*kb.CheckPoint{boilingPoint(at+"00", "95.7 C", "")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_CANNOT_BE_SHOWN}},
		{"not believed", []*kb.CheckPoint{boilingPoint(at+"00", "100.0 C", "843.1")}, []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_BELIEVED, kb.UseFlag_USE_FLAG_NO_CORRECTION}},
	} {
		s := newShelf(t)
		s.check(c.points...)
		if got := pulled(t, s.cook(limits, "115.0 C")); !flags(got, c.want...) {
			t.Errorf("%s: %v, want %v", c.name, got.GetFlags(), c.want)
		}
	}
}

// The second witness: a cold-water test that stands a stage or more from the
// corrected temperature is flagged, a neighbour is not. Stages at standard
// pressure are common practice, no source.
func TestSecondWitness(t *testing.T) {
	for _, c := range []struct {
		stage, reading, label string
		contradicts           bool
	}{
		{"soft ball", "114.0 C", "soft ball", false}, {"firm ball", "116.2 C", "between soft ball and firm ball", false}, {"hard crack", "114.0 C", "soft ball", true}, {"thread", "119.0 C", "firm ball", true},
		{"soft ball", "150.0 C", "hard crack", true}, {"", "114.0 C", "soft ball", false},
		// Beyond the sugar model a reading is kept like any other.
		{"soft ball", "-20 C", "below thread", true}, {"", "299 C", "burnt", false},
	} {
		s := underPressure(t, "0", "1013.25")
		f := s.cook(formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "")), c.reading)
		if c.stage != "" {
			f.Cold = docHere(&kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: c.stage})
		}
		a := pulled(t, f)
		contradicts := len(a.GetFlags()) > 0
		if a.GetStage() != c.label || a.GetColdWaterStage() != c.stage || contradicts != c.contradicts || contradicts && !flags(a, kb.UseFlag_USE_FLAG_CONTRADICTION) {
			t.Errorf("%s against %s: stage %q, witness %q, flags %v", c.stage, c.reading, a.GetStage(), a.GetColdWaterStage(), a.GetFlags())
		}
	}
	// At 1,500 m the same reading is a later stage (science of the trade: solids
	// 89 % instead of 86 % at 115 degC).
	a := pulled(t, underPressure(t, "1500", "845.6").cook(formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "")), "115.0 C"))
	if a.GetStage() == "soft ball" {
		t.Errorf("115 degC at 1,500 m is %s", a.GetStage())
	}
}

// Checks that disagree by more than their uncertainty are flagged (D22): the
// ice point of yesterday and the boiling point of today cannot both hold.
func TestMisfitIsFlagged(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.0 C"))
	s.check(boilingPoint("2026-03-02 06:05", "95.804 C", "843.1"))
	a := pulled(t, s.cook(formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "")), "120.0 C"))
	if !flags(a, kb.UseFlag_USE_FLAG_MISFIT) || !a.GetPull().GetMisfit() || a.GetPull().GetForm() != "line" {
		t.Errorf("flags %v, %v", a.GetFlags(), a.GetPull())
	}
}

// A limit that can no longer be moved, because the kitchen itself moved down,
// cannot be shown; the pull is kept all the same.
func TestLimitBelowBoilingIsNotShown(t *testing.T) {
	l := limitOf("cook", classOperating, basisSolids, "96.00 C", "")
	l.EstablishedAt = kb.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN
	s := underPressure(t, "0", "1013.25")
	got := pulled(t, s.cook(formula(l), "99.00 C")).GetLimits()[0]
	if got.GetResult() != limitUnshown || got.LowMicroC != nil || got.GetWhy() != "it lies below the boiling point of water where it was established, so it is no solids content" {
		t.Errorf("%v", got)
	}
}
