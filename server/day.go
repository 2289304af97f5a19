package server

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"google.golang.org/grpc"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type dayService struct {
	sv.UnimplementedDayServiceServer
	s *Server
	// signing lets one review or seal at a time through: one that is sent again
	// while the first is under way finds its answer, not a token that is used up,
	// and no content is sealed twice.
	signing sync.Mutex
	watched watchedDay
}

// watchedDay is the content that watchers were shown last: those who look at
// the same day share it.
type watchedDay struct {
	mu sync.Mutex
	content
}

// content is a day's content as built at a ledger size.
type content struct {
	bytes []byte
	hash  [sha256.Size]byte
	size  int64
	facts records.DayFacts
	day   *kb.DayContent
}

// buildContent builds a day's content from a snapshot taken on the writer's
// turn, so that nothing in it is half way.
func (s *Server) buildContent(ctx context.Context, day string) (content, error) {
	v, release, err := s.cfg.Store.SnapshotOnWriter(ctx)
	if err != nil {
		return content{}, err
	}
	defer release()
	now := s.cfg.Clock.Now()
	if day == "" {
		settings, err := settingsAt(v, now)
		if err != nil {
			return content{}, err
		}
		day = settings.Day(now)
	}
	c := content{size: v.Size()}
	if c.facts, err = dayFacts(v, day, now); err != nil {
		return c, err
	}
	release() // nothing of what follows reads the ledger
	if c.day, err = records.BuildDay(c.facts); err != nil {
		return c, err
	}
	c.bytes, c.hash, err = records.ContentJSON(c.day)
	return c, err
}

func (d *dayService) GetDay(ctx context.Context, r *sv.GetDayRequest) (*sv.GetDayResponse, error) {
	c, err := d.s.buildContent(ctx, r.GetProductionDay())
	if err != nil {
		return nil, err
	}
	return &sv.GetDayResponse{Content: c.bytes, ContentSha256: c.hash[:], LedgerSize: c.size}, nil
}

// errMoved says that the ledger grew between building a day and signing it.
var errMoved = errors.New("the ledger grew meanwhile")

// growth is how many entries may come between building a day's content and
// its signature without the content being built again.
const growth = 150

// unchanged is a step that refuses when an entry since size may change the
// day: one that belongs to the day or an earlier one, or a register entry.
func unchanged(size int64, day string) store.Step {
	return since(size, func(e records.Entry) bool { return records.MayChangeDay(e, day) })
}

// since is a step that refuses with errMoved when an entry since size matters,
// or when there are too many to look at.
func since(size int64, matters func(records.Entry) bool) store.Step {
	return step(func(v store.View) (bool, error) {
		if v.Size() == size {
			return false, nil
		}
		if v.Size()-size > growth {
			return true, nil
		}
		entries, err := v.Entries(size+1, growth)
		if err != nil {
			return false, err
		}
		for _, stored := range entries {
			e, err := records.ParseEntry(stored.Envelope)
			if err != nil {
				return false, err
			}
			if matters(e) {
				return true, nil
			}
		}
		return false, nil
	}, func(moved bool) ([]records.Draft, error) {
		if moved {
			return nil, errMoved
		}
		return nil, nil
	})
}

