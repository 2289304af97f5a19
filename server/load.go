package server

import (
	"time"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// The loaders fill facts by indexed reads with a limit. They choose rows,
// never judge them.

// get gives one document, or none.
func get[M proto.Message](v store.View, kind, id string) (records.Doc[M], error) {
	d, ok, err := v.Document(kind, id)
	if err != nil || !ok {
		return records.Doc[M]{}, err
	}
	return records.ReadDoc[M](d.Body)
}

// list gives documents in order.
func list[M proto.Message](v store.View, q store.Query) ([]records.Doc[M], error) {
	docs, err := v.Documents(q)
	if err != nil {
		return nil, err
	}
	out := make([]records.Doc[M], 0, len(docs))
	for _, d := range docs {
		doc, err := records.ReadDoc[M](d.Body)
		if err != nil {
			return nil, err
		}
		out = append(out, doc)
	}
	return out, nil
}

// below is an index value just above every value that starts with prefix and
// a separator.
func below(parts ...string) string { return records.JoinKey(parts...) + "\x20" }

// through is an index value just above the given time.
func through(at time.Time) string { return records.TimeKey(at) + "\x7f" }

// latest gives the last document of an index under prefix up to and including
// a moment, or none.
func latest[M proto.Message](v store.View, kind, index string, prefix []string, at time.Time) (records.Doc[M], error) {
	docs, err := list[M](v, store.Query{Kind: kind, Index: index, From: records.JoinKey(append(prefix, "")...), To: records.JoinKey(append(prefix, through(at))...), Desc: true, Limit: 1})
	if err != nil || len(docs) == 0 {
		return records.Doc[M]{}, err
	}
	return docs[0], nil
}

// version gives the register entry of a name that was in force at a moment;
// the first one when the moment lies before it (paper typed in later).
func version[M proto.Message](v store.View, kind, id string, at time.Time) (records.Doc[M], error) {
	d, err := latest[M](v, kind, "at", []string{id}, at)
	if err != nil || d.Has() {
		return d, err
	}
	docs, err := list[M](v, store.Query{Kind: kind, Index: "at", From: records.JoinKey(id, ""), To: below(id), Limit: 1})
	if err != nil || len(docs) == 0 {
		return records.Doc[M]{}, err
	}
	return docs[0], nil
}

// settingsAt gives the settings in force at a moment.
func settingsAt(v store.View, at time.Time) (records.Settings, error) {
	docs, err := list[*kb.Site](v, store.Query{Kind: records.KindSite, Index: "at", To: through(at), Desc: true, Limit: 1})
	if err == nil && len(docs) == 0 {
		docs, err = list[*kb.Site](v, store.Query{Kind: records.KindSite, Index: "at", Limit: 1})
	}
	if err != nil {
		return records.Settings{}, err
	}
	if len(docs) == 0 {
		return records.NewSettings(nil)
	}
	return records.NewSettings(docs[0].Record)
}

// origin gives what the envelope of a record as first written said: an
// amendment keeps who made it and when.
func origin[M proto.Message](v store.View, d records.Doc[M]) (records.Doc[M], error) {
	if !d.Has() || d.Meta.GetAmends() == 0 {
		return d, nil
	}
	e, err := v.Entry(d.Meta.GetAmends())
	if err != nil {
		return d, err
	}
	first, err := records.ParseEntry(e.Envelope)
	if err != nil {
		return d, err
	}
	m := proto.Clone(d.Meta).(*kb.Document)
	m.Person, m.KnownBy, m.TranscribedBy = first.GetPerson(), first.GetKnownBy(), first.GetTranscribedBy()
	m.OccurredAt, m.RecordedAt, m.Queued, m.Sheet = first.GetOccurredAt(), first.GetRecordedAt(), first.GetQueued(), first.GetSheet()
	d.Meta = m
	return d, nil
}

// batchFacts loads a batch and what hangs on it.
func batchFacts(v store.View, lot string, now time.Time) (records.BatchFacts, error) {
	var f records.BatchFacts
	var err error
	if f.Batch, err = get[*kb.BatchStart](v, records.KindBatch, lot); err != nil {
		return f, err
	}
	at := now
	if f.Batch.Has() {
		at = f.Batch.Record.GetStartedAt().AsTime()
	}
	if f.Settings, err = settingsAt(v, at); err != nil {
		return f, err
	}
	if !f.Batch.Has() {
		return f, nil
	}
	if f.Pull, err = get[*kb.Pull](v, records.KindPull, lot); err != nil {
		return f, err
	}
	if f.Cold, err = get[*kb.ColdWaterTest](v, records.KindColdWater, lot); err != nil {
		return f, err
	}
	if f.End, err = get[*kb.BatchEnd](v, records.KindBatchEnd, lot); err != nil {
		return f, err
	}
	if f.Void, err = get[*kb.BatchVoid](v, records.KindBatchVoid, lot); err != nil {
		return f, err
	}
	if f.Formula, err = get[*kb.Formula](v, records.KindFormula, records.FormulaKey(f.Batch.Record.GetFormulaId(), f.Batch.Record.GetVersion())); err != nil {
		return f, err
	}
	f.Approved = true // a batch that was opened had an approved version
	f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, f.Batch.Record.GetInstrumentId(), at)
	return f, err
}

