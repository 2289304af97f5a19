package records_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// checkOf is a check of TH-01; an as-left point makes it one with an
// adjustment.
func checkOf(points ...*kb.CheckPoint) *kb.Check {
	m := &kb.Check{CheckId: "c-1", InstrumentId: "TH-01", Points: points}
	for _, p := range points {
		if p.GetPhase() == kb.CheckPhase_CHECK_PHASE_AS_LEFT {
			m.Adjusted, m.Adjustment = true, "nut turned"
		}
	}
	return m
}

func checkFacts(s Settings, i *kb.Instrument, m *kb.Check) CheckFacts {
	return CheckFacts{Settings: s, Known: docOf(m, 5, "2026-03-02", "2026-03-02 06:00"), Instrument: docHere(i), References: referenceDocs()}
}

// assessed is what the rules conclude about a check.
func assessed(t tester, s Settings, i *kb.Instrument, points ...*kb.CheckPoint) *kb.CheckAssessment {
	t.Helper()
	drafts, err := AssessCheck(checkFacts(s, i, checkOf(points...)), act("AB"))
	return only[*kb.CheckAssessment](t, decided(t, drafts, err))
}

// Expected values against IF97 computed outside the project (Debian
// python3-iapws): saturation at 101.325, 84.556 and 79.495 kPa is 99.9743,
// 94.9830 and 93.3150 degC; rounded once, half to even, to 0.001 degC.
func TestExpectedBoilingPoints(t *testing.T) {
	for _, c := range []struct{ elevation, hPa, expected string }{
		{"0", "1013.25", "99.974"}, {"1500", "845.56", "94.983"}, {"2000", "794.95", "93.315"},
	} {
		p := assessed(t, settings(c.elevation), thermometer("TH-01", scaleC, "0.1"), boilingPoint("2026-03-02 06:05", c.expected+" C", c.hPa)).GetPoints()[0]
		if p.GetExpectedMicroC() != micro(c.expected) || p.GetErrorMicro() != 0 || p.GetResult() != checkIn {
			t.Errorf("%s hPa: expected %d, error %d, %v; want %s", c.hPa, p.GetExpectedMicroC(), p.GetErrorMicro(), p.GetResult(), c.expected)
		}
		used := p.GetPressure()
		if FormatDecimal(used.GetPressureHpa()) != c.hPa || used.GetKind() != readHere || used.GetQuestioned() || used.GetAt().AsTime() != when("2026-03-02 06:05") {
			t.Errorf("pressure used: %v", used)
		}
	}
	// Melting ice is 0 degC by the definition of the Celsius scale.
	if p := assessed(t, settings("0"), thermometer("TH-01", scaleC, "0.1"), icePoint("2026-03-02 06:00", "0.2 C")).GetPoints()[0]; p.GetExpectedMicroC() != 0 || p.GetErrorMicro() != 200_000 {
		t.Errorf("ice: %v", p)
	}
}

// D21: the boundary counts as in, on the scale that was read: 1 degC, 2 degF,
// and 1.8 degF on a dual dial read in degF. 94.983 degC is 202.9694 degF.
func TestToleranceBoundary(t *testing.T) {
	own := thermometer("TH-01", scaleC, "0.1")
	own.Tolerance = dec("0.5")
	ownF := thermometer("TH-01", scaleF, "0.1")
	ownF.Tolerance = dec("1.5")
	ownDual := thermometer("TH-01", scaleDual, "0.1")
	ownDual.Tolerance = dec("0.5")
	inC, inF, onBoth := thermometer("TH-01", scaleC, "0.1"), thermometer("TH-01", scaleF, "0.1"), thermometer("TH-01", scaleDual, "0.1")
	for _, c := range []struct {
		name       string
		instrument *kb.Instrument
		in, out    string
		ice        bool
		tolerance  string
	}{
		{"C", inC, "95.983 C", "95.983001 C", false, "1"}, {"C low", inC, "93.983 C", "93.982999 C", false, "1"},
		{"F", inF, "204.9694 F", "204.969401 F", false, "2"}, {"F low", inF, "200.9694 F", "200.969399 F", false, "2"},
		{"dual read in C", onBoth, "95.983 C", "95.983001 C", false, "1"}, {"dual read in F", onBoth, "204.7694 F", "204.769401 F", false, "1.8"},
		{"C ice", inC, "1.0 C", "1.1 C", true, "1"}, {"C ice below", inC, "-1.0 C", "-1.000001 C", true, "1"},
		{"F ice", inF, "34.0 F", "34.1 F", true, "2"}, {"F ice below", inF, "30 F", "29.9 F", true, "2"},
		{"dual ice read in F", onBoth, "33.8 F", "33.9 F", true, "1.8"}, {"dual ice read in C", onBoth, "1 C", "1.1 C", true, "1"},
		{"own tolerance", own, "0.5 C", "0.500001 C", true, "0.5"}, {"own tolerance, F", ownF, "33.5 F", "33.6 F", true, "1.5"},
		{"own tolerance, dual read in F", ownDual, "32.9 F", "32.900001 F", true, "0.9"},
	} {
		for reading, want := range map[string]kb.CheckResult{c.in: checkIn, c.out: checkOut} {
			p := boilingPoint("2026-03-02 06:05", reading, "845.56")
			if c.ice {
				p = icePoint("2026-03-02 06:00", reading)
			}
			a := assessed(t, settings("1500"), c.instrument, p)
			if got := a.GetPoints()[0]; got.GetResult() != want || a.GetAsFound() != want || a.GetMayBeUsed() != (want == checkIn) || got.GetToleranceMicro() != micro(c.tolerance) {
				t.Errorf("%s: %s: %v, as found %v, may be used %v, tolerance %d", c.name, reading, got.GetResult(), a.GetAsFound(), a.GetMayBeUsed(), got.GetToleranceMicro())
			}
		}
	}
}

