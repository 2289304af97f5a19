package server

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"sync/atomic"

	"golang.org/x/mod/sumdb/note"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

type ledgerService struct {
	sv.UnimplementedLedgerServiceServer
	s *Server
}

// lastCheckpoint reads the last checkpoint signed; a zero size when none was.
func (s *Server) lastCheckpoint() (ledger.Checkpoint, error) {
	signed, err := s.cfg.LastCheckpoint()
	if err != nil || len(signed) == 0 {
		return ledger.Checkpoint{}, err
	}
	v, err := note.NewVerifier(s.cfg.VerifierKey)
	if err != nil {
		return ledger.Checkpoint{}, fmt.Errorf("server: verifier key: %w", err)
	}
	return ledger.OpenCheckpoint(signed, v)
}

// compareCheckpoint finds out whether the ledger extends the last checkpoint
// that was signed. The error wraps ErrReadOnly when it does not, and state says
// in which way.
func (s *Server) compareCheckpoint(ctx context.Context) (state sv.LedgerState, err error) {
	last, err := s.lastCheckpoint()
	if err != nil {
		return 0, fmt.Errorf("server: last checkpoint: %w", err)
	}
	if last.Size == 0 {
		return sv.LedgerState_LEDGER_STATE_SOUND, nil
	}
	v, release, err := s.view(ctx)
	if err != nil {
		return 0, err
	}
	defer release()
	return extends(v, last)
}

// extends says whether a ledger extends a checkpoint, and if not, in which way.
func extends(v store.View, last ledger.Checkpoint) (sv.LedgerState, error) {
	if v.Size() < last.Size {
		return sv.LedgerState_LEDGER_STATE_OLDER_COPY, &records.FieldError{Kind: records.ErrReadOnly, Problem: fmt.Sprintf(
			"this ledger has %d entries, but a checkpoint over %d entries was signed: it was restored from an older copy", v.Size(), last.Size),
			Cure: "restore the newest backup; to go on with this copy: kettlebook restore --new-ledger"}
	}
	root, err := ledger.RootAt(v, last.Size)
	if err != nil {
		return 0, err
	}
	if root != last.Root {
		return sv.LedgerState_LEDGER_STATE_FORKED, &records.FieldError{Kind: records.ErrReadOnly, Problem: fmt.Sprintf(
			"the first %d entries are not those that the last checkpoint was signed over: an older copy was restored and continued, or entries were changed", last.Size),
			Cure: "keep the folder as it is and run kettlebook ledger check"}
	}
	return sv.LedgerState_LEDGER_STATE_SOUND, nil
}

// signCheckpoint signs the ledger at a size, unless that would contradict the
// last one signed, and keeps it outside the database when it is the largest.
func (s *Server) signCheckpoint(v store.View, size int64) ([]byte, error) {
	last, err := s.lastCheckpoint()
	if err != nil {
		return nil, fmt.Errorf("server: last checkpoint: %w", err)
	}
	if last.Size > 0 {
		if _, err := extends(v, last); err != nil {
			return nil, err
		}
	}
	root, err := ledger.RootAt(v, size)
	if err != nil {
		return nil, err
	}
	signed, err := ledger.SignCheckpoint(ledger.Checkpoint{Origin: s.cfg.Origin, Size: size, Root: root}, s.cfg.Signer)
	if err != nil {
		return nil, err
	}
	if size > last.Size {
		if err := s.cfg.SaveLastCheckpoint(signed); err != nil {
			return nil, fmt.Errorf("server: keeping the checkpoint: %w", err)
		}
	}
	return signed, nil
}

// signEvery is how many entries may come in before the ledger's state is
// signed and kept outside the database again, so that a copy restored after a
// power cut is told from the ledger that was lost.
const signEvery = 100

// signedSize remembers how far the ledger was signed.
type signedSize struct {
	size    atomic.Int64
	running atomic.Bool
	wait    sync.WaitGroup
}

// signLater signs the ledger beside the caller when enough came in.
func (s *Server) signLater(size int64) {
	if size-s.signed.size.Load() < signEvery || !s.signed.running.CompareAndSwap(false, true) {
		return
	}
	s.signed.wait.Go(func() {
		defer s.signed.running.Store(false)
		s.signed.size.Store(size)
		if _, err := s.Checkpoint(context.Background()); err != nil && !errors.Is(err, store.ErrClosed) {
			s.cfg.Logf("checkpoint: %v", err)
		}
	})
}

