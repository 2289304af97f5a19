package server

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// concerned is what look-backs have to follow: instruments with the earliest
// moment that something new was concluded about, and checks judged anew.
type concerned struct {
	instruments map[string]time.Time
	checks      []string
}

func (c *concerned) instrument(id string, at time.Time) {
	if c.instruments == nil {
		c.instruments = map[string]time.Time{}
	}
	if old, ok := c.instruments[id]; !ok || at.Before(old) {
		c.instruments[id] = at
	}
}

func (c *concerned) check(id string) {
	if !slices.Contains(c.checks, id) {
		c.checks = append(c.checks, id)
	}
}

func (c *concerned) add(other concerned) {
	for id, at := range other.instruments {
		c.instrument(id, at)
	}
	for _, id := range other.checks {
		c.check(id)
	}
}

// conclusion notes what an entry concluded, and what the conclusion before it
// was about: an amendment may have moved it to another instrument or time.
func (c *concerned) conclusion(v store.View, e records.Entry) error {
	var replaces int64
	switch m := e.Message.(type) {
	case *kb.CheckAssessment:
		c.check(m.GetCheckId())
		c.instrument(m.GetInstrumentId(), m.GetAt().AsTime())
		replaces = m.GetReplaces()
	case *kb.PullAssessment:
		c.instrument(m.GetInstrumentId(), m.GetAt().AsTime())
		replaces = m.GetReplaces()
	case *kb.CoolingAssessment:
		for _, id := range m.GetInstrumentIds() {
			c.instrument(id, m.GetFirstAt().AsTime())
		}
		replaces = m.GetReplaces()
	case *kb.Amendment:
		// A cooling clock may come to the same although a reading of it changed.
		return c.amended(v, m.GetTargetSequence())
	}
	if replaces == 0 {
		return nil
	}
	before, err := entryAt(v, replaces)
	if err != nil {
		return err
	}
	switch m := before.Message.(type) {
	case *kb.CheckAssessment:
		c.instrument(m.GetInstrumentId(), m.GetAt().AsTime())
	case *kb.PullAssessment:
		c.instrument(m.GetInstrumentId(), m.GetAt().AsTime())
	case *kb.CoolingAssessment:
		for _, id := range m.GetInstrumentIds() {
			c.instrument(id, m.GetFirstAt().AsTime())
		}
	}
	return nil
}

// amended notes a run of readings as it stood, at first and after each of its
// amendments.
func (c *concerned) amended(v store.View, target int64) error {
	first, err := entryAt(v, target)
	if err != nil {
		return err
	}
	if _, ok := first.Message.(*kb.Readings); !ok {
		return nil // what rests on other records is concluded anew
	}
	stood := []proto.Message{first.Message}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindAmendment, Index: "target", From: records.SequenceKey(target), To: records.SequenceKey(target) + "\x7f"}) {
		if err != nil {
			return err
		}
		a, err := records.ReadDoc[*kb.Amendment](d.Body)
		if err != nil {
			return err
		}
		m, err := a.Record.GetReplacement().UnmarshalNew()
		if err != nil {
			return err
		}
		stood = append(stood, m)
	}
	for _, m := range stood {
		if r, ok := m.(*kb.Readings); ok {
			c.instrument(r.GetInstrumentId(), records.RecordTime(r))
		}
	}
	return nil
}

// concernedBy reads what the entries from first on, at most count, concluded.
func concernedBy(v store.View, first, count int64) (concerned, error) {
	const page = 500
	var c concerned
	for count > 0 {
		entries, err := v.Entries(first, int(min(count, page)))
		if err != nil {
			return c, err
		}
		for _, stored := range entries {
			e, err := records.ParseEntry(stored.Envelope)
			if err != nil {
				return c, err
			}
			if err := c.conclusion(v, e); err != nil {
				return c, err
			}
		}
		if len(entries) < page {
			break
		}
		first, count = first+page, count-page
	}
	return c, nil
}

// owed is what look-backs still have to follow because they could not.
type owed struct {
	mu sync.Mutex
	c  concerned
}

// take takes all that is owed.
func (o *owed) take() concerned {
	o.mu.Lock()
	defer o.mu.Unlock()
	c := o.c
	o.c = concerned{}
	return c
}

func (o *owed) put(c concerned) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.c.add(c)
}

