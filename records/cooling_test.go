package records_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// series are readings of TH-01 such as "12:00 57.0", in degC on 2026-03-02.
func series(readings ...string) []RunReading {
	var out []RunReading
	for _, r := range readings {
		at, value, _ := strings.Cut(r, " ")
		out = append(out, RunReading{At: when("2026-03-02 " + at), Value: deg(value + " C"), Instrument: "TH-01"})
	}
	return out
}

// cooling is the cooling series of a batch of 2026-03-02 as it is known.
func (s *shelf) cooling(readings []RunReading) CoolingFacts {
	id := s.instrument.GetInstrumentId()
	return CoolingFacts{
		BatchFacts: BatchFacts{Settings: s.settings, Batch: docOf(batchStart("L-1", "2026-03-02 07:00"), 101, "2026-03-02", "2026-03-02 07:00")},
		Readings:   readings, Sequences: []int64{105},
		Instruments: map[string]Doc[*kb.Instrument]{id: docHere(s.instrument)}, Points: map[string][]PointDoc{id: s.points()},
		Adjusted:   map[string]time.Time{id: s.adjusted("2026-03-02 23:59").Record.GetAt().AsTime()},
		Assessment: lookup[*kb.CoolingAssessment](s.book, KindCoolingAssessment, "L-1"), Deviation: lookup[*kb.Deviation](s.book, KindDeviation, CoolingDeviationID("L-1")),
	}
}

func cooled(t tester, f CoolingFacts) *kb.CoolingAssessment {
	t.Helper()
	drafts, err := AssessCooling(f, act("AB"))
	return only[*kb.CoolingAssessment](t, decided(t, drafts, err))
}

