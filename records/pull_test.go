package records_test

import (
	"slices"
	"testing"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// cook is a batch of a formula, pulled with the shelf's instrument on
// 2026-03-02 at 07:40; an empty reading was not taken.
func (s *shelf) cook(f *kb.Formula, reading string) PullFacts {
	s.t.Helper()
	const day, at = "2026-03-02", "2026-03-02 07:40"
	facts := PullFacts{
		BatchFacts: BatchFacts{
			Settings: s.settings, Batch: docOf(batchStart("L-1", "2026-03-02 07:00"), 101, day, "2026-03-02 07:00"),
			Pull: docOf(&kb.Pull{LotCode: "L-1", At: ts(at), Reading: deg(reading)}, 102, day, at), Formula: docHere(f), Instrument: docHere(s.instrument),
		},
		Points: s.points(), Adjusted: s.adjusted(at).Record.GetAt().AsTime(), Check: s.lastCheck("instrument", at),
		Pressures:  readAll[*kb.KitchenPressure](s.book, s.index(KindPressure, "at")),
		Assessment: lookup[*kb.PullAssessment](s.book, KindPullAssessment, "L-1"), Deviations: map[string]Doc[*kb.Deviation]{},
	}
	for _, l := range f.GetLimits() {
		id := PullDeviationID("L-1", l.GetName())
		facts.Deviations[id] = lookup[*kb.Deviation](s.book, KindDeviation, id)
	}
	return facts
}

// pulled is what the rules conclude about a pull.
func pulled(t tester, f PullFacts) *kb.PullAssessment {
	t.Helper()
	drafts, err := AssessPull(f, act("AB"))
	return only[*kb.PullAssessment](t, decided(t, drafts, err))
}

// exact makes the shelf's instrument one without error from ice to 150 degC,
// checked in the morning of 2026-03-02 at 843.1 hPa, where water boils at
// 94.904 degC (IAPWS-IF97, equation 31).
func exact(t testing.TB) *shelf {
	s := newShelf(t)
	s.check(icePoint("2026-03-02 06:00", "0.0 C"), boilingPoint("2026-03-02 06:05", "94.904 C", "843.1"), comparisonPoint("2026-03-02 06:30", "150.00 C", "150.00 C"))
	return s
}

func flags(a *kb.PullAssessment, want ...kb.UseFlag) bool { return slices.Equal(a.GetFlags(), want) }

// Guarded limits keep the printed uncertainty on the acceptable side (D27):
// U is that of corrected minus limit.
func TestClassesOfLimits(t *testing.T) {
	s := exact(t)
	u := pulled(t, s.cook(formula(limitOf("cook", classCritical, basisTemperature, "114.00 C", "")), "114.50 C")).GetLimits()[0].GetUMicroC()
	if u < micro("0.05") || u > micro("0.40") {
		t.Fatalf("U %s", FormatMicro(u, 2))
	}
	reading := func(offset int64) string { return FormatMicro(micro("114.00")+offset, 2) + " C" }
	for _, c := range []struct {
		class     kb.LimitClass
		unguarded bool
		low, high string
		reading   string
		want      kb.LimitResult
	}{
		{classCritical, false, "114.00 C", "", reading(u), limitMet}, {classCritical, false, "114.00 C", "", reading(u - 10_000), limitUnshown},
		{classCritical, false, "114.00 C", "", reading(-u), limitUnshown}, {classCritical, false, "114.00 C", "", reading(-u - 10_000), limitMissed},
		{classCritical, false, "", "114.00 C", reading(-u), limitMet}, {classCritical, false, "", "114.00 C", reading(-u + 10_000), limitUnshown},
		{classCritical, false, "", "114.00 C", reading(u), limitUnshown}, {classCritical, false, "", "114.00 C", reading(u + 10_000), limitMissed},
		{classCritical, true, "114.00 C", "", reading(0), limitMet}, {classCritical, true, "114.00 C", "", reading(-10_000), limitMissed},
		{classOperating, false, "114.00 C", "", reading(0), limitMet}, {classOperating, false, "114.00 C", "", reading(-10_000), limitMissed},
		{classOperating, false, "", "114.00 C", reading(0), limitMet}, {classOperating, false, "", "114.00 C", reading(10_000), limitMissed},
		{classQuality, false, "113.00 C", "114.00 C", reading(0), limitMet}, {classQuality, false, "113.00 C", "114.00 C", "112.99 C", limitMissed},
		{classQuality, false, "114.00 C", "114.00 C", reading(0), limitMet},
		// A window narrower than U on both sides can never be shown.
		{classCritical, false, "114.00 C", "114.05 C", reading(20_000), limitUnshown},
	} {
		m := site("1480")
		m.UnguardedCritical = c.unguarded
		s.settings = settingsOf(m)
		l := pulled(t, s.cook(formula(limitOf("cook", c.class, basisTemperature, c.low, c.high)), c.reading)).GetLimits()[0]
		if l.GetResult() != c.want || l.GetUMicroC() != u || l.GetGuarded() != (c.class == classCritical && !c.unguarded) {
			t.Errorf("%v (unguarded %v) %s to %s: %s is %v, U %d, guarded %v; want %v", c.class, c.unguarded, c.low, c.high, c.reading, l.GetResult(), l.GetUMicroC(), l.GetGuarded(), c.want)
		}
		if why := l.GetWhy(); (why == "nearer to the limit than the uncertainty") != (c.want == limitUnshown) || why != "" && c.want != limitUnshown {
			t.Errorf("%v %s: why %q", c.class, c.reading, why)
		}
	}
}

// D26: beyond the checked range a correction may take a met away and never
// makes one.
func TestExtrapolationNeverMakesAPass(t *testing.T) {
	at := "2026-03-02 06:"
	low := []*kb.CheckPoint{icePoint(at+"00", "-0.9 C"), boilingPoint(at+"05", "94.004 C", "843.1")} // reads 0.9 degC low
	high := []*kb.CheckPoint{icePoint(at+"00", "0.9 C"), boilingPoint(at+"05", "95.804 C", "843.1")}
	for _, c := range []struct {
		name         string
		points       []*kb.CheckPoint
		reading      string
		want, asRead kb.LimitResult
		extrapolated bool
		why          string
	}{
		{"would be met only by the correction", low, "113.50 C", limitUnshown, limitMissed, true, "missed as read; an extrapolated correction cannot make it met"},
		{"the same, compared at 150", append(slices.Clone(low), comparisonPoint(at+"30", "149.10 C", "150.00 C")), "113.50 C", limitMet, limitMissed, false, ""},
		{"met as read and corrected", low, "114.50 C", limitMet, limitMet, true, ""},
		{"met as read, taken away", high, "114.50 C", limitMissed, limitMet, true, ""},
		{"missed either way", high, "113.50 C", limitMissed, limitMissed, true, ""},
	} {
		s := newShelf(t)
		s.check(c.points...)
		a := pulled(t, s.cook(formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "")), c.reading))
		l := a.GetLimits()[0]
		if l.GetResult() != c.want || l.GetAsRead() != c.asRead || a.GetPull().GetExtrapolated() != c.extrapolated || l.GetWhy() != c.why {
			t.Errorf("%s: %v, as read %v, extrapolated %v, why %q", c.name, l.GetResult(), l.GetAsRead(), a.GetPull().GetExtrapolated(), l.GetWhy())
		}
	}
}

