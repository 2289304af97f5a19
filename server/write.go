package server

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// mutate is the one way to write: receipt or claim, then every conclusion
// that rests on it, in one Append; look-backs follow as commands of their own.
func (s *Server) mutate(ctx context.Context, requestID string, req proto.Message, claim func(records.Act, *touched) []store.Step) (*sv.Receipt, error) {
	if err := checkRequestID(requestID); err != nil {
		return nil, err
	}
	act, err := s.act(ctx, requestID, req)
	if err != nil {
		return nil, err
	}
	return s.append(ctx, act, claim)
}

func (s *Server) append(ctx context.Context, act records.Act, claim func(records.Act, *touched) []store.Step) (*sv.Receipt, error) {
	t := new(touched)
	steps := append(claim(act, t), s.reassess(t, act))
	r, err := s.cfg.Store.Append(ctx, store.Command{RequestID: act.RequestID, ContentHash: act.ContentHash}, steps...)
	if err != nil {
		return nil, err
	}
	s.signLater(r.First + r.Count - 1)
	if err := s.lookBacks(context.WithoutCancel(ctx), r.First, r.Count, r.RequestID); err != nil {
		// The claim is kept; the look-back is owed.
		s.cfg.Logf("look-back after %s: %v", r.RequestID, err)
	}
	return receipt(r), nil
}

func receipt(r store.Receipt) *sv.Receipt {
	return &sv.Receipt{RequestId: r.RequestID, FirstSequence: r.First, Count: r.Count, Replayed: r.Replayed}
}

// withoutSecrets leaves out what is no content of the request: the token that
// confirms a signature is another one when the request is sent again.
func withoutSecrets(req proto.Message) proto.Message {
	if r, ok := req.(*sv.ReviewDayRequest); ok {
		c := proto.Clone(r).(*sv.ReviewDayRequest)
		c.SigningToken = ""
		return c
	}
	return req
}

// view gives a snapshot to read from; release it soon.
func (s *Server) view(ctx context.Context) (store.View, func(), error) {
	return s.cfg.Store.Snapshot(ctx)
}

// pageSize gives the rows of a page: 100 when nobody says, 500 at most.
func pageSize(asked int32) (int, error) {
	switch {
	case asked < 0 || asked > 500:
		return 0, &records.FieldError{Kind: records.ErrInvalid, Field: "page_size", Problem: "is out of range", Cure: "1 to 500"}
	case asked == 0:
		return 100, nil
	}
	return int(asked), nil
}

// page reads a page of documents. token is the store's own cursor.
func page[M proto.Message](ctx context.Context, s *Server, q store.Query, size int32, token string) ([]records.Doc[M], string, error) {
	rows, err := pageSize(size)
	if err != nil {
		return nil, "", err
	}
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, "", err
	}
	defer release()
	q.Limit, q.After = rows, token
	docs, err := v.Documents(q)
	if err != nil {
		return nil, "", err
	}
	out := make([]records.Doc[M], 0, len(docs))
	for _, d := range docs {
		doc, err := records.ReadDoc[M](d.Body)
		if err != nil {
			return nil, "", err
		}
		out = append(out, doc)
	}
	next := ""
	if len(docs) == rows {
		next = docs[len(docs)-1].Cursor()
	}
	return out, next, nil
}

func recordsOf[M proto.Message](docs []records.Doc[M]) []M {
	out := make([]M, len(docs))
	for i, d := range docs {
		out[i] = d.Record
	}
	return out
}

// required refuses a request without its record.
func required(field string, m proto.Message) error {
	if m == nil || !m.ProtoReflect().IsValid() {
		return &records.FieldError{Kind: records.ErrInvalid, Field: field, Problem: "is missing", Cure: "send the record"}
	}
	return nil
}

// under names the field of the request below which a rule found something.
func under(field string, err error) error {
	if errors.Is(err, records.ErrNotAllowed) || err == nil {
		return err
	}
	var fe *records.FieldError
	if !errors.As(err, &fe) || fe.Field == "" || fe.Field == "request_id" {
		return err
	}
	// What names the record itself, or stands below it already, stays.
	if rest, ok := strings.CutPrefix(fe.Field, field); ok && (rest == "" || rest[0] == '.' || rest[0] == '[') {
		return err
	}
	return records.Within(field, err)
}
