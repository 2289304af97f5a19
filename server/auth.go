package server

import (
	"context"
	"crypto/subtle"
	"fmt"
	"net"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/server/signin"
)

// MaxMessage is the largest message taken, in bytes: a sheet of 20,000 rows.
const MaxMessage = 8 << 20

// maxOther is the largest message of any other method, in bytes.
const maxOther = 256 << 10

type caller struct {
	initials string
	person   *kb.Person
	roles    []kb.Role
	known    kb.KnownBy
	tablet   string
	operator bool
	token    string
}

type callerKey struct{}

func callerOf(ctx context.Context) caller {
	c, _ := ctx.Value(callerKey{}).(caller)
	return c
}

// Who may call a method.
type access struct {
	open     bool // nobody needs to be signed in
	operator bool // the machine that holds the folder may
	roles    []kb.Role
}

const (
	cook     = kb.Role_ROLE_COOK
	reviewer = kb.Role_ROLE_REVIEWER
	admin    = kb.Role_ROLE_ADMINISTRATOR
	looker   = kb.Role_ROLE_INSPECTOR
)

var (
	reads    = access{operator: true, roles: []kb.Role{cook, reviewer, admin, looker}}
	works    = access{roles: []kb.Role{cook, reviewer}}
	decides  = access{roles: []kb.Role{reviewer}}
	sets     = access{operator: true, roles: []kb.Role{admin}}
	anybody  = access{open: true}
	everyone = access{operator: true, roles: []kb.Role{cook, reviewer, admin, looker}}
	machine  = access{operator: true}
)

// accessTable says who may call which method. A method that is missing is
// refused to everybody, and a test walks them all.
var accessTable = map[string]access{
	sv.SessionService_SignIn_FullMethodName:         anybody,
	sv.SessionService_SignOut_FullMethodName:        everyone,
	sv.SessionService_WhoAmI_FullMethodName:         everyone,
	sv.SessionService_SetPin_FullMethodName:         everyone, // own PIN; others' by an administrator
	sv.SessionService_ConfirmSigning_FullMethodName: decides,

	sv.KitchenService_PutSite_FullMethodName:         sets,
	sv.KitchenService_GetSite_FullMethodName:         reads,
	sv.KitchenService_PutPerson_FullMethodName:       sets,
	sv.KitchenService_ListPeople_FullMethodName:      reads,
	sv.KitchenService_PutInstrument_FullMethodName:   sets,
	sv.KitchenService_ListInstruments_FullMethodName: reads,
	sv.KitchenService_PutFormula_FullMethodName:      {operator: true, roles: []kb.Role{admin, reviewer}},
	sv.KitchenService_ApproveFormula_FullMethodName:  {operator: true, roles: []kb.Role{admin, reviewer}},
	sv.KitchenService_ListFormulas_FullMethodName:    reads,

	sv.CheckService_RecordCheck_FullMethodName:     works,
	sv.CheckService_RecordPressure_FullMethodName:  works,
	sv.CheckService_ListChecks_FullMethodName:      reads,
	sv.CheckService_GetBoilingPoint_FullMethodName: reads,

	sv.BatchService_StartBatch_FullMethodName:          works,
	sv.BatchService_AddReadings_FullMethodName:         works,
	sv.BatchService_StreamReadings_FullMethodName:      works,
	sv.BatchService_RecordPull_FullMethodName:          works,
	sv.BatchService_RecordColdWaterTest_FullMethodName: works,
	sv.BatchService_EndBatch_FullMethodName:            works,
	sv.BatchService_VoidBatch_FullMethodName:           works,
	sv.BatchService_GetBatch_FullMethodName:            reads,
	sv.BatchService_ListBatches_FullMethodName:         reads,

	sv.DeviationService_OpenDeviation_FullMethodName:     works,
	sv.DeviationService_RecordAction_FullMethodName:      works,
	sv.DeviationService_RecordDisposition_FullMethodName: decides,
	sv.DeviationService_Amend_FullMethodName:             works,
	sv.DeviationService_ListDeviations_FullMethodName:    reads,

	sv.DayService_GetDay_FullMethodName:      reads,
	sv.DayService_ReviewDay_FullMethodName:   decides,
	sv.DayService_SealDay_FullMethodName:     machine,
	sv.DayService_ListLogs_FullMethodName:    reads,
	sv.DayService_GetLog_FullMethodName:      reads,
	sv.DayService_ListOverdue_FullMethodName: reads,
	sv.DayService_WatchDay_FullMethodName:    reads,

	sv.LedgerService_GetCheckpoint_FullMethodName:    reads,
	sv.LedgerService_ListEntries_FullMethodName:      reads,
	sv.LedgerService_ProveConsistency_FullMethodName: reads,
	sv.LedgerService_ProveInclusion_FullMethodName:   reads,
	sv.LedgerService_CheckLedger_FullMethodName:      {operator: true, roles: []kb.Role{admin, reviewer, looker}},

	sv.SheetService_TakeSheet_FullMethodName: sets,

	sv.TodayService_DialNumbers_FullMethodName:   reads,
	sv.TodayService_ForecastBatch_FullMethodName: reads,

	sv.CalcService_BoilingPoint_FullMethodName:    reads,
	sv.CalcService_DialNumber_FullMethodName:      reads,
	sv.CalcService_ReadDial_FullMethodName:        reads,
	sv.CalcService_FitForCook_FullMethodName:      reads,
	sv.CalcService_CompareRack_FullMethodName:     reads,
	sv.CalcService_Drift_FullMethodName:           reads,
	sv.CalcService_StemCorrection_FullMethodName:  reads,
	sv.CalcService_SensorTolerance_FullMethodName: reads,
	sv.CalcService_MoveLimit_FullMethodName:       reads,
	sv.CalcService_Solids_FullMethodName:          reads,
	sv.CalcService_Blend_FullMethodName:           reads,
	sv.CalcService_Stages_FullMethodName:          reads,
	sv.CalcService_WaterActivity_FullMethodName:   reads,
	sv.CalcService_YieldOf_FullMethodName:         reads,
	sv.CalcService_ScaleFormula_FullMethodName:    reads,
	sv.CalcService_Forecast_FullMethodName:        reads,
	sv.CalcService_CarryOver_FullMethodName:       reads,
	sv.CalcService_OnsetHint_FullMethodName:       reads,
	sv.CalcService_SecondWitness_FullMethodName:   reads,
}