// U by hand (JCGM 100:2008, 5.1.2, k = 2): at 845.56 hPa water boils 0.0325
// degC hotter a hPa. Barometer 0.6 hPa and 0.1/sqrt(12) hPa, superheat
// 0.1/sqrt(3) degC, reading to 0.1: 0.1/sqrt(12) degC; 2 x 0.0674 = 0.135,
// rounded up 0.14. Nobody read the barometer: 15/sqrt(3) hPa in its place, 2 x
// 0.288 = 0.577, rounded up 0.58. Crushed ice 0.05 and the reading: 2 x 0.0577,
// 0.12; loose cubes 0.25: 2 x 0.2517, 0.51.
func TestUncertaintyOfPoints(t *testing.T) {
	cubes := icePoint("2026-03-02 06:00", "0.2 C")
	cubes.Ice = kb.IceQuality_ICE_QUALITY_CUBES
	unsaid := icePoint("2026-03-02 06:00", "0.2 C")
	unsaid.Ice = kb.IceQuality_ICE_QUALITY_UNSPECIFIED
	for _, c := range []struct {
		name  string
		point *kb.CheckPoint
		want  string
	}{
		{"boiling", boilingPoint("2026-03-02 06:05", "95.0 C", "845.56"), "0.14"}, {"boiling, no barometer", boilingPoint("2026-03-02 06:05", "95.0 C", ""), "0.58"},
		{"crushed ice", icePoint("2026-03-02 06:00", "0.2 C"), "0.12"}, {"cubes", cubes, "0.51"}, {"ice, not said how", unsaid, "0.51"},
		// Certificate 0.05 (k = 2), bath 0.05, readings to 0.01 and 0.1: 2 x 0.0629.
		{"comparison", comparisonPoint("2026-03-02 06:30", "150.0 C", "150.21 C"), "0.13"},
	} {
		a := assessed(t, settings("1500"), thermometer("TH-01", scaleC, "0.1"), c.point)
		if got := a.GetPoints()[0].GetUMicroC(); got != micro(c.want) {
			t.Errorf("%s: U %s, want %s", c.name, FormatMicro(got, 2), c.want)
		}
		if len(a.GetPoints()[0].GetTerms()) < 2 {
			t.Errorf("%s: the budget is not kept", c.name)
		}
	}
}

// D25: nobody read the barometer. With U 0.58 and 1 degC: in only to 0.42, out
// only beyond 1.58. 94.984 degC is the boiling point of the standard
// atmosphere at 1,500 m (1976 standard atmosphere, IF97).
func TestNoBarometerRead(t *testing.T) {
	for _, c := range []struct {
		reading string
		want    kb.CheckResult
	}{
		{"94.984 C", checkProvisional}, {"95.404 C", checkProvisional}, {"95.404001 C", checkUnshown}, {"94.564 C", checkProvisional}, {"94.563999 C", checkUnshown},
		{"95.984 C", checkUnshown}, {"96.564 C", checkUnshown}, {"96.564001 C", checkOut}, {"93.404 C", checkUnshown}, {"93.403999 C", checkOut},
	} {
		a := assessed(t, settings("1500"), thermometer("TH-01", scaleC, "0.1"), boilingPoint("2026-03-02 06:05", c.reading, ""))
		if got := a.GetPoints()[0]; got.GetResult() != c.want || a.GetMayBeUsed() != (c.want == checkProvisional) || got.GetPressure().GetKind() != unread || got.GetPressure().GetAt() != nil || got.GetExpectedMicroC() != micro("94.984") {
			t.Errorf("%s: %v, may be used %v, expected %d, %v", c.reading, got.GetResult(), a.GetMayBeUsed(), got.GetExpectedMicroC(), got.GetPressure())
		}
	}
	// The allowance for the weather is the site's setting.
	m := site("1500")
	m.WeatherHpa = dec("30")
	if got := assessed(t, settingsOf(m), thermometer("TH-01", scaleC, "0.1"), boilingPoint("2026-03-02 06:05", "95.2 C", "")); got.GetAsFound() != checkUnshown {
		t.Errorf("with twice the allowance: %v", got.GetAsFound())
	}
}

