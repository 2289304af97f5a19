package records_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// shelf is a book with checks of TH-01 in it, as a kitchen at 1,480 m assessed
// them.
type shelf struct {
	*book
	settings   Settings
	instrument *kb.Instrument
}

func newShelf(t testing.TB) *shelf {
	return &shelf{newBook(t), settings("1480"), thermometer("TH-01", scaleC, "0.1")}
}

// check takes a check of the instrument; its first point gives it its name.
func (s *shelf) check(points ...*kb.CheckPoint) *kb.CheckAssessment {
	s.t.Helper()
	m := checkOf(points...)
	m.CheckId, m.InstrumentId = TimeKey(points[0].GetAt().AsTime()), s.instrument.GetInstrumentId()
	f := CheckFacts{Settings: s.settings, Instrument: docHere(s.instrument), References: referenceDocs()}
	s.take(DecideCheck(f, act("AB"), m))
	f.Known = lookup[*kb.Check](s.book, KindCheck, m.GetCheckId())
	s.take(AssessCheck(f, act("AB")))
	return lookup[*kb.CheckAssessment](s.book, KindCheckAssessment, m.GetCheckId()).Record
}

// points are all believed points of the instrument.
func (s *shelf) points() []PointDoc {
	return readAll[*kb.CheckAssessment](s.book, s.index(KindPoint, "point", s.instrument.GetInstrumentId()))
}

// adjusted is the last check with an adjustment at or before a moment.
func (s *shelf) adjusted(at string) (d Doc[*kb.CheckAssessment]) {
	return s.lastCheck("adjusted", at)
}

func (s *shelf) lastCheck(index, at string) (d Doc[*kb.CheckAssessment]) {
	for _, c := range readAll[*kb.CheckAssessment](s.book, s.index(KindCheckAssessment, index, s.instrument.GetInstrumentId())) {
		if !c.Record.GetAt().AsTime().After(when(at)) {
			d = c
		}
	}
	return d
}

// chosen are the readings of the points that correct a reading at a moment.
func (s *shelf) chosen(at string) []string {
	var out []string
	a := s.adjusted(at)
	for _, p := range CorrectionPoints(s.points(), a.Record.GetAt().AsTime(), when(at)) {
		out = append(out, FormatTemperature(p.Record.GetPoints()[0].GetPoint().GetReading()))
	}
	return out
}

func (s *shelf) want(at string, readings ...string) {
	s.t.Helper()
	if got := s.chosen(at); !slices.Equal(got, readings) {
		s.t.Errorf("corrected at %s with %v, want %v", at, got, readings)
	}
}

// D22: the latest believable points at or before the reading, passed or failed.
func TestLatestPointsCorrect(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.1 C"), boilingPoint("2026-03-01 06:05", "95.1 C", "843.1"))
	s.check(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.2 C", "843.1"))
	failed := s.check(icePoint("2026-03-03 06:00", "1.3 C"), boilingPoint("2026-03-03 06:05", "96.3 C", "843.1"))
	if failed.GetAsFound() != checkOut {
		t.Fatalf("%v", failed.GetAsFound())
	}
	s.want("2026-03-01 05:59")
	s.want("2026-03-01 06:00", "0.1 degC")
	s.want("2026-03-01 12:00", "0.1 degC", "95.1 degC")
	s.want("2026-03-02 06:04", "95.1 degC", "0.2 degC") // only the ice point is newer
	s.want("2026-03-02 06:05", "0.2 degC", "95.2 degC")
	s.want("2026-03-02 06:05", "0.2 degC", "95.2 degC")
	s.want("2026-03-03 06:10", "1.3 degC", "96.3 degC") // failed, and yet what is known of the error
}

func TestUnbelievedPointsCorrectNothing(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.1 C"), boilingPoint("2026-03-01 06:05", "95.1 C", "843.1"))
	s.check(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "100.0 C", "843.1"))
	s.want("2026-03-02 12:00", "95.1 degC", "0.2 degC")
}