// sign appends a review or seal over a day's content as it stands, builds it
// again when the ledger grew meanwhile, and seals the log.
func (s *Server) sign(ctx context.Context, act records.Act, day string, decide func(content) ([]records.Draft, error)) (*sv.Receipt, *kb.LogSealed, error) {
	for range 10 {
		c, err := s.buildContent(ctx, day)
		if err != nil {
			return nil, nil, err
		}
		if err := s.cfg.Files.Keep(c.bytes, ""); err != nil {
			return nil, nil, fmt.Errorf("server: keeping the day's content: %w", err)
		}
		r, err := s.cfg.Store.Append(ctx, store.Command{RequestID: act.RequestID, ContentHash: act.ContentHash},
			unchanged(c.size, c.day.GetProductionDay()),
			step(func(store.View) (content, error) { return c, nil }, decide))
		if errors.Is(err, errMoved) {
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		log, err := s.makeLog(context.WithoutCancel(ctx), r.First)
		return receipt(r), log, err
	}
	return nil, nil, &records.FieldError{Kind: records.ErrUnavailable, Problem: "the day goes on changing", Cure: "wait until entries of the day stop coming in, then sign"}
}

func (d *dayService) ReviewDay(ctx context.Context, r *sv.ReviewDayRequest) (*sv.ReviewDayResponse, error) {
	if err := required("review", r.GetReview()); err != nil {
		return nil, err
	}
	if err := checkRequestID(r.GetRequestId()); err != nil {
		return nil, err
	}
	act, err := d.s.act(ctx, r.GetRequestId(), r)
	if err != nil {
		return nil, err
	}
	d.signing.Lock()
	defer d.signing.Unlock()
	known, err := d.s.confirmed(ctx, act, r)
	if err != nil {
		return nil, err
	}
	if known != nil {
		log, err := d.s.makeLog(context.WithoutCancel(ctx), known.First)
		return &sv.ReviewDayResponse{Receipt: receipt(*known), Log: log}, err
	}
	act.KnownBy = kb.KnownBy_KNOWN_BY_PIN_AT_SIGNING
	got, log, err := d.s.sign(ctx, act, r.GetReview().GetProductionDay(), func(c content) ([]records.Draft, error) {
		return records.DecideReview(records.ReviewFacts{Settings: c.facts.Settings, Size: c.size, ContentHash: c.hash, Makers: c.facts.Makers()}, act, r.GetReview())
	})
	return &sv.ReviewDayResponse{Receipt: got, Log: log}, under("review", err)
}

// confirmed uses up the signing token, unless this very request was answered
// before: then it gives the receipt, and the first answer is given again.
func (s *Server) confirmed(ctx context.Context, act records.Act, r *sv.ReviewDayRequest) (*store.Receipt, error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, err
	}
	known, ok, err := v.Receipt(act.RequestID)
	release()
	if err != nil {
		return nil, err
	}
	if ok {
		if known.ContentHash != act.ContentHash {
			return nil, store.ErrRequestIDReused
		}
		known.Replayed = true
		return &known, nil
	}
	if err := records.Validate(r.GetReview()); err != nil {
		return nil, under("review", err)
	}
	return nil, s.cfg.SignIn.UseConfirmation(ctx, r.GetSigningToken(), signing(act.Person, r.GetReview().GetMeaning(), r.GetReview().GetContentSha256()))
}

func (d *dayService) SealDay(ctx context.Context, r *sv.SealDayRequest) (*sv.SealDayResponse, error) {
	if err := required("seal", r.GetSeal()); err != nil {
		return nil, err
	}
	if err := checkRequestID(r.GetRequestId()); err != nil {
		return nil, err
	}
	act, err := d.s.act(ctx, r.GetRequestId(), r)
	if err != nil {
		return nil, err
	}
	d.signing.Lock()
	defer d.signing.Unlock()
	last, err := d.s.lastLogOf(ctx, r.GetSeal().GetProductionDay())
	if err != nil {
		return nil, err
	}
	got, log, err := d.s.sign(ctx, act, r.GetSeal().GetProductionDay(), func(c content) ([]records.Draft, error) {
		return records.DecideSeal(records.ReviewFacts{Settings: c.facts.Settings, Size: c.size, ContentHash: c.hash, LastHash: last.Record.GetContentSha256()}, act, r.GetSeal())
	})
	return &sv.SealDayResponse{Receipt: got, Log: log}, under("seal", err)
}

func (s *Server) lastLogOf(ctx context.Context, day string) (records.Doc[*kb.LogSealed], error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return records.Doc[*kb.LogSealed]{}, err
	}
	defer release()
	return lastLog(v, day)
}

func lastLog(v store.View, day string) (records.Doc[*kb.LogSealed], error) {
	docs, err := list[*kb.LogSealed](v, store.Query{Kind: records.KindLog, Index: "day", From: records.JoinKey(day, ""), To: below(day), Desc: true, Limit: 1})
	if err != nil || len(docs) == 0 {
		return records.Doc[*kb.LogSealed]{}, err
	}
	return docs[0], nil
}

func (d *dayService) ListLogs(ctx context.Context, r *sv.ListLogsRequest) (*sv.ListLogsResponse, error) {
	docs, next, err := page[*kb.LogSealed](ctx, d.s, store.Query{Kind: records.KindLog}, r.GetPageSize(), r.GetPageToken())
	return &sv.ListLogsResponse{Rows: recordsOf(docs), NextPageToken: next}, err
}

// logPiece is the size of a piece of a log, in bytes.
const logPiece = 64 << 10

