package records_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// pullAt is something that a look-back weighs: the pull of a batch, read at a
// moment, against limits.
func (s *shelf) pullAt(lot, at, reading string, limits ...*kb.Limit) Measured {
	s.t.Helper()
	f := s.cook(formula(limits...), reading)
	f.Batch.Record.LotCode, f.Pull.Record.LotCode, f.Pull.Record.At = lot, lot, ts(at)
	f.Adjusted, f.Check, f.Assessment, f.Deviations = s.adjusted(at).Record.GetAt().AsTime(), s.lastCheck("instrument", at), Doc[*kb.PullAssessment]{}, nil
	a := pulled(s.t, f)
	return Measured{LotCode: lot, At: when(at), Reading: a.GetPull().GetReading(), Pull: a}
}

// lookBack is what is known when the check of a moment is looked back from.
func (s *shelf) lookBack(check string, measured ...Measured) LookBackFacts {
	s.t.Helper()
	id, at := TimeKey(when(check)), when(check)
	f := LookBackFacts{
		Check: lookup[*kb.CheckAssessment](s.book, KindCheckAssessment, id), Instrument: docHere(s.instrument),
		Passing:  readAll[*kb.CheckAssessment](s.book, s.index(KindCheckAssessment, "passing", s.instrument.GetInstrumentId())),
		Settings: s.settings, Measured: measured, Known: map[string]Doc[*kb.LookBack]{},
	}
	for _, d := range readAll[*kb.LookBack](s.book, s.index(KindLookBack, "instrument", s.instrument.GetInstrumentId())) {
		if d.Record.GetCheckId() == id {
			f.Known[d.Meta.GetProductionDay()] = d
		}
	}
	for _, p := range s.points() {
		if !p.Record.GetPoints()[0].GetPoint().GetAt().AsTime().After(at) {
			f.Points = append(f.Points, p)
		}
	}
	for _, c := range readAll[*kb.CheckAssessment](s.book, s.index(KindCheckAssessment, "adjusted", s.instrument.GetInstrumentId())) {
		if t := c.Record.GetAt().AsTime(); t.Before(at) {
			f.Adjusted = t
		}
	}
	return f
}

func lookedBack(t tester, f LookBackFacts) *kb.LookBack {
	t.Helper()
	drafts, err := AssessLookBack(f, act("AB"))
	return only[*kb.LookBack](t, decided(t, drafts, err))
}

func lots(l *kb.LookBack, after bool) []string {
	var out []string
	for _, i := range l.GetItems() {
		if i.GetAfterFailure() == after {
			out = append(out, i.GetLotCode())
		}
	}
	return out
}

// softBall is an operating limit of a cook; wide is one that a reading of 114
// meets at any error that occurs here.
func softBall() *kb.Limit {
	return limitOf("cook", classOperating, basisTemperature, "114.00 C", "116.00 C")
}

func wide() *kb.Limit {
	return limitOf("cook", classOperating, basisTemperature, "100.00 C", "130.00 C")
}

// drifting is a shelf whose instrument was right to 150 degC on the first, and
// reads 2.2 degC high at 150 degC on the second morning.
func drifting(t testing.TB) *shelf {
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.0 C"), boilingPoint("2026-03-01 06:05", "94.904 C", "843.1"), comparisonPoint("2026-03-01 06:30", "150.00 C", "150.00 C"))
	s.check(icePoint("2026-03-02 06:00", "0.0 C"), boilingPoint("2026-03-02 06:05", "95.404 C", "843.1"), comparisonPoint("2026-03-02 06:30", "152.20 C", "150.00 C"))
	return s
}