// Never from before the last adjustment: as left after one.
func TestAdjustmentBeginsAnew(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "1.4 C"), boilingPoint("2026-03-01 06:05", "96.1 C", "843.1"), comparisonPoint("2026-03-01 06:30", "151.4 C", "150.20 C"))
	s.check(icePoint("2026-03-02 06:00", "1.5 C"), boilingPoint("2026-03-02 06:05", "96.4 C", "843.1"), asLeftOf(icePoint("2026-03-02 06:20", "0.1 C")))
	s.want("2026-03-02 05:59", "1.4 degC", "96.1 degC", "151.4 degC")
	s.want("2026-03-02 12:00", "0.1 degC")
	s.check(boilingPoint("2026-03-02 13:00", "95.0 C", "843.1"))
	s.want("2026-03-02 14:00", "0.1 degC", "95.0 degC")
	// Adjusted and not read again: nothing is known of the error.
	m := checkOf(icePoint("2026-03-03 06:00", "1.5 C"))
	m.Adjusted, m.Adjustment, m.CheckId = true, "nut turned", "c-3"
	f := CheckFacts{Settings: s.settings, Instrument: docHere(s.instrument)}
	s.take(DecideCheck(f, act("AB"), m))
	f.Known = lookup[*kb.Check](s.book, KindCheck, "c-3")
	s.take(AssessCheck(f, act("AB")))
	s.want("2026-03-03 12:00")
}

// A comparison near the same temperature is replaced by a later one, one
// elsewhere stands; near is less than 10 degC, wherever the two lie.
func TestComparisonsReplaceNeighbours(t *testing.T) {
	for _, c := range []struct {
		first, second string
		replaced      bool
	}{
		{"150.00", "150.20", true}, {"154.90", "155.10", true}, {"144.99", "145.01", true}, {"150.00", "159.99", true}, {"150.00", "160.00", false}, {"150.00", "140.00", false},
		{"150.00", "140.01", true}, {"60.00", "150.00", false},
	} {
		s := newShelf(t)
		s.check(comparisonPoint("2026-03-01 06:30", c.first+" C", c.first+" C"))
		s.check(comparisonPoint("2026-03-02 06:30", c.second+" C", c.second+" C"))
		if got := len(s.chosen("2026-03-02 12:00")); (got == 1) != c.replaced {
			t.Errorf("%s then %s: %d stand", c.first, c.second, got)
		}
		if got := s.chosen("2026-03-02 12:00"); got[len(got)-1] != c.second+" degC" {
			t.Errorf("%s then %s: %v", c.first, c.second, got)
		}
	}
}

// Of points of one moment the later entry counts.
func TestTiesGoByEntry(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.1 C"))
	m := checkOf(icePoint("2026-03-01 06:00", "0.4 C"))
	f := CheckFacts{Settings: s.settings, Instrument: docHere(s.instrument)}
	s.take(DecideCheck(f, act("AB"), m))
	f.Known = lookup[*kb.Check](s.book, KindCheck, "c-1")
	s.take(AssessCheck(f, act("AB")))
	s.want("2026-03-01 12:00", "0.4 degC")
}

