package client_test

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// stub answers a few methods as a test tells it to.
type stub struct {
	sv.UnimplementedBatchServiceServer
	sv.UnimplementedSessionServiceServer
	sv.UnimplementedDayServiceServer

	mu      sync.Mutex
	answers []error  // of the next calls, in order; then nil
	ids     []string // request ids as they came
	tokens  [][]string
	pieces  []*sv.GetLogResponse
}

func (s *stub) next(ctx context.Context, id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	md, _ := metadata.FromIncomingContext(ctx)
	s.ids, s.tokens = append(s.ids, id), append(s.tokens, md.Get("authorization"))
	if len(s.answers) == 0 {
		return nil
	}
	err := s.answers[0]
	s.answers = s.answers[1:]
	return err
}

func (s *stub) EndBatch(ctx context.Context, r *sv.EndBatchRequest) (*sv.EndBatchResponse, error) {
	if err := s.next(ctx, r.GetRequestId()); err != nil {
		return nil, err
	}
	return &sv.EndBatchResponse{Receipt: &sv.Receipt{RequestId: r.GetRequestId()}}, nil
}

func (s *stub) SignIn(ctx context.Context, r *sv.SignInRequest) (*sv.SignInResponse, error) {
	if err := s.next(ctx, r.GetInitials()); err != nil {
		return nil, err
	}
	return &sv.SignInResponse{SessionToken: "token of " + r.GetInitials()}, nil
}

func (s *stub) GetLog(_ *sv.GetLogRequest, ss grpc.ServerStreamingServer[sv.GetLogResponse]) error {
	if err := s.next(ss.Context(), "log"); err != nil {
		return err
	}
	for _, p := range s.pieces {
		if err := ss.Send(p); err != nil {
			return err
		}
	}
	return s.next(ss.Context(), "after the log")
}

// serve runs a stub in this process and gives a client of it.
func serve(t *testing.T, s *stub, o client.Options) *client.Client {
	t.Helper()
	l := bufconn.Listen(1 << 16)
	g := grpc.NewServer()
	sv.RegisterBatchServiceServer(g, s)
	sv.RegisterSessionServiceServer(g, s)
	sv.RegisterDayServiceServer(g, s)
	go func() { _ = g.Serve(l) }()
	t.Cleanup(g.Stop)
	o.Dialer = func(ctx context.Context) (net.Conn, error) { return l.DialContext(ctx) }
	c, err := client.Dial(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

var ctx = context.Background()

func unavailable() error { return status.Error(codes.Unavailable, "down") }

// TestRetriesWithTheSameRequest: a call that could not be answered is sent
// again as it was, id and all; nothing else is.
func TestRetriesWithTheSameRequest(t *testing.T) {
	for _, c := range []struct {
		name    string
		retries int
		answers []error
		calls   int
		code    codes.Code
	}{
		{"answered at once", 0, nil, 1, codes.OK},
		{"twice down", 0, []error{unavailable(), unavailable()}, 3, codes.OK},
		{"down for good", 0, []error{unavailable(), unavailable(), unavailable(), unavailable(), unavailable()}, 4, codes.Unavailable},
		{"one retry", 1, []error{unavailable(), unavailable()}, 2, codes.Unavailable},
		{"never", -1, []error{unavailable()}, 1, codes.Unavailable},
		{"refused", 0, []error{status.Error(codes.InvalidArgument, "no")}, 1, codes.InvalidArgument},
		{"inside", 0, []error{status.Error(codes.Internal, "no")}, 1, codes.Internal},
		{"too many", 0, []error{status.Error(codes.ResourceExhausted, "no")}, 1, codes.ResourceExhausted},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &stub{answers: c.answers}
			cl := serve(t, s, client.Options{Retries: c.retries, Token: "tok"})
			r, err := cl.Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: "the-id", End: &kb.BatchEnd{LotCode: "L1"}})
			if status.Code(err) != c.code {
				t.Errorf("code %v (%v), want %v", status.Code(err), err, c.code)
			}
			if c.code == codes.OK && r.GetReceipt().GetRequestId() != "the-id" {
				t.Errorf("answer %v", r)
			}
			if len(s.ids) != c.calls {
				t.Errorf("%d calls, want %d", len(s.ids), c.calls)
			}
			for i, id := range s.ids {
				if id != "the-id" || !slices.Equal(s.tokens[i], []string{"Bearer tok"}) {
					t.Errorf("call %d had id %q and tokens %q", i, id, s.tokens[i])
				}
			}
		})
	}
}

