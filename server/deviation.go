package server

import (
	"context"
	"errors"
	"slices"

	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type deviationService struct {
	sv.UnimplementedDeviationServiceServer
	s *Server
}

func loadDeviation(act records.Act, id, lot string) func(store.View) (records.DeviationFacts, error) {
	return func(v store.View) (f records.DeviationFacts, err error) {
		if f.Settings, err = settingsAt(v, act.RecordedAt); err != nil {
			return f, err
		}
		if id != "" {
			if f.Known, err = get[*kb.Deviation](v, records.KindDeviation, id); err != nil {
				return f, err
			}
		}
		if lot == "" {
			return f, nil
		}
		b, err := batchFacts(v, lot, act.RecordedAt)
		if err != nil {
			return f, err
		}
		f.Batch = b.Batch
		f.Makers, err = makersOf(v, b)
		return f, err
	}
}

// makersOf lists who started, read, pulled, tested or ended a batch.
func makersOf(v store.View, b records.BatchFacts) ([]string, error) {
	var out []string
	add := func(person string) {
		if person != "" && !slices.Contains(out, person) {
			out = append(out, person)
		}
	}
	for _, m := range []*kb.Document{b.Batch.Meta, b.Pull.Meta, b.Cold.Meta, b.End.Meta} {
		if m.GetAmends() != 0 {
			e, err := entryAt(v, m.GetAmends())
			if err != nil {
				return nil, err
			}
			add(e.GetPerson())
			continue
		}
		add(m.GetPerson())
	}
	lot := b.Batch.Record.GetLotCode()
	readers, err := list[*kb.Readings](v, store.Query{Kind: records.KindReader, From: records.JoinKey(lot, ""), To: below(lot), Limit: 100})
	if err != nil {
		return nil, err
	}
	for _, r := range readers {
		add(r.Meta.GetPerson())
	}
	return out, nil
}

func (d *deviationService) OpenDeviation(ctx context.Context, r *sv.OpenDeviationRequest) (*sv.OpenDeviationResponse, error) {
	if err := required("deviation", r.GetDeviation()); err != nil {
		return nil, err
	}
	got, err := d.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{step(loadDeviation(act, r.GetDeviation().GetDeviationId(), r.GetDeviation().GetLotCode()), func(f records.DeviationFacts) ([]records.Draft, error) {
			return records.DecideDeviation(f, act, r.GetDeviation())
		})}
	})
	return &sv.OpenDeviationResponse{Receipt: got}, under("deviation", err)
}

func (d *deviationService) RecordAction(ctx context.Context, r *sv.RecordActionRequest) (*sv.RecordActionResponse, error) {
	if err := required("action", r.GetAction()); err != nil {
		return nil, err
	}
	got, err := d.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{step(loadDeviation(act, r.GetAction().GetDeviationId(), ""), func(f records.DeviationFacts) ([]records.Draft, error) {
			return records.DecideAction(f, act, r.GetAction())
		})}
	})
	return &sv.RecordActionResponse{Receipt: got}, under("action", err)
}

func (d *deviationService) RecordDisposition(ctx context.Context, r *sv.RecordDispositionRequest) (*sv.RecordDispositionResponse, error) {
	if err := required("disposition", r.GetDisposition()); err != nil {
		return nil, err
	}
	got, err := d.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{step(loadDeviation(act, "", r.GetDisposition().GetLotCode()), func(f records.DeviationFacts) ([]records.Draft, error) {
			return records.DecideDisposition(f, act, r.GetDisposition())
		})}
	})
	return &sv.RecordDispositionResponse{Receipt: got}, under("disposition", err)
}

func (d *deviationService) ListDeviations(ctx context.Context, r *sv.ListDeviationsRequest) (*sv.ListDeviationsResponse, error) {
	docs, next, err := page[*kb.Deviation](ctx, d.s, store.Query{Kind: records.KindDeviation, Index: "cause"}, r.GetPageSize(), r.GetPageToken())
	return &sv.ListDeviationsResponse{Rows: recordsOf(docs), NextPageToken: next}, err
}

// amendFacts loads the entry to strike and what the new record speaks of.
func amendFacts(v store.View, act records.Act, m *kb.Amendment) (records.AmendFacts, error) {
	var f records.AmendFacts
	e, err := entryAt(v, m.GetTargetSequence())
	if errors.Is(err, store.ErrNotFound) {
		f.Settings, err = settingsAt(v, act.RecordedAt)
		return f, err
	}
	if err != nil {
		return f, err
	}
	f.Target, f.Found, f.Current = e, true, e.Message
	if f.Settings, err = settingsAt(v, e.GetOccurredAt().AsTime()); err != nil {
		return f, err
	}
	last, err := list[*kb.Amendment](v, store.Query{Kind: records.KindAmendment, Index: "target", From: records.SequenceKey(m.GetTargetSequence()), To: records.SequenceKey(m.GetTargetSequence()) + "\x7f", Limit: 100})
	if err != nil {
		return f, err
	}
	if len(last) > 0 {
		if f.Current, err = last[len(last)-1].Record.GetReplacement().UnmarshalNew(); err != nil {
			return f, err
		}
	}
	next, err := records.Replacement(f, m)
	if err != nil {
		return f, nil // refused by the rule itself
	}
	at := records.RecordTime(next)
	instrument := ""
	switch t := next.(type) {
	case *kb.Check:
		instrument = t.GetInstrumentId()
		if f.References, err = references(v, t, at); err != nil {
			return f, err
		}
	case interface{ GetInstrumentId() string }:
		instrument = t.GetInstrumentId()
	}
	if b, ok := next.(interface{ GetLotCode() string }); ok {
		if f.Batch, err = batchFacts(v, b.GetLotCode(), at); err != nil {
			return f, err
		}
		if instrument == "" {
			instrument = f.Batch.Batch.Record.GetInstrumentId()
		}
	}
	if instrument != "" {
		f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, instrument, at)
	}
	return f, err
}

func stepAmend(act records.Act, t *touched, m *kb.Amendment) store.Step {
	return step(func(v store.View) (records.AmendFacts, error) { return amendFacts(v, act, m) },
		func(f records.AmendFacts) ([]records.Draft, error) {
			drafts, err := records.DecideAmendment(f, act, m)
			if err != nil {
				return nil, err
			}
			after, err := drafts[0].Payload.(*kb.Amendment).GetReplacement().UnmarshalNew()
			if err != nil {
				return nil, err
			}
			for _, r := range []proto.Message{f.Current, after} {
				touchRecord(t, r)
			}
			return drafts, nil
		})
}

// touchRecord notes what rests on a record.
func touchRecord(t *touched, m proto.Message) {
	switch r := m.(type) {
	case *kb.Check:
		t.check(r)
	case *kb.KitchenPressure:
		t.pressures = append(t.pressures, records.RecordTime(r))
	case interface{ GetLotCode() string }:
		t.lot(r.GetLotCode())
	}
}

func (d *deviationService) Amend(ctx context.Context, r *sv.AmendRequest) (*sv.AmendResponse, error) {
	if err := required("amendment", r.GetAmendment()); err != nil {
		return nil, err
	}
	got, err := d.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepAmend(act, t, r.GetAmendment())}
	})
	return &sv.AmendResponse{Receipt: got}, under("amendment", err)
}