// D29: the window is since the last passing check that covers the temperature
// of the reading, its edges sharp.
func TestLookBackWindow(t *testing.T) {
	s := drifting(t)
	m := []Measured{
		s.pullAt("before the passing check", "2026-03-01 05:59", "115.0 C", softBall()),
		s.pullAt("at the passing check", "2026-03-01 06:00", "115.0 C", softBall()),
		s.pullAt("a moment later", "2026-03-01 06:00:01", "115.0 C", softBall()),
		s.pullAt("at the failed check", "2026-03-02 06:00", "115.0 C", softBall()),
		s.pullAt("after it", "2026-03-02 06:00:01", "115.0 C", softBall()),
	}
	l := lookedBack(t, s.lookBack("2026-03-02 06:00", m...))
	if got := lots(l, false); !slices.Equal(got, []string{"a moment later", "at the failed check"}) {
		t.Errorf("first list: %v", got)
	}
	if got := lots(l, true); !slices.Equal(got, []string{"after it"}) {
		t.Errorf("second list: %v", got)
	}
	if l.GetWindowFrom().AsTime() != when("2026-03-01 06:00") || l.GetWindowTo() != nil || l.GetInstrumentId() != "TH-01" || l.GetRulesVersion() != RulesVersion {
		t.Errorf("window: %v", l)
	}
	// Beyond what the passing check covered, nothing closes the window: open-ended.
	above := []Measured{s.pullAt("long ago", "2026-02-02 07:00", "155.0 C", wide()), s.pullAt("caramel", "2026-03-01 07:00", "151.0 C", wide()), s.pullAt("fondant", "2026-03-01 08:00", "115.0 C", softBall())}
	l = lookedBack(t, s.lookBack("2026-03-02 06:00", above...))
	if got := lots(l, false); !slices.Equal(got, []string{"long ago", "caramel", "fondant"}) || l.GetWindowFrom() != nil {
		t.Errorf("open-ended: %v from %v", got, l.GetWindowFrom())
	}
	// Nothing was measured: the window is that of the highest point.
	if l = lookedBack(t, s.lookBack("2026-03-02 06:00")); len(l.GetItems()) != 0 || l.GetWindowFrom().AsTime() != when("2026-03-01 06:00") {
		t.Errorf("nothing measured: %v", l)
	}
}

// The second list ends at a passing as-left, or at a later passing check that
// covers the temperature.
func TestSecondList(t *testing.T) {
	put := func() *kb.CheckPoint { return asLeftOf(icePoint("2026-03-02 07:00", "0.0 C")) }
	for _, c := range []struct {
		name  string
		later func(*shelf)
		want  []string
		to    string
	}{
		{"not put right", func(*shelf) {}, []string{"at 08:00", "at 09:00", "at 10:00"}, ""},
		{"a passing check that covers it", func(s *shelf) {
			s.check(icePoint("2026-03-02 09:00", "0.0 C"), comparisonPoint("2026-03-02 09:30", "150.00 C", "150.00 C"))
		}, []string{"at 08:00"}, "2026-03-02 09:00"},
		{"a passing check that does not", func(s *shelf) {
			s.check(icePoint("2026-03-02 09:00", "0.0 C"), boilingPoint("2026-03-02 09:05", "94.904 C", "843.1"))
		}, []string{"at 08:00", "at 09:00", "at 10:00"}, ""},
		{"a provisional check", func(s *shelf) {
			s.check(icePoint("2026-03-02 09:00", "0.0 C"), boilingPoint("2026-03-02 09:05", "95.051 C", ""))
		},
			[]string{"at 08:00", "at 09:00", "at 10:00"}, ""},
		{"a later adjustment, passing as left", func(s *shelf) {
			s.check(icePoint("2026-03-02 08:30", "1.4 C"), asLeftOf(icePoint("2026-03-02 09:00", "0.0 C")))
		}, []string{"at 08:00"}, "2026-03-02 09:00"},
		{"a later adjustment, failing as left", func(s *shelf) {
			s.check(icePoint("2026-03-02 08:30", "1.4 C"), asLeftOf(icePoint("2026-03-02 09:00", "1.3 C")))
		}, []string{"at 08:00", "at 09:00", "at 10:00"}, ""},
	} {
		s := drifting(t)
		c.later(s)
		l := lookedBack(t, s.lookBack("2026-03-02 06:00", s.pullAt("at 08:00", "2026-03-02 08:00", "115.0 C", softBall()), s.pullAt("at 09:00", "2026-03-02 09:00", "115.0 C", softBall()), s.pullAt("at 10:00", "2026-03-02 10:00", "115.0 C", softBall())))
		if got := lots(l, true); !slices.Equal(got, c.want) || len(lots(l, false)) != 0 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		if (l.GetWindowTo() == nil) != (c.to == "") || c.to != "" && l.GetWindowTo().AsTime() != when(c.to) {
			t.Errorf("%s: ended at %v, want %q", c.name, l.GetWindowTo().AsTime(), c.to)
		}
	}
	// Adjusted in the failed check itself: the second list ends with its last
	// point, and the error before it is still known.
	s := newShelf(t)
	s.check(icePoint("2026-03-01 06:00", "0.0 C"), comparisonPoint("2026-03-01 06:30", "150.00 C", "150.00 C"))
	s.check(icePoint("2026-03-02 06:00", "1.4 C"), put())
	l := lookedBack(t, s.lookBack("2026-03-02 06:00", s.pullAt("yesterday", "2026-03-01 08:00", "115.0 C", wide()), s.pullAt("between", "2026-03-02 06:30", "115.0 C", wide()), s.pullAt("after", "2026-03-02 07:00", "115.0 C", wide())))
	if !slices.Equal(lots(l, false), []string{"yesterday"}) || !slices.Equal(lots(l, true), []string{"between"}) || l.GetWindowTo().AsTime() != when("2026-03-02 07:00") {
		t.Errorf("adjusted on the spot: %v", l)
	}
	if i := l.GetItems()[0]; i.BeforeMicroC == nil || i.FoundMicroC == nil {
		t.Errorf("adjusted on the spot: %v", i)
	}
}

