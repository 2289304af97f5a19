package records_test

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// D24: water cannot have boiled at the sea-level figure at 1,480 m under 843
// hPa, where it boils at 94.904 degC, 202.83 degF (IAPWS-IF97, equation 31,
// worked outside the project).
func TestNotBelieved(t *testing.T) {
	inF, inC := thermometer("TH-01", scaleF, "2"), thermometer("TH-01", scaleC, "1")
	fine := thermometer("TH-01", scaleC, "0.1")
	onBoth := thermometer("TH-01", scaleDual, "1")
	at := "2026-03-02 06:05"
	for _, c := range []struct {
		name       string
		elevation  string
		instrument *kb.Instrument
		point      *kb.CheckPoint
		want       kb.CheckResult
	}{
		{"212 degF", "1480", inF, boilingPoint(at, "212 F", "843.1"), checkUnbelieved},
		{"a division above", "1480", inF, boilingPoint(at, "214 F", "843.1"), checkUnbelieved},
		{"a division below", "1480", inF, boilingPoint(at, "210 F", "843.1"), checkUnbelieved},
		{"more than a division below", "1480", inF, boilingPoint(at, "209.9 F", "843.1"), checkOut},
		{"more than a division above", "1480", inF, boilingPoint(at, "214.1 F", "843.1"), checkOut},
		{"100 degC", "1480", inC, boilingPoint(at, "100 C", "843.1"), checkUnbelieved},
		{"99 degC, read to 1", "1480", inC, boilingPoint(at, "99 C", "843.1"), checkUnbelieved},
		{"99 degC, read to 0.1", "1480", fine, boilingPoint(at, "99.0 C", "843.1"), checkOut},
		{"dual dial, 212 degF", "1480", onBoth, boilingPoint(at, "212 F", "843.1"), checkUnbelieved},
		{"dual dial, a division above in degF", "1480", onBoth, boilingPoint(at, "213.8 F", "843.1"), checkUnbelieved},
		{"nobody read the barometer either", "1480", inF, boilingPoint(at, "212 F", ""), checkUnbelieved},
		{"at sea level it is right", "0", inF, boilingPoint(at, "212 F", "1013.25"), checkIn},
		{"at 300 m it may be", "300", inF, boilingPoint(at, "212 F", "977.7"), checkIn},
		{"seen to boil hard", "1480", inF, proven(boilingPoint(at, "212 F", "843.1")), checkOut},
		{"seen to boil hard, right", "1480", inF, proven(boilingPoint(at, "204 F", "843.1")), checkIn},
		{"far off, but no figure of a book", "1480", inF, boilingPoint(at, "220 F", "843.1"), checkOut},
	} {
		a := assessed(t, settings(c.elevation), c.instrument, c.point)
		if got := a.GetPoints()[0].GetResult(); got != c.want || a.GetAsFound() != c.want || a.GetMayBeUsed() != (c.want == checkIn) {
			t.Errorf("%s: %v, as found %v, may be used %v; want %v", c.name, got, a.GetAsFound(), a.GetMayBeUsed(), c.want)
		}
	}
}