// Checkpoint signs the ledger as it is now and keeps the checkpoint outside
// the database; nothing happens while the ledger is empty.
func (s *Server) Checkpoint(ctx context.Context) ([]byte, error) {
	s.follow.Lock()
	defer s.follow.Unlock()
	v, release, err := s.cfg.Store.SnapshotOnWriter(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	if v.Size() == 0 {
		return nil, nil
	}
	return s.signCheckpoint(v, v.Size())
}

func (l *ledgerService) GetCheckpoint(ctx context.Context, _ *sv.GetCheckpointRequest) (*sv.GetCheckpointResponse, error) {
	signed, err := l.s.Checkpoint(ctx)
	if err != nil {
		return nil, err
	}
	if signed == nil {
		return nil, &records.FieldError{Kind: records.ErrNotFound, Problem: "the ledger is empty, and an empty ledger is never signed"}
	}
	return &sv.GetCheckpointResponse{Checkpoint: string(signed), VerifierKey: l.s.cfg.VerifierKey}, nil
}

func (l *ledgerService) ListEntries(ctx context.Context, r *sv.ListEntriesRequest) (*sv.ListEntriesResponse, error) {
	size, err := pageSize(r.GetPageSize())
	if err != nil {
		return nil, err
	}
	from := int64(1)
	if r.GetPageToken() != "" {
		n, err := strconv.ParseInt(r.GetPageToken(), 10, 64)
		if err != nil || n < 1 {
			return nil, store.ErrBadCursor
		}
		from = n
	}
	v, release, err := l.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	entries, err := v.Entries(from, size)
	if err != nil {
		return nil, err
	}
	out := &sv.ListEntriesResponse{}
	for _, e := range entries {
		out.Rows = append(out.Rows, e.Envelope)
	}
	if len(entries) == size {
		out.NextPageToken = strconv.FormatInt(from+int64(size), 10)
	}
	return out, nil
}

func (l *ledgerService) ProveConsistency(ctx context.Context, r *sv.ProveConsistencyRequest) (*sv.ProveConsistencyResponse, error) {
	v, release, err := l.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	size := r.GetNewSize()
	if size == 0 {
		size = v.Size()
	}
	if r.GetOldSize() < 1 || r.GetOldSize() > size || size > v.Size() {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "old_size", Problem: fmt.Sprintf("sizes %d and %d do not fit a ledger of %d entries", r.GetOldSize(), size, v.Size()), Cure: "1 <= old_size <= new_size <= size of the ledger"}
	}
	proof, err := ledger.Consistency(v, r.GetOldSize(), size)
	if err != nil {
		return nil, err
	}
	root, err := ledger.RootAt(v, size)
	return &sv.ProveConsistencyResponse{Hashes: hashes(proof), NewSize: size, NewRoot: root[:]}, err
}

func (l *ledgerService) ProveInclusion(ctx context.Context, r *sv.ProveInclusionRequest) (*sv.ProveInclusionResponse, error) {
	v, release, err := l.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	size := r.GetSize()
	if size == 0 {
		size = v.Size()
	}
	if r.GetSequence() < 1 || r.GetSequence() > size || size > v.Size() {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "sequence", Problem: fmt.Sprintf("there is no entry %d among the first %d of %d", r.GetSequence(), size, v.Size()), Cure: fmt.Sprintf("the ledger has entries 1 to %d", v.Size())}
	}
	e, err := v.Entry(r.GetSequence())
	if err != nil {
		return nil, err
	}
	proof, err := ledger.Inclusion(v, size, r.GetSequence()-1)
	if err != nil {
		return nil, err
	}
	root, err := ledger.RootAt(v, size)
	return &sv.ProveInclusionResponse{Hashes: hashes(proof), Size: size, Root: root[:], Envelope: e.Envelope}, err
}

func (l *ledgerService) CheckLedger(ctx context.Context, _ *sv.CheckLedgerRequest) (*sv.CheckLedgerResponse, error) {
	report, err := l.s.cfg.Store.Check(ctx)
	out := &sv.CheckLedgerResponse{Size: report.Size, Root: report.Root[:]}
	var tampered *store.TamperedError
	if errors.As(err, &tampered) {
		out.State, out.FirstBadSequence, out.Finding = sv.LedgerState_LEDGER_STATE_CHANGED, tampered.Sequence, fmt.Sprintf("entry %d: %s", tampered.Sequence, tampered.What)
		return out, nil
	}
	var differs *store.ProjectionError
	if err != nil && !errors.As(err, &differs) {
		return nil, err
	}
	// Whoever changes an entry with all of its hashes leaves projections that
	// do not follow; that the ledger is another one weighs more.
	state, forked := l.s.compareCheckpoint(ctx)
	switch {
	case errors.Is(forked, records.ErrReadOnly):
		out.State, out.Finding = state, problem(forked)
	case forked != nil:
		return nil, forked
	case differs != nil:
		out.State, out.Finding = sv.LedgerState_LEDGER_STATE_INDEX_DIFFERS, differs.What
	default:
		out.State, out.Sound, out.Finding = state, true, "every entry is as it was appended, and the ledger extends the last checkpoint"
	}
	return out, nil
}

// problem says what is wrong without the cure.
func problem(err error) string {
	var fe *records.FieldError
	if errors.As(err, &fe) {
		return fe.Problem
	}
	return err.Error()
}