// The range that a check with an adjustment covers is what it was left with.
func TestAdjustedCheckCoversWhatWasLeft(t *testing.T) {
	s := newShelf(t)
	s.check(icePoint("2026-02-28 06:00", "0.0 C"), comparisonPoint("2026-02-28 06:30", "150.00 C", "150.00 C"))
	s.check(icePoint("2026-03-01 06:00", "0.0 C"), comparisonPoint("2026-03-01 06:30", "150.00 C", "150.00 C"), asLeftOf(icePoint("2026-03-01 06:40", "0.0 C")))
	s.check(icePoint("2026-03-02 06:00", "1.4 C"))
	l := lookedBack(t, s.lookBack("2026-03-02 06:00", s.pullAt("of the 28th", "2026-02-28 08:00", "115.0 C", wide())))
	if !slices.Equal(lots(l, false), []string{"of the 28th"}) || l.GetWindowFrom().AsTime() != when("2026-02-28 06:00") {
		t.Errorf("%v", l)
	}
}

// Met only if met at the error before and at the error found, U included; not
// met only if missed at both; cannot be shown otherwise. The instrument was
// right before; found are -0.003 degC at 0, 0.5 at 95 and 2.2 at 150: by the
// line 1.1 degC high near 115.
func TestLookBackJudgesAtBothErrors(t *testing.T) {
	s := drifting(t)
	peak := limitOf("peak", classOperating, basisTemperature, "", "116.00 C")
	peak.Binds = kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER
	for _, c := range []struct {
		name, reading string
		limits        []*kb.Limit
		want          kb.LimitResult
	}{
		{"met at both", "115.0 C", []*kb.Limit{wide()}, limitMet}, {"met before, missed now", "114.2 C", []*kb.Limit{softBall()}, limitUnshown},
		{"missed at both, too hot", "125.0 C", []*kb.Limit{softBall()}, limitMissed}, {"missed at both, too cold", "105.0 C", []*kb.Limit{softBall()}, limitMissed},
		{"missed before, met now", "117.0 C", []*kb.Limit{softBall()}, limitUnshown}, {"nearer than U", "115.5 C", []*kb.Limit{limitOf("cook", classQuality, basisTemperature, "115.40 C", "")}, limitUnshown},
		{"one of two missed", "115.0 C", []*kb.Limit{wide(), limitOf("safety", classCritical, basisTemperature, "125.00 C", "")}, limitMissed},
		{"one of two not shown", "115.0 C", []*kb.Limit{wide(), limitOf("safety", classCritical, basisTemperature, "114.50 C", "")}, limitUnshown},
		{"met at both, by less than U before", "120.0 C", []*kb.Limit{limitOf("cook", classQuality, basisTemperature, "", "120.05 C")}, limitUnshown},
		{"missed at both, by less than U before", "115.0 C", []*kb.Limit{limitOf("cook", classQuality, basisTemperature, "115.02 C", "")}, limitUnshown},
		{"its reading was not taken", "115.0 C", []*kb.Limit{wide(), peak}, limitUnshown},
	} {
		i := lookedBack(t, s.lookBack("2026-03-02 06:00", s.pullAt("L-1", "2026-03-01 08:00", c.reading, c.limits...))).GetItems()[0]
		if i.GetResult() != c.want || i.BeforeMicroC == nil || i.FoundMicroC == nil || i.GetFoundMicroC() >= i.GetBeforeMicroC() {
			t.Errorf("%s: %v, %d before, %d found; want %v", c.name, i.GetResult(), i.GetBeforeMicroC(), i.GetFoundMicroC(), c.want)
		}
	}
	// U is no smaller than that of the difference to the limit (D28), which knows
	// of pressure and syrup too.
	high := limitOf("cook", classOperating, basisSolids, "", "125.00 C")
	l, own := s.pullAt("L-1", "2026-03-01 08:00", "115.0 C", high).Pull.GetLimits()[0], s.pullAt("L-1", "2026-03-01 08:00", "115.0 C", high).Pull.GetPull().GetUMicroC()
	if l.GetUMicroC() < own+20_000 {
		t.Fatalf("U %d against the limit, %d of the reading", l.GetUMicroC(), own)
	}
	for margin, want := range map[int64]kb.LimitResult{own + 10_000: limitUnshown, l.GetUMicroC() + 50_000: limitMet} {
		reading := FormatMicro(l.GetHighMicroC()-margin, 2) + " C"
		if i := lookedBack(t, s.lookBack("2026-03-02 06:00", s.pullAt("L-1", "2026-03-01 08:00", reading, high))).GetItems()[0]; i.GetResult() != want {
			t.Errorf("%d below the limit, U %d and %d: %v, want %v", margin, own, l.GetUMicroC(), i.GetResult(), want)
		}
	}
	// Nothing was known before: it cannot be shown, met or missed.
	first := newShelf(t)
	first.check(icePoint("2026-03-02 06:00", "1.4 C"))
	for _, reading := range []string{"115.0 C", "60.0 C"} {
		if i := lookedBack(t, first.lookBack("2026-03-02 06:00", first.pullAt("L-1", "2026-03-01 08:00", reading, wide()))).GetItems()[0]; i.GetResult() != limitUnshown || i.BeforeMicroC != nil || i.FoundMicroC == nil {
			t.Errorf("no check before: %v", i)
		}
	}
	// After the failure the error is known: the batch's own verdict stands.
	after := s.pullAt("L-1", "2026-03-02 08:00", "116.5 C", softBall())
	if i := lookedBack(t, s.lookBack("2026-03-02 06:00", after)).GetItems()[0]; i.GetResult() != after.Pull.GetLimits()[0].GetResult() || i.GetResult() != limitMet {
		t.Errorf("after the failure: %v", i)
	}
}