// A reading that is not believed is kept, opens a fault in neutral words, gives
// no correction and passes nothing; a proven repeat speaks for it.
func TestNotBelievedUntilRepeated(t *testing.T) {
	i := thermometer("TH-01", scaleF, "2")
	icy := icePoint("2026-03-02 06:00", "32 F")
	wrong := func() *kb.CheckPoint { return boilingPoint("2026-03-02 06:05", "212 F", "843.1") }
	right := func() *kb.CheckPoint { return proven(boilingPoint("2026-03-02 06:20", "204 F", "843.1")) }
	same := func() *kb.CheckPoint { return proven(boilingPoint("2026-03-02 06:20", "212 F", "843.1")) }
	const unbelieved = "The boiling reading of TH-01 is not believed: 212 degF read where 202.83 degF was expected. Repeat it at a proven rolling boil."
	for _, c := range []struct {
		name   string
		points []*kb.CheckPoint
		want   kb.CheckResult
		fault  string
		usable int // points that may correct
	}{
		{"not repeated", []*kb.CheckPoint{icy, wrong()}, checkUnbelieved, unbelieved, 1},
		{"repeated, right", []*kb.CheckPoint{icy, wrong(), right()}, checkIn, "", 2},
		{"repeated, the same", []*kb.CheckPoint{icy, wrong(), same()}, checkOut, "TH-01 is out of tolerance: 212 degF read where 202.83 degF was expected.", 2},
		{"repeated as left only", []*kb.CheckPoint{icy, wrong(), asLeftOf(right())}, checkUnbelieved, unbelieved, 1},
		{"the repeat came first", []*kb.CheckPoint{icy, proven(boilingPoint("2026-03-02 06:02", "204 F", "843.1")), wrong()}, checkUnbelieved, unbelieved, 2},
	} {
		b := newBook(t)
		drafts, err := AssessCheck(checkFacts(settings("1480"), i, checkOf(c.points...)), act("AB"))
		b.take(drafts, err)
		a := only[*kb.CheckAssessment](t, drafts)
		if a.GetAsFound() != c.want || len(a.GetPoints()) != len(c.points) {
			t.Errorf("%s: as found %v, want %v", c.name, a.GetAsFound(), c.want)
		}
		fault := lookup[*kb.Deviation](b, KindDeviation, "check/c-1")
		if fault.Record.GetWhat() != c.fault {
			t.Errorf("%s: fault %q, want %q", c.name, fault.Record.GetWhat(), c.fault)
		}
		if fault.Has() && (fault.Record.GetClass() != kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT || fault.Record.GetInstrumentId() != "TH-01" || fault.Record.GetLotCode() != "") {
			t.Errorf("%s: %v", c.name, fault.Record)
		}
		if got := len(b.index(KindPoint, "point", "TH-01")); got != c.usable {
			t.Errorf("%s: %d points correct, want %d", c.name, got, c.usable)
		}
		if passing := len(b.index(KindCheckAssessment, "passing")); passing != 0 && Standing(a) != checkIn {
			t.Errorf("%s: closes a window", c.name)
		}
	}
}

// A pressure out of family with the elevation is kept, questioned and not used
// (D32): 1013.2 hPa is no kitchen pressure at 1,480 m.
func TestSeaLevelPressureIsNotUsed(t *testing.T) {
	a := assessed(t, settings("1480"), thermometer("TH-01", scaleC, "0.1"), boilingPoint("2026-03-02 06:05", "95.0 C", "1013.2"))
	p := a.GetPoints()[0]
	if p.GetResult() != checkProvisional || !p.GetPressure().GetQuestioned() || p.GetPressure().GetKind() != unread || p.GetPressure().GetAt() == nil {
		t.Errorf("%v under %v", p.GetResult(), p.GetPressure())
	}
	if FormatDecimal(p.GetPoint().GetPressureHpa()) != "1013.2" || p.GetPoint().GetPressureKind() != readHere {
		t.Errorf("what was read is not kept: %v", p.GetPoint())
	}
	// 1976 standard atmosphere at 1,480 m: 847.673 hPa (formula of NOAA-S/T 76-1562, worked outside the project).
	if got := FormatDecimal(p.GetPressure().GetPressureHpa()); got != "847.7" {
		t.Errorf("judged under %s hPa", got)
	}
	for _, c := range []struct {
		hPa        string
		questioned bool
	}{{"897", false}, {"898", true}, {"798", false}, {"797", true}} {
		a := assessed(t, settings("1480"), thermometer("TH-01", scaleC, "0.1"), boilingPoint("2026-03-02 06:05", "95.0 C", c.hPa))
		if got := a.GetPoints()[0].GetPressure(); got.GetQuestioned() != c.questioned {
			t.Errorf("%s hPa at 1,480 m: questioned %v", c.hPa, got.GetQuestioned())
		}
	}
}

// An altimeter setting is brought to the kitchen. Worked values, read in a
// barometry note: 30.20 inHg at 5,045 ft is 849.77 hPa, 30.37 inHg at 7,014 ft
// 793.75 hPa in the kitchen (the formula used here adds 0.3 hPa, Smithsonian
// Meteorological Tables, 1951); 1 inHg is 33.8639 hPa.
func TestAltimeterSettingIsConverted(t *testing.T) {
	for _, c := range []struct {
		elevation, setting string
		station            float64
	}{{"1537.716", "1022.69", 849.77}, {"2137.8672", "1028.45", 793.75}} {
		p := boilingPoint("2026-03-02 06:05", "95.0 C", c.setting)
		p.PressureKind = reducedToSea
		used := assessed(t, settings(c.elevation), thermometer("TH-01", scaleC, "0.1"), p).GetPoints()[0].GetPressure()
		got := float64(used.GetPressureHpa().GetMicro()) / float64(One)
		if math.Abs(got-c.station) > 0.35 || used.GetKind() != reducedToSea || used.GetQuestioned() {
			t.Errorf("%s hPa at %s m: %v, want %v hPa", c.setting, c.elevation, used, c.station)
		}
	}
	// It is measured, so what is in is in.
	p := boilingPoint("2026-03-02 06:05", "95.0 C", "1013.2")
	p.PressureKind = reducedToSea
	if got := assessed(t, settings("1480"), thermometer("TH-01", scaleC, "0.1"), p).GetAsFound(); got != checkIn {
		t.Errorf("under an altimeter setting: %v", got)
	}
}

