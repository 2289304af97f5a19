package records_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

const today = "2026-03-02"

// busyDay is a day on which everything happened: two instruments checked, one
// of them failing, a third not; two batches of one minute, one cooled; a late,
// a queued, an early and a questioned record; deviations of the day and before.
func busyDay(t testing.TB) DayFacts {
	s := drifting(t)
	other := newShelf(t)
	other.instrument = thermometer("TH-02", scaleF, "0.1")
	other.check(icePoint("2026-03-02 05:50", "32.2 F"), boilingPoint("2026-03-02 05:55", "204.7 F", "1013.2"))
	other.check(icePoint("2026-03-02 05:49", "32.4 F"))
	f := DayFacts{Settings: settings("1480"), Day: today, SheetRows: map[string]uint32{"checks.csv": 3, "batches.csv": 1}, Papers: map[string]string{"checks.csv": "green pad"}, People: map[string]*kb.Person{}}
	for _, p := range []string{"AB", "CD", "EF", "ZZ"} {
		f.People[p] = &kb.Person{Initials: p, PrintedName: "Person " + p, Roles: []kb.Role{kb.Role_ROLE_COOK}}
	}
	for _, x := range []*shelf{other, s} {
		i := InstrumentFactsOfDay{Instrument: x.instrument, Standing: x.lastCheck("instrument", "2026-03-02 23:59")}
		for _, c := range readAll[*kb.Check](x.book, x.index(KindCheck, "instrument", x.instrument.GetInstrumentId())) {
			if c.Meta.GetProductionDay() == today {
				i.Checks = append(i.Checks, CheckOfDay{Check: c, Assessment: lookup[*kb.CheckAssessment](x.book, KindCheckAssessment, c.Record.GetCheckId())})
			}
		}
		f.Instruments = append(f.Instruments, i)
		for _, p := range readAll[*kb.KitchenPressure](x.book, x.index(KindPressure, "at")) {
			if p.Meta.GetProductionDay() == today {
				f.Pressures = append(f.Pressures, p)
			}
		}
	}
	f.Instruments = append(f.Instruments, InstrumentFactsOfDay{Instrument: thermometer("TH-03", scaleC, "1")}, InstrumentFactsOfDay{Instrument: referenceProbe()})
	f.Pressures = append(f.Pressures, docOf(&kb.KitchenPressure{At: ts("2026-03-02 06:05"), PressureHpa: dec("843.1"), Kind: readHere}, 61, today, "2026-03-02 06:05"),
		docOf(&kb.KitchenPressure{At: ts("2026-03-02 06:05"), PressureHpa: dec("1013.0"), Kind: reducedToSea}, 62, today, "2026-03-02 06:05"))
	for n, lot := range []string{"L-2", "L-1", "L-3"} {
		start := batchStart(lot, "2026-03-02 07:00")
		b := BatchFactsOfDay{
			BatchFacts: BatchFacts{
				Settings: f.Settings, Batch: docOf(start, int64(70+n), today, "2026-03-02 07:00"), Formula: docHere(fondant()),
				End: docHere(&kb.BatchEnd{LotCode: lot, At: ts("2026-03-02 08:00"), YieldKg: dec("5.10"), Note: "a little short"}),
			},
			Cook: append(RunReadings(run(lot, "2026-03-02 07:30", "113.0", "114.5")), RunReading{At: when("2026-03-02 07:31"), Value: deg("114.4 C"), Instrument: "TH-01"}, RunReading{At: when("2026-03-02 07:31"), Value: deg("237 F"), Instrument: "TH-02"}),
		}
		facts := s.cook(fondant(), "114.5 C")
		facts.Batch.Record.LotCode = lot
		b.Pull, b.PullResult = facts.Pull, docOf(pulled(t, facts), int64(80+n), today, "2026-03-02 07:40")
		if lot == "L-1" {
			b.Cooling = series("09:00 60.0", "09:30 40.0")
			b.CoolingResult = docOf(cooled(t, s.cooling(b.Cooling)), 90, today, "2026-03-02 09:00")
			b.Disposition = docOf(&kb.Disposition{LotCode: lot, At: ts("2026-03-02 10:00"), Kind: kb.DispositionKind_DISPOSITION_KIND_HOLD, Reason: "awaits"}, 91, today, "2026-03-02 10:00")
		}
		f.Batches = append(f.Batches, b)
	}
	for n, d := range []*kb.Deviation{
		{DeviationId: "by-hand/2", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, At: ts("2026-03-02 07:00"), What: "Second."},
		{DeviationId: "by-hand/1", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, At: ts("2026-03-02 07:00"), What: "First."},
		{DeviationId: "by-hand/0", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, At: ts("2026-03-01 07:00"), What: "Yesterday's."},
	} {
		f.Deviations = append(f.Deviations, docOf(d, int64(100+n), d.GetAt().AsTime().Format(time.DateOnly), d.GetAt().AsTime().Format(time.DateTime)))
	}
	for n, text := range []string{"Pan replaced.", "Cook told.", "Told again."} {
		a := docOf(&kb.CorrectiveAction{DeviationId: "by-hand/1", At: ts("2026-03-02 09:00"), Text: text}, int64(110+n), today, "2026-03-02 09:00")
		a.Meta.Person = []string{"EF", "CD", "CD"}[n]
		f.Actions = append(f.Actions, a)
	}
	f.LookBacks = append(f.LookBacks,
		docOf(&kb.LookBack{CheckId: "c-1", InstrumentId: "TH-01", At: ts("2026-03-02 06:00"), Items: []*kb.LookBackItem{{LotCode: "L-1", At: ts("2026-03-02 07:40"), AfterFailure: true}}, Replaces: proto.Int64(119)}, 120, today, "2026-03-02 06:00"),
		docOf(&kb.LookBack{CheckId: "c-0", InstrumentId: "TH-02", At: ts("2026-03-01 06:00"), Items: []*kb.LookBackItem{{LotCode: "L-1", At: ts("2026-03-02 08:00"), AfterFailure: true}}}, 121, today, "2026-03-01 06:00"))
	for _, text := range []string{"misread", "misread again"} {
		a := docOf(&kb.Amendment{TargetSequence: 7, Reason: text}, 130, today, "2026-03-02 06:00")
		a.Meta.Person = "EF"
		now := twoPoints()
		now.Points[0].Reading = deg("0.3 C")
		f.Amendments = append(f.Amendments, AmendmentOfDay{Amendment: a, Before: twoPoints(), After: now})
	}
	f.Entries = entriesOfDay(f.Settings)
	return f
}