// A cooling clock was judged at one error; before the failure either result
// would need both.
func TestLookBackOfCoolingClocks(t *testing.T) {
	s := drifting(t)
	for _, result := range []kb.LimitResult{limitMet, limitMissed, limitUnshown} {
		clock := func(at string) Measured {
			return Measured{LotCode: "L-1", Cooling: true, At: when(at), Reading: deg("70.0 C"), Result: result}
		}
		l := lookedBack(t, s.lookBack("2026-03-02 06:00", clock("2026-03-01 08:00"), clock("2026-03-02 08:00")))
		if l.GetItems()[0].GetResult() != limitUnshown || !l.GetItems()[0].GetCooling() || l.GetItems()[1].GetResult() != result {
			t.Errorf("%v: %v", result, l.GetItems())
		}
	}
}

// A look-back is written once, replaced when something more was measured, and
// emptied once when the check is out no longer.
func TestLookBackFollowsWhatIsKnown(t *testing.T) {
	s := drifting(t)
	measured := []Measured{s.pullAt("L-1", "2026-03-01 08:00", "115.0 C", softBall())}
	take := func(f LookBackFacts) int { return len(s.take(AssessLookBack(f, act("AB")))) }
	if n := take(s.lookBack("2026-03-02 06:00", measured...)); n != 1 {
		t.Fatalf("%d entries", n)
	}
	if n := take(s.lookBack("2026-03-02 06:00", measured...)); n != 0 {
		t.Errorf("the same again: %d entries", n)
	}
	measured = append(measured, s.pullAt("L-2", "2026-03-01 09:00", "115.0 C", softBall()))
	f := s.lookBack("2026-03-02 06:00", measured...)
	if n := take(f); n != 1 {
		t.Errorf("one more: %d entries", n)
	}
	if l := s.lookBack("2026-03-02 06:00").Known["2026-03-02"]; l.Record.GetReplaces() != f.Known["2026-03-02"].Meta.GetSequence() || len(l.Record.GetItems()) != 2 || l.Meta.GetProductionDay() != "2026-03-02" || l.Meta.GetPerson() != "" {
		t.Errorf("%v", l)
	}
	f = s.lookBack("2026-03-02 06:00", measured...)
	f.Check.Record.AsFound = checkIn
	if n := take(f); n != 1 {
		t.Errorf("no longer out: %d entries", n)
	}
	f.Known = s.lookBack("2026-03-02 06:00").Known
	if n := take(f); n != 0 || len(f.Known["2026-03-02"].Record.GetItems()) != 0 {
		t.Errorf("emptied twice: %d entries, %v", n, f.Known)
	}
	if drafts, err := AssessLookBack(LookBackFacts{}, act("AB")); err != nil || drafts != nil {
		t.Errorf("no check: %v, %v", drafts, err)
	}
}