// D24: batches of an instrument that is not believed cannot be shown, with what
// they would be as read beside; never not met on account of the 212.
func TestBatchesOfAnUnbelievedInstrument(t *testing.T) {
	for _, c := range []struct {
		name    string
		ice     string
		reading string
		asRead  kb.LimitResult
		flags   []kb.UseFlag
	}{
		{"met as read", "32 F", "240 F", limitMet, []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_BELIEVED}},
		{"missed as read", "32 F", "230 F", limitMissed, []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_BELIEVED}},
		{"ice out as well", "36 F", "230 F", limitMissed, []kb.UseFlag{kb.UseFlag_USE_FLAG_FAILED, kb.UseFlag_USE_FLAG_NOT_BELIEVED}},
	} {
		s := newShelf(t)
		s.instrument = thermometer("TH-01", scaleF, "2")
		s.check(icePoint("2026-03-02 06:00", c.ice), boilingPoint("2026-03-02 06:05", "212 F", "843.1"))
		f := s.cook(formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "116.00 C"), limitOf("safety", classCritical, basisTemperature, "114.00 C", "")), c.reading)
		drafts, err := AssessPull(f, act("AB"))
		a := only[*kb.PullAssessment](t, decided(t, drafts, err))
		for _, l := range a.GetLimits() {
			if l.GetResult() != limitUnshown || l.GetAsRead() != c.asRead || l.GetWhy() != "the boiling reading of its check is not believed" {
				t.Errorf("%s: %v, as read %v, %q", c.name, l.GetResult(), l.GetAsRead(), l.GetWhy())
			}
		}
		if len(drafts) != 1 || !flags(a, c.flags...) {
			t.Errorf("%s: %d entries, flags %v", c.name, len(drafts), a.GetFlags())
		}
	}
}

