package server

import (
	"context"
	"errors"
	"io"
	"time"

	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type batchService struct {
	sv.UnimplementedBatchServiceServer
	s *Server
}

func stepBatchStart(act records.Act, t *touched, m *kb.BatchStart) store.Step {
	return step(func(v store.View) (records.BatchFacts, error) {
		at := timeOr(m.GetStartedAt(), act.RecordedAt)
		f, err := batchFacts(v, m.GetLotCode(), at)
		if err != nil {
			return f, err
		}
		if f.Formula, f.Approved, err = formulaFor(v, m.GetFormulaId(), m.GetVersion(), at); err != nil {
			return f, err
		}
		f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, m.GetInstrumentId(), at)
		return f, err
	}, func(f records.BatchFacts) ([]records.Draft, error) {
		t.lot(m.GetLotCode())
		return records.DecideBatchStart(f, act, m)
	})
}

// stepHung is a step for something that hangs on a batch.
func stepHung[M interface {
	proto.Message
	GetLotCode() string
}](act records.Act, t *touched, m M, decide func(records.BatchFacts, records.Act, M) ([]records.Draft, error)) store.Step {
	return step(func(v store.View) (records.BatchFacts, error) { return batchFacts(v, m.GetLotCode(), act.RecordedAt) },
		func(f records.BatchFacts) ([]records.Draft, error) {
			t.lot(m.GetLotCode())
			return decide(f, act, m)
		})
}

func stepReadings(act records.Act, t *touched, m *kb.Readings) store.Step {
	return step(func(v store.View) (records.BatchFacts, error) {
		f, err := batchFacts(v, m.GetLotCode(), act.RecordedAt)
		if err != nil {
			return f, err
		}
		f.Instrument, err = version[*kb.Instrument](v, records.KindInstrumentVersion, m.GetInstrumentId(), timeOr(m.GetFirstAt(), act.RecordedAt))
		return f, err
	}, func(f records.BatchFacts) ([]records.Draft, error) {
		drafts, err := records.DecideReadings(f, act, m)
		// A run on the heat changes no conclusion until the pan is pulled.
		if err == nil && (f.Pull.Has() || m.GetSeries() == kb.SeriesKind_SERIES_KIND_COOLING) {
			t.lot(m.GetLotCode())
		}
		return drafts, err
	})
}

func (b *batchService) StartBatch(ctx context.Context, r *sv.StartBatchRequest) (*sv.StartBatchResponse, error) {
	if err := required("batch", r.GetBatch()); err != nil {
		return nil, err
	}
	got, err := b.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepBatchStart(act, t, r.GetBatch())}
	})
	return &sv.StartBatchResponse{Receipt: got}, under("batch", err)
}

func (b *batchService) addReadings(ctx context.Context, id string, req proto.Message, m *kb.Readings, queued bool) (*sv.Receipt, error) {
	if err := required("readings", m); err != nil {
		return nil, err
	}
	got, err := b.s.mutate(ctx, id, req, func(act records.Act, t *touched) []store.Step {
		act.Queued = queued
		return []store.Step{stepReadings(act, t, m)}
	})
	return got, under("readings", err)
}

func (b *batchService) AddReadings(ctx context.Context, r *sv.AddReadingsRequest) (*sv.AddReadingsResponse, error) {
	got, err := b.addReadings(ctx, r.GetRequestId(), r, r.GetReadings(), r.GetQueued())
	return &sv.AddReadingsResponse{Receipt: got}, err
}

// streamAhead is how many chunks of one stream may wait for the ledger at
// once; answers go back in order of arrival.
const streamAhead = 16

// acknowledged is what became of a chunk.
type acknowledged struct {
	receipt *sv.Receipt
	err     error
}

