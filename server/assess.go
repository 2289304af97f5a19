package server

import (
	"slices"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

func assessCheck(id string, act records.Act) store.Step {
	return step(func(v store.View) (records.CheckFacts, error) { return checkFacts(v, id) },
		func(f records.CheckFacts) ([]records.Draft, error) { return records.AssessCheck(f, act) })
}

// checkFacts loads a check and what its assessment rests on.
func checkFacts(v store.View, id string) (records.CheckFacts, error) {
	var f records.CheckFacts
	var err error
	if f.Known, err = get[*kb.Check](v, records.KindCheck, id); err != nil || !f.Known.Has() {
		return f, err
	}
	m := f.Known.Record
	at := m.GetPoints()[0].GetAt().AsTime()
	if f.Settings, err = settingsAt(v, at); err != nil {
		return f, err
	}
	if f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, m.GetInstrumentId(), at); err != nil {
		return f, err
	}
	if f.References, err = references(v, m, at); err != nil {
		return f, err
	}
	if f.Assessment, err = get[*kb.CheckAssessment](v, records.KindCheckAssessment, id); err != nil {
		return f, err
	}
	if f.Fault, err = get[*kb.Deviation](v, records.KindDeviation, records.JoinID("check", id)); err != nil {
		return f, err
	}
	if first := f.Known.Meta.GetAmends(); first != 0 {
		e, err := entryAt(v, first)
		if err != nil {
			return f, err
		}
		if old, ok := e.Message.(*kb.Check); ok {
			f.Struck = records.StruckPoints(old, m)
		}
	}
	return f, nil
}

func entryAt(v store.View, sequence int64) (records.Entry, error) {
	e, err := v.Entry(sequence)
	if err != nil {
		return records.Entry{}, err
	}
	return records.ParseEntry(e.Envelope)
}

func references(v store.View, m *kb.Check, at time.Time) (map[string]records.Doc[*kb.Instrument], error) {
	out := map[string]records.Doc[*kb.Instrument]{}
	for _, id := range records.ReferenceNames(m) {
		d, err := version[*kb.Instrument](v, records.KindInstrumentVersion, id, at)
		if err != nil {
			return nil, err
		}
		out[id] = d
	}
	return out, nil
}

func assessPull(lot string, act records.Act) store.Step {
	return step(func(v store.View) (records.PullFacts, error) { return pullFacts(v, lot) },
		func(f records.PullFacts) ([]records.Draft, error) { return records.AssessPull(f, act) })
}

func pullFacts(v store.View, lot string) (records.PullFacts, error) {
	var f records.PullFacts
	var err error
	if f.BatchFacts, err = batchFacts(v, lot, time.Time{}); err != nil || !f.Batch.Has() || !f.Pull.Has() {
		return f, err
	}
	at := f.Pull.Record.GetAt().AsTime()
	id := f.Batch.Record.GetInstrumentId()
	if f.Pull.Record.GetReading() == nil {
		f.Readings, _, err = readRuns(v, store.RunQuery{
			Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOK), From: at.Add(-records.PullWindow).UnixMicro(), To: at.UnixMicro() + 1, Desc: true, Limit: 8,
		})
		if err != nil {
			return f, err
		}
	}
	if f.Points, f.Adjusted, err = pointsAt(v, id, at); err != nil {
		return f, err
	}
	if f.Check, err = latest[*kb.CheckAssessment](v, records.KindCheckAssessment, "instrument", []string{id}, at); err != nil {
		return f, err
	}
	if f.Pressures, err = pressuresAt(v, f.Settings, at); err != nil {
		return f, err
	}
	if f.Assessment, err = get[*kb.PullAssessment](v, records.KindPullAssessment, lot); err != nil {
		return f, err
	}
	f.Deviations = map[string]records.Doc[*kb.Deviation]{}
	for _, l := range f.Formula.Record.GetLimits() {
		id := records.PullDeviationID(lot, l.GetName())
		d, err := get[*kb.Deviation](v, records.KindDeviation, id)
		if err != nil {
			return f, err
		}
		f.Deviations[id] = d
	}
	return f, nil
}

// pressuresAt loads the kitchen pressures that may serve at a moment, latest
// first, down to one that is not questioned; a barometer that is read wrongly
// for longer than the limit is as good as none.
func pressuresAt(v store.View, settings records.Settings, at time.Time) ([]records.PressureDoc, error) {
	const page, most = 12, 72
	var out []records.PressureDoc
	q := store.Query{Kind: records.KindPressure, Index: "at", From: records.TimeKey(at.Add(-records.PressureServes)), To: through(at), Desc: true, Limit: page}
	for len(out) < most {
		docs, err := v.Documents(q)
		if err != nil {
			return nil, err
		}
		serves := false
		for _, d := range docs {
			p, err := records.ReadDoc[*kb.KitchenPressure](d.Body)
			if err != nil {
				return nil, err
			}
			out = append(out, p)
			serves = serves || !settings.Questioned(p.Record)
		}
		if serves || len(docs) < page {
			break
		}
		q.After = docs[len(docs)-1].Cursor()
	}
	return out, nil
}

