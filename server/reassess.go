package server

import (
	"slices"
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
	instruments map[string]time.Time // earliest check that changed
	pressures   []time.Time
}

// check notes a check as it stands or stood: its first point, and the kitchen
// pressures read with it.
func (t *touched) check(m *kb.Check) {
	id, instrument, at := m.GetCheckId(), m.GetInstrumentId(), records.RecordTime(m)
	if !slices.Contains(t.checks, id) {
		t.checks = append(t.checks, id)
	}
	if t.instruments == nil {
		t.instruments = map[string]time.Time{}
	}
	if old, ok := t.instruments[instrument]; !ok || at.Before(old) {
		t.instruments[instrument] = at
	}
	t.pressures = append(t.pressures, records.PressureTimes(m)...)
}

func (t *touched) lot(lot string) {
	if !slices.Contains(t.lots, lot) {
		t.lots = append(t.lots, lot)
	}
}

// reassess is the step that follows every claim: it draws again, in this
// order, conclusions about checks, then pulls and cooling series.
func (s *Server) reassess(t *touched, act records.Act) store.Step {
	return store.StepFunc(func(store.View) ([]store.Step, error) {
		var steps []store.Step
		for _, id := range t.checks {
			steps = append(steps, assessCheck(id, act))
		}
		// Batches are looked up after the checks were judged.
		return append(steps, store.StepFunc(func(v store.View) ([]store.Step, error) {
			var sources []lotSource
			for id, from := range t.instruments {
				sources = append(sources, lotsOf(records.KindPullAssessment, id, from), lotsOf(records.KindCoolingAssessment, id, from))
			}
			for _, at := range t.pressures {
				under, err := lotsUnder(v, at)
				if err != nil {
					return nil, err
				}
				sources = append(sources, under)
			}
			seen := map[string]bool{}
			return append(judge(t.lots, seen, act), store.StepFunc(func(v store.View) ([]store.Step, error) { return judgeFrom(v, sources, "", seen, act) })), nil
		})), nil
	})
}

// lotSource gives a page of batches; next is where the following one begins,
// empty when there is none.
type lotSource func(v store.View, after string) (lots []string, next string, err error)

// lotPage is how many batches one step looks up.
const lotPage = 50

// lotsOf gives batches that an instrument measured from a moment on, by their
// assessments of a kind.
func lotsOf(kind, instrument string, from time.Time) lotSource {
	return func(v store.View, after string) ([]string, string, error) {
		docs, err := v.Documents(store.Query{Kind: kind, Index: "instrument", From: records.JoinKey(instrument, records.TimeKey(from)), To: below(instrument), After: after, Limit: lotPage})
		return pageOfLots(docs, err)
	}
}

// lotsUnder gives batches that a kitchen pressure may serve: pulled between its
// own time and that of the next one that serves.
func lotsUnder(v store.View, at time.Time) (lotSource, error) {
	settings, err := settingsAt(v, at)
	if err != nil {
		return nil, err
	}
	to := at.Add(records.PressureServes)
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindPressure, Index: "at", From: through(at), To: records.TimeKey(to), Limit: 10}) {
		if err != nil {
			return nil, err
		}
		p, err := records.ReadDoc[*kb.KitchenPressure](d.Body)
		if err != nil {
			return nil, err
		}
		if !settings.Questioned(p.Record) {
			to = p.Record.GetAt().AsTime()
			break
		}
	}
	return func(v store.View, after string) ([]string, string, error) {
		docs, err := v.Documents(store.Query{Kind: records.KindPullAssessment, Index: "at", From: records.TimeKey(at), To: through(to), After: after, Limit: lotPage})
		return pageOfLots(docs, err)
	}, nil
}

func pageOfLots(docs []store.Doc, err error) ([]string, string, error) {
	if err != nil {
		return nil, "", err
	}
	var lots []string
	for _, d := range docs {
		lots = append(lots, d.ID)
	}
	if len(docs) == lotPage {
		return lots, docs[len(docs)-1].Cursor(), nil
	}
	return lots, "", nil
}

// judgeFrom judges the batches of the first source page by page, then those of
// the others: one step looks up a page, the steps behind it judge.
func judgeFrom(v store.View, sources []lotSource, after string, seen map[string]bool, act records.Act) ([]store.Step, error) {
	if len(sources) == 0 {
		return nil, nil
	}
	lots, next, err := sources[0](v, after)
	if err != nil {
		return nil, err
	}
	if next == "" {
		sources = sources[1:]
	}
	return append(judge(lots, seen, act), store.StepFunc(func(v store.View) ([]store.Step, error) { return judgeFrom(v, sources, next, seen, act) })), nil
}

// judge makes the steps that judge batches not seen yet.
func judge(lots []string, seen map[string]bool, act records.Act) []store.Step {
	var steps []store.Step
	for _, lot := range lots {
		if !seen[lot] {
			seen[lot] = true
			steps = append(steps, assessPull(lot, act), assessCooling(lot, act))
		}
	}
	return steps
}