// admit finds out who is calling and whether they may.
func (s *Server) admit(ctx context.Context, method string) (context.Context, error) {
	if strings.HasPrefix(method, "/grpc.health.") || strings.HasPrefix(method, "/grpc.reflection.") {
		return ctx, nil
	}
	a, ok := accessTable[method]
	if !ok {
		return ctx, &records.FieldError{Kind: records.ErrNotAllowed, Problem: "nobody may call " + method}
	}
	if a.open {
		return ctx, s.limits.take("peer " + peerHost(ctx))
	}
	c, err := s.caller(ctx)
	if err != nil {
		return ctx, err
	}
	if err := s.limits.take(c.token); err != nil {
		return ctx, err
	}
	ctx = context.WithValue(ctx, callerKey{}, c)
	if c.operator && a.operator {
		return ctx, nil
	}
	for _, r := range c.roles {
		if slices.Contains(a.roles, r) {
			return ctx, nil
		}
	}
	return ctx, &records.FieldError{Kind: records.ErrNotAllowed, Problem: "your role does not allow it", Cure: mayText(a)}
}

func mayText(a access) string {
	var names []string
	for _, r := range a.roles {
		names = append(names, strings.ToLower(strings.TrimPrefix(r.String(), "ROLE_")))
	}
	if len(names) == 0 {
		return "it is done at the machine that holds the kitchen's folder"
	}
	return "ask a person who is " + strings.Join(names, " or ")
}

// callerFor is how long a session's person and roles are taken as known
// without being read again. Sign-out, new PINs and new roles end it at once.
const callerFor = 2 * time.Second

type callerCache struct {
	mu    sync.Mutex
	byKey map[string]cachedCaller
	// forgotten counts how often all were forgotten: what was read before is not
	// remembered after.
	forgotten int
}

type cachedCaller struct {
	c     caller
	until time.Time
}

func (s *Server) forgetCallers() {
	s.limits.callers.mu.Lock()
	defer s.limits.callers.mu.Unlock()
	clear(s.limits.callers.byKey)
	s.limits.callers.forgotten++
}