// formulaFor finds the version that a batch begun at a moment is cooked to:
// the one asked for, or the one approved last by then; the first one approved
// when the moment lies before it (paper typed in later).
func formulaFor(v store.View, id string, wanted uint32, at time.Time) (records.Doc[*kb.Formula], bool, error) {
	if wanted == 0 {
		approved, err := version[*kb.FormulaApproval](v, records.KindFormulaApproval, id, at)
		if err != nil {
			return records.Doc[*kb.Formula]{}, false, err
		}
		wanted = max(1, approved.Record.GetVersion())
	}
	f, err := get[*kb.Formula](v, records.KindFormula, records.FormulaKey(id, wanted))
	if err != nil {
		return f, false, err
	}
	a, err := get[*kb.FormulaApproval](v, records.KindFormulaApproval, records.FormulaKey(id, wanted))
	return f, a.Has(), err
}

// comparisonsKept is how many comparisons of an instrument a correction looks at.
const comparisonsKept = 12

// pointsAt loads the believed points that may correct a reading at a moment.
func pointsAt(v store.View, instrument string, at time.Time) ([]records.PointDoc, time.Time, error) {
	var out []records.PointDoc
	for _, k := range []struct {
		kind  kb.PointKind
		limit int
	}{{kb.PointKind_POINT_KIND_ICE, 2}, {kb.PointKind_POINT_KIND_BOILING, 2}, {kb.PointKind_POINT_KIND_COMPARISON, comparisonsKept}} {
		prefix := records.PointKey(instrument, k.kind, time.Time{})
		prefix = prefix[:len(prefix)-len(records.TimeKey(time.Time{}))]
		docs, err := list[*kb.CheckAssessment](v, store.Query{Kind: records.KindPoint, Index: "point", From: prefix, To: prefix + through(at), Desc: true, Limit: k.limit})
		if err != nil {
			return nil, time.Time{}, err
		}
		out = append(out, docs...)
	}
	adjusted, err := latest[*kb.CheckAssessment](v, records.KindCheckAssessment, "adjusted", []string{instrument}, at)
	if err != nil || !adjusted.Has() {
		return out, time.Time{}, err
	}
	return out, adjusted.Record.GetAt().AsTime(), nil
}

// readRuns loads readings of a series in a range, at most limit runs.
func readRuns(v store.View, q store.RunQuery) ([]records.RunReading, []int64, error) {
	runs, err := v.Runs(q)
	if err != nil {
		return nil, nil, err
	}
	var out []records.RunReading
	var sequences []int64
	for _, r := range runs {
		readings, err := records.ReadRun(r.Body)
		if err != nil {
			return nil, nil, err
		}
		out = append(out, readings...)
		sequences = append(sequences, r.Sequence)
	}
	return out, sequences, nil
}