// TestRetryEndsWithItsContext: waiting for the next try ends with the caller's patience.
func TestRetryEndsWithItsContext(t *testing.T) {
	s := &stub{answers: slices.Repeat([]error{unavailable()}, 60)}
	c := serve(t, s, client.Options{Retries: 50})
	ctx, cancel := context.WithTimeout(ctx, 50*time.Millisecond)
	defer cancel()
	begin := time.Now()
	if _, err := c.Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: "id"}); err == nil {
		t.Error("no error")
	}
	if d := time.Since(begin); d > 5*time.Second {
		t.Errorf("it took %v", d)
	}
}

// TestPlainTextStaysOnThisMachine: without TLS only loopback is dialled.
func TestPlainTextStaysOnThisMachine(t *testing.T) {
	for target, fine := range map[string]bool{
		"localhost:7443": true, "127.0.0.1:7443": true, "127.8.9.1:7443": true, "[::1]:7443": true, "localhost": true, "127.0.0.1": true,
		"192.0.2.7:7443": false, "kitchen.example:7443": false, "localhost.example:7443": false, "127.0.0.1.example:7443": false, "0.0.0.0:7443": false,
		"[2001:db8::1]:7443": false, "dns:///kitchen.example:7443": false, "passthrough:///192.0.2.7:7443": false, "dns://192.0.2.7/localhost:7443": false, "": false, ":7443": false,
	} {
		c, err := client.Dial(client.Options{Target: target})
		if fine {
			if err != nil {
				t.Errorf("%s: %v", target, err)
			} else {
				_ = c.Close()
			}
			continue
		}
		var fe *records.FieldError
		if !errors.Is(err, records.ErrInvalid) || !errors.As(err, &fe) || fe.Field != "target" || fe.Cure == "" {
			t.Errorf("%s: %v, want it refused", target, err)
		}
	}
	c, err := client.Dial(client.Options{Target: "192.0.2.7:7443", TLS: &tls.Config{MinVersion: tls.VersionTLS13}})
	if err != nil {
		t.Fatalf("with TLS: %v", err)
	}
	_ = c.Close()
}

// TestTokens: a session's token goes with every call from the sign-in on.
func TestTokens(t *testing.T) {
	s := new(stub)
	c := serve(t, s, client.Options{})
	end := func() {
		t.Helper()
		if _, err := c.Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: "id"}); err != nil {
			t.Fatal(err)
		}
	}
	end()
	if _, err := c.SignIn(ctx, "AK", "4071", "wall"); err != nil {
		t.Fatal(err)
	}
	end()
	s.answers = []error{status.Error(codes.Unauthenticated, "no")}
	if _, err := c.SignIn(ctx, "BO", "0000", "wall"); err == nil {
		t.Fatal("signed in")
	}
	end()
	c.UseToken("other")
	end()
	c.UseToken("")
	end()
	want := [][]string{nil, nil, {"Bearer token of AK"}, {"Bearer token of AK"}, {"Bearer token of AK"}, {"Bearer other"}, nil}
	if !slices.EqualFunc(s.tokens, want, slices.Equal) {
		t.Errorf("tokens %q, want %q", s.tokens, want)
	}
}