// entriesOfDay are the entries that people made, one of each mark.
func entriesOfDay(s Settings) []EntryOfDay {
	batch := batchStart("L-1", "2026-03-02 07:00")
	entry := func(m proto.Message, at, recorded, person string, change func(*kb.Document)) EntryOfDay {
		d := &kb.Document{OccurredAt: ts(at), RecordedAt: ts(recorded), ProductionDay: today, Person: person}
		if change != nil {
			change(d)
		}
		return DayEntry(s, m, d, batch)
	}
	pull := &kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40")}
	return []EntryOfDay{
		entry(batch, "2026-03-02 07:00", "2026-03-02 07:15", "AB", nil),                                                             // 15 min: not late
		entry(pull, "2026-03-02 07:40", "2026-03-02 07:55:01", "AB", nil),                                                           // late
		entry(run("L-1", "2026-03-02 07:30", "113.0", "114.5"), "2026-03-02 07:30", "2026-03-02 07:46", "AB", nil),                  // late counts from its last reading: not late
		entry(run("L-1", "2026-03-02 06:30", "20.0"), "2026-03-02 06:30", "2026-03-02 06:31", "AB", nil),                            // questioned
		entry(&kb.BatchEnd{LotCode: "L-1"}, "2026-03-02 08:00", "2026-03-02 12:00", "CD", func(d *kb.Document) { d.Queued = true }), // queued, not late
		entry(&kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41")}, "2026-03-02 07:41", "2026-03-02 07:39", "AB", nil),     // ahead
		entry(&kb.KitchenPressure{At: ts("2026-03-02 05:55"), PressureHpa: dec("1013.2"), Kind: readHere}, "2026-03-02 05:55", "2026-03-02 05:56", "AB", nil),
		entry(twoPoints(), "2026-03-02 06:00", "2026-03-05 06:00", "AB", func(d *kb.Document) { d.TranscribedBy, d.Sheet = "CD", "checks.csv" }), // paper: with its sheet
		entry(&kb.Disposition{LotCode: "L-1"}, "2026-03-02 10:00", "2026-03-02 10:01", "ZZ", nil),                                                // a decision makes no maker
	}
}

func built(t tester, f DayFacts) *kb.DayContent {
	t.Helper()
	c, err := BuildDay(f)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return c
}

// The same records give the same bytes whatever order they came in (D5, D14),
// and nothing given is touched.
func TestDayIgnoresOrder(t *testing.T) {
	f := busyDay(t)
	want, hash, err := ContentJSON(built(t, f))
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		g := f
		g.Instruments, g.Pressures, g.Batches = shuffled(t, f.Instruments), shuffled(t, f.Pressures), shuffled(t, f.Batches)
		g.Deviations, g.Actions, g.LookBacks = shuffled(t, f.Deviations), shuffled(t, f.Actions), shuffled(t, f.LookBacks)
		g.Amendments, g.Entries = shuffled(t, f.Amendments), shuffled(t, f.Entries)
		for i := range g.Instruments {
			g.Instruments[i].Checks = shuffled(t, g.Instruments[i].Checks)
		}
		for i := range g.Batches {
			g.Batches[i].Cook, g.Batches[i].Cooling = shuffled(t, g.Batches[i].Cook), shuffled(t, g.Batches[i].Cooling)
		}
		order := fmt.Sprint(g.Batches[0].Batch.Record.GetLotCode(), g.Instruments[0].Instrument.GetInstrumentId())
		got, again, err := ContentJSON(built(t, g))
		if err != nil || string(got) != string(want) || again != hash {
			t.Fatalf("%v\n%s\nwant\n%s", err, got, want)
		}
		if fmt.Sprint(g.Batches[0].Batch.Record.GetLotCode(), g.Instruments[0].Instrument.GetInstrumentId()) != order {
			t.Fatal("the facts were rearranged")
		}
	})
}