// An expired certificate cannot support a pass; out stays out. The last day
// counts, and days are the kitchen's.
func TestExpiredReference(t *testing.T) {
	for _, c := range []struct {
		due, at, reading string
		want             kb.CheckResult
	}{
		{"2026-03-01", "2026-03-02 06:30", "150.3 C", checkUnshown}, {"2026-03-01", "2026-03-02 06:30", "152.2 C", checkOut},
		{"2026-03-02", "2026-03-02 06:30", "150.3 C", checkIn}, {"2026-03-02", "2026-03-03 03:59", "150.3 C", checkIn}, {"2026-03-02", "2026-03-03 04:00", "150.3 C", checkUnshown},
		{"", "2026-03-02 06:30", "150.3 C", checkIn},
	} {
		ref := referenceProbe()
		ref.CertificateDue = c.due
		f := checkFacts(settings("1480"), thermometer("TH-01", scaleC, "0.1"), checkOf(comparisonPoint(c.at, c.reading, "150.21 C")))
		f.References = map[string]Doc[*kb.Instrument]{"REF-1": docHere(ref)}
		drafts, err := AssessCheck(f, act("AB"))
		if got := only[*kb.CheckAssessment](t, decided(t, drafts, err)).GetAsFound(); got != c.want {
			t.Errorf("due %q, checked %s at %s: %v, want %v", c.due, c.reading, c.at, got, c.want)
		}
	}
	// The certificate's correction is added; without a certificate's figure the
	// reference's own tolerance stands in for its uncertainty (k = 2): 2 x
	// sqrt(0.5^2 + 0.05^2 + 0.0029^2 + 0.0289^2) = 1.008.
	ref := referenceProbe()
	ref.CertificateCorrectionC, ref.CertificateUC = dec("-0.21"), nil
	f := checkFacts(settings("1480"), thermometer("TH-01", scaleC, "0.1"), checkOf(comparisonPoint("2026-03-02 06:30", "150.3 C", "150.21 C")))
	f.References = map[string]Doc[*kb.Instrument]{"REF-1": docHere(ref)}
	drafts, err := AssessCheck(f, act("AB"))
	p := only[*kb.CheckAssessment](t, decided(t, drafts, err)).GetPoints()[0]
	if p.GetExpectedMicroC() != micro("150") || p.GetErrorMicro() != micro("0.3") || p.GetUMicroC() != micro("1.01") || p.GetResult() != checkUnshown {
		t.Errorf("against a reference without a figure: %v", p)
	}
}

// The fault of a check is opened once, reworded when the reading is amended,
// withdrawn when the cause goes, and opened again when it comes back.
func TestInstrumentFaultFollowsTheCheck(t *testing.T) {
	b := newBook(t)
	i := thermometer("TH-01", scaleC, "0.1")
	step := func(reading string, wantEntries int, wantWhat string, withdrawn bool) {
		t.Helper()
		f := checkFacts(settings("1480"), i, checkOf(icePoint("2026-03-02 06:00", reading)))
		f.Assessment, f.Fault = lookup[*kb.CheckAssessment](b, KindCheckAssessment, "c-1"), lookup[*kb.Deviation](b, KindDeviation, "check/c-1")
		got := b.take(AssessCheck(f, act("AB")))
		d := lookup[*kb.Deviation](b, KindDeviation, "check/c-1").Record
		if len(got) != wantEntries || d.GetWhat() != wantWhat || d.GetWithdrawn() != withdrawn {
			t.Errorf("%s: %d entries, fault %q withdrawn %v", reading, len(got), d.GetWhat(), d.GetWithdrawn())
		}
		if standing := len(b.index(KindDeviation, "standing")); (standing == 1) != (wantWhat != "" && !withdrawn) {
			t.Errorf("%s: %d faults stand", reading, standing)
		}
	}
	step("0.2 C", 1, "", false)
	step("1.2 C", 2, "TH-01 is out of tolerance: 1.2 degC read where 0.00 degC was expected.", false)
	step("1.2 C", 0, "TH-01 is out of tolerance: 1.2 degC read where 0.00 degC was expected.", false)
	step("1.3 C", 2, "TH-01 is out of tolerance: 1.3 degC read where 0.00 degC was expected.", false)
	step("0.3 C", 2, "TH-01 is out of tolerance: 1.3 degC read where 0.00 degC was expected.", true)
	step("0.4 C", 1, "TH-01 is out of tolerance: 1.3 degC read where 0.00 degC was expected.", true)
	step("1.4 C", 2, "TH-01 is out of tolerance: 1.4 degC read where 0.00 degC was expected.", false)
}