// The clock of the Food Code, 3-501.14 (read in several state adoptions): 57 to
// 21 degC within 2 h and to 5 degC within 6 h, judged on the readings that
// bracket each crossing.
func TestCoolingClock(t *testing.T) {
	const (
		bracketed = true
		open      = false
	)
	for _, c := range []struct {
		name            string
		readings        []RunReading
		first, all      kb.LimitResult
		longest         [2]int64 // seconds; 0 for none
		shortest        [2]int64
		unknown, runs   bool
		likely1, likely bool
	}{
		{"exactly 2 h and 6 h", series("12:00 57.0", "12:10 50.0", "13:50 22.0", "14:00 21.0", "17:50 6.0", "18:00 5.0"), limitMet, limitMet, [2]int64{7200, 21600}, [2]int64{6000, 20400}, false, false, bracketed, bracketed},
		{"a second more", series("12:00 57.0", "12:10 50.0", "13:50 22.0", "14:00:01 21.0", "17:50 6.0", "18:00:01 5.0"), limitUnshown, limitUnshown, [2]int64{7201, 21601}, [2]int64{6000, 20400}, false, false, bracketed, bracketed},
		{"half a second more", series("12:00 57.0", "12:10 50.0", "14:00:00.5 21.0", "18:00 5.0"), limitUnshown, limitMet, [2]int64{7201, 21600}, [2]int64{0, 6600}, false, false, bracketed, bracketed},
		{"shown to be too slow", series("12:00 57.0", "12:01 56.9", "14:01:01 21.1", "14:02 21.0", "18:01:01 5.1", "18:02 5.0"), limitMissed, limitMissed, [2]int64{7320, 21720}, [2]int64{7201, 21601}, false, false, bracketed, bracketed},
		{"just not shown", series("12:00 57.0", "12:01 56.9", "14:01 21.1", "14:02 21.0", "18:01 5.1", "18:02 5.0"), limitUnshown, limitUnshown, [2]int64{7320, 21720}, [2]int64{7200, 21600}, false, false, bracketed, bracketed},
		{"brisk", series("12:00 80.0", "12:30 60.0", "12:40 50.0", "13:20 20.0", "14:00 4.0"), limitMet, limitMet, [2]int64{3000, 5400}, [2]int64{0, 2400}, false, false, bracketed, bracketed},
		{"still cooling, in time", series("12:00 57.0", "12:10 50.0", "13:30 21.0", "15:00 9.0"), limitMet, limitUnshown, [2]int64{5400, 0}, [2]int64{0, 10200}, false, true, bracketed, open},
		{"still cooling, too slow already", series("12:00 57.0", "12:10 50.0", "13:30 21.0", "18:10:01 9.0"), limitMet, limitMissed, [2]int64{5400, 0}, [2]int64{0, 21601}, false, true, bracketed, open},
		{"start not known", series("12:00 55.0", "13:30 20.0", "15:00 4.0"), limitUnshown, limitUnshown, [2]int64{0, 0}, [2]int64{0, 5400}, true, false, open, open},
		{"start not known, too slow all the same", series("12:00 55.0", "14:00:01 22.0", "14:30 20.0", "15:00 4.0"), limitMissed, limitUnshown, [2]int64{0, 0}, [2]int64{7201, 9000}, true, false, open, open},
		{"all hot", series("12:00 80.0", "12:30 70.0"), limitUnshown, limitUnshown, [2]int64{0, 0}, [2]int64{0, 0}, false, true, open, open},
		{"one reading", series("12:00 57.0"), limitUnshown, limitUnshown, [2]int64{0, 0}, [2]int64{0, 0}, false, true, open, open},
		{"reheated: the clock starts again", series("12:00 57.0", "13:00 30.0", "16:00 57.0", "16:30 40.0", "17:30 20.0", "20:00 5.0"), limitMet, limitMet, [2]int64{5400, 14400}, [2]int64{0, 3600}, false, false, bracketed, bracketed},
		{"warmer again on the way", series("12:00 57.0", "12:30 40.0", "13:00 21.0", "13:30 25.0", "14:30 5.0"), limitMet, limitMet, [2]int64{3600, 9000}, [2]int64{0, 3600}, false, false, bracketed, bracketed},
	} {
		for range 2 {
			a := cooled(t, exact(t).cooling(c.readings))
			for i, want := range []kb.LimitResult{c.first, c.all} {
				l := a.GetLegs()[i]
				if l.GetResult() != want || l.GetLongestS() != c.longest[i] || l.GetShortestS() != c.shortest[i] || (l.LikelyS != nil) != []bool{c.likely1, c.likely}[i] {
					t.Errorf("%s: to %s: %v", c.name, FormatMicro(l.GetTargetMicroC(), 0), l)
				}
			}
			if a.GetUnknownStart() != c.unknown || a.GetRunning() != c.runs || int(a.GetReadings()) != len(c.readings) || a.GetLegs()[0].GetAllowedMin() != 120 || a.GetLegs()[1].GetAllowedMin() != 360 {
				t.Errorf("%s: %v", c.name, a)
			}
			c.readings = slices.Clone(c.readings)
			slices.Reverse(c.readings) // as they come, not as they were read
		}
	}
}

// Where the start was not read, the pull stands for it: the food was hotter.
func TestCoolingFromThePull(t *testing.T) {
	f := exact(t).cooling(series("12:20 55.0", "13:30 20.0", "15:00 4.0"))
	f.Pull = docHere(&kb.Pull{LotCode: "L-1", At: ts("2026-03-02 11:40")})
	a := cooled(t, f)
	if a.GetLegs()[0].GetResult() != limitMet || a.GetLegs()[0].GetLongestS() != 6600 || a.GetLegs()[1].GetResult() != limitMet || !a.GetUnknownStart() {
		t.Errorf("%v", a)
	}
	f.Pull.Record.At = ts("2026-03-02 11:29")
	if a := cooled(t, f); a.GetLegs()[0].GetResult() != limitUnshown {
		t.Errorf("pulled longer before: %v", a.GetLegs()[0])
	}
	f.Pull.Record.At = ts("2026-03-02 12:21") // not before the first reading: says nothing
	if a := cooled(t, f); a.GetLegs()[0].GetResult() != limitUnshown || a.GetLegs()[0].LongestS != nil {
		t.Errorf("pulled later: %v", a.GetLegs()[0])
	}
}

