package server

import (
	"context"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type kitchenService struct {
	sv.UnimplementedKitchenServiceServer
	s *Server
}

// registerDay is the production day of a register entry: by the settings in
// force, or by UTC while there are none.
func registerDay(v store.View, at time.Time) string {
	if settings, err := settingsAt(v, at); err == nil {
		return settings.Day(at)
	}
	return at.UTC().Format(time.DateOnly)
}

func stepSite(act records.Act, m *kb.Site) store.Step {
	return step(func(v store.View) (string, error) { return registerDay(v, act.RecordedAt), nil },
		func(day string) ([]records.Draft, error) {
			if err := records.Validate(m); err != nil {
				return nil, err
			}
			return []records.Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: m}}, nil
		})
}

func (k *kitchenService) PutSite(ctx context.Context, r *sv.PutSiteRequest) (*sv.PutSiteResponse, error) {
	if err := required("site", r.GetSite()); err != nil {
		return nil, err
	}
	got, err := k.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{stepSite(act, r.GetSite())}
	})
	return &sv.PutSiteResponse{Receipt: got}, under("site", err)
}

func (k *kitchenService) GetSite(ctx context.Context, _ *sv.GetSiteRequest) (*sv.GetSiteResponse, error) {
	v, release, err := k.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	settings, err := settingsAt(v, k.s.cfg.Clock.Now())
	if err != nil {
		return nil, err
	}
	return &sv.GetSiteResponse{Site: settings.Site}, nil
}

type personFacts struct {
	records.PersonFacts
	day string
}

func stepPerson(act records.Act, m *kb.Person, rename bool) store.Step {
	return step(func(v store.View) (personFacts, error) {
		known, err := get[*kb.Person](v, records.KindPerson, m.GetInitials())
		return personFacts{records.PersonFacts{Known: known}, registerDay(v, act.RecordedAt)}, err
	}, func(f personFacts) ([]records.Draft, error) {
		return records.DecidePerson(f.PersonFacts, act, f.day, m, rename)
	})
}

func (k *kitchenService) PutPerson(ctx context.Context, r *sv.PutPersonRequest) (*sv.PutPersonResponse, error) {
	if err := required("person", r.GetPerson()); err != nil {
		return nil, err
	}
	got, err := k.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{stepPerson(act, r.GetPerson(), r.GetRename())}
	})
	if err == nil && r.GetPerson().GetLeft() {
		err = k.s.cfg.SignIn.EndPerson(ctx, r.GetPerson().GetInitials())
	}
	k.s.forgetCallers()
	return &sv.PutPersonResponse{Receipt: got}, under("person", err)
}

func (k *kitchenService) ListPeople(ctx context.Context, r *sv.ListPeopleRequest) (*sv.ListPeopleResponse, error) {
	docs, next, err := page[*kb.Person](ctx, k.s, store.Query{Kind: records.KindPerson}, r.GetPageSize(), r.GetPageToken())
	return &sv.ListPeopleResponse{Rows: recordsOf(docs), NextPageToken: next}, err
}

type instrumentFacts struct {
	records.InstrumentFacts
	day string
}

func stepInstrument(act records.Act, m *kb.Instrument) store.Step {
	return step(func(v store.View) (instrumentFacts, error) {
		known, err := get[*kb.Instrument](v, records.KindInstrument, m.GetInstrumentId())
		return instrumentFacts{records.InstrumentFacts{Known: known}, registerDay(v, act.RecordedAt)}, err
	}, func(f instrumentFacts) ([]records.Draft, error) {
		return records.DecideInstrument(f.InstrumentFacts, act, f.day, m)
	})
}

func (k *kitchenService) PutInstrument(ctx context.Context, r *sv.PutInstrumentRequest) (*sv.PutInstrumentResponse, error) {
	if err := required("instrument", r.GetInstrument()); err != nil {
		return nil, err
	}
	got, err := k.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{stepInstrument(act, r.GetInstrument())}
	})
	return &sv.PutInstrumentResponse{Receipt: got}, under("instrument", err)
}

func (k *kitchenService) ListInstruments(ctx context.Context, r *sv.ListInstrumentsRequest) (*sv.ListInstrumentsResponse, error) {
	docs, next, err := page[*kb.Instrument](ctx, k.s, store.Query{Kind: records.KindInstrument}, r.GetPageSize(), r.GetPageToken())
	return &sv.ListInstrumentsResponse{Rows: recordsOf(docs), NextPageToken: next}, err
}

type formulaFacts struct {
	records.FormulaFacts
	settings records.Settings
	day      string
}

func loadFormula(id string, version uint32, at time.Time) func(store.View) (formulaFacts, error) {
	return func(v store.View) (f formulaFacts, err error) {
		key := records.FormulaKey(id, version)
		if f.Known, err = get[*kb.Formula](v, records.KindFormula, key); err != nil {
			return f, err
		}
		if f.Approved, err = get[*kb.FormulaApproval](v, records.KindFormulaApproval, key); err != nil {
			return f, err
		}
		if f.settings, err = settingsAt(v, at); err != nil {
			return f, err
		}
		f.day = f.settings.Day(at)
		return f, nil
	}
}

func stepFormula(act records.Act, m *kb.Formula) store.Step {
	return step(loadFormula(m.GetFormulaId(), m.GetVersion(), act.RecordedAt), func(f formulaFacts) ([]records.Draft, error) {
		return records.DecideFormula(f.FormulaFacts, f.settings, act, f.day, m)
	})
}

func stepApproval(act records.Act, m *kb.FormulaApproval) store.Step {
	return step(loadFormula(m.GetFormulaId(), m.GetVersion(), act.RecordedAt), func(f formulaFacts) ([]records.Draft, error) {
		return records.DecideFormulaApproval(f.FormulaFacts, f.settings, act, f.day, m)
	})
}

func (k *kitchenService) PutFormula(ctx context.Context, r *sv.PutFormulaRequest) (*sv.PutFormulaResponse, error) {
	if err := required("formula", r.GetFormula()); err != nil {
		return nil, err
	}
	got, err := k.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{stepFormula(act, r.GetFormula())}
	})
	return &sv.PutFormulaResponse{Receipt: got}, under("formula", err)
}

func (k *kitchenService) ApproveFormula(ctx context.Context, r *sv.ApproveFormulaRequest) (*sv.ApproveFormulaResponse, error) {
	if err := required("approval", r.GetApproval()); err != nil {
		return nil, err
	}
	got, err := k.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, _ *touched) []store.Step {
		return []store.Step{stepApproval(act, r.GetApproval())}
	})
	return &sv.ApproveFormulaResponse{Receipt: got}, under("approval", err)
}

func (k *kitchenService) ListFormulas(ctx context.Context, r *sv.ListFormulasRequest) (*sv.ListFormulasResponse, error) {
	docs, next, err := page[*kb.Formula](ctx, k.s, store.Query{Kind: records.KindFormula}, r.GetPageSize(), r.GetPageToken())
	return &sv.ListFormulasResponse{Rows: recordsOf(docs), NextPageToken: next}, err
}
