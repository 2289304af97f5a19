package server

import (
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// batchOfDay loads a batch with everything hung on it.
func batchOfDay(v store.View, lot string) (records.BatchFactsOfDay, error) {
	var b records.BatchFactsOfDay
	var err error
	if b.BatchFacts, err = batchFacts(v, lot, time.Time{}); err != nil || !b.Batch.Has() {
		return b, err
	}
	if b.Batch, err = origin(v, b.Batch); err != nil {
		return b, err
	}
	for r, err := range store.AllRuns(v, store.RunQuery{Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOK)}) {
		if err != nil {
			return b, err
		}
		if b.Cook, err = appendRun(b.Cook, r); err != nil {
			return b, err
		}
	}
	for r, err := range store.AllRuns(v, store.RunQuery{Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOLING)}) {
		if err != nil {
			return b, err
		}
		if b.Cooling, err = appendRun(b.Cooling, r); err != nil {
			return b, err
		}
	}
	if b.PullResult, err = get[*kb.PullAssessment](v, records.KindPullAssessment, lot); err != nil {
		return b, err
	}
	if b.CoolingResult, err = get[*kb.CoolingAssessment](v, records.KindCoolingAssessment, lot); err != nil {
		return b, err
	}
	b.Disposition, err = get[*kb.Disposition](v, records.KindDisposition, lot)
	return b, err
}

func appendRun(out []records.RunReading, r store.Run) ([]records.RunReading, error) {
	readings, err := records.ReadRun(r.Body)
	return append(out, readings...), err
}

// dayFacts loads everything that a production day shows.
func dayFacts(v store.View, day string, now time.Time) (records.DayFacts, error) {
	f := records.DayFacts{Day: day, SheetRows: map[string]uint32{}, Papers: map[string]string{}, People: map[string]*kb.Person{}}
	var err error
	noon, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return f, &records.FieldError{Kind: records.ErrInvalid, Field: "production_day", Problem: "is no day", Cure: "write it YYYY-MM-DD"}
	}
	if f.Settings, err = settingsAt(v, noon.Add(12*time.Hour)); err != nil {
		return f, err
	}
	from, to, err := f.Settings.Bounds(day)
	if err != nil {
		return f, err
	}
	if f.Settings, err = settingsAt(v, from); err != nil {
		return f, err
	}
	used := map[string]bool{}
	checks := map[string][]records.CheckOfDay{}
	sheets := map[int64]bool{}
	for d, err := range store.AllOfDay(v, store.DayQuery{Day: day}) {
		if err != nil {
			return f, err
		}
		if d.Kind == records.KindSheetRow {
			sheets[d.Sequence] = true
		}
		if err := takeDoc(v, &f, d, used, checks); err != nil {
			return f, err
		}
	}
	if err := papersOfDay(v, &f, sheets); err != nil {
		return f, err
	}
	for _, b := range f.Batches {
		for _, r := range slices.Concat(b.Cook, b.Cooling) {
			used[r.Instrument] = true
		}
	}
	if err := rackOfDay(v, &f, to, used, checks); err != nil {
		return f, err
	}
	if err := deviationsOfDay(v, &f, to); err != nil {
		return f, err
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindPerson}) {
		if err != nil {
			return f, err
		}
		p, err := version[*kb.Person](v, records.KindPersonVersion, d.ID, to)
		if err != nil {
			return f, err
		}
		f.People[d.ID] = p.Record
	}
	return f, nil
}

