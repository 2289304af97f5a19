package main

import (
	"bytes"
	"context"
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-fonts/dejavu/dejavusans"
	"github.com/google/uuid"
	"github.com/jung-kurt/gofpdf"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/types/known/timestamppb"
	_ "modernc.org/sqlite"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/server/signin"
)

// BenchmarkRatios prints the three ratios of the first measurement, each side
// of each measured in this run: durable judged writes against a bare echo over
// the same TLS; streamed readings against bare inserts; a log of 60 batches
// against the same page content drawn bare and signed once.
//
//	make bench
func BenchmarkRatios(b *testing.B) {
	for range b.N {
		k, cl := benchKitchen(b)
		writes, echo := benchWrites(b, cl), benchEcho(b, k)
		b.ReportMetric(writes, "writes/s")
		b.ReportMetric(echo, "echoes/s")
		b.ReportMetric(writes/echo, "writes/echo")
		streamed, inserts := benchStream(b, cl), benchInserts(b)
		b.ReportMetric(streamed, "readings/s")
		b.ReportMetric(inserts, "inserts/s")
		b.ReportMetric(streamed/inserts, "stream/insert")
		log, bare := benchLog(b, k, cl)
		b.ReportMetric(log.Seconds()*1000, "log-ms")
		b.ReportMetric(bare.Seconds()*1000, "bare-ms")
		b.ReportMetric(log.Seconds()/bare.Seconds(), "log/bare")
	}
}

const (
	benchCallers = 64
	benchFor     = 3 * time.Second
	benchCook    = "CØ"
)

// cheap is a cost of PIN verifiers that does not count in a measurement.
var cheap = &signin.Params{Passes: 1, MemoryKiB: 64, Lanes: 1}

func benchKitchen(b *testing.B) (*kitchen, *client.Client) {
	b.Helper()
	dir := filepath.Join(b.TempDir(), "kitchen")
	if err := createFolder(dir, demoSite.GetName(), time.Now(), nil); err != nil {
		b.Fatal(err)
	}
	k, err := openFolder(context.Background(), dir, openOptions{tls: true, signIn: cheap})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(k.close)
	if err := furnishDemo(context.Background(), k); err != nil {
		b.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	go func() { _ = k.server.GRPC().Serve(l) }()
	tls, err := localTLS(k.ring)
	if err != nil {
		b.Fatal(err)
	}
	cl, err := client.Dial(client.Options{Target: l.Addr().String(), TLS: tls})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = cl.Close() })
	if _, err := cl.SignIn(context.Background(), benchCook, "804162", "bench"); err != nil {
		b.Fatal(err)
	}
	return k, cl
}

// together runs calls from many callers for a while and gives calls a second.
func together(b *testing.B, call func(caller, n int) error) float64 {
	b.Helper()
	var done atomic.Int64
	var wg sync.WaitGroup
	start := time.Now()
	for c := range benchCallers {
		wg.Go(func() {
			for n := 0; time.Since(start) < benchFor; n++ {
				if err := call(c, n); err != nil {
					b.Error(err)
					return
				}
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(start).Seconds()
}

// benchWrites records checks of one point: each is validated, judged, hashed
// into the tree, and durable before it is answered.
func benchWrites(b *testing.B, cl *client.Client) float64 {
	began := time.Now().Add(-time.Hour)
	return together(b, func(c, n int) error {
		_, err := cl.Check.RecordCheck(context.Background(), &sv.RecordCheckRequest{RequestId: uuid.NewString(), Check: &kb.Check{
			CheckId: uuid.NewString(), InstrumentId: demoInstruments[c%3].GetInstrumentId(),
			Points: []*kb.CheckPoint{{At: timestamppb.New(began.Add(time.Duration(c*1000+n) * time.Millisecond)), Kind: kb.PointKind_POINT_KIND_ICE,
				Reading: shown(demoInstruments[c%3].GetInstrumentId(), 0, 0), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED}},
		}})
		return err
	})
}

// benchEcho asks a bare health service over the same kind of TLS.
func benchEcho(b *testing.B, k *kitchen) float64 {
	s := grpc.NewServer(grpc.Creds(credentials.NewTLS(k.ring.TLSConfig(rand.Reader, time.Now))))
	healthpb.RegisterHealthServer(s, echo{})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	go func() { _ = s.Serve(l) }()
	defer s.Stop()
	tls, err := localTLS(k.ring)
	if err != nil {
		b.Fatal(err)
	}
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(credentials.NewTLS(tls)))
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	h := healthpb.NewHealthClient(conn)
	return together(b, func(int, int) error {
		_, err := h.Check(context.Background(), &healthpb.HealthCheckRequest{Service: "echo"})
		return err
	})
}

type echo struct {
	healthpb.UnimplementedHealthServer
}

func (echo) Check(context.Context, *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	return &healthpb.HealthCheckResponse{Status: healthpb.HealthCheckResponse_SERVING}, nil
}

const benchRuns, benchRun = 200, 1000

// benchStream streams runs of 1,000 readings through one stream.
func benchStream(b *testing.B, cl *client.Client) float64 {
	ctx := context.Background()
	at := time.Now().Add(-2 * time.Hour)
	if _, err := cl.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: uuid.NewString(), Batch: &kb.BatchStart{LotCode: "bench", FormulaId: "FON", InstrumentId: "K-1", StartedAt: timestamppb.New(at)}}); err != nil {
		b.Fatal(err)
	}
	run := &kb.Readings{LotCode: "bench", Series: kb.SeriesKind_SERIES_KIND_COOK, InstrumentId: "K-1", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, FirstAt: timestamppb.New(at), Decimals: []uint32{1}}
	for i := range benchRun {
		run.AfterMs = append(run.AfterMs, uint32(i))
		run.Micro = append(run.Micro, int64(1000+i%100)*100_000)
	}
	s, err := cl.Batch.StreamReadings(ctx)
	if err != nil {
		b.Fatal(err)
	}
	start := time.Now()
	go func() {
		for range benchRuns {
			if err := s.Send(&sv.StreamReadingsRequest{RequestId: uuid.NewString(), Readings: run}); err != nil {
				b.Error(err)
				return
			}
		}
		_ = s.CloseSend()
	}()
	for range benchRuns {
		if _, err := s.Recv(); err != nil {
			b.Fatal(err)
		}
	}
	return benchRuns * benchRun / time.Since(start).Seconds()
}

// benchInserts inserts the same readings bare, 1,000 rows a transaction.
func benchInserts(b *testing.B) float64 {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), "bare.db")+"?_pragma=journal_mode(wal)&_pragma=synchronous(full)&_txlock=immediate")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("CREATE TABLE r (site INTEGER, seq INTEGER, idx INTEGER, at INTEGER, micro INTEGER, PRIMARY KEY (site, seq, idx)) STRICT, WITHOUT ROWID"); err != nil {
		b.Fatal(err)
	}
	insert, err := db.Prepare("INSERT INTO r VALUES (1, ?, ?, ?, ?)")
	if err != nil {
		b.Fatal(err)
	}
	start := time.Now()
	for seq := range benchRuns {
		tx, err := db.Begin()
		if err != nil {
			b.Fatal(err)
		}
		st := tx.Stmt(insert)
		for i := range benchRun {
			if _, err := st.Exec(seq, i, i, (1000+i%100)*100_000); err != nil {
				b.Fatal(err)
			}
		}
		if err := tx.Commit(); err != nil {
			b.Fatal(err)
		}
	}
	return benchRuns * benchRun / time.Since(start).Seconds()
}