// D25: a check without a barometer alone never supports a critical limit; an
// operating one it does, and a miss stays a miss. 95.051 degC: standard
// atmosphere at 1,480 m and IF97, worked outside the project.
func TestProvisionalChecksAndCriticalLimits(t *testing.T) {
	at := "2026-03-02 06:"
	provisional := []*kb.CheckPoint{icePoint(at+"00", "0.0 C"), boilingPoint(at+"05", "95.051 C", "")}
	for _, c := range []struct {
		name    string
		points  []*kb.CheckPoint
		class   kb.LimitClass
		reading string
		want    kb.LimitResult
		why     string
	}{
		{"critical", provisional, classCritical, "118.00 C", limitUnshown, "the check rests on an assumed pressure: read the barometer"},
		{"critical, missed", provisional, classCritical, "110.00 C", limitMissed, ""},
		{"operating", provisional, classOperating, "118.00 C", limitMet, ""},
		{"with a comparison", append(slices.Clone(provisional), comparisonPoint(at+"30", "150.00 C", "150.00 C")), classCritical, "118.00 C", limitMet, ""},
		{"measured", []*kb.CheckPoint{icePoint(at+"00", "0.0 C"), boilingPoint(at+"05", "94.904 C", "843.1")}, classCritical, "118.00 C", limitMet, ""},
		{"ice alone", []*kb.CheckPoint{icePoint(at+"00", "0.0 C")}, classCritical, "118.00 C", limitUnshown, "the check has no point above the ice point"},
		{"ice alone, operating", []*kb.CheckPoint{icePoint(at+"00", "0.0 C")}, classOperating, "118.00 C", limitMet, ""},
	} {
		s := newShelf(t)
		s.check(c.points...)
		l := pulled(t, s.cook(formula(limitOf("cook", c.class, basisTemperature, "114.00 C", "")), c.reading)).GetLimits()[0]
		if l.GetResult() != c.want || l.GetWhy() != c.why {
			t.Errorf("%s: %v, %q", c.name, l.GetResult(), l.GetWhy())
		}
	}
}

// What was not read or not known is said, not guessed.
func TestMissingEvidence(t *testing.T) {
	limits := func() *kb.Formula {
		peak := limitOf("peak", classOperating, basisTemperature, "", "116.00 C")
		peak.Binds = kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER
		return formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", ""), peak)
	}
	a := pulled(t, exact(t).cook(limits(), ""))
	for i, why := range []string{"no reading was taken at the pull", "the highest after the pull was not read"} {
		if l := a.GetLimits()[i]; l.GetResult() != limitUnread || l.GetAsRead() != limitUnread || l.GetWhy() != why {
			t.Errorf("no reading: %v", l)
		}
	}
	if a.GetPull() != nil || a.GetStage() != "" {
		t.Errorf("no reading: %v", a)
	}
	// No check is known: the reading stands as read.
	a = pulled(t, newShelf(t).cook(limits(), "114.50 C"))
	if l := a.GetLimits()[0]; l.GetResult() != limitUnshown || l.GetAsRead() != limitMet || l.GetWhy() != "no check of the instrument is known, so its error is not known" {
		t.Errorf("no check: %v", l)
	}
	if a.GetPull().CorrectedMicroC != nil || a.GetPull().GetForm() != "none" || a.GetCheckId() != "" || !flags(a, kb.UseFlag_USE_FLAG_NOT_CHECKED, kb.UseFlag_USE_FLAG_NO_CORRECTION) {
		t.Errorf("no check: %v", a)
	}
	// A batch that is not there, or not pulled, is not judged.
	for _, f := range []PullFacts{{}, {BatchFacts: BatchFacts{Batch: docHere(batchStart("L-1", "2026-03-02 07:00"))}}} {
		if drafts, err := AssessPull(f, act("AB")); err != nil || drafts != nil {
			t.Errorf("judged: %v, %v", drafts, err)
		}
	}
}

// The reading of the pull is its own, or that of the cook at that moment: of
// the same instrument, not after it, at most two minutes before.
func TestReadingOfThePull(t *testing.T) {
	s := exact(t)
	read := func(at, value, instrument string) RunReading {
		return RunReading{At: when(at), Value: deg(value), Instrument: instrument}
	}
	for _, c := range []struct {
		name     string
		own      string
		readings []RunReading
		want     string
	}{
		{"its own", "114.50 C", []RunReading{read("2026-03-02 07:40", "113 C", "TH-01")}, "114.50 degC"},
		{"at the moment", "", []RunReading{read("2026-03-02 07:39", "113 C", "TH-01"), read("2026-03-02 07:40", "114 C", "TH-01")}, "114 degC"},
		{"two minutes before", "", []RunReading{read("2026-03-02 07:38", "113 C", "TH-01")}, "113 degC"},
		{"longer before", "", []RunReading{read("2026-03-02 07:37:59", "113 C", "TH-01")}, ""},
		{"after", "", []RunReading{read("2026-03-02 07:40:01", "113 C", "TH-01")}, ""},
		{"another instrument", "", []RunReading{read("2026-03-02 07:40", "113 C", "TH-02")}, ""},
		{"the hotter of two", "", []RunReading{read("2026-03-02 07:40", "114 C", "TH-01"), read("2026-03-02 07:40", "113 C", "TH-01")}, "114 degC"},
		{"the hotter of two, the other way round", "", []RunReading{read("2026-03-02 07:40", "113 C", "TH-01"), read("2026-03-02 07:40", "114 C", "TH-01")}, "114 degC"},
		{"the latest of several", "", []RunReading{read("2026-03-02 07:39:30", "113.5 C", "TH-01"), read("2026-03-02 07:38:30", "113 C", "TH-01")}, "113.5 degC"},
	} {
		f := s.cook(formula(limitOf("cook", classOperating, basisTemperature, "114.00 C", "")), c.own)
		f.Readings = c.readings
		if got := FormatTemperature(pulled(t, f).GetPull().GetReading()); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
