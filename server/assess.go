package server

import (
	"slices"
	"strings"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// touched collects what a command changed, so that every conclusion that
// rests on it is drawn again in the same command. It is filled on the
// writer's turn and read there.
type touched struct {
	checks      []string
	lots        []string
	instruments map[string]time.Time // earliest moment changed
	pressures   []time.Time
}

func (t *touched) check(id, instrument string, at time.Time, pressure bool) {
	t.checks = append(t.checks, id)
	t.instrument(instrument, at)
	if pressure {
		t.pressures = append(t.pressures, at)
	}
}

func (t *touched) lot(lot string) {
	if !slices.Contains(t.lots, lot) {
		t.lots = append(t.lots, lot)
	}
}

func (t *touched) instrument(id string, at time.Time) {
	if t.instruments == nil {
		t.instruments = map[string]time.Time{}
	}
	if old, ok := t.instruments[id]; !ok || at.Before(old) {
		t.instruments[id] = at
	}
}

// lotsAfterChange is how many batches after a change are judged again with it
// in one command; what lies beyond is reached by its own later changes.
const lotsAfterChange = 150

// reassess is the step that follows every claim: it draws again, in this
// order, conclusions about checks, then pulls and cooling series.
func (s *Server) reassess(t *touched, act records.Act) store.Step {
	return store.StepFunc(func(v store.View) ([]store.Step, error) {
		var steps []store.Step
		for _, id := range t.checks {
			steps = append(steps, assessCheck(id, act))
		}
		// Batches are looked up after the checks were judged.
		return append(steps, store.StepFunc(func(v store.View) ([]store.Step, error) {
			lots := slices.Clone(t.lots)
			more, err := lotsConcerned(v, t)
			if err != nil {
				return nil, err
			}
			for _, lot := range more {
				if !slices.Contains(lots, lot) {
					lots = append(lots, lot)
				}
			}
			var steps []store.Step
			for _, lot := range lots {
				steps = append(steps, assessPull(lot, act), assessCooling(lot, act))
			}
			return steps, nil
		})), nil
	})
}

// lotsConcerned lists batches measured with a changed instrument, or cooked
// under a changed pressure.
func lotsConcerned(v store.View, t *touched) ([]string, error) {
	var out []string
	add := func(lot string) {
		if !slices.Contains(out, lot) {
			out = append(out, lot)
		}
	}
	for id, from := range t.instruments {
		docs, err := v.Documents(store.Query{Kind: records.KindBatch, Index: "instrument", From: records.JoinKey(id, records.TimeKey(from.Add(-24*time.Hour))), To: below(id), Limit: lotsAfterChange})
		if err != nil {
			return nil, err
		}
		for _, d := range docs {
			add(d.ID)
		}
		runs, err := v.Runs(store.RunQuery{Instrument: id, From: from.UnixMicro(), Limit: lotsAfterChange})
		if err != nil {
			return nil, err
		}
		for _, r := range runs {
			if lot, ok := strings.CutPrefix(r.Series, records.JoinKey("cooling", "")); ok {
				add(lot)
			}
		}
	}
	for _, at := range t.pressures {
		settings, err := settingsAt(v, at)
		if err != nil {
			return nil, err
		}
		next, err := v.Documents(store.Query{Kind: records.KindPressure, Index: "at", From: through(at), Limit: 1})
		if err != nil {
			return nil, err
		}
		to := at.Add(7 * 24 * time.Hour)
		if len(next) > 0 {
			d, err := records.ReadDoc[*kb.KitchenPressure](next[0].Body)
			if err != nil {
				return nil, err
			}
			if n := d.Record.GetAt().AsTime(); n.Before(to) {
				to = n
			}
		}
		for day := at.Add(-24 * time.Hour); !day.After(to.Add(24 * time.Hour)); day = day.Add(24 * time.Hour) {
			docs, err := v.Day(store.DayQuery{Day: settings.Day(day), Kind: records.KindBatch, Limit: lotsAfterChange})
			if err != nil {
				return nil, err
			}
			for _, d := range docs {
				add(d.ID)
			}
		}
	}
	slices.Sort(out)
	return out, nil
}

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
	if f.Pressures, err = list[*kb.KitchenPressure](v, store.Query{Kind: records.KindPressure, Index: "at", To: through(at), Desc: true, Limit: 12}); err != nil {
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

// coolingRuns is the most runs of one cooling series that are judged.
const coolingRuns = 100

func assessCooling(lot string, act records.Act) store.Step {
	return step(func(v store.View) (records.CoolingFacts, error) { return coolingFacts(v, lot) },
		func(f records.CoolingFacts) ([]records.Draft, error) { return records.AssessCooling(f, act) })
}

func coolingFacts(v store.View, lot string) (records.CoolingFacts, error) {
	var f records.CoolingFacts
	var err error
	f.Readings, f.Sequences, err = readRuns(v, store.RunQuery{Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOLING), Limit: coolingRuns})
	if err != nil || len(f.Readings) == 0 {
		return f, err
	}
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