// lookBacks brings the look-backs in line with what the entries from first on
// concluded: commands of the service itself, one for each failed check, after
// the one that caused them, so that no check waits for them. Their ids are
// made of the cause, so that none is done twice. What fails is owed, and done
// with the next command or at the next start.
func (s *Server) lookBacks(ctx context.Context, first, count int64, cause string) error {
	todo := s.owed.take()
	err := func() error {
		v, release, err := s.view(ctx)
		if err != nil {
			return err
		}
		defer release()
		c, err := concernedBy(v, first, count)
		todo.add(c)
		return err
	}()
	if err == nil {
		err = s.weighAll(ctx, todo, cause)
	}
	if err != nil {
		s.owed.put(todo)
	}
	return err
}

// weighAll weighs every look-back that is concerned.
func (s *Server) weighAll(ctx context.Context, c concerned, cause string) error {
	done := map[string]bool{}
	weigh := func(check string, since time.Time) error {
		if done[check] {
			return nil
		}
		done[check] = true
		if err := s.lookBackOf(ctx, check, since, cause); err != nil {
			return fmt.Errorf("look-back of check %s: %w", check, err)
		}
		return nil
	}
	for _, check := range c.checks {
		if err := weigh(check, time.Time{}); err != nil {
			return err
		}
	}
	for _, id := range slices.Sorted(maps.Keys(c.instruments)) {
		checks, err := s.failedChecks(ctx, id, c.instruments[id])
		if err != nil {
			return err
		}
		for _, check := range checks {
			if err := weigh(check, c.instruments[id]); err != nil {
				return err
			}
		}
	}
	return nil
}

// failedChecks lists the failed checks of an instrument whose look-backs what
// happened at a moment may concern: those after it, and those before it since
// the instrument was last adjusted and had passed as left.
func (s *Server) failedChecks(ctx context.Context, instrument string, since time.Time) ([]string, error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	from := records.JoinKey(instrument, "")
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindCheckAssessment, Index: "adjusted", From: from, To: records.JoinKey(instrument, records.TimeKey(since)), Desc: true, Limit: 1}) {
		if err != nil {
			return nil, err
		}
		a, err := records.ReadDoc[*kb.CheckAssessment](d.Body)
		if err != nil {
			return nil, err
		}
		points := a.Record.GetPoints()
		if records.Standing(a.Record) == kb.CheckResult_CHECK_RESULT_IN_TOLERANCE && points[len(points)-1].GetPoint().GetAt().AsTime().Before(since) {
			from = records.JoinKey(instrument, records.TimeKey(a.Record.GetAt().AsTime()))
			break
		}
	}
	var out []string
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindCheckAssessment, Index: "failed", From: from, To: below(instrument)}) {
		if err != nil {
			return nil, err
		}
		out = append(out, d.ID)
	}
	return out, nil
}

// lookBackTries is how often a look-back is weighed again beside the writer
// because the ledger grew meanwhile, before the writer waits for it once.
const lookBackTries = 5

