// Package server is the gRPC service: who is calling, may they, is the
// message sound, then one Append. It has no rules (those are in records) and
// no SQL (that is the store's).
package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/clock"
	"kettlebook/records/store"
	"kettlebook/server/signin"
)

// Config is everything a server is made of. All fields but Logf,
// OperatorToken, RateLimit and Credentials are needed.
type Config struct {
	// Store keeps the ledger.
	Store store.Store
	// Clock tells the time.
	Clock clock.Clock
	// Random is the source of chance, for tokens and request ids of the service itself.
	Random io.Reader
	// SignIn checks PINs and sessions.
	SignIn *signin.Desk
	// Origin is the ledger's origin; Signer and Verifiers its keys.
	Origin      string
	Signer      note.Signer
	VerifierKey string
	Verifiers   note.Verifiers
	// LastCheckpoint and SaveLastCheckpoint keep the last signed checkpoint
	// outside the database.
	LastCheckpoint     func() ([]byte, error)
	SaveLastCheckpoint func([]byte) error
	// Render draws a log; Seal signs the drawn PDF with the data attached.
	Render func(*kb.DayLog) ([]byte, error)
	Seal   func(pdf []byte, log *kb.DayLog) ([]byte, error)
	// SealFingerprint and CAFingerprint are printed in every log.
	SealFingerprint, CAFingerprint string
	// Files keeps sealed logs and day contents.
	Files Files
	// SoftwareVersion is written into every entry.
	SoftwareVersion string
	// SteppedClock says that the clock is stepped by hand; logs say so.
	SteppedClock bool
	// OperatorToken lets the machine that holds the folder in; empty: nobody.
	OperatorToken string
	// Credentials are the TLS credentials; nil serves plain text (loopback and
	// in-memory listeners only; cmd sees to that).
	Credentials credentials.TransportCredentials
	// RateLimit is how many calls a second one caller may make; 0: no limit.
	RateLimit float64
	// Logf is told of what goes wrong inside; nil: nobody.
	Logf func(format string, args ...any)
}

// Files keeps evidence outside the database: content-addressed, written and
// fsynced before the entry that names it.
type Files interface {
	// Keep writes a file under its hash and, when name is given, under that name in logs/.
	Keep(content []byte, name string) error
	// Read gives a file back by its SHA-256.
	Read(sum [32]byte) ([]byte, error)
}

// Server serves one site.
type Server struct {
	cfg    Config
	grpc   *grpc.Server
	health *health.Server
	follow sync.Mutex // logs and checkpoints are made one at a time
	quit   chan struct{}
	once   sync.Once
	signed signedSize
	limits *limits
	owed   owed // look-backs that could not follow yet
	// readOnly says why the ledger is not continued; nil when it is.
	readOnly error
}

// New makes a server. It compares the ledger with the last checkpoint signed
// and finishes what a crash left half done. A ledger that does not extend
// that checkpoint is served read-only.
func New(ctx context.Context, cfg Config) (*Server, error) {
	if cfg.Logf == nil {
		cfg.Logf = func(string, ...any) {}
	}
	s := &Server{cfg: cfg, quit: make(chan struct{}), limits: newLimits(cfg.RateLimit, cfg.Clock.Now)}
	opts := []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec()), grpc.MaxRecvMsgSize(MaxMessage), grpc.MaxConcurrentStreams(256),
		grpc.ChainUnaryInterceptor(s.unary), grpc.ChainStreamInterceptor(s.stream),
	}
	if cfg.Credentials != nil {
		opts = append(opts, grpc.Creds(cfg.Credentials))
	}
	s.grpc = grpc.NewServer(opts...)
	sv.RegisterSessionServiceServer(s.grpc, &sessionService{s: s})
	sv.RegisterKitchenServiceServer(s.grpc, &kitchenService{s: s})
	sv.RegisterCheckServiceServer(s.grpc, &checkService{s: s})
	sv.RegisterBatchServiceServer(s.grpc, &batchService{s: s})
	sv.RegisterDeviationServiceServer(s.grpc, &deviationService{s: s})
	sv.RegisterDayServiceServer(s.grpc, &dayService{s: s})
	sv.RegisterLedgerServiceServer(s.grpc, &ledgerService{s: s})
	sv.RegisterSheetServiceServer(s.grpc, &sheetService{s: s})
	sv.RegisterTodayServiceServer(s.grpc, &todayService{s: s})
	sv.RegisterCalcServiceServer(s.grpc, Calculator{})
	s.health = health.NewServer()
	healthpb.RegisterHealthServer(s.grpc, s.health)
	reflection.Register(s.grpc)
	if _, err := s.compareCheckpoint(ctx); err != nil {
		if !errors.Is(err, records.ErrReadOnly) {
			return nil, err
		}
		s.readOnly = err
		cfg.Store.Freeze(problem(err))
		return s, nil
	}
	if err := s.finish(ctx); err != nil {
		return nil, fmt.Errorf("server: finishing what was left half done: %w", err)
	}
	return s, nil
}