// An amended check may lose points and pressures; nothing of them goes on
// correcting or moving anything.
func TestAmendedCheckLeavesNothingBehind(t *testing.T) {
	b := newBook(t)
	i := thermometer("TH-01", scaleC, "0.1")
	first := checkOf(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.0 C", "843.1"), boilingPoint("2026-03-02 06:06", "95.1 C", "843.2"))
	facts := CheckFacts{Settings: settings("1480"), Instrument: docHere(i)}
	b.take(DecideCheck(facts, act("AB"), first))
	assess := func() {
		f := checkFacts(settings("1480"), i, lookup[*kb.Check](b, KindCheck, "c-1").Record)
		f.Assessment = lookup[*kb.CheckAssessment](b, KindCheckAssessment, "c-1")
		b.take(AssessCheck(f, act("AB")))
	}
	assess()
	if points, pressures := len(b.index(KindPoint, "point")), len(b.index(KindPressure, "at")); points != 3 || pressures != 2 {
		t.Fatalf("%d points, %d pressures", points, pressures)
	}
	second := proto.Clone(first).(*kb.Check)
	second.Points = second.Points[:2]
	second.Points[1].PressureHpa, second.Points[1].PressureKind = nil, 0
	f := AmendFacts{Settings: settings("1480"), Target: b.entries[0], Found: true, Current: first, Instrument: docHere(i)}
	b.take(DecideAmendment(f, act("AB"), &kb.Amendment{TargetSequence: 1, Replacement: inAny(t, second), Reason: "the second boil was another dial"}))
	assess()
	if points, pressures := len(b.index(KindPoint, "point")), len(b.index(KindPressure, "at")); points != 2 || pressures != 0 {
		t.Errorf("after the amendment: %d points, %d pressures", points, pressures)
	}
}

// The unit in which a dual dial was read does not change a verdict.
func TestUnitOfEntryChangesNoVerdict(t *testing.T) {
	i := thermometer("TH-01", scaleDual, "0.5")
	rapid.Check(t, func(t *rapid.T) {
		m := site("1480")
		m.GuardedChecks = rapid.Bool().Draw(t, "guarded")
		hPa := rapid.SampledFrom([]string{"", "843.1", "1013.2", "846.65"}).Draw(t, "hPa")
		reading := rapid.Int64Range(90_000, 102_000).Draw(t, "milli") * 1000
		if rapid.Bool().Draw(t, "near the figure of a book") {
			reading = rapid.Int64Range(99_400, 100_600).Draw(t, "milli near") * 1000
		}
		verdict := func(unit kb.TemperatureUnit) (kb.CheckResult, int64) {
			p := boilingPoint("2026-03-02 06:05", "95 C", hPa)
			p.Reading = &kb.Temperature{Micro: InUnitMicro(reading, unit), Decimals: 6, Unit: unit}
			got := assessed(t, settingsOf(m), i, p).GetPoints()[0]
			return got.GetResult(), SpanCelsiusMicro(got.GetErrorMicro(), unit)
		}
		inC, errorC := verdict(kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS)
		inF, errorF := verdict(kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT)
		if inC != inF || errorC != errorF {
			t.Fatalf("%d degC millionths under %s hPa: %v (error %d) read in degC, %v (%d) in degF", reading, hPa, inC, errorC, inF, errorF)
		}
	})
}
