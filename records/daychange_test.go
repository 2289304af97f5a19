package records_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// D8: a deviation belongs to the day of its cause and is listed on each day
// that it stays open, and on the day it is answered.
func TestDeviationsAreListedWhileOpen(t *testing.T) {
	deviation := func(class kb.DeviationClass, withdrawn bool) Doc[*kb.Deviation] {
		return docOf(&kb.Deviation{DeviationId: "d", Class: class, At: ts("2026-03-02 07:40"), What: "Missed.", Withdrawn: withdrawn}, 9, "2026-03-02", "2026-03-02 07:40")
	}
	answer := func(day string) Doc[*kb.CorrectiveAction] {
		return docOf(&kb.CorrectiveAction{DeviationId: "d", At: ts(day + " 09:00"), Text: "Cooked on."}, 12, day, day+" 09:00")
	}
	food, process, miss := kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY, kb.DeviationClass_DEVIATION_CLASS_PROCESS, kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS
	for _, c := range []struct {
		name    string
		d       Doc[*kb.Deviation]
		actions []Doc[*kb.CorrectiveAction]
		listed  map[string]string // day: open or answered; absent: not listed
	}{
		{"never answered", deviation(food, false), nil, map[string]string{"2026-03-02": "open", "2026-03-03": "open", "2026-03-09": "open"}},
		{"answered at once", deviation(process, false), []Doc[*kb.CorrectiveAction]{answer("2026-03-02")}, map[string]string{"2026-03-02": "answered"}},
		{"answered a day later", deviation(process, false), []Doc[*kb.CorrectiveAction]{answer("2026-03-03")}, map[string]string{"2026-03-02": "open", "2026-03-03": "answered"}},
		{"answered twice", deviation(process, false), []Doc[*kb.CorrectiveAction]{answer("2026-03-02"), answer("2026-03-03")}, map[string]string{"2026-03-02": "answered", "2026-03-03": "answered"}},
		{"withdrawn", deviation(food, true), nil, map[string]string{"2026-03-02": "answered"}},
		{"opened and taken back while paper was copied", fromSheet(deviation(food, true)), nil, nil},
		{"a quality miss", deviation(miss, false), nil, map[string]string{"2026-03-02": "open"}},
	} {
		for _, day := range []string{"2026-03-02", "2026-03-03", "2026-03-09"} {
			f := DayFacts{Settings: settings("0"), Day: day, Deviations: []Doc[*kb.Deviation]{c.d}}
			for _, a := range c.actions {
				if a.Meta.GetProductionDay() <= day { // what the day's facts hold
					f.Actions = append(f.Actions, a)
				}
			}
			got := ""
			for _, d := range built(t, f).GetDeviations() {
				if d.GetCauseDay() != "2026-03-02" {
					t.Errorf("%s: caused on %s", c.name, d.GetCauseDay())
				}
				got = map[bool]string{true: "open", false: "answered"}[d.GetOpen()]
			}
			if got != c.listed[day] {
				t.Errorf("%s on %s: %q, want %q", c.name, day, got, c.listed[day])
			}
		}
	}
}

func fromSheet(d Doc[*kb.Deviation]) Doc[*kb.Deviation] {
	d.Meta.Sheet = "checks.csv"
	return d
}

// A check is missed on a day with work, by what is due for one.
func TestMissedCheck(t *testing.T) {
	retired := thermometer("TH-01", scaleC, "0.1")
	retired.Retired = true
	batch := BatchFactsOfDay{BatchFacts: BatchFacts{Batch: docHere(batchStart("L-1", "2026-03-02 07:00"))}}
	other := InstrumentFactsOfDay{Instrument: thermometer("TH-02", scaleC, "0.1"), Checks: []CheckOfDay{{Check: docHere(twoPoints()), Assessment: docHere(&kb.CheckAssessment{})}}}
	for _, c := range []struct {
		name        string
		instruments []InstrumentFactsOfDay
		batches     []BatchFactsOfDay
		want        bool
	}{
		{"no production", []InstrumentFactsOfDay{{Instrument: thermometer("TH-01", scaleC, "0.1")}}, nil, false},
		{"a batch", []InstrumentFactsOfDay{{Instrument: thermometer("TH-01", scaleC, "0.1")}}, []BatchFactsOfDay{batch}, true},
		{"a check of another", []InstrumentFactsOfDay{{Instrument: thermometer("TH-01", scaleC, "0.1")}, other}, nil, true},
		{"checked", []InstrumentFactsOfDay{{Instrument: thermometer("TH-01", scaleC, "0.1"), Checks: []CheckOfDay{{Check: docHere(twoPoints()), Assessment: docHere(&kb.CheckAssessment{})}}}}, []BatchFactsOfDay{batch}, false},
		{"a reference", []InstrumentFactsOfDay{{Instrument: referenceProbe()}, other}, nil, false},
		{"out of the rack", []InstrumentFactsOfDay{{Instrument: retired}, other}, nil, false},
		{"out of the rack and used", []InstrumentFactsOfDay{{Instrument: retired}}, []BatchFactsOfDay{batch}, true},
	} {
		got := built(t, DayFacts{Settings: settings("0"), Day: today, Instruments: c.instruments, Batches: c.batches})
		for _, i := range got.GetInstruments() {
			if id := i.GetInstrument().GetInstrumentId(); id != "TH-02" && i.GetMissedCheck() != c.want {
				t.Errorf("%s: %s missed %v", c.name, id, i.GetMissedCheck())
			}
		}
	}
}