func shuffled[T any](t *rapid.T, list []T) []T {
	if len(list) == 0 {
		return list
	}
	return slices.Clone(rapid.Permutation(list).Draw(t, "order"))
}

// A day's content holds no ledger position and no sequence number (D14).
func TestDayHoldsNoSequenceNumbers(t *testing.T) {
	b, _, err := ContentJSON(built(t, busyDay(t)))
	if err != nil {
		t.Fatal(err)
	}
	for _, word := range []string{"equence", `"inputs"`, `"replaces"`, "ledgerSize", `"review`, "checkpoint"} {
		if strings.Contains(string(b), word) {
			t.Errorf("%s is in the content", word)
		}
	}
	if strings.Contains(string(b), ": ") && strings.Contains(string(b), `": "`) {
		t.Error("the content is not compact")
	}
}

func TestDayShowsWhatHappened(t *testing.T) {
	c := built(t, busyDay(t))
	if c.GetFrom().AsTime() != when("2026-03-02 04:00") || c.GetTo().AsTime() != when("2026-03-03 04:00") || c.GetRulesVersion() != RulesVersion || c.GetUtcOffsetS() != 0 {
		t.Errorf("%v to %v", c.GetFrom().AsTime(), c.GetTo().AsTime())
	}
	var instruments []string
	for _, i := range c.GetInstruments() {
		instruments = append(instruments, fmt.Sprintf("%s %d %v %v", i.GetInstrument().GetInstrumentId(), len(i.GetChecks()), i.GetMissedCheck(), i.GetLots()))
	}
	// TH-03 was not checked, and that is missed; a reference is not due.
	if want := []string{"REF-1 0 false []", "TH-01 1 false [L-1 L-2 L-3]", "TH-02 2 false [L-1 L-2 L-3]", "TH-03 0 true []"}; !slices.Equal(instruments, want) {
		t.Errorf("%q", instruments)
	}
	if i := c.GetInstruments()[1]; i.GetStanding() != checkOut || i.GetStandingAt().AsTime() != when("2026-03-02 06:00") || i.GetChecks()[0].GetBy().GetInitials() != "AB" {
		t.Errorf("%v", i)
	}
	for _, b := range c.GetBatches() {
		if len(b.GetCook()) != 2 || len(b.GetCook()[0].GetSamples()) != 3 || b.GetCook()[0].GetSamples()[1].GetAfterMs() != 60_000 || FormatDecimal(b.GetYieldKg()) != "5.10" || !slices.Equal(b.GetNotes(), []string{"a little short"}) || b.GetPull() == nil {
			t.Errorf("%v", b)
		}
	}
	var deviations []string
	for _, d := range c.GetDeviations() {
		deviations = append(deviations, fmt.Sprintf("%s %v %d", d.GetDeviation().GetDeviationId(), d.GetOpen(), len(d.GetActions())))
	}
	if want := []string{"by-hand/0 true 0", "by-hand/1 false 3", "by-hand/2 true 0"}; !slices.Equal(deviations, want) {
		t.Errorf("%q", deviations)
	}
	// The earlier look-back shows what it gathered on this day; one that gathered nothing is not shown.
	if l := c.GetLookBacks(); len(l) != 2 || l[0].GetCheckId() != "c-0" || len(l[0].GetItems()) != 1 || l[1].GetCheckId() != "c-1" || len(l[1].GetItems()) != 1 {
		t.Errorf("%v", l)
	}
	if s := c.GetSheets(); len(s) != 2 || s[0].GetSheet() != "batches.csv" || s[1].GetRows() != 3 || s[1].GetPaper() != "green pad" {
		t.Errorf("%v", s)
	}
	// Printed names of all initials that occur, and no others.
	var people []string
	for _, p := range c.GetPeople() {
		people = append(people, p.GetInitials())
	}
	if !slices.Equal(people, []string{"AB", "CD", "EF"}) {
		t.Errorf("%v", people)
	}
	if got := busyDay(t).Makers(); !slices.Equal(got, []string{"AB", "CD", "EF"}) {
		t.Errorf("makers: %v", got)
	}
	var pressures []string
	for _, p := range c.GetPressures() {
		pressures = append(pressures, fmt.Sprintf("%s %v %v", FormatDecimal(p.GetPressureHpa()), p.GetKind().Number(), p.GetQuestioned()))
	}
	// Read twice at one moment it is printed once; what was not used is printed as read.
	if want := []string{"1013.2 1 true", "843.1 1 false", "847.7 2 false"}; !slices.Equal(pressures, want) {
		t.Errorf("%q", pressures)
	}
}

func TestMarksOfADay(t *testing.T) {
	var got []string
	for _, m := range built(t, busyDay(t)).GetMarked() {
		got = append(got, fmt.Sprintf("%d %s %s %s | %s | %s | %s", m.GetKind(), m.GetAt().AsTime().Format("15:04"), m.GetInitials(), m.GetWhat(), m.GetStruck(), m.GetNow(), m.GetReason()))
	}
	want := []string{
		"5 05:55 AB kitchen pressure: 1013.2 hPa does not fit an elevation of 1480 m; a sea-level figure? It was not used |  |  | ",
		"3 06:00 EF check of TH-01 | ice reading 0.2 degC | ice reading 0.3 degC | misread",
		"3 06:00 EF check of TH-01 | ice reading 0.2 degC | ice reading 0.3 degC | misread again",
		"5 06:30 AB readings of batch L-1: read before the batch began |  |  | ",
		"1 07:40 AB pull of batch L-1 |  |  | ", "4 07:41 AB cold-water test of batch L-1 |  |  | ", "2 08:00 CD end of batch L-1 |  |  | ",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