// coolingPage is how many runs of a cooling series one step reads.
const coolingPage = 50

// assessCooling judges a cooling series: it is read page by page, each in a
// step of its own, and judged as a whole.
func assessCooling(lot string, act records.Act) store.Step {
	return coolingFrom(lot, act, nil, nil, "")
}

func coolingFrom(lot string, act records.Act, readings []records.RunReading, sequences []int64, after string) store.Step {
	return store.StepFunc(func(v store.View) ([]store.Step, error) {
		runs, err := v.Runs(store.RunQuery{Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOLING), After: after, Limit: coolingPage})
		if err != nil {
			return nil, err
		}
		readings, sequences := slices.Clone(readings), slices.Clone(sequences)
		for _, r := range runs {
			more, err := records.ReadRun(r.Body)
			if err != nil {
				return nil, err
			}
			readings, sequences = append(readings, more...), append(sequences, r.Sequence)
		}
		switch {
		case len(runs) == coolingPage:
			return []store.Step{coolingFrom(lot, act, readings, sequences, runs[len(runs)-1].Cursor())}, nil
		case len(readings) == 0:
			return nil, nil
		}
		return []store.Step{step(func(v store.View) (records.CoolingFacts, error) { return coolingFacts(v, lot, readings, sequences) },
			func(f records.CoolingFacts) ([]records.Draft, error) { return records.AssessCooling(f, act) })}, nil
	})
}

func coolingFacts(v store.View, lot string, readings []records.RunReading, sequences []int64) (records.CoolingFacts, error) {
	f := records.CoolingFacts{Readings: readings, Sequences: sequences}
	var err error
	if f.BatchFacts, err = batchFacts(v, lot, time.Time{}); err != nil || !f.Batch.Has() {
		return f, err
	}
	last := f.Readings[0].At
	for _, r := range f.Readings {
		if r.At.After(last) {
			last = r.At
		}
	}
	f.Instruments, f.Points, f.Adjusted = map[string]records.Doc[*kb.Instrument]{}, map[string][]records.PointDoc{}, map[string]time.Time{}
	for _, r := range f.Readings {
		if _, ok := f.Instruments[r.Instrument]; ok {
			continue
		}
		if f.Instruments[r.Instrument], err = version[*kb.Instrument](v, records.KindInstrumentVersion, r.Instrument, r.At); err != nil {
			return f, err
		}
		if f.Points[r.Instrument], f.Adjusted[r.Instrument], err = pointsThrough(v, r.Instrument, f.Readings[0].At, last); err != nil {
			return f, err
		}
	}
	if f.Assessment, err = get[*kb.CoolingAssessment](v, records.KindCoolingAssessment, lot); err != nil {
		return f, err
	}
	f.Deviation, err = get[*kb.Deviation](v, records.KindDeviation, records.CoolingDeviationID(lot))
	return f, err
}

// pointsThrough loads the points that may correct readings between two moments.
func pointsThrough(v store.View, instrument string, first, last time.Time) ([]records.PointDoc, time.Time, error) {
	early, adjusted, err := pointsAt(v, instrument, first)
	if err != nil {
		return nil, adjusted, err
	}
	late, adjustedLater, err := pointsAt(v, instrument, last)
	if err != nil {
		return nil, adjusted, err
	}
	for _, d := range late {
		if !slices.ContainsFunc(early, func(e records.PointDoc) bool {
			return e.Meta.GetSequence() == d.Meta.GetSequence() && e.Record.GetPoints()[0].GetPoint().GetAt().AsTime().Equal(d.Record.GetPoints()[0].GetPoint().GetAt().AsTime())
		}) {
			early = append(early, d)
		}
	}
	if adjustedLater.After(adjusted) && !adjustedLater.After(first) {
		adjusted = adjustedLater
	}
	return early, adjusted, nil
}

// step makes a store step of typed facts and drafts.
func step[F any](load func(store.View) (F, error), decide func(F) ([]records.Draft, error)) store.Step {
	return store.NewStep(load, func(f F) ([]store.Draft, error) {
		drafts, err := decide(f)
		if err != nil {
			return nil, err
		}
		out := make([]store.Draft, len(drafts))
		for i, d := range drafts {
			out[i] = d
		}
		return out, nil
	})
}
