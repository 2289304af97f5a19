package server

import (
	"context"
	"errors"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

// InAccessTable says whether a method has a line in the access table, and
// which roles may call it.
func InAccessTable(method string) (roles []kb.Role, ok bool) {
	a, ok := accessTable[method]
	return a.roles, ok
}

// AccessTable lists the methods that have a line.
func AccessTable() []string {
	var out []string
	for m := range accessTable {
		out = append(out, m)
	}
	return out
}

// CodesByReason is the table from reasons to gRPC codes.
var CodesByReason = codesByReason

// JudgeAll draws every conclusion about every check, batch and look-back of a
// ledger anew, from everything there is, and gives the entries that differ from
// those in force: none, when what came in bit by bit was followed rightly.
func JudgeAll(ctx context.Context, s *Server, why string) ([]records.Entry, error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, err
	}
	size := v.Size()
	t := new(touched)
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindCheck}) {
		if err != nil {
			release()
			return nil, err
		}
		t.checks = append(t.checks, d.ID)
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindBatch}) {
		if err != nil {
			release()
			return nil, err
		}
		t.lot(d.ID)
	}
	release()
	act := records.Act{Site: 1, KnownBy: kb.KnownBy_KNOWN_BY_SYSTEM, RequestID: systemID("judge all", why), RecordedAt: s.cfg.Clock.Now()}
	if _, err := s.cfg.Store.Append(ctx, store.Command{RequestID: act.RequestID}, s.reassess(t, act)); err != nil && !errors.Is(err, store.ErrNothingDecided) {
		return nil, err
	}
	for _, check := range t.checks {
		if err := s.lookBackOf(ctx, check, time.Time{}, "judge all "+why); err != nil {
			return nil, err
		}
	}
	v, release, err = s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	var out []records.Entry
	for n := size + 1; n <= v.Size(); n++ {
		e, err := entryAt(v, n)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}