// TestFetchLog puts the pieces together, and says when the stream broke.
func TestFetchLog(t *testing.T) {
	s := &stub{pieces: []*sv.GetLogResponse{{Log: &kb.LogSealed{FileName: "log-2026-03-02.pdf"}, Pdf: []byte("%PDF")}, {Pdf: []byte("-1.7")}}}
	c := serve(t, s, client.Options{})
	pdf, name, err := c.FetchLog(ctx, &sv.GetLogRequest{Serial: 1})
	if err != nil || string(pdf) != "%PDF-1.7" || name != "log-2026-03-02.pdf" {
		t.Errorf("%q, %q, %v", pdf, name, err)
	}
	st, err := status.New(codes.DataLoss, "changed").WithDetails(&errdetails.ErrorInfo{Reason: "MALFORMED", Domain: "kettlebook"})
	if err != nil {
		t.Fatal(err)
	}
	s.answers = []error{nil, st.Err()}
	if pdf, _, err := c.FetchLog(ctx, &sv.GetLogRequest{Serial: 1}); !errors.Is(err, records.ErrMalformed) || pdf != nil {
		t.Errorf("half a log: %q, %v", pdf, err)
	}
}

// TestFromStatus turns statuses back into errors, and leaves what is none of
// the service's alone.
func TestFromStatus(t *testing.T) {
	if client.FromStatus(nil) != nil {
		t.Error("nil became an error")
	}
	if err := client.FromStatus(io.EOF); err != io.EOF { //nolint:errorlint // the very same value
		t.Errorf("EOF became %v", err)
	}
	plain := errors.New("plain")
	if err := client.FromStatus(plain); err != plain { //nolint:errorlint // the very same value
		t.Errorf("an error that is no status became %v", err)
	}
	internal := status.Error(codes.Internal, "inside")
	if err := client.FromStatus(internal); status.Code(err) != codes.Internal {
		t.Errorf("internal became %v", err)
	}
	err := client.FromStatus(status.Error(codes.Unavailable, "connection refused"))
	var fe *records.FieldError
	if !errors.Is(err, records.ErrUnavailable) || !errors.As(err, &fe) || fe.Cure == "" || status.Code(err) != codes.Unavailable {
		t.Errorf("unavailable became %v", err)
	}
	for _, k := range records.Kinds() {
		st, e := status.New(codes.FailedPrecondition, "f: p (c)").WithDetails(
			&errdetails.ErrorInfo{Reason: k.Reason, Domain: "kettlebook", Metadata: map[string]string{"cure": "c"}},
			&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "f", Description: "p"}}})
		if e != nil {
			t.Fatal(e)
		}
		err := client.FromStatus(st.Err())
		if !errors.Is(err, k.Sentinel) || !errors.As(err, &fe) || fe.Field != "f" || fe.Problem != "p" || fe.Cure != "c" || err.Error() != "f: p (c)" {
			t.Errorf("%s became %v", k.Reason, err)
		}
		// The same word said by somebody else means something else.
		st, e = status.New(codes.FailedPrecondition, "no").WithDetails(&errdetails.ErrorInfo{Reason: k.Reason, Domain: "proxy.example"})
		if e != nil {
			t.Fatal(e)
		}
		if err := client.FromStatus(st.Err()); errors.Is(err, k.Sentinel) {
			t.Errorf("%s of another domain became %v", k.Reason, err)
		}
	}
}

// TestUnreachableInWords: what stops a connection is said without grpc's own words. The messages are those that
// grpc-go 1.85 gave for a closed port, a foreign certificate, and plain text spoken to TLS.
func TestUnreachableInWords(t *testing.T) {
	for message, want := range map[string]string{
		`connection error: desc = "transport: Error while dialing: dial tcp 127.0.0.1:1: connect: connection refused"`:                                            "the service cannot be reached: dial tcp 127.0.0.1:1: connect: connection refused",
		`connection error: desc = "transport: authentication handshake failed: tls: failed to verify certificate: x509: certificate signed by unknown authority"`: "the service is not trusted: tls: failed to verify certificate: x509: certificate signed by unknown authority",
		`connection error: desc = "error reading server preface: EOF"`:                                                                                            "the service does not speak plain text",
		`the service is stopping`: "the service cannot be reached: the service is stopping",
	} {
		var fe *records.FieldError
		err := client.FromStatus(status.Error(codes.Unavailable, message))
		if !errors.Is(err, records.ErrUnavailable) || !errors.As(err, &fe) || fe.Problem != want || fe.Cure == "" {
			t.Errorf("%s: %v", message, err)
		}
	}
}