// lookBackOf weighs one look-back beside the writer, whose turn it takes only
// to see that nothing it rests on came in meanwhile. since is the earliest
// moment that changed; the zero time when the check itself was judged.
func (s *Server) lookBackOf(ctx context.Context, check string, since time.Time, cause string) error {
	act := records.Act{
		Site: 1, KnownBy: kb.KnownBy_KNOWN_BY_SYSTEM, RequestID: systemID("look-back", check, cause),
		RecordedAt: s.cfg.Clock.Now(), SoftwareVersion: s.cfg.SoftwareVersion,
	}
	for try := range lookBackTries + 1 {
		weigh := step(func(v store.View) (records.LookBackFacts, error) { return lookBackFacts(v, check, since) },
			func(f records.LookBackFacts) ([]records.Draft, error) { return records.AssessLookBack(f, act) })
		steps := []store.Step{weigh}
		if try < lookBackTries {
			drafts, instrument, size, err := s.weighed(ctx, check, since, act)
			if err != nil || len(drafts) == 0 {
				return err
			}
			steps = []store.Step{quiet(size, instrument), step(func(store.View) ([]records.Draft, error) { return drafts, nil },
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

func (s *Server) weighed(ctx context.Context, check string, since time.Time, act records.Act) (drafts []records.Draft, instrument string, size int64, err error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, "", 0, err
	}
	defer release()
	f, err := lookBackFacts(v, check, since)
	if err != nil {
		return nil, "", 0, err
	}
	drafts, err = records.AssessLookBack(f, act)
	return drafts, f.Check.Record.GetInstrumentId(), v.Size(), err
}

// quiet is a step that refuses when something was measured with an instrument
// or concluded about it since the ledger had a size.
func quiet(size int64, instrument string) store.Step {
	return since(size, func(e records.Entry) bool { return records.MayChangeLookBack(e, instrument) })
}

// lookBackFacts loads what a look-back rests on; with since, only what lies in
// the production days from then on.
func lookBackFacts(v store.View, check string, since time.Time) (records.LookBackFacts, error) {
	f := records.LookBackFacts{Known: map[string]records.Doc[*kb.LookBack]{}}
	var err error
	if f.Check, err = get[*kb.CheckAssessment](v, records.KindCheckAssessment, check); err != nil || !f.Check.Has() {
		return f, err
	}
	id, at, own := f.Check.Record.GetInstrumentId(), f.Check.Record.GetAt().AsTime(), f.Check.Meta.GetProductionDay()
	if f.Settings, err = settingsAt(v, at); err != nil {
		return f, err
	}
	first, err := get[*kb.LookBack](v, records.KindLookBack, records.LookBackKey(check, own))
	if err != nil {
		return f, err
	}
	parts := records.LookBackKey(check, "")
	if since.After(at) && first.Has() {
		f.Since, f.Known[own] = since, first
		parts = records.LookBackKey(check, f.Settings.Day(since))
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindLookBack, From: parts, To: below(check)}) {
		if err != nil {
			return f, err
		}
		l, err := records.ReadDoc[*kb.LookBack](d.Body)
		if err != nil {
			return f, err
		}
		f.Known[l.Meta.GetProductionDay()] = l
	}
	if f.Check.Record.GetAsFound() != kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE {
		return f, nil // nothing is to be weighed
	}
	if f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, id, at); err != nil {
		return f, err
	}
	// As known before the check: its own adjustment would hide the error before.
	if f.Points, f.Adjusted, err = pointsAt(v, id, at.Add(-time.Microsecond)); err != nil {
		return f, err
	}
	return f, lookBackMeasured(v, id, at, &f)
}

// lookBackMeasured loads the passing checks around a failed one and what was
// measured with the instrument, up to where it passed as left.
func lookBackMeasured(v store.View, id string, at time.Time, f *records.LookBackFacts) error {
	var from, to time.Time
	if !f.Since.IsZero() {
		start, _, err := f.Settings.Bounds(f.Settings.Day(f.Since))
		if err != nil {
			return err
		}
		from = start
		if from.Before(at) {
			from = at
		}
	}
	passing := store.Query{Kind: records.KindCheckAssessment, Index: "passing", From: records.JoinKey(id, ""), To: below(id)}
	if !f.Since.IsZero() {
		passing.From = records.JoinKey(id, records.TimeKey(at))
	}
	for d, err := range store.AllDocuments(v, passing) {
		if err != nil {
			return err
		}
		a, err := records.ReadDoc[*kb.CheckAssessment](d.Body)
		if err != nil {
			return err
		}
		f.Passing = append(f.Passing, a)
		if a.Record.GetAdjusted() && !a.Record.GetAt().AsTime().Before(at) {
			points := a.Record.GetPoints()
			to = points[len(points)-1].GetPoint().GetAt().AsTime()
			break // from here on it may be believed again
		}
	}
	until := below(id)
	if !to.IsZero() {
		until = records.JoinKey(id, through(to))
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindPullAssessment, Index: "instrument", From: records.JoinKey(id, lowest(from)), To: until}) {
		if err != nil {
			return err
		}
		a, err := records.ReadDoc[*kb.PullAssessment](d.Body)
		if err != nil {
			return err
		}
		if a.Record.GetPull() != nil {
			f.Measured = append(f.Measured, records.Measured{LotCode: a.Record.GetLotCode(), At: a.Record.GetAt().AsTime(), Reading: a.Record.GetPull().GetReading(), Pull: a.Record})
		}
	}
	return coolingMeasured(v, id, from, to, f)
}

// lowest is the index value of a time; that of the zero time is below all.
func lowest(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	return records.TimeKey(at)
}

// coolingMeasured adds the cooling clocks that an instrument measured between
// two moments; zero ones are open.
func coolingMeasured(v store.View, instrument string, from, to time.Time, f *records.LookBackFacts) error {
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindCoolingAssessment, Index: "instrument", From: records.JoinKey(instrument, lowest(from)), To: below(instrument)}) {
		if err != nil {
			return err
		}
		a, err := records.ReadDoc[*kb.CoolingAssessment](d.Body)
		if err != nil {
			return err
		}
		if !to.IsZero() && a.Record.GetFirstAt().AsTime().After(to) {
			continue
		}
		lot := a.Record.GetLotCode()
		readings, _, err := readRuns(v, store.RunQuery{Series: records.SeriesKey(lot, kb.SeriesKind_SERIES_KIND_COOLING), Instrument: instrument, Limit: 1})
		if err != nil {
			return err
		}
		if len(readings) == 0 || !from.IsZero() && readings[0].At.Before(from) {
			continue
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