// The interpolated crossing decides nothing: likely well within 2 h and still
// not shown, because the readings leave room for more.
func TestLikelyDecidesNothing(t *testing.T) {
	l := cooled(t, exact(t).cooling(series("12:00 58.0", "12:40 38.0", "14:01 20.0", "17:00 4.0"))).GetLegs()[0]
	// By the chord: 57 at 12:02, 21 at 13:56:30; 6,870 s.
	if l.GetResult() != limitUnshown || l.GetLikelyS() != 6870 || l.GetLongestS() != 7260 {
		t.Errorf("%v", l)
	}
}

// Readings are corrected with what the checks showed at each reading's time.
func TestCoolingReadingsAreCorrected(t *testing.T) {
	at := "2026-03-02 06:"
	// Reads 0.8 degC low: 56.2 is 57, 20.2 is 21, 4.2 is 5.
	low := newShelf(t)
	low.check(icePoint(at+"00", "-0.8 C"), comparisonPoint(at+"30", "149.20 C", "150.00 C"))
	readings := series("12:00 56.2", "12:10 50.0", "14:00 20.2", "18:00 4.2")
	if a := cooled(t, low.cooling(readings)); a.GetLegs()[0].GetResult() != limitMet || a.GetLegs()[1].GetResult() != limitMet || a.GetUMicroC() < micro("0.1") || a.GetUnknownStart() {
		t.Errorf("corrected: %v", a)
	}
	if a := cooled(t, exact(t).cooling(readings)); !a.GetUnknownStart() {
		t.Errorf("as read: %v", a)
	}
	// Nothing is known of the error: nothing can be shown, met or not met.
	for _, r := range [][]RunReading{readings, series("12:00 57.0", "12:01 56.9", "15:01:01 21.1", "19:02 5.0")} {
		a := cooled(t, newShelf(t).cooling(r))
		if a.GetLegs()[0].GetResult() != limitUnshown || a.GetLegs()[1].GetResult() != limitUnshown {
			t.Errorf("error not known: %v", a)
		}
	}
	// Checked and adjusted while the food cooled: readings before are corrected
	// with the points before, readings after with what was left.
	changed := newShelf(t)
	changed.check(icePoint(at+"00", "0.0 C"), comparisonPoint(at+"30", "150.00 C", "150.00 C"))
	changed.check(comparisonPoint("2026-03-02 13:00", "21.80 C", "21.00 C"))
	a := cooled(t, changed.cooling(series("12:00 57.0", "12:10 50.0", "13:30 21.4", "18:00 5.3")))
	if a.GetLegs()[0].GetResult() != limitMet {
		t.Errorf("checked meanwhile: %v", a)
	}
	if got := a.GetInstrumentIds(); !slices.Equal(got, []string{"TH-01"}) {
		t.Errorf("read on %v", got)
	}
}