// A guarded check keeps U away from the tolerance (JCGM 106:2012).
func TestGuardedChecks(t *testing.T) {
	m := site("1500")
	m.GuardedChecks = true
	for reading, want := range map[string]kb.CheckResult{"0.88 C": checkIn, "0.880001 C": checkUnshown, "1.12 C": checkUnshown, "1.120001 C": checkOut, "-0.88 C": checkIn, "-1.2 C": checkOut} {
		if got := assessed(t, settingsOf(m), thermometer("TH-01", scaleC, "0.1"), icePoint("2026-03-02 06:00", reading)).GetAsFound(); got != want {
			t.Errorf("%s: %v, want %v", reading, got, want)
		}
	}
}

// What is not known of the error is larger than the tolerance: nothing can be
// shown to be in. Out by simple acceptance stays out.
func TestCoarseInstruments(t *testing.T) {
	coarse := thermometer("TH-01", scaleC, "5")
	if a := assessed(t, settings("0"), coarse, icePoint("2026-03-02 06:00", "0 C")); a.GetAsFound() != checkUnshown || a.GetMayBeUsed() || !a.GetPoints()[0].GetGrossOnly() {
		t.Errorf("division of 5 degC: %v", a)
	}
	if a := assessed(t, settings("0"), coarse, icePoint("2026-03-02 06:00", "5 C")); a.GetAsFound() != checkOut {
		t.Errorf("a division off: %v", a.GetAsFound())
	}
	// The division counts on the scale read: 1 degC on a dual dial is 1.8 degF.
	for id, c := range map[string]struct {
		i    *kb.Instrument
		at   string
		want bool
	}{"finer": {thermometer("TH-01", scaleDual, "0.5"), "32 F", false}, "as large": {thermometer("TH-01", scaleDual, "1"), "32 F", true}, "F": {thermometer("TH-01", scaleF, "2"), "32 F", true}, "F finer": {thermometer("TH-01", scaleF, "1.9"), "32 F", false}} {
		if got := assessed(t, settings("0"), c.i, icePoint("2026-03-02 06:00", c.at)).GetPoints()[0].GetGrossOnly(); got != c.want {
			t.Errorf("%s: only gross error %v", id, got)
		}
	}
}

// D23: a check is one event; any failing point fails it, the working
// temperature too.
func TestOneFailingPointFailsTheCheck(t *testing.T) {
	at := "2026-03-02 06:0"
	good := func() []*kb.CheckPoint {
		return []*kb.CheckPoint{icePoint(at+"0", "0.2 C"), boilingPoint(at+"5", "95.2 C", "845.56"), comparisonPoint(at+"9", "150.3 C", "150.21 C")}
	}
	for _, c := range []struct {
		name   string
		change func([]*kb.CheckPoint)
		want   kb.CheckResult
	}{
		{"all in", func([]*kb.CheckPoint) {}, checkIn},
		{"ice out", func(p []*kb.CheckPoint) { p[0].Reading = deg("1.2 C") }, checkOut},
		{"boiling out", func(p []*kb.CheckPoint) { p[1].Reading = deg("96.1 C") }, checkOut},
		{"working temperature out", func(p []*kb.CheckPoint) { p[2].Reading = deg("152.2 C") }, checkOut},
		{"no barometer", func(p []*kb.CheckPoint) { p[1].PressureHpa, p[1].PressureKind = nil, 0 }, checkProvisional},
		{"no barometer and ice out", func(p []*kb.CheckPoint) {
			p[1].PressureHpa, p[1].PressureKind, p[0].Reading = nil, 0, deg("1.2 C")
		}, checkOut},
		{"no barometer, not near enough", func(p []*kb.CheckPoint) {
			p[1].PressureHpa, p[1].PressureKind, p[1].Reading = nil, 0, deg("95.6 C")
		}, checkUnshown},
	} {
		points := good()
		c.change(points)
		a := assessed(t, settings("1500"), thermometer("TH-01", scaleC, "0.1"), points...)
		if a.GetAsFound() != c.want || a.GetMayBeUsed() != (c.want == checkIn || c.want == checkProvisional) || a.GetAsLeft() != checkUnjudged {
			t.Errorf("%s: as found %v, as left %v, may be used %v", c.name, a.GetAsFound(), a.GetAsLeft(), a.GetMayBeUsed())
		}
	}
}

