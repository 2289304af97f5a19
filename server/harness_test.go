package server_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/clock"
	"kettlebook/records/ledger"
	"kettlebook/records/store"
	"kettlebook/records/store/sqlite"
	"kettlebook/server"
	"kettlebook/server/signin"
)

// kitchen is a whole service in this process: a SQLite ledger in a folder of
// the test, the real server behind an in-memory listener, and clients of it.
type kitchen struct {
	t     testing.TB
	dir   string
	clock *clock.Stepping

	store  *sqlite.Store
	desk   *signin.Desk
	server *server.Server
	// op speaks as the machine that holds the folder.
	op *client.Client
	// log is what the server was told went wrong.
	log *lockedBuffer

	cfg   server.Config
	local *bufconn.Listener
	ids   int
	// given are the request ids handed out so far.
	given []string
	// people are clients of those who are signed in, by initials.
	people map[string]*client.Client
	// tokens are sessions of bare connections.
	tokens map[string]string
}

const operatorToken = "operator of the test"

// morning is when kitchens of the tests start: 05:00 UTC on a Monday.
var morning = time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)

// change lets a test alter the server's configuration before it starts.
type change func(*server.Config)

// openKitchen starts a kitchen with nothing in it, not even settings.
func openKitchen(t testing.TB, changes ...change) *kitchen {
	t.Helper()
	k := &kitchen{t: t, dir: t.TempDir(), clock: clock.NewStepping(morning), log: new(lockedBuffer), people: map[string]*client.Client{}}
	k.start(changes...)
	t.Cleanup(func() { k.stop() })
	return k
}

// keysOnce makes one pair of ledger keys for all tests: they are not what is tried.
var keysOnce = sync.OnceValues(func() (skey, vkey string) {
	skey, vkey, err := note.GenerateKey(rand.NewChaCha8([32]byte{1}), "kettlebook.invalid/test/1")
	if err != nil {
		panic(err)
	}
	return skey, vkey
})

// start opens the store and the server on it, as after a start of the machine.
func (k *kitchen) start(changes ...change) {
	k.t.Helper()
	if err := k.tryStart(changes...); err != nil {
		k.t.Fatal(err)
	}
}

func (k *kitchen) tryStart(changes ...change) error {
	ctx := context.Background()
	st, err := sqlite.Open(ctx, sqlite.Config{Path: filepath.Join(k.dir, "kettlebook.db"), Site: 1, Project: server.Projector(), ProjectionVersion: 1})
	if err != nil {
		return err
	}
	chance := rand.NewChaCha8([32]byte{2, byte(k.ids)}) // the desk takes it in turn
	desk, err := signin.New(signin.Config{
		Vault: server.NewVault(st.Secrets()), Pepper: bytes.Repeat([]byte{7}, 32), Clock: k.clock.Now, Random: chance,
		Params: signin.Params{Passes: 1, MemoryKiB: 8, Lanes: 1},
	})
	if err != nil {
		return errors.Join(err, st.Close())
	}
	skey, vkey := keysOnce()
	signer, err := note.NewSigner(skey)
	if err != nil {
		return errors.Join(err, st.Close())
	}
	verifier, err := note.NewVerifier(vkey)
	if err != nil {
		return errors.Join(err, st.Close())
	}
	f := files{k.dir}
	cfg := server.Config{
		Store: st, Clock: k.clock, Random: rand.NewChaCha8([32]byte{3, byte(k.ids)}), SignIn: desk, Origin: verifier.Name(), Signer: signer, VerifierKey: vkey, Verifiers: note.VerifierList(verifier),
		LastCheckpoint: f.lastCheckpoint, SaveLastCheckpoint: f.saveLastCheckpoint,
		Render: drawPlain, Seal: sealPlain, SealFingerprint: "seal", CAFingerprint: "ca", Files: f,
		SoftwareVersion: "test", OperatorToken: operatorToken,
		Logf: func(format string, args ...any) { fmt.Fprintf(k.log, format+"\n", args...) },
	}
	for _, c := range changes {
		c(&cfg)
	}
	s, err := server.New(ctx, cfg)
	if err != nil {
		return errors.Join(err, st.Close())
	}
	k.store, k.desk, k.server, k.cfg = st, desk, s, cfg
	k.local = bufconn.Listen(1 << 20)
	go func() { _ = s.GRPC().Serve(k.local) }()
	k.op = k.dial(operatorToken)
	return nil
}