// What goes on being measured is gathered in parts of their own days: a new day
// rewrites none of those before it, and a part is emptied when its day is proven.
func TestLookBackGathersDayByDay(t *testing.T) {
	s := drifting(t)
	m := []Measured{
		s.pullAt("before", "2026-03-01 08:00", "115.0 C", softBall()), s.pullAt("same day", "2026-03-02 08:00", "115.0 C", softBall()),
		s.pullAt("next day", "2026-03-03 08:00", "115.0 C", softBall()), s.pullAt("next evening", "2026-03-03 20:00", "115.0 C", softBall()),
	}
	written := s.take(AssessLookBack(s.lookBack("2026-03-02 06:00", m...), act("AB")))
	if len(written) != 2 || written[0].GetProductionDay() != "2026-03-02" || written[1].GetProductionDay() != "2026-03-03" {
		t.Fatalf("parts: %v", written)
	}
	own, next := written[0].Message.(*kb.LookBack), written[1].Message.(*kb.LookBack)
	if !slices.Equal(lots(own, false), []string{"before"}) || !slices.Equal(lots(own, true), []string{"same day"}) || len(lots(next, false)) != 0 || !slices.Equal(lots(next, true), []string{"next day", "next evening"}) {
		t.Errorf("parts: %v, %v", own, next)
	}
	if next.GetCheckId() != own.GetCheckId() || next.GetWindowFrom().AsTime() != own.GetWindowFrom().AsTime() {
		t.Errorf("the second part's window: %v", next)
	}
	// A day later: only what was measured since is given, and only its part is written.
	f := s.lookBack("2026-03-02 06:00", s.pullAt("third day", "2026-03-04 08:00", "115.0 C", softBall()))
	f.Since = when("2026-03-04 08:00")
	written = s.take(AssessLookBack(f, act("AB")))
	if len(written) != 1 || written[0].GetProductionDay() != "2026-03-04" || !slices.Equal(lots(written[0].Message.(*kb.LookBack), true), []string{"third day"}) {
		t.Errorf("the third day: %v", written)
	}
	if l := written[0].Message.(*kb.LookBack); l.GetWindowFrom().AsTime() != own.GetWindowFrom().AsTime() {
		t.Errorf("the third part's window: %v", l)
	}
	// Later on the day of the failure, the first list stands as it was weighed.
	f = s.lookBack("2026-03-02 06:00", m[1], s.pullAt("same evening", "2026-03-02 19:00", "115.0 C", softBall()))
	f.Since = when("2026-03-02 19:00")
	drafts, err := AssessLookBack(f, act("AB"))
	if l := decided(t, drafts, err)[0].Payload.(*kb.LookBack); !slices.Equal(lots(l, false), []string{"before"}) || !slices.Equal(lots(l, true), []string{"same day", "same evening"}) || l.GetWindowFrom().AsTime() != own.GetWindowFrom().AsTime() {
		t.Errorf("the same evening: %v", l)
	}
	// A check forgotten until now proves the instrument from the next noon on.
	s.check(icePoint("2026-03-03 12:00", "0.0 C"), comparisonPoint("2026-03-03 12:30", "150.00 C", "150.00 C"))
	f = s.lookBack("2026-03-02 06:00", append(m, s.pullAt("third day", "2026-03-04 08:00", "115.0 C", softBall()))...)
	written = s.take(AssessLookBack(f, act("AB")))
	if len(written) != 2 || !slices.Equal(lots(written[0].Message.(*kb.LookBack), true), []string{"next day"}) || len(written[1].Message.(*kb.LookBack).GetItems()) != 0 {
		t.Errorf("proven: %v", written)
	}
	if to := written[0].Message.(*kb.LookBack).GetWindowTo().AsTime(); to != when("2026-03-03 12:00") {
		t.Errorf("it ended at %v", to)
	}
	if again := s.take(AssessLookBack(s.lookBack("2026-03-02 06:00", f.Measured...), act("AB"))); len(again) != 0 {
		t.Errorf("once more: %v", again)
	}
}

