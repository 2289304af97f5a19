// Package client is the Go client of the service: it dials, keeps the session
// token, sends a request again with the same request id when the line fails,
// and gives the errors of package records back, so that errors.Is holds on
// this side of the wire too.
package client

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
)

// Options say where the service is and how to trust it.
type Options struct {
	// Target is host:port, or any name when Dialer is given.
	Target string
	// TLS is the configuration to trust the service by; nil speaks plain text,
	// which is allowed to loopback addresses and in-memory listeners only.
	TLS *tls.Config
	// Dialer replaces the network, for listeners in the same process.
	Dialer func(context.Context) (net.Conn, error)
	// Token is a session or operator token to start with; may be empty.
	Token string
	// Retries is how often a call that the service could not answer is sent
	// again, with the same request; 0 means 3, negative means never.
	Retries int
}

// Client is a connection to the service. It may be used by many goroutines.
type Client struct {
	// The services, as generated.
	Session   sv.SessionServiceClient
	Kitchen   sv.KitchenServiceClient
	Check     sv.CheckServiceClient
	Batch     sv.BatchServiceClient
	Deviation sv.DeviationServiceClient
	Day       sv.DayServiceClient
	Ledger    sv.LedgerServiceClient
	Sheet     sv.SheetServiceClient
	Today     sv.TodayServiceClient
	Calc      sv.CalcServiceClient

	conn    *grpc.ClientConn
	token   atomic.Value
	retries int
}

// retryAfter is the first wait before a call is sent again; it doubles.
const retryAfter = 100 * time.Millisecond

// Dial makes a client. It does not wait for the service: the first call does.
// The error wraps records.ErrInvalid when plain text is asked for beyond
// loopback.
func Dial(o Options) (*Client, error) {
	c := &Client{retries: o.Retries}
	if c.retries == 0 {
		c.retries = 3
	}
	c.token.Store(o.Token)
	creds := insecure.NewCredentials()
	switch {
	case o.TLS != nil:
		creds = credentials.NewTLS(o.TLS)
	case o.Dialer == nil && !loopback(o.Target):
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "target", Problem: "plain text is spoken to this machine only", Cure: "give the kitchen's ca.pem with --ca"}
	}
	opts := []grpc.DialOption{
		grpc.WithTransportCredentials(creds), grpc.WithChainUnaryInterceptor(c.unary), grpc.WithChainStreamInterceptor(c.stream),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(32<<20), grpc.MaxCallSendMsgSize(32<<20)),
	}
	target := o.Target
	if o.Dialer != nil {
		target = "passthrough:///kitchen"
		opts = append(opts, grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return o.Dialer(ctx) }))
	}
	conn, err := grpc.NewClient(target, opts...)
	if err != nil {
		return nil, fmt.Errorf("client: %w", err)
	}
	c.conn = conn
	c.Session, c.Kitchen, c.Check = sv.NewSessionServiceClient(conn), sv.NewKitchenServiceClient(conn), sv.NewCheckServiceClient(conn)
	c.Batch, c.Deviation, c.Day = sv.NewBatchServiceClient(conn), sv.NewDeviationServiceClient(conn), sv.NewDayServiceClient(conn)
	c.Ledger, c.Sheet = sv.NewLedgerServiceClient(conn), sv.NewSheetServiceClient(conn)
	c.Today, c.Calc = sv.NewTodayServiceClient(conn), sv.NewCalcServiceClient(conn)
	return c, nil
}

func loopback(target string) bool {
	host, _, err := net.SplitHostPort(target)
	if err != nil {
		host = target
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Close ends the connection.
func (c *Client) Close() error { return c.conn.Close() }

// Conn gives the connection, for services of other packages (health).
func (c *Client) Conn() *grpc.ClientConn { return c.conn }

// SignIn opens a session and uses its token from now on.
func (c *Client) SignIn(ctx context.Context, initials, pin, tablet string) (*sv.SignInResponse, error) {
	r, err := c.Session.SignIn(ctx, &sv.SignInRequest{Initials: initials, Pin: pin, Tablet: tablet})
	if err == nil {
		c.token.Store(r.GetSessionToken())
	}
	return r, err
}

// UseToken uses a session token from now on.
func (c *Client) UseToken(token string) { c.token.Store(token) }

func (c *Client) withToken(ctx context.Context) context.Context {
	if t, _ := c.token.Load().(string); t != "" {
		return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+t)
	}
	return ctx
}

func (c *Client) unary(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	ctx = c.withToken(ctx)
	wait := retryAfter
	for try := 0; ; try++ {
		err := invoke(ctx, method, req, reply, cc, opts...)
		if status.Code(err) != codes.Unavailable || try >= c.retries {
			return FromStatus(err)
		}
		select {
		case <-ctx.Done():
			return FromStatus(err)
		case <-time.After(wait):
			wait *= 2
		}
	}
}

func (c *Client) stream(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, streamer grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	s, err := streamer(c.withToken(ctx), desc, cc, method, opts...)
	if err != nil {
		return nil, FromStatus(err)
	}
	return &clientStream{s}, nil
}

type clientStream struct{ grpc.ClientStream }

// RecvMsg gives the core's errors.
func (s *clientStream) RecvMsg(m any) error { return FromStatus(s.ClientStream.RecvMsg(m)) }

// FetchLog gives a sealed log: by serial, or the latest issue of a day.
func (c *Client) FetchLog(ctx context.Context, r *sv.GetLogRequest) (pdf []byte, name string, err error) {
	s, err := c.Day.GetLog(ctx, r)
	if err != nil {
		return nil, "", err
	}
	for {
		piece, err := s.Recv()
		if errors.Is(err, errEOF) {
			return pdf, name, nil
		}
		if err != nil {
			return nil, "", err
		}
		if piece.GetLog() != nil {
			name = piece.GetLog().GetFileName()
		}
		pdf = append(pdf, piece.GetPdf()...)
	}
}