// stop ends the server and closes the store; start brings them back.
func (k *kitchen) stop() {
	if k.server == nil {
		return
	}
	k.server.Kill()
	_ = k.op.Close()
	for _, c := range k.people {
		_ = c.Close()
	}
	if err := k.store.Close(); err != nil {
		k.t.Errorf("closing the store: %v", err)
	}
	k.server, k.people = nil, map[string]*client.Client{}
}

// dial makes a client with a token; empty speaks as nobody.
func (k *kitchen) dial(token string) *client.Client {
	k.t.Helper()
	c, err := client.Dial(client.Options{Dialer: k.local.DialContext, Token: token, Retries: -1})
	if err != nil {
		k.t.Fatal(err)
	}
	return c
}

// raw is a connection without the client's error table, for looking at
// statuses as they travel.
func (k *kitchen) raw(token string) (*grpc.ClientConn, context.Context) {
	k.t.Helper()
	conn, err := grpc.NewClient("passthrough:///kitchen", insecureCreds, grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return k.local.DialContext(ctx) }))
	if err != nil {
		k.t.Fatal(err)
	}
	k.t.Cleanup(func() { _ = conn.Close() })
	ctx := context.Background()
	if token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
	}
	return conn, ctx
}

// id makes a request id: the next of a fixed sequence.
func (k *kitchen) id() string {
	k.ids++
	k.given = append(k.given, testID(fmt.Sprint(k.ids)))
	return k.given[len(k.given)-1]
}

func testID(name string) string {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte("kettlebook test "+name)).String()
}

// state is the ledger's size and root.
type state struct {
	size int64
	root ledger.Hash
}

func (k *kitchen) state() state {
	k.t.Helper()
	v, release, err := k.store.SnapshotOnWriter(context.Background())
	if err != nil {
		k.t.Fatal(err)
	}
	defer release()
	if v.Size() == 0 {
		return state{}
	}
	root, err := ledger.RootAt(v, v.Size())
	if err != nil {
		k.t.Fatal(err)
	}
	return state{v.Size(), root}
}