// takeDoc sorts one document of the day into the facts.
func takeDoc(v store.View, f *records.DayFacts, d store.Doc, used map[string]bool, checks map[string][]records.CheckOfDay) error {
	switch d.Kind {
	case records.KindBatch:
		b, err := batchOfDay(v, d.ID)
		if err != nil {
			return err
		}
		f.Batches = append(f.Batches, b)
		used[b.Batch.Record.GetInstrumentId()] = true
		if err := takeEntry(v, f, b.Batch); err != nil {
			return err
		}
		return takeRuns(v, f, b)
	case records.KindCheck:
		c, err := records.ReadDoc[*kb.Check](d.Body)
		if err != nil {
			return err
		}
		a, err := get[*kb.CheckAssessment](v, records.KindCheckAssessment, d.ID)
		if err != nil {
			return err
		}
		if c, err = origin(v, c); err != nil {
			return err
		}
		checks[c.Record.GetInstrumentId()] = append(checks[c.Record.GetInstrumentId()], records.CheckOfDay{Check: c, Assessment: a})
		used[c.Record.GetInstrumentId()] = true
		for _, id := range records.ReferenceNames(c.Record) {
			used[id] = true
		}
		return takeEntry(v, f, c)
	case records.KindPressure:
		p, err := records.ReadDoc[*kb.KitchenPressure](d.Body)
		if err != nil {
			return err
		}
		f.Pressures = append(f.Pressures, p)
		if e := records.DayEntry(f.Settings, p.Record, p.Meta, nil); strings.Contains(d.ID, "\x1f") && e.Questioned == "" {
			return nil // it came with a check, which is noted itself
		}
		return takeEntry(v, f, p)
	case records.KindPull:
		return takeKind[*kb.Pull](v, f, d)
	case records.KindColdWater:
		return takeKind[*kb.ColdWaterTest](v, f, d)
	case records.KindBatchEnd:
		return takeKind[*kb.BatchEnd](v, f, d)
	case records.KindBatchVoid:
		return takeKind[*kb.BatchVoid](v, f, d)
	case records.KindDisposition:
		return takeKind[*kb.Disposition](v, f, d)
	case records.KindAction:
		return takeKind[*kb.CorrectiveAction](v, f, d)
	case records.KindDeviation:
		m, err := records.ReadDoc[*kb.Deviation](d.Body)
		if err != nil {
			return err
		}
		f.Deviations = append(f.Deviations, m)
	case records.KindAmendment:
		return takeAmendment(v, f, d)
	case records.KindLookBack:
		l, err := records.ReadDoc[*kb.LookBack](d.Body)
		if err != nil {
			return err
		}
		f.LookBacks = append(f.LookBacks, l)
	case records.KindSheetRow:
		r, err := records.ReadDoc[*kb.SheetRowTaken](d.Body)
		if err != nil {
			return err
		}
		f.SheetRows[r.Meta.GetSheet()]++
	}
	return nil
}

// papersOfDay names the papers that rows of the day were copied from; entries
// are those that took the sheets.
func papersOfDay(v store.View, f *records.DayFacts, entries map[int64]bool) error {
	papers := map[string][]string{}
	for sequence := range entries {
		e, err := entryAt(v, sequence)
		if err != nil {
			return err
		}
		m, ok := e.Message.(*kb.SheetTaken)
		if !ok || m.GetPaper() == "" || slices.Contains(papers[m.GetSheet()], m.GetPaper()) {
			continue
		}
		papers[m.GetSheet()] = append(papers[m.GetSheet()], m.GetPaper())
	}
	for sheet, names := range papers {
		slices.Sort(names)
		f.Papers[sheet] = strings.Join(names, "; ")
	}
	return nil
}

func takeKind[M proto.Message](v store.View, f *records.DayFacts, d store.Doc) error {
	doc, err := records.ReadDoc[M](d.Body)
	if err != nil {
		return err
	}
	return takeEntry(v, f, doc)
}

func takeEntry[M proto.Message](v store.View, f *records.DayFacts, d records.Doc[M]) error {
	d, err := origin(v, d)
	if err != nil {
		return err
	}
	var b *kb.BatchStart
	if p, ok := proto.Message(d.Record).(interface{ GetLotCode() string }); ok {
		start, err := get[*kb.BatchStart](v, records.KindBatch, p.GetLotCode())
		if err != nil {
			return err
		}
		b = start.Record
	}
	f.Entries = append(f.Entries, records.DayEntry(f.Settings, d.Record, d.Meta, b))
	return nil
}

// takeRuns notes the entries that carried a batch's readings.
func takeRuns(v store.View, f *records.DayFacts, b records.BatchFactsOfDay) error {
	lot := b.Batch.Record.GetLotCode()
	for _, series := range []kb.SeriesKind{kb.SeriesKind_SERIES_KIND_COOK, kb.SeriesKind_SERIES_KIND_COOLING} {
		for r, err := range store.AllRuns(v, store.RunQuery{Series: records.SeriesKey(lot, series)}) {
			if err != nil {
				return err
			}
			e, err := entryAt(v, r.Sequence)
			if err != nil {
				return err
			}
			f.Entries = append(f.Entries, records.DayEntry(f.Settings, e.Message, e.Meta(), b.Batch.Record))
		}
	}
	return nil
}