func TestLookBackIgnoresOrder(t *testing.T) {
	s := drifting(t)
	s.check(icePoint("2026-03-02 09:00", "0.0 C"), comparisonPoint("2026-03-02 09:30", "150.00 C", "150.00 C"))
	var measured []Measured
	for i, at := range []string{"2026-02-20 08:00", "2026-03-01 08:00", "2026-03-01 08:00", "2026-03-01 11:00", "2026-03-02 08:00", "2026-03-02 08:00", "2026-03-02 10:00"} {
		measured = append(measured, s.pullAt(string(rune('A'+i)), at, "115.0 C", softBall()))
		measured = append(measured, Measured{LotCode: string(rune('A' + i)), Cooling: true, At: when(at).Add(time.Hour), Reading: deg("70.0 C"), Result: limitMet})
	}
	f := s.lookBack("2026-03-02 06:00", measured...)
	want := lookedBack(t, f)
	rapid.Check(t, func(t *rapid.T) {
		g := f
		g.Measured, g.Passing, g.Points = rapid.Permutation(f.Measured).Draw(t, "measured"), rapid.Permutation(f.Passing).Draw(t, "passing"), rapid.Permutation(f.Points).Draw(t, "points")
		sameMessage(t, lookedBack(t, g), want)
	})
	if len(want.GetItems()) < 8 {
		t.Errorf("%v", want)
	}
}

func TestWhatMayChangeALookBack(t *testing.T) {
	changes := 0
	for name, m := range soundRecords(t) {
		e := Entry{Envelope: &kb.Envelope{}, Message: m}
		if MayChangeLookBack(e, "") {
			changes++
			if _, amends := m.(*kb.Amendment); MayChangeLookBack(e, "another") != amends {
				t.Errorf("%s about one instrument changes those of another", name)
			}
		} else if slices.Contains([]string{"CheckAssessment", "PullAssessment", "CoolingAssessment", "Readings", "Amendment", "LookBack"}, string(name.Name())) {
			t.Errorf("%s changes no look-back", name)
		}
	}
	if changes != 6 {
		t.Errorf("%d kinds of record may change a look-back", changes)
	}
}