// GRPC gives the server to serve listeners with.
func (s *Server) GRPC() *grpc.Server { return s.grpc }

// ReadOnly says why the ledger is served for reading only: it does not extend
// the last checkpoint that was signed. It is nil while entries are taken.
func (s *Server) ReadOnly() error { return s.readOnly }

// stopWithin is how long a graceful stop waits for calls that run.
const stopWithin = 10 * time.Second

// Stop ends gracefully: watchers are told, calls that run are finished, for
// ten seconds at most.
func (s *Server) Stop() {
	s.once.Do(func() { close(s.quit) })
	s.health.Shutdown()
	late := time.AfterFunc(stopWithin, s.grpc.Stop)
	s.grpc.GracefulStop()
	late.Stop()
	s.signed.wait.Wait()
}

// Kill ends at once.
func (s *Server) Kill() { s.grpc.Stop() }

// systemID makes the request id of a command of the service itself: the same
// cause gives the same id, so that it is never done twice.
func systemID(parts ...string) string {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte("kettlebook/system/"+records.JoinKey(parts...))).String()
}

// act makes the act of a caller.
func (s *Server) act(ctx context.Context, requestID string, req proto.Message) (records.Act, error) {
	who := callerOf(ctx)
	hash, err := records.ContentHash(withoutSecrets(req))
	if err != nil {
		return records.Act{}, err
	}
	a := records.Act{
		Site: 1, Person: who.initials, KnownBy: who.known, Tablet: who.tablet, RequestID: requestID, ContentHash: hash,
		RecordedAt: s.cfg.Clock.Now(), SoftwareVersion: s.cfg.SoftwareVersion,
	}
	return a, nil
}

// checkRequestID refuses an id that cannot be kept for ever.
func checkRequestID(id string) error {
	if _, err := uuid.Parse(id); err != nil || len(id) != 36 {
		return &records.FieldError{Kind: records.ErrInvalid, Field: "request_id", Problem: "is no UUID", Cure: "make one once for each entry, and send it again when you retry"}
	}
	return nil
}

// projector turns what records projects into what the store keeps.
func projector(e store.Entry) (store.Projection, error) {
	entry, err := records.ParseEntry(e.Envelope)
	if err != nil {
		return store.Projection{}, err
	}
	if entry.GetSequence() != e.Sequence {
		return store.Projection{}, fmt.Errorf("%w: entry %d says it is entry %d", records.ErrMalformed, e.Sequence, entry.GetSequence())
	}
	p, err := records.Project(entry)
	if err != nil {
		return store.Projection{}, err
	}
	out := store.Projection{RequestID: entry.GetRequestId()}
	copy(out.ContentHash[:], entry.GetContentSha256())
	for _, r := range p.Rows {
		row := store.Row{Kind: r.Kind, ID: r.ID, Day: r.Day, Body: r.Body}
		for _, k := range r.Keys {
			row.Keys = append(row.Keys, store.Key{Index: k.Index, Value: k.Value})
		}
		out.Rows = append(out.Rows, row)
	}
	for _, r := range p.Runs {
		out.Runs = append(out.Runs, store.Run{
			Sequence: r.Sequence, Series: r.Series, Instrument: r.Instrument,
			FirstAt: r.FirstAt.UnixMicro(), LastAt: r.LastAt.UnixMicro(), Count: int32(r.Count), Body: r.Body,
		})
	}
	return out, nil
}

// Projector is the projector to open the store with.
func Projector() store.Projector { return projector }