// As found and as left (D22, D23): the instrument carries away what it was
// left as; adjusted without a point after it, it stays out.
func TestAsFoundAndAsLeft(t *testing.T) {
	wrong, right := func(at string) *kb.CheckPoint { return icePoint("2026-03-02 "+at, "1.6 C") }, func(at string) *kb.CheckPoint { return icePoint("2026-03-02 "+at, "0.1 C") }
	adjustedOnly := checkOf(wrong("06:00"))
	adjustedOnly.Adjusted, adjustedOnly.Adjustment = true, "nut turned"
	rightBefore := checkOf(right("06:00"))
	rightBefore.Adjusted, rightBefore.Adjustment = true, "nut turned"
	for _, c := range []struct {
		name        string
		check       *kb.Check
		found, left kb.CheckResult
		use         bool
	}{
		{"not adjusted", checkOf(wrong("06:00")), checkOut, checkUnjudged, false},
		{"put right", checkOf(wrong("06:00"), asLeftOf(right("06:20"))), checkOut, checkIn, true},
		{"made worse", checkOf(right("06:00"), asLeftOf(wrong("06:20"))), checkIn, checkOut, false},
		{"put right at the second try", checkOf(wrong("06:00"), asLeftOf(wrong("06:20")), asLeftOf(right("06:40"))), checkOut, checkOut, false},
		{"adjusted, no point after it", adjustedOnly, checkOut, checkUnshown, false},
		{"right, adjusted, no point after it", rightBefore, checkIn, checkUnshown, false},
		{"only as left", checkOf(asLeftOf(right("06:20"))), checkUnjudged, checkIn, true},
	} {
		drafts, err := AssessCheck(checkFacts(settings("1500"), thermometer("TH-01", scaleC, "0.1"), c.check), act("AB"))
		a := only[*kb.CheckAssessment](t, decided(t, drafts, err))
		if a.GetAsFound() != c.found || a.GetAsLeft() != c.left || a.GetMayBeUsed() != c.use {
			t.Errorf("%s: as found %v, as left %v, may be used %v", c.name, a.GetAsFound(), a.GetAsLeft(), a.GetMayBeUsed())
		}
		if faulty := len(drafts) > 1; faulty != (c.found == checkOut) {
			t.Errorf("%s: fault opened: %v", c.name, faulty)
		}
	}
}

func TestCheckIsAssessedOnce(t *testing.T) {
	f := checkFacts(settings("1500"), thermometer("TH-01", scaleC, "0.1"), checkOf(icePoint("2026-03-02 06:00", "0.2 C")))
	drafts, err := AssessCheck(f, act("AB"))
	d := decided(t, drafts, err)[0]
	first := d.Payload.(*kb.CheckAssessment)
	if d.Person != "" || d.KnownBy != kb.KnownBy_KNOWN_BY_SYSTEM || d.Day != "2026-03-02" || d.OccurredAt != when("2026-03-02 06:00") ||
		first.GetInputs()[0] != 5 || first.Replaces != nil || first.GetRulesVersion() != RulesVersion {
		t.Errorf("assessed as %+v", d)
	}
	// The same again changes nothing; another reading replaces it by number.
	f.Assessment = docOf(first, 6, "2026-03-02", "2026-03-02 06:00")
	if again, err := AssessCheck(f, act("AB")); err != nil || len(again) != 0 {
		t.Errorf("assessed again: %v, %v", again, err)
	}
	amended := proto.Clone(f.Known.Record).(*kb.Check)
	amended.Points[0].Reading = deg("0.3 C")
	f.Known = docOf(amended, 9, "2026-03-02", "2026-03-02 06:00")
	f.Struck = StruckPoints(checkOf(icePoint("2026-03-02 06:00", "0.2 C")), amended)
	drafts, err = AssessCheck(f, act("AB"))
	second := only[*kb.CheckAssessment](t, decided(t, drafts, err))
	if second.GetReplaces() != 6 || second.GetInputs()[0] != 9 || FormatTemperature(second.GetPoints()[0].GetStruck()) != "0.2 degC" {
		t.Errorf("replaced by %v", second)
	}
	_, err = AssessCheck(CheckFacts{}, act("AB"))
	refused(t, err, ErrUnknownReference, "check_id: the check is not known")
}
