package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// lookBack brings the look-backs of an instrument in line with what is known:
// commands of the service itself, one for each failed check, after the one
// that caused them, so that no check waits for them. Their ids are made of the
// cause, so that none is done twice.
func (s *Server) lookBack(ctx context.Context, instrument, cause string) error {
	checks, err := s.failedChecks(ctx, instrument)
	if err != nil {
		return err
	}
	for _, check := range checks {
		if err := s.lookBackOf(ctx, check, cause); err != nil {
			return fmt.Errorf("look-back of check %s: %w", check, err)
		}
	}
	return nil
}

// failedChecks lists the checks of an instrument that have, or need, a look-back.
func (s *Server) failedChecks(ctx context.Context, instrument string) ([]string, error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	var out []string
	seen := map[string]bool{}
	for _, q := range []store.Query{{Kind: records.KindLookBack, Index: "instrument"}, {Kind: records.KindCheckAssessment, Index: "failed"}} {
		q.From, q.To = records.JoinKey(instrument, ""), below(instrument)
		for d, err := range store.AllDocuments(v, q) {
			if err != nil {
				return nil, err
			}
			if !seen[d.ID] {
				seen[d.ID] = true
				out = append(out, d.ID)
			}
		}
	}
	return out, nil
}

// lookBackTries is how often a look-back is weighed again beside the writer
// because the ledger grew meanwhile, before the writer waits for it once.
const lookBackTries = 5

// lookBackOf weighs one look-back beside the writer, whose turn it takes only
// to see that nothing it rests on came in meanwhile.
func (s *Server) lookBackOf(ctx context.Context, check, cause string) error {
	act := records.Act{
		Site: 1, KnownBy: kb.KnownBy_KNOWN_BY_SYSTEM, RequestID: systemID("look-back", check, cause),
		RecordedAt: s.cfg.Clock.Now(), SoftwareVersion: s.cfg.SoftwareVersion,
	}
	for try := range lookBackTries + 1 {
		weigh := step(func(v store.View) (records.LookBackFacts, error) { return lookBackFacts(v, check) },
			func(f records.LookBackFacts) ([]records.Draft, error) { return records.AssessLookBack(f, act) })
		steps := []store.Step{weigh}
		if try < lookBackTries {
			drafts, size, err := s.weighed(ctx, check, act)
			if err != nil || len(drafts) == 0 {
				return err
			}
			steps = []store.Step{quiet(size), step(func(store.View) ([]records.Draft, error) { return drafts, nil },
				func(d []records.Draft) ([]records.Draft, error) { return d, nil })}
		}
		_, err := s.cfg.Store.Append(ctx, store.Command{RequestID: act.RequestID, ContentHash: act.ContentHash}, steps...)
		switch {
		case errors.Is(err, errMoved):
			continue
		case errors.Is(err, store.ErrNothingDecided):
			return nil
		}
		return err
	}
	return nil
}

func (s *Server) weighed(ctx context.Context, check string, act records.Act) ([]records.Draft, int64, error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, 0, err
	}
	defer release()
	f, err := lookBackFacts(v, check)
	if err != nil {
		return nil, 0, err
	}
	drafts, err := records.AssessLookBack(f, act)
	return drafts, v.Size(), err
}

// quiet is a step that refuses when something was measured or concluded since
// the ledger had a size.
func quiet(size int64) store.Step { return since(size, records.MayChangeLookBack) }

func lookBackFacts(v store.View, check string) (records.LookBackFacts, error) {
	var f records.LookBackFacts
	var err error
	if f.Check, err = get[*kb.CheckAssessment](v, records.KindCheckAssessment, check); err != nil || !f.Check.Has() {
		return f, err
	}
	id, at := f.Check.Record.GetInstrumentId(), f.Check.Record.GetAt().AsTime()
	if f.Settings, err = settingsAt(v, at); err != nil {
		return f, err
	}
	if f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, id, at); err != nil {
		return f, err
	}
	if f.Known, err = get[*kb.LookBack](v, records.KindLookBack, check); err != nil {
		return f, err
	}
	if f.Points, f.Adjusted, err = pointsAt(v, id, at); err != nil {
		return f, err
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindCheckAssessment, Index: "passing", From: records.JoinKey(id, ""), To: below(id)}) {
		if err != nil {
			return f, err
		}
		a, err := records.ReadDoc[*kb.CheckAssessment](d.Body)
		if err != nil {
			return f, err
		}
		f.Passing = append(f.Passing, a)
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindPullAssessment, Index: "instrument", From: records.JoinKey(id, ""), To: below(id)}) {
		if err != nil {
			return f, err
		}
		a, err := records.ReadDoc[*kb.PullAssessment](d.Body)
		if err != nil {
			return f, err
		}
		if a.Record.GetPull() != nil {
			f.Measured = append(f.Measured, records.Measured{LotCode: a.Record.GetLotCode(), At: a.Record.GetAt().AsTime(), Reading: a.Record.GetPull().GetReading(), Pull: a.Record})
		}
	}
	return f, coolingMeasured(v, id, &f)
}

// coolingMeasured adds the cooling clocks that an instrument measured.
func coolingMeasured(v store.View, instrument string, f *records.LookBackFacts) error {
	seen := map[string]bool{}
	for r, err := range store.AllRuns(v, store.RunQuery{Instrument: instrument}) {
		if err != nil {
			return err
		}
		lot, ok := strings.CutPrefix(r.Series, records.JoinKey("cooling", ""))
		if !ok || seen[lot] {
			continue
		}
		seen[lot] = true
		readings, err := records.ReadRun(r.Body)
		if err != nil {
			return err
		}
		a, err := get[*kb.CoolingAssessment](v, records.KindCoolingAssessment, lot)
		if err != nil {
			return err
		}
		result := kb.LimitResult_LIMIT_RESULT_MET
		for _, l := range a.Record.GetLegs() {
			if l.GetResult() != kb.LimitResult_LIMIT_RESULT_MET {
				result = l.GetResult()
				break
			}
		}
		f.Measured = append(f.Measured, records.Measured{LotCode: lot, Cooling: true, At: readings[0].At, Reading: readings[0].Value, Result: result})
	}
	return nil
}