// StreamReadings takes chunks as they come. The first that is refused ends the
// stream at once: those acknowledged before it are kept, and what became of
// those behind it, sending them again tells.
func (b *batchService) StreamReadings(ss sv.BatchService_StreamReadingsServer) error {
	ctx, cancel := context.WithCancel(ss.Context())
	defer cancel()
	type arrival struct {
		request *sv.StreamReadingsRequest
		err     error
	}
	in := make(chan arrival)
	go func() {
		for {
			r, err := ss.Recv()
			select {
			case in <- arrival{r, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	waiting := make(chan chan acknowledged, streamAhead)
	answered := make(chan error, 1)
	go func() { answered <- acknowledge(ss, waiting) }()
	var end error
	for end == nil {
		select {
		case err := <-answered:
			return err
		case <-b.s.quit:
			end = errStopping
		case got := <-in:
			if end = got.err; end != nil {
				break
			}
			a := make(chan acknowledged, 1)
			go func() {
				r := got.request
				receipt, err := b.addReadings(ctx, r.GetRequestId(), r, r.GetReadings(), r.GetQueued())
				a <- acknowledged{receipt, err}
			}()
			select {
			case waiting <- a:
			case err := <-answered:
				return err
			}
		}
	}
	close(waiting)
	if err := <-answered; err != nil {
		return err
	}
	if errors.Is(end, io.EOF) {
		return nil
	}
	return end
}

// acknowledge sends answers in the order in which the chunks came, until there
// are no more or one is an error.
func acknowledge(ss sv.BatchService_StreamReadingsServer, waiting <-chan chan acknowledged) error {
	for a := range waiting {
		got := <-a
		if got.err != nil {
			return got.err
		}
		if err := ss.Send(&sv.StreamReadingsResponse{Receipt: got.receipt}); err != nil {
			return err
		}
	}
	return nil
}

func (b *batchService) RecordPull(ctx context.Context, r *sv.RecordPullRequest) (*sv.RecordPullResponse, error) {
	if err := required("pull", r.GetPull()); err != nil {
		return nil, err
	}
	got, err := b.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepHung(act, t, r.GetPull(), records.DecidePull)}
	})
	if err != nil {
		return nil, under("pull", err)
	}
	v, release, err := b.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	a, err := get[*kb.PullAssessment](v, records.KindPullAssessment, r.GetPull().GetLotCode())
	return &sv.RecordPullResponse{Receipt: got, Assessment: a.Record}, err
}

func (b *batchService) RecordColdWaterTest(ctx context.Context, r *sv.RecordColdWaterTestRequest) (*sv.RecordColdWaterTestResponse, error) {
	if err := required("test", r.GetTest()); err != nil {
		return nil, err
	}
	got, err := b.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepHung(act, t, r.GetTest(), records.DecideColdWater)}
	})
	return &sv.RecordColdWaterTestResponse{Receipt: got}, under("test", err)
}

func (b *batchService) EndBatch(ctx context.Context, r *sv.EndBatchRequest) (*sv.EndBatchResponse, error) {
	if err := required("end", r.GetEnd()); err != nil {
		return nil, err
	}
	got, err := b.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepHung(act, t, r.GetEnd(), records.DecideBatchEnd)}
	})
	return &sv.EndBatchResponse{Receipt: got}, under("end", err)
}

func (b *batchService) VoidBatch(ctx context.Context, r *sv.VoidBatchRequest) (*sv.VoidBatchResponse, error) {
	if err := required("void", r.GetVoid()); err != nil {
		return nil, err
	}
	got, err := b.s.mutate(ctx, r.GetRequestId(), r, func(act records.Act, t *touched) []store.Step {
		return []store.Step{stepHung(act, t, r.GetVoid(), records.DecideBatchVoid)}
	})
	return &sv.VoidBatchResponse{Receipt: got}, under("void", err)
}

func (b *batchService) GetBatch(ctx context.Context, r *sv.GetBatchRequest) (*sv.GetBatchResponse, error) {
	v, release, err := b.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	f, err := batchOfDay(v, r.GetLotCode())
	if err != nil {
		return nil, err
	}
	if !f.Batch.Has() {
		return nil, &records.FieldError{Kind: records.ErrNotFound, Field: "lot_code", Problem: "there is no batch " + r.GetLotCode(), Cure: "check the lot code"}
	}
	_, sequences, err := readRuns(v, store.RunQuery{Series: records.SeriesKey(r.GetLotCode(), kb.SeriesKind_SERIES_KIND_COOK), Limit: store.MaxLimit})
	return &sv.GetBatchResponse{Batch: f.Day(), CookSequences: sequences}, err
}

func (b *batchService) ListBatches(ctx context.Context, r *sv.ListBatchesRequest) (*sv.ListBatchesResponse, error) {
	v, release, err := b.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	day := r.GetProductionDay()
	if day == "" {
		settings, err := settingsAt(v, b.s.cfg.Clock.Now())
		if err != nil {
			return nil, err
		}
		day = settings.Day(b.s.cfg.Clock.Now())
	}
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "production_day", Problem: "is no day", Cure: "write it YYYY-MM-DD"}
	}
	size, err := pageSize(r.GetPageSize())
	if err != nil {
		return nil, err
	}
	docs, err := v.Day(store.DayQuery{Day: day, Kind: records.KindBatch, After: r.GetPageToken(), Limit: size})
	if err != nil {
		return nil, err
	}
	out := &sv.ListBatchesResponse{}
	for _, d := range docs {
		doc, err := records.ReadDoc[*kb.BatchStart](d.Body)
		if err != nil {
			return nil, err
		}
		out.Rows = append(out.Rows, doc.Record)
	}
	if len(docs) == size {
		out.NextPageToken = docs[len(docs)-1].DayCursor()
	}
	return out, nil
}