// A clock that was missed opens one food-safety deviation in words that say by
// how much at least; it follows what is known.
func TestCoolingDeviation(t *testing.T) {
	s := exact(t)
	step := func(void bool, entries int, what string, withdrawn bool, readings ...string) {
		t.Helper()
		f := s.cooling(series(readings...))
		if void {
			f.Void = docHere(&kb.BatchVoid{LotCode: "L-1", Reason: "not cooled here"})
		}
		got := s.take(AssessCooling(f, act("AB")))
		d := lookup[*kb.Deviation](s.book, KindDeviation, "cooling/L-1").Record
		if len(got) != entries || d.GetWhat() != what || d.GetWithdrawn() != withdrawn {
			t.Errorf("%d entries, %q withdrawn %v", len(got), d.GetWhat(), d.GetWithdrawn())
		}
		if d != nil && (d.GetClass() != kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY || d.GetLotCode() != "L-1") {
			t.Errorf("%v", d)
		}
	}
	const slow = "Cooling from 57 to 21 degC took at least 2 h 31 min; 2 h 00 min is allowed."
	step(false, 1, "", false, "12:00 57.0", "12:10 50.0")
	step(false, 2, slow, false, "12:00 57.0", "12:10 50.0", "14:40:01 30.0")
	step(false, 0, slow, false, "14:40:01 30.0", "12:10 50.0", "12:00 57.0")
	step(false, 2, slow+" Cooling from 57 to 5 degC took at least 6 h 51 min; 6 h 00 min is allowed.", false, "12:00 57.0", "12:10 50.0", "14:40:01 30.0", "15:00 20.0", "19:00:30 9.0")
	step(true, 1, slow+" Cooling from 57 to 5 degC took at least 6 h 51 min; 6 h 00 min is allowed.", true, "12:00 57.0", "12:10 50.0", "14:40:01 30.0", "15:00 20.0", "19:00:30 9.0")
	step(true, 0, slow+" Cooling from 57 to 5 degC took at least 6 h 51 min; 6 h 00 min is allowed.", true, "12:00 57.0", "12:10 50.0", "14:40:01 30.0", "15:00 20.0", "19:00:30 9.0")
	step(false, 2, slow, false, "12:00 57.0", "12:10 50.0", "14:40:01 30.0")
	if a := lookup[*kb.CoolingAssessment](s.book, KindCoolingAssessment, "L-1"); a.Record.GetReplaces() == 0 || a.Meta.GetProductionDay() != "2026-03-02" || a.Record.GetInputs()[0] != 105 {
		t.Errorf("%v", a)
	}
	for _, f := range []CoolingFacts{{}, {Readings: series("12:00 57.0")}, s.cooling(nil)} {
		if drafts, err := AssessCooling(f, act("AB")); err != nil || drafts != nil {
			t.Errorf("judged without a batch or a reading: %v, %v", drafts, err)
		}
	}
}

// Whatever the readings, bounds and verdicts agree: a clock is met only when
// the longest that the readings allow is allowed, and not met only when the
// shortest is not.
func TestCoolingVerdictsFollowFromPrintedTimes(t *testing.T) {
	s := exact(t)
	rapid.Check(t, func(t *rapid.T) {
		var readings []RunReading
		for _, second := range rapid.SliceOfN(rapid.IntRange(0, 8*3600), 1, 12).Draw(t, "seconds") {
			readings = append(readings, RunReading{
				At: when("2026-03-02 12:00").Add(time.Duration(second) * time.Second), Instrument: "TH-01",
				Value: &kb.Temperature{Micro: rapid.Int64Range(0, 800).Draw(t, "tenths") * 100_000, Decimals: 1, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS},
			})
		}
		a := cooled(t, s.cooling(readings))
		for _, l := range a.GetLegs() {
			allowed := int64(l.GetAllowedMin()) * 60
			want := limitUnshown
			switch {
			case l.LongestS != nil && l.GetLongestS() <= allowed:
				want = limitMet
			case l.ShortestS != nil && l.GetShortestS() > allowed:
				want = limitMissed
			}
			if l.GetResult() != want || l.LongestS != nil && l.ShortestS != nil && l.GetShortestS() > l.GetLongestS() {
				t.Fatalf("%v: %v, want %v", readings, l, want)
			}
		}
		sameMessage(t, cooled(t, s.cooling(rapid.Permutation(readings).Draw(t, "another order"))), a)
	})
}

func TestDurationText(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 min", time.Second: "1 min", time.Minute: "1 min", 61 * time.Second: "2 min", 59 * time.Minute: "59 min", time.Hour: "1 h 00 min",
		2 * time.Hour: "2 h 00 min", 2*time.Hour + time.Second: "2 h 01 min", 125 * time.Minute: "2 h 05 min",
	} {
		if got := DurationText(d); got != want {
			t.Errorf("%v: %s, want %s", d, got, want)
		}
	}
}
