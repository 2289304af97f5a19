package server

import (
	"context"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type checkService struct {
	sv.UnimplementedCheckServiceServer
	s *Server
}

func stepCheck(act records.Act, t *touched, m *kb.Check) store.Step {
	return step(func(v store.View) (records.CheckFacts, error) {
		var f records.CheckFacts
		var err error
		if f.Known, err = get[*kb.Check](v, records.KindCheck, m.GetCheckId()); err != nil {
			return f, err
		}
		at := act.RecordedAt
		if len(m.GetPoints()) > 0 && m.GetPoints()[0].GetAt().IsValid() {
			at = m.GetPoints()[0].GetAt().AsTime()
		}
		if f.Settings, err = settingsAt(v, at); err != nil {
			return f, err
		}
		if f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, m.GetInstrumentId(), at); err != nil {
			return f, err
		}
		f.References, err = references(v, m, at)
		return f, err
	}, func(f records.CheckFacts) ([]records.Draft, error) {
		drafts, err := records.DecideCheck(f, act, m)
		if err == nil {
			t.check(m)
		}
		return drafts, err
	})
}

func (c *checkService) RecordCheck(ctx context.Context, r *sv.RecordCheckRequest) (*sv.RecordCheckResponse, error) {
	if err := required("check", r.GetCheck()); err != nil {
		return nil, err
	}
	got, err := c.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepCheck(act, t, r.GetCheck())}
	})
	if err != nil {
		return nil, under("check", err)
	}
	v, release, err := c.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	a, err := get[*kb.CheckAssessment](v, records.KindCheckAssessment, r.GetCheck().GetCheckId())
	return &sv.RecordCheckResponse{Receipt: got, Assessment: a.Record}, err
}

func stepPressure(act records.Act, t *touched, m *kb.KitchenPressure) store.Step {
	return step(func(v store.View) (records.Settings, error) { return settingsAt(v, timeOr(m.GetAt(), act.RecordedAt)) },
		func(s records.Settings) ([]records.Draft, error) {
			drafts, err := records.DecidePressure(s, act, m)
			if err == nil {
				t.pressures = append(t.pressures, m.GetAt().AsTime())
			}
			return drafts, err
		})
}

func timeOr(at interface {
	IsValid() bool
	AsTime() time.Time
}, other time.Time) time.Time {
	if at.IsValid() {
		return at.AsTime()
	}
	return other
}

func (c *checkService) RecordPressure(ctx context.Context, r *sv.RecordPressureRequest) (*sv.RecordPressureResponse, error) {
	if err := required("pressure", r.GetPressure()); err != nil {
		return nil, err
	}
	got, err := c.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepPressure(act, t, r.GetPressure())}
	})
	return &sv.RecordPressureResponse{Receipt: got}, under("pressure", err)
}

func (c *checkService) ListChecks(ctx context.Context, r *sv.ListChecksRequest) (*sv.ListChecksResponse, error) {
	q := store.Query{Kind: records.KindCheckAssessment, Index: "instrument", From: records.JoinKey(r.GetInstrumentId(), ""), To: below(r.GetInstrumentId()), Desc: true}
	docs, next, err := page[*kb.CheckAssessment](ctx, c.s, q, r.GetPageSize(), r.GetPageToken())
	return &sv.ListChecksResponse{Rows: recordsOf(docs), NextPageToken: next}, err
}

func (c *checkService) GetBoilingPoint(ctx context.Context, _ *sv.GetBoilingPointRequest) (*sv.GetBoilingPointResponse, error) {
	v, release, err := c.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	now := c.s.cfg.Clock.Now()
	settings, err := settingsAt(v, now)
	if err != nil {
		return nil, err
	}
	pressures, err := pressuresAt(v, settings, now)
	if err != nil {
		return nil, err
	}
	micro, used, err := settings.BoilingHere(pressures, now)
	return &sv.GetBoilingPointResponse{BoilingMicroC: micro, Pressure: used}, err
}