func (s *Server) caller(ctx context.Context) (caller, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	var token string
	if v := md.Get("authorization"); len(v) == 1 {
		token, _ = strings.CutPrefix(v[0], "Bearer ")
	}
	if token == "" {
		return caller{}, signin.ErrNoSession
	}
	if s.cfg.OperatorToken != "" && subtle.ConstantTimeCompare([]byte(token), []byte(s.cfg.OperatorToken)) == 1 {
		return caller{operator: true, known: kb.KnownBy_KNOWN_BY_SYSTEM, token: "operator"}, nil
	}
	cache := &s.limits.callers
	now := s.limits.wall()
	cache.mu.Lock()
	got, ok := cache.byKey[token]
	forgotten := cache.forgotten
	cache.mu.Unlock()
	if ok && now.Before(got.until) {
		return got.c, nil
	}
	session, err := s.cfg.SignIn.Session(ctx, token)
	if err != nil {
		return caller{}, err
	}
	v, release, err := s.cfg.Store.Snapshot(ctx)
	if err != nil {
		return caller{}, err
	}
	defer release()
	p, err := get[*kb.Person](v, records.KindPerson, session.Person)
	if err != nil {
		return caller{}, err
	}
	if !p.Has() || p.Record.GetLeft() {
		return caller{}, signin.ErrNoSession
	}
	_, tablet, _ := strings.Cut(session.Source, "\x1f")
	c := caller{initials: p.Record.GetInitials(), person: p.Record, roles: p.Record.GetRoles(), known: kb.KnownBy_KNOWN_BY_PIN_SESSION, tablet: tablet, token: token}
	cache.mu.Lock()
	defer cache.mu.Unlock()
	if len(cache.byKey) > 1000 {
		clear(cache.byKey)
	}
	if cache.forgotten == forgotten {
		cache.byKey[token] = cachedCaller{c, now.Add(callerFor)}
	}
	return c, nil
}

func peerHost(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return "unknown"
	}
	host, _, err := net.SplitHostPort(p.Addr.String())
	if err != nil {
		return p.Addr.String()
	}
	return host
}

// sound refuses messages that are too large for their method, hold unknown
// fields at any depth, or text that is not UTF-8.
func sound(method string, req any) error {
	m, ok := req.(proto.Message)
	if !ok {
		return nil
	}
	if err := readable(m); err != nil {
		return err
	}
	// First what names a field: a text that is too long makes a message too long.
	if err := records.CheckStrict(m); err != nil {
		return err
	}
	if err := records.CheckFinite(m); err != nil {
		return err
	}
	if method != sv.SheetService_TakeSheet_FullMethodName {
		if n := proto.Size(m); n > maxOther {
			return &records.FieldError{Kind: records.ErrInvalid, Problem: fmt.Sprintf("the message is %d bytes long; at most %d are taken", n, maxOther), Cure: "shorten the text, or send it in parts"}
		}
	}
	return nil
}

func (s *Server) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (resp any, err error) {
	defer func() {
		if r := recover(); r != nil {
			s.cfg.Logf("%s: panic: %v\n%s", info.FullMethod, r, debug.Stack())
			resp, err = nil, s.toStatus(info.FullMethod, fmt.Errorf("panic: %v", r))
		}
	}()
	ctx, err = s.admit(ctx, info.FullMethod)
	if err == nil {
		err = sound(info.FullMethod, req)
	}
	if err == nil {
		resp, err = next(ctx, req)
	}
	return resp, s.toStatus(info.FullMethod, err)
}

type servedStream struct {
	grpc.ServerStream
	ctx    context.Context
	method string
}

func (w *servedStream) Context() context.Context { return w.ctx }

func (w *servedStream) RecvMsg(m any) error {
	if err := w.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return sound(w.method, m)
}

func (s *Server) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
	defer func() {
		if r := recover(); r != nil {
			s.cfg.Logf("%s: panic: %v\n%s", info.FullMethod, r, debug.Stack())
			err = s.toStatus(info.FullMethod, fmt.Errorf("panic: %v", r))
		}
	}()
	ctx, err := s.admit(ss.Context(), info.FullMethod)
	if err != nil {
		return s.toStatus(info.FullMethod, err)
	}
	return s.toStatus(info.FullMethod, next(srv, &servedStream{ss, ctx, info.FullMethod}))
}