// benchLog times a log of 60 batches (query, draw, seal) against the same
// words, curves and fonts drawn bare and one bare RSA signature.
func benchLog(b *testing.B, k *kitchen, cl *client.Client) (log, bare time.Duration) {
	ctx := context.Background()
	day := time.Now().Add(-72 * time.Hour).UTC().Truncate(24 * time.Hour).Add(7 * time.Hour)
	for n := range 60 {
		lot, at := fmt.Sprintf("b-%02d", n), day.Add(time.Duration(n)*10*time.Minute)
		temps, err := simulate(944, 112.9)
		if err != nil {
			b.Fatal(err)
		}
		run := &kb.Readings{LotCode: lot, Series: kb.SeriesKind_SERIES_KIND_COOK, InstrumentId: "K-1", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, FirstAt: timestamppb.New(at), Decimals: []uint32{1}}
		for i, t := range temps {
			run.AfterMs = append(run.AfterMs, uint32(i*30_000))
			run.Micro = append(run.Micro, shown("K-1", t, 0).GetMicro())
		}
		for _, err := range []error{
			errorOf(cl.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: uuid.NewString(), Batch: &kb.BatchStart{LotCode: lot, FormulaId: "FON", InstrumentId: "K-1", StartedAt: timestamppb.New(at)}})),
			errorOf(cl.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: uuid.NewString(), Readings: run})),
			errorOf(cl.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: uuid.NewString(), Pull: &kb.Pull{LotCode: lot, At: timestamppb.New(at.Add(time.Duration(len(temps)) * 30 * time.Second))}})),
		} {
			if err != nil {
				b.Fatal(err)
			}
		}
	}
	start := time.Now()
	name, err := sealDay(ctx, k, day.Format(time.DateOnly))
	if err != nil {
		b.Fatal(err)
	}
	log = time.Since(start)
	pdf, _, err := k.operator.FetchLog(ctx, &sv.GetLogRequest{ProductionDay: day.Format(time.DateOnly)})
	if err != nil || !strings.HasPrefix(name, "log-") {
		b.Fatal(name, err)
	}
	return log, bareLog(b, pagesOf(b, pdf))
}

func errorOf[T any](_ T, err error) error { return err }

// bareLog draws words, one cell each, and 60 curves of 26 points, and signs
// the bytes once.
func bareLog(b *testing.B, pages [][]string) time.Duration {
	key, err := rsa.GenerateKey(rand.Reader, 3072)
	if err != nil {
		b.Fatal(err)
	}
	start := time.Now()
	p := gofpdf.New("P", "mm", "A4", "")
	p.AddUTF8FontFromBytes("d", "", bytes.Clone(dejavusans.TTF))
	for i, words := range pages {
		p.AddPage()
		p.SetFont("d", "", 7)
		for j, w := range words {
			p.SetXY(10+float64(j%12)*15, 10+float64(j/12)*3)
			p.CellFormat(15, 3, w, "", 0, "L", false, 0, "")
		}
		for range min(3, 60-3*i) {
			for x := range 26 {
				p.Line(120+float64(x), 50+float64(x%7), 121+float64(x), 51+float64(x%5))
			}
		}
	}
	var out bytes.Buffer
	if err := p.Output(&out); err != nil {
		b.Fatal(err)
	}
	h := sha256.Sum256(out.Bytes())
	if _, err := rsa.SignPKCS1v15(rand.Reader, key, crypto.SHA256, h[:]); err != nil {
		b.Fatal(err)
	}
	return time.Since(start)
}

// pagesOf gives the words of a PDF, page by page.
func pagesOf(b *testing.B, pdf []byte) [][]string {
	b.Helper()
	text, err := pdfText(pdf)
	if err != nil {
		b.Fatal(err)
	}
	var out [][]string
	for _, page := range strings.Split(text, "\f") {
		if w := strings.Fields(page); len(w) > 0 {
			out = append(out, w)
		}
	}
	return out
}