// entries reads the entries after a size.
func (k *kitchen) entries(after int64) []records.Entry {
	k.t.Helper()
	v, release, err := k.store.Snapshot(context.Background())
	if err != nil {
		k.t.Fatal(err)
	}
	defer release()
	stored, err := v.Entries(after+1, store.MaxLimit)
	if err != nil {
		k.t.Fatal(err)
	}
	var out []records.Entry
	for _, s := range stored {
		e, err := records.ParseEntry(s.Envelope)
		if err != nil {
			k.t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}

// day gives a day's content with its hash and ledger size.
func (k *kitchen) day(day string) (*kb.DayContent, *sv.GetDayResponse) {
	k.t.Helper()
	r, err := k.op.Day.GetDay(context.Background(), &sv.GetDayRequest{ProductionDay: day})
	if err != nil {
		k.t.Fatal(err)
	}
	if sum := sha256.Sum256(r.GetContent()); !bytes.Equal(sum[:], r.GetContentSha256()) {
		k.t.Fatalf("content of %s does not have its hash", day)
	}
	c := new(kb.DayContent)
	if err := protojson.Unmarshal(r.GetContent(), c); err != nil {
		k.t.Fatal(err)
	}
	return c, r
}

// files keeps evidence in the test's folder, as the command does.
type files struct{ dir string }

func (f files) Keep(content []byte, name string) error {
	sum := sha256.Sum256(content)
	paths := []string{filepath.Join(f.dir, "files", hex.EncodeToString(sum[:]))}
	if name != "" {
		paths = append(paths, filepath.Join(f.dir, "logs", name))
	}
	for _, p := range paths {
		if err := os.MkdirAll(filepath.Dir(p), 0o700); err != nil {
			return err
		}
		if err := os.WriteFile(p, content, 0o600); err != nil {
			return err
		}
	}
	return nil
}

func (f files) Read(sum [32]byte) ([]byte, error) {
	return os.ReadFile(filepath.Join(f.dir, "files", hex.EncodeToString(sum[:])))
}

func (f files) lastCheckpoint() ([]byte, error) {
	b, err := os.ReadFile(filepath.Join(f.dir, "last-checkpoint"))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	return b, err
}

func (f files) saveLastCheckpoint(b []byte) error {
	return os.WriteFile(filepath.Join(f.dir, "last-checkpoint"), b, 0o600)
}

// drawPlain draws a log as its own data: what is tried here is what the
// service puts into a log and when, not how it looks.
func drawPlain(l *kb.DayLog) ([]byte, error) {
	b, err := protojson.Marshal(l)
	return append([]byte("%PDF-1.7 drawn\n"), b...), err
}

func sealPlain(pdf []byte, l *kb.DayLog) ([]byte, error) {
	return append(bytes.Clone(pdf), fmt.Sprintf("\n%%sealed %s", timestamppb.New(l.GetSealedAt().AsTime()))...), nil
}

// drawnLog reads the data back out of a log drawn by drawPlain.
func drawnLog(t testing.TB, pdf []byte) *kb.DayLog {
	t.Helper()
	text := strings.TrimPrefix(string(pdf), "%PDF-1.7 drawn\n")
	text, _, _ = strings.Cut(text, "\n%sealed")
	l := new(kb.DayLog)
	if err := protojson.Unmarshal([]byte(text), l); err != nil {
		t.Fatal(err)
	}
	return l
}

// copyFolder copies a folder of plain files.
func copyFolder(from, to string) error {
	return filepath.WalkDir(from, func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			return os.MkdirAll(filepath.Join(to, rel), 0o700)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, rel), b, 0o600)
	})
}

// lockedBuffer is a buffer for many writers.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// settled checks that every conclusion in force is the one that follows from
// all there is: whatever order things came in, nothing was left unfollowed.
func settled(t testing.TB, k *kitchen) {
	t.Helper()
	k.ids++
	differ, err := server.JudgeAll(ctx, k.server, fmt.Sprint(k.ids))
	if err != nil {
		t.Fatal(err)
	}
	entries := k.entries(0)
	for _, e := range differ {
		m := e.Message
		var before proto.Message
		if r, ok := m.(interface{ GetReplaces() int64 }); ok && r.GetReplaces() > 0 {
			before = entries[r.GetReplaces()-1].Message
		}
		t.Errorf("%s is not as it follows from all there is:\n%s", m.ProtoReflect().Descriptor().Name(), firstDifference(fmt.Sprint(m), fmt.Sprint(before)))
	}
}

// fromStatus turns a status back into an error of the core.
func fromStatus(err error) error { return client.FromStatus(err) }

// consistent checks a proof that a ledger extends an older state.
func consistent(t testing.TB, p *sv.ProveConsistencyResponse, old, now state) {
	t.Helper()
	if !bytes.Equal(p.GetNewRoot(), now.root[:]) {
		t.Errorf("the proof is about another root")
	}
	if err := ledger.CheckConsistency(toHashes(p.GetHashes()), old.size, old.root, now.size, now.root); err != nil {
		t.Error(err)
	}
}

// included checks a proof that an entry is in a ledger.
func included(t testing.TB, p *sv.ProveInclusionResponse, sequence int64, now state, envelope []byte) {
	t.Helper()
	if !bytes.Equal(p.GetEnvelope(), envelope) || p.GetSize() != now.size {
		t.Errorf("the proof is about another entry")
	}
	if err := ledger.CheckInclusion(toHashes(p.GetHashes()), now.size, now.root, sequence-1, ledger.LeafHash(envelope)); err != nil {
		t.Error(err)
	}
}