func (d *dayService) GetLog(r *sv.GetLogRequest, ss grpc.ServerStreamingServer[sv.GetLogResponse]) error {
	v, release, err := d.s.view(ss.Context())
	if err != nil {
		return err
	}
	doc, err := get[*kb.LogSealed](v, records.KindLog, fmt.Sprintf("%08d", r.GetSerial()))
	if err == nil && r.GetSerial() == 0 {
		doc, err = lastLog(v, r.GetProductionDay())
	}
	release()
	if err != nil {
		return err
	}
	if !doc.Has() {
		return &records.FieldError{Kind: records.ErrNotFound, Field: "serial", Problem: "there is no such log", Cure: "see the list of logs"}
	}
	var sum [sha256.Size]byte
	copy(sum[:], doc.Record.GetPdfSha256())
	pdf, err := d.s.cfg.Files.Read(sum)
	if err != nil {
		return fmt.Errorf("server: log %d: %w", doc.Record.GetSerial(), err)
	}
	first := doc.Record
	for len(pdf) > 0 || first != nil {
		n := min(len(pdf), logPiece)
		if err := ss.Send(&sv.GetLogResponse{Log: first, Pdf: pdf[:n]}); err != nil {
			return err
		}
		pdf, first = pdf[n:], nil
	}
	return nil
}

func (d *dayService) ListOverdue(ctx context.Context, r *sv.ListOverdueRequest) (*sv.ListOverdueResponse, error) {
	size, err := pageSize(r.GetPageSize())
	if err != nil {
		return nil, err
	}
	from := ""
	if token := r.GetPageToken(); token != "" {
		if _, err := time.Parse(time.DateOnly, token); err != nil {
			return nil, store.ErrBadCursor
		}
		from = token + "\x00"
	}
	v, release, err := d.s.view(ctx)
	if err != nil {
		return nil, err
	}
	settings, err := settingsAt(v, d.s.cfg.Clock.Now())
	if err != nil {
		release()
		return nil, err
	}
	today := settings.Day(d.s.cfg.Clock.Now())
	days, err := v.Days(store.DaysQuery{From: from, To: today, Limit: size})
	release()
	if err != nil {
		return nil, err
	}
	out := &sv.ListOverdueResponse{}
	for _, day := range days {
		row, err := d.overdue(ctx, day)
		if err != nil {
			return nil, err
		}
		if row != nil {
			out.Rows = append(out.Rows, row)
		}
	}
	if len(days) == size {
		out.NextPageToken = days[len(days)-1]
	}
	return out, nil
}

// overdue says whether a day waits for review; nil when it does not.
func (d *dayService) overdue(ctx context.Context, day string) (*sv.OverdueDay, error) {
	c, err := d.s.buildContent(ctx, day)
	if err != nil {
		return nil, err
	}
	if len(c.facts.Entries) == 0 {
		return nil, nil
	}
	v, release, err := d.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	reviews, err := list[*kb.DayReview](v, store.Query{Kind: records.KindReview, From: records.JoinKey(day, ""), To: below(day), Desc: true, Limit: 1})
	if err != nil {
		return nil, err
	}
	if len(reviews) > 0 && string(reviews[0].Record.GetContentSha256()) == string(c.hash[:]) {
		return nil, nil
	}
	seals, err := list[*kb.DaySeal](v, store.Query{Kind: records.KindSeal, From: records.JoinKey(day, ""), To: below(day), Limit: 1})
	return &sv.OverdueDay{ProductionDay: day, SealedWithoutReview: len(seals) > 0, ChangedSince: len(reviews) > 0}, err
}

var errStopping = &records.FieldError{Kind: records.ErrUnavailable, Problem: "the service is stopping", Cure: "watch again with after_sequence"}

// watch gives a day as it is at a ledger size or later.
func (d *dayService) watch(ctx context.Context, day string, size int64) (content, error) {
	w := &d.watched
	w.mu.Lock()
	defer w.mu.Unlock()
	if day != "" && w.day.GetProductionDay() == day && w.size >= size && size > 0 {
		return w.content, nil
	}
	c, err := d.s.buildContent(ctx, day)
	if err == nil {
		c.facts = records.DayFacts{} // nobody who watches needs them
		w.content = c
	}
	return c, err
}

func (d *dayService) WatchDay(r *sv.WatchDayRequest, ss grpc.ServerStreamingServer[sv.WatchDayResponse]) error {
	sizes, cancel := d.s.cfg.Store.Watch(0)
	defer cancel()
	var last [sha256.Size]byte
	first := true
	seen := int64(0)
	for {
		c, err := d.watch(ss.Context(), r.GetProductionDay(), seen)
		if err != nil {
			return err
		}
		if first && c.size > r.GetAfterSequence() || c.hash != last && !first {
			if err := ss.Send(&sv.WatchDayResponse{Content: c.bytes, LedgerSize: c.size}); err != nil {
				return err
			}
		}
		first, last = false, c.hash
		for seen = c.size; seen <= c.size; {
			select {
			case <-ss.Context().Done():
				return ss.Context().Err()
			case <-d.s.quit:
				return errStopping
			case n, ok := <-sizes:
				if !ok {
					return errStopping
				}
				seen = n
			}
		}
	}
}