func TestBatchOfADay(t *testing.T) {
	wanted := fondant()
	wanted.CoolingRequired = true
	b := BatchFactsOfDay{BatchFacts: BatchFacts{Batch: docHere(batchStart("L-1", "2026-03-02 07:00")), Formula: docHere(wanted), Pull: docHere(&kb.Pull{LotCode: "L-1"})}}
	b.Batch.Record.Note = "copper pan"
	if d := b.Day(); !d.GetCoolingMissing() || d.GetEndedAt() != nil || d.GetDisposition() != nil || !slices.Equal(d.GetNotes(), []string{"copper pan"}) {
		t.Errorf("%v", d)
	}
	cooling := b
	cooling.Cooling = series("09:00 60.0")
	voided := b
	voided.Void = docHere(&kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"})
	hot := b
	hot.Pull = Doc[*kb.Pull]{}
	if cooling.Day().GetCoolingMissing() || voided.Day().GetCoolingMissing() || hot.Day().GetCoolingMissing() || voided.Day().GetVoidReason() != "opened twice" {
		t.Error("cooling is missed where it is not due")
	}
}

func TestDayWithoutWork(t *testing.T) {
	m := site("0")
	m.Zone = "Europe/Oslo"
	c := built(t, DayFacts{Settings: settingsOf(m), Day: "2026-03-28"})
	// The clocks change on 29 March 2026 (IANA time zone database): 23 hours.
	if c.GetUtcOffsetS() != 3600 || c.GetTo().AsTime().Sub(c.GetFrom().AsTime()).Hours() != 23 || len(c.GetBatches())+len(c.GetInstruments())+len(c.GetMarked()) != 0 {
		t.Errorf("%v", c)
	}
	_, err := BuildDay(DayFacts{Settings: settingsOf(m), Day: "28 March"})
	refused(t, err, ErrInvalid, `production_day: "28 March" is not a day (write it YYYY-MM-DD)`)
}

// Which entries may change a day that was shown: those of the day and earlier
// ones, settings, and sheets that touch it; never reviews, seals and logs.
func TestWhatMayChangeADay(t *testing.T) {
	never := []string{"DayReview", "DaySeal", "LogSealed", "LedgerRestored"}
	for name, m := range soundRecords(t) {
		for day, want := range map[string]bool{"2026-03-01": true, "2026-03-02": true, "2026-03-03": false} {
			kind := string(name.Name())
			switch {
			case slices.Contains(never, kind):
				want = false
			case kind == "Site":
				want = true
			case kind == "SheetTaken":
				want = true // the record touches 2026-03-02, the day asked for
			}
			if got := MayChangeDay(Entry{Envelope: &kb.Envelope{ProductionDay: day}, Message: m}, "2026-03-02"); got != want {
				t.Errorf("%s of %s: may change 2026-03-02: %v", kind, day, got)
			}
		}
	}
	if MayChangeDay(Entry{Envelope: &kb.Envelope{ProductionDay: "2026-03-02"}, Message: &kb.SheetTaken{ProductionDays: []string{"2026-03-01", "2026-03-03"}}}, "2026-03-02") {
		t.Error("a sheet of other days changes the day")
	}
}

func TestContentChanges(t *testing.T) {
	base := func() *kb.DayContent {
		c := built(t, busyDay(t))
		return c
	}
	for _, c := range []struct {
		name   string
		change func(*kb.DayContent)
		want   []string
	}{
		{"nothing", func(*kb.DayContent) {}, []string{"Nothing: reviewed after it was sealed."}},
		{"particulars", func(c *kb.DayContent) { c.Sheets = nil }, []string{"Other particulars of the day changed."}},
		{"a check", func(c *kb.DayContent) {
			c.Instruments[3].Checks = append(c.Instruments[3].Checks, &kb.CheckDay{})
			c.Instruments[3].MissedCheck = false
		}, []string{"One check added for TH-03."}},
		{"two checks", func(c *kb.DayContent) { c.Instruments[3].Checks = []*kb.CheckDay{{}, {}} }, []string{"2 checks added for TH-03."}},
		{"a check judged anew", func(c *kb.DayContent) { c.Instruments[1].Standing = checkIn }, []string{"TH-01: what its checks showed, or its standing, changed."}},
		{"an instrument gone", func(c *kb.DayContent) { c.Instruments = c.Instruments[:3] }, []string{"Instrument TH-03 no longer listed."}},
		{"an instrument more", func(c *kb.DayContent) {
			c.Instruments = append(c.Instruments, &kb.InstrumentDay{Instrument: thermometer("TH-09", scaleC, "1")})
		}, []string{"Instrument TH-09 added, with no check."}},
		{"a batch more, and what it was measured with", func(c *kb.DayContent) {
			c.Batches = append(c.Batches, &kb.BatchDay{Start: batchStart("L-4", "2026-03-02 09:00")})
			c.Instruments[1].Lots = append(c.Instruments[1].Lots, "L-4")
		}, []string{"Batch L-4 added."}},
		{"a batch gone", func(c *kb.DayContent) { c.Batches = c.Batches[1:] }, []string{"Batch L-1 no longer listed."}},
		{"a batch, everything", func(c *kb.DayContent) {
			b := c.Batches[0]
			b.Pull.Stage, b.CoolingResult.Readings, b.Disposition.Reason, b.VoidReason, b.YieldKg = "burnt", 9, "released", "opened twice", dec("5.2")
		}, []string{"Batch L-1: pull judged anew, cooling clock carried on or judged anew, disposition, voided, yield."}},
		{"a reading", func(c *kb.DayContent) { c.Batches[0].Cook[0].Samples[0].Micro++ }, []string{"Batch L-1: readings or particulars."}},
		{"a deviation more", func(c *kb.DayContent) {
			c.Deviations = append(c.Deviations, &kb.DeviationDay{Deviation: &kb.Deviation{DeviationId: "new", What: "Missed.", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS}})
		}, []string{"Deviation added: Missed."}},
		{"a quality miss is no deviation", func(c *kb.DayContent) {
			c.Deviations = append(c.Deviations, &kb.DeviationDay{Deviation: &kb.Deviation{DeviationId: "new", What: "Too pale.", Class: kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS}})
		}, []string{"Quality miss added: Too pale."}},
		{"deviations", func(c *kb.DayContent) {
			c.Deviations[0].Deviation.Withdrawn = true
			c.Deviations[1].Actions = append(c.Deviations[1].Actions, &kb.CorrectiveAction{})
			c.Deviations[2].Deviation.What = "Second, in other words."
		}, []string{"Deviation withdrawn: Yesterday's.", "Corrective action added: First.", "Deviation reworded: Second, in other words."}},
		{"a deviation gone, one answered otherwise", func(c *kb.DayContent) { c.Deviations = c.Deviations[:2]; c.Deviations[0].Open = false }, []string{"Deviation changed: Yesterday's.", "Deviation no longer listed: Second."}},
		{"look-backs", func(c *kb.DayContent) {
			c.LookBacks[0].Items = append(c.LookBacks[0].Items, &kb.LookBackItem{LotCode: "L-7"})
			c.LookBacks[1] = &kb.LookBack{CheckId: "c-9", InstrumentId: "TH-03"}
		}, []string{"Look-back of TH-02: 2 readings, before 1 reading.", "Look-back of TH-01 no longer listed.", "Look-back of TH-03 added: 0 readings."}},
		{"a pressure", func(c *kb.DayContent) { c.Pressures = c.Pressures[1:] }, []string{"Kitchen pressures of the day: 2, before 3."}},
		{"an amendment", func(c *kb.DayContent) {
			c.Marked = append(c.Marked, &kb.MarkedRecord{Kind: kb.MarkKind_MARK_KIND_AMENDED, What: "pull of batch L-1", Struck: "reading 110.5 degC", Now: "reading 115.5 degC"}, &kb.MarkedRecord{Kind: kb.MarkKind_MARK_KIND_LATE, What: "pull of batch L-2"})
		}, []string{"Amended: pull of batch L-1, struck reading 110.5 degC, now reading 115.5 degC."}},
	} {
		after := base()
		c.change(after)
		got, err := ContentChanges(contentOf(t, base()), contentOf(t, after))
		if err != nil || fmt.Sprintf("%q", got) != fmt.Sprintf("%q", c.want) {
			t.Errorf("%s: %q (%v), want %q", c.name, got, err, c.want)
		}
	}
	if _, err := ContentChanges([]byte("{"), contentOf(t, base())); !errors.Is(err, ErrMalformed) {
		t.Errorf("%v", err)
	}
}

func contentOf(t testing.TB, c *kb.DayContent) []byte {
	t.Helper()
	b, _, err := ContentJSON(c)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// What an amendment struck and what stands now is said of every field, in the
// kitchen's own time.
func TestChangesInWords(t *testing.T) {
	m := site("0")
	m.UtcOffsetS = 3600
	s := settingsOf(m)
	full := func() *kb.Check {
		return checkOf(icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.0 C", "843.1"), comparisonPoint("2026-03-02 06:30", "150.3 C", "150.21 C"))
	}
	pull := func() *kb.Pull {
		return &kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40"), Reading: deg("110.5 C"), HighestAfter: deg("111.0 C")}
	}
	for _, c := range []struct {
		name        string
		m           proto.Message
		change      func(proto.Message)
		struck, now string
	}{
		{"a reading", full(), func(m proto.Message) { m.(*kb.Check).Points[1].Reading = deg("95.10 C") }, "boiling reading 95.0 degC", "boiling reading 95.10 degC"},
		{"everything of a point", full(), func(m proto.Message) {
			p := m.(*kb.Check).Points[1]
			p.At, p.PressureHpa, p.PressureKind, p.RollingBoilSeen, p.Note = ts("2026-03-02 06:06"), dec("1013.2"), reducedToSea, true, "steam"
		}, "boiling time 07:05:00; boiling pressure in hPa 843.1; boiling pressure kind measured; boiling rolling boil seen no; boiling note (none)", "boiling time 07:06:00; boiling pressure in hPa 1013.2; boiling pressure kind altimeter; boiling rolling boil seen yes; boiling note steam"},
		{"another instrument and ice", full(), func(m proto.Message) {
			m.(*kb.Check).InstrumentId, m.(*kb.Check).Points[0].Ice = "TH-02", kb.IceQuality_ICE_QUALITY_CUBES
		}, "instrument TH-01; ice made as crushed", "instrument TH-02; ice made as cubes"},
		{"a point less", full(), func(m proto.Message) { m.(*kb.Check).Points = m.(*kb.Check).Points[:2] }, "points ice 0.2 degC, boiling 95.0 degC, comparison 150.3 degC", "points ice 0.2 degC, boiling 95.0 degC"},
		{"a reference", full(), func(m proto.Message) { m.(*kb.Check).Points[2].ReferenceReading = deg("150.12 C") }, "comparison reference reading 150.21 degC", "comparison reference reading 150.12 degC"},
		{"readings", run("L-1", "2026-03-02 07:05", "99.8", "103.40", "104.2"), func(m proto.Message) {
			m.(*kb.Readings).Micro[1], m.(*kb.Readings).Micro[2] = micro("103.5"), micro("104.3")
		}, "at 08:06:00 103.40 degC; at 08:07:00 104.2 degC", "at 08:06:00 103.50 degC; at 08:07:00 104.3 degC"},
		{"times and instrument of a run", run("L-1", "2026-03-02 07:05", "99.8"), func(m proto.Message) {
			m.(*kb.Readings).FirstAt, m.(*kb.Readings).InstrumentId, m.(*kb.Readings).Series = ts("2026-03-02 07:15"), "TH-02", kb.SeriesKind_SERIES_KIND_COOLING
		}, "instrument TH-01; series cook; at 08:05:00 99.8 degC", "instrument TH-02; series cooling; at 08:15:00 99.8 degC"},
		{"a run cut short", run("L-1", "2026-03-02 07:05", "99.8", "103.40"), func(m proto.Message) {
			r := m.(*kb.Readings)
			r.Micro, r.AfterMs, r.Decimals = r.Micro[:1], r.AfterMs[:1], r.Decimals[:1]
		}, "2 readings from 08:05:00 to 08:06:00", "1 reading at 08:05:00"},
		{"a pull, another day", pull(), func(m proto.Message) { m.(*kb.Pull).At, m.(*kb.Pull).HighestAfter = ts("2026-03-03 07:40"), nil }, "time 2026-03-02 08:40:00; highest after 111.0 degC", "time 2026-03-03 08:40:00; highest after (none)"},
		{"a batch", batchStart("L-1", "2026-03-02 07:00"), func(m proto.Message) {
			b := m.(*kb.BatchStart)
			b.InstrumentId, b.StartedAt, b.SolidsKg, b.Vessel = "TH-02", ts("2026-03-02 07:10"), nil, ""
		}, "instrument TH-01; start 08:00:00; dry solids in kg 4.50; vessel copper pan", "instrument TH-02; start 08:10:00; dry solids in kg (none); vessel (none)"},
		{"an end", &kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00"), YieldKg: dec("5.1")}, func(m proto.Message) { m.(*kb.BatchEnd).YieldKg = dec("5.01") }, "yield in kg 5.1", "yield in kg 5.01"},
		{"a pressure", &kb.KitchenPressure{At: ts("2026-03-02 06:00"), PressureHpa: dec("843.1"), Kind: readHere}, func(m proto.Message) { m.(*kb.KitchenPressure).PressureHpa = dec("834.1") }, "pressure in hPa 843.1", "pressure in hPa 834.1"},
		{"a stage", &kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: "soft ball"}, func(m proto.Message) { m.(*kb.ColdWaterTest).Stage = "firm ball" }, "stage soft ball", "stage firm ball"},
		{"nothing", pull(), func(proto.Message) {}, "", ""},
	} {
		after := proto.Clone(c.m)
		c.change(after)
		if struck, now := Changes(c.m, after, s); struck != c.struck || now != c.now {
			t.Errorf("%s: struck %q, now %q\nwant %q, %q", c.name, struck, now, c.struck, c.now)
		}
	}
}

func TestWords(t *testing.T) {
	for want, m := range map[string]proto.Message{
		"check of TH-01": twoPoints(), "kitchen pressure": &kb.KitchenPressure{}, "start of batch L-1": batchStart("L-1", "2026-03-02 07:00"), "readings of batch L-1": run("L-1", "2026-03-02 07:00", "1"),
		"cooling readings of batch L-1": &kb.Readings{LotCode: "L-1", Series: kb.SeriesKind_SERIES_KIND_COOLING}, "pull of batch L-1": &kb.Pull{LotCode: "L-1"}, "cold-water test of batch L-1": &kb.ColdWaterTest{LotCode: "L-1"},
		"end of batch L-1": &kb.BatchEnd{LotCode: "L-1"}, "void of batch L-1": &kb.BatchVoid{LotCode: "L-1"}, "disposition of batch L-1": &kb.Disposition{LotCode: "L-1"}, "corrective action": &kb.CorrectiveAction{},
		"deviation": &kb.Deviation{}, "amendment": &kb.Amendment{}, "Person": &kb.Person{},
	} {
		if got := What(m); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	results := map[kb.CheckResult]string{checkIn: "in tolerance", checkOut: "out of tolerance", checkProvisional: "provisionally in", checkUnshown: "cannot be shown", checkUnbelieved: "not believed", checkUnjudged: "not judged"}
	for n := range kb.CheckResult_name {
		if got, want := ResultWord(kb.CheckResult(n)), results[kb.CheckResult(n)]; got != want {
			t.Errorf("%v: %q, want %q", kb.CheckResult(n), got, want)
		}
	}
	limits := map[kb.LimitResult]string{limitMet: "met", limitMissed: "not met", limitUnshown: "cannot be shown", limitUnread: "no reading", 0: "not judged"}
	for n := range kb.LimitResult_name {
		if got, want := LimitWord(kb.LimitResult(n)), limits[kb.LimitResult(n)]; got != want {
			t.Errorf("%v: %q, want %q", kb.LimitResult(n), got, want)
		}
	}
	points := map[kb.PointKind]string{kb.PointKind_POINT_KIND_ICE: "ice", kb.PointKind_POINT_KIND_BOILING: "boiling", kb.PointKind_POINT_KIND_COMPARISON: "comparison", 0: "point"}
	for n := range kb.PointKind_name {
		if got, want := PointWord(kb.PointKind(n)), points[kb.PointKind(n)]; got != want {
			t.Errorf("%v: %q, want %q", kb.PointKind(n), got, want)
		}
	}
}