// The choice does not depend on the order in which the points are given.
func TestChoiceOfPointsIgnoresOrder(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.1 C"), boilingPoint("2026-03-01 06:05", "95.1 C", "843.1"), comparisonPoint("2026-03-01 06:30", "150.3 C", "150.21 C"))
	s.check(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.2 C", "843.1"), comparisonPoint("2026-03-02 06:30", "120.3 C", "120.21 C"))
	s.check(icePoint("2026-03-03 06:00", "0.3 C"), comparisonPoint("2026-03-03 06:30", "152.3 C", "151.21 C"))
	all := s.points()
	want := s.chosen("2026-03-03 12:00")
	if len(want) != 4 {
		t.Fatalf("%v", want)
	}
	rapid.Check(t, func(t *rapid.T) {
		var got []string
		for _, p := range CorrectionPoints(rapid.Permutation(all).Draw(t, "points"), when("2026-01-01 00:00"), when("2026-03-03 12:00")) {
			got = append(got, FormatTemperature(p.Record.GetPoints()[0].GetPoint().GetReading()))
		}
		if !slices.Equal(got, want) {
			t.Fatalf("%v, want %v", got, want)
		}
	})
}

// Which pressure a cook is judged under: the nearest before it that fits the
// elevation, whatever its age up to a week; the standard atmosphere else.
func TestPressureOfACook(t *testing.T) {
	doc := func(sequence int64, at, hPa string, kind kb.PressureKind) PressureDoc {
		return docOf(&kb.KitchenPressure{At: ts(at), PressureHpa: dec(hPa), Kind: kind}, sequence, at[:10], at)
	}
	now := when("2026-03-02 12:00")
	for _, c := range []struct {
		name      string
		pressures []PressureDoc
		hPa       string
		kind      kb.PressureKind
		age       int32
		old, asks bool
	}{
		{"none", nil, "847.7", unread, 0, false, false},
		{"nearest before", []PressureDoc{doc(1, "2026-03-02 06:00", "843.1", readHere), doc(2, "2026-03-02 11:30", "845.0", readHere), doc(3, "2026-03-02 12:01", "846.0", readHere)}, "845.0", readHere, 30, false, false},
		{"at the very moment", []PressureDoc{doc(1, "2026-03-02 12:00", "843.1", readHere)}, "843.1", readHere, 0, false, false},
		{"4 h old", []PressureDoc{doc(1, "2026-03-02 08:00", "843.1", readHere)}, "843.1", readHere, 240, false, false},
		{"older", []PressureDoc{doc(1, "2026-03-02 07:59", "843.1", readHere)}, "843.1", readHere, 241, true, false},
		{"a week old", []PressureDoc{doc(1, "2026-02-23 12:00", "843.1", readHere)}, "843.1", readHere, 7 * 24 * 60, true, false},
		{"older than a week", []PressureDoc{doc(1, "2026-02-23 11:59", "843.1", readHere)}, "847.7", unread, 0, false, false},
		{"sea level", []PressureDoc{doc(1, "2026-03-02 11:00", "1013.2", readHere)}, "847.7", unread, 0, false, true},
		{"sea level, and an older one that fits", []PressureDoc{doc(1, "2026-03-02 10:00", "843.1", readHere), doc(2, "2026-03-02 11:00", "1013.2", readHere)}, "843.1", readHere, 120, false, false},
		{"two of one moment", []PressureDoc{doc(2, "2026-03-02 11:00", "844.0", readHere), doc(1, "2026-03-02 11:00", "843.1", readHere)}, "844.0", readHere, 60, false, false},
		// 1013.2 hPa brought up to 1,480 m (Smithsonian form, worked outside the project): 847.83.
		{"altimeter", []PressureDoc{doc(1, "2026-03-02 11:00", "1013.2", reducedToSea)}, "847.8", reducedToSea, 60, false, false},
	} {
		for range 2 {
			_, used, err := settings("1480").BoilingHere(c.pressures, now)
			if err != nil || FormatDecimal(used.GetPressureHpa()) != c.hPa || used.GetKind() != c.kind || used.GetAgeMin() != c.age || used.GetOld() != c.old || used.GetQuestioned() != c.asks {
				t.Errorf("%s: %v, %v", c.name, used, err)
			}
			slices.Reverse(c.pressures)
		}
	}
	// What boils where: 94.904 degC under 843.1 hPa (IAPWS-IF97, equation 31).
	if boils, _, err := settings("1480").BoilingHere([]PressureDoc{doc(1, "2026-03-02 11:00", "843.1", readHere)}, now); err != nil || boils != micro("94.904") {
		t.Errorf("boils at %d, %v", boils, err)
	}
}