// takeAmendment loads an amendment with the record before and after it.
func takeAmendment(v store.View, f *records.DayFacts, d store.Doc) error {
	a, err := records.ReadDoc[*kb.Amendment](d.Body)
	if err != nil {
		return err
	}
	target := records.SequenceKey(a.Record.GetTargetSequence())
	first, err := entryAt(v, a.Record.GetTargetSequence())
	if err != nil {
		return err
	}
	before := first.Message
	chain, err := list[*kb.Amendment](v, store.Query{Kind: records.KindAmendment, Index: "target", From: target, To: target + "\x7f", Limit: 100})
	if err != nil {
		return err
	}
	for _, c := range chain {
		if c.Meta.GetSequence() >= a.Meta.GetSequence() {
			break
		}
		if before, err = c.Record.GetReplacement().UnmarshalNew(); err != nil {
			return err
		}
	}
	after, err := a.Record.GetReplacement().UnmarshalNew()
	if err != nil {
		return err
	}
	f.Amendments = append(f.Amendments, records.AmendmentOfDay{Amendment: a, Before: before, After: after})
	return nil
}

// rackOfDay loads the instruments in the register by the end of the day and
// those used on it.
func rackOfDay(v store.View, f *records.DayFacts, to time.Time, used map[string]bool, checks map[string][]records.CheckOfDay) error {
	last := to.Add(-time.Microsecond)
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindInstrument}) {
		if err != nil {
			return err
		}
		i, err := version[*kb.Instrument](v, records.KindInstrumentVersion, d.ID, to)
		if err != nil {
			return err
		}
		fact := records.InstrumentFactsOfDay{Instrument: i.Record, Checks: checks[d.ID]}
		if fact.Standing, err = latest[*kb.CheckAssessment](v, records.KindCheckAssessment, "instrument", []string{d.ID}, last); err != nil {
			return err
		}
		// In the rack: registered by then, or known to be here from an earlier
		// check (paper may be typed in long after).
		inRack := i.Meta.GetProductionDay() <= f.Day || fact.Standing.Has()
		if !used[d.ID] && (!inRack || i.Record.GetRetired()) {
			continue
		}
		prefix := records.PointKey(d.ID, kb.PointKind_POINT_KIND_COMPARISON, time.Time{})
		prefix = prefix[:len(prefix)-len(records.TimeKey(time.Time{}))]
		points, err := list[*kb.CheckAssessment](v, store.Query{Kind: records.KindPoint, Index: "point", From: prefix, To: prefix + through(last), Desc: true, Limit: 1})
		if err != nil {
			return err
		}
		if len(points) > 0 {
			fact.Comparison = points[0]
		}
		f.Instruments = append(f.Instruments, fact)
	}
	return nil
}

// deviationsOfDay adds earlier deviations that stand to those of the day, and
// their answers up to the day.
func deviationsOfDay(v store.View, f *records.DayFacts, to time.Time) error {
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindDeviation, Index: "standing", To: records.TimeKey(to)}) {
		if err != nil {
			return err
		}
		if d.Day >= f.Day {
			continue
		}
		doc, err := records.ReadDoc[*kb.Deviation](d.Body)
		if err != nil {
			return err
		}
		f.Deviations = append(f.Deviations, doc)
	}
	for _, d := range f.Deviations {
		id := d.Record.GetDeviationId()
		for a, err := range store.AllDocuments(v, store.Query{Kind: records.KindAction, Index: "deviation", From: records.JoinKey(id, ""), To: below(id), Limit: 50}) {
			if err != nil {
				return err
			}
			if a.Day > f.Day {
				continue
			}
			doc, err := records.ReadDoc[*kb.CorrectiveAction](a.Body)
			if err != nil {
				return err
			}
			f.Actions = append(f.Actions, doc)
		}
	}
	return nil
}
