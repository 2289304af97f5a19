package main

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/test/bufconn"

	"kettlebook/client"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/clock"
	"kettlebook/records/store/sqlite"
	"kettlebook/reports"
	"kettlebook/reports/seal"
	"kettlebook/server"
	"kettlebook/server/keys"
	"kettlebook/server/signin"
)

// A kitchen's folder:
//
//	kettlebook.db       the ledger
//	keys/               its keys, and the last checkpoint signed
//	files/              sealed logs and day contents, by their SHA-256
//	logs/               the sealed logs by name
//	ca.pem, seal-ca.pem the certificates to trust the service and the seal by
//	lock                held while a program writes here

// kitchen is an open folder with the service running on it in this process.
type kitchen struct {
	dir    string
	ring   *keys.Ring
	store  *sqlite.Store
	server *server.Server
	// operator is a client that speaks as the machine that holds the folder.
	operator *client.Client
	local    *bufconn.Listener
	lock     *os.File
	stop     sync.Once
}

// openOptions say how a folder is opened.
type openOptions struct {
	clock   clock.Clock
	stepped bool
	tls     bool
	// own is the kitchen's own certificate for the service; nil: the one made
	// under the private CA.
	own  *tls.Certificate
	rate float64
	// words is where the service says what goes wrong inside; nil: nowhere.
	words io.Writer
	// signIn overrides the cost of PIN verifiers; nil: pinCost.
	signIn *signin.Params
}

// pinCost is the cost of PIN verifiers; nil: the sign-in desk's default. The
// scripts sign in a hundred times and put a small one here.
var pinCost *signin.Params

// createFolder makes a folder with its keys. It refuses one that is there.
func createFolder(dir, name string, now time.Time, hosts []string) error {
	if _, err := os.Stat(filepath.Join(dir, "keys")); err == nil {
		return &records.FieldError{Kind: records.ErrExists, Problem: "there is a kitchen in " + dir, Cure: "choose another folder"}
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	var id [6]byte
	if _, err := io.ReadFull(rand.Reader, id[:]); err != nil {
		return err
	}
	ring, err := keys.Create(filepath.Join(dir, "keys"), keys.Options{
		Random: rand.Reader, Now: now, Origin: "kettlebook.invalid/" + hex.EncodeToString(id[:]) + "/1", Kitchen: shortName(name), MakeSeal: makeSeal, Hosts: hosts,
	})
	if err != nil {
		return err
	}
	s, err := ring.Seal()
	if err != nil {
		return err
	}
	// The database is for its owner only, wherever the folder stands.
	if err := writeFile(filepath.Join(dir, databaseFile), nil); err != nil {
		return err
	}
	if err := writeFile(filepath.Join(dir, "ca.pem"), ring.TLSAuthorityPEM()); err != nil {
		return err
	}
	return writeFile(filepath.Join(dir, "seal-ca.pem"), s.CAPEM())
}

// shortName cuts a name to what a certificate can carry.
func shortName(name string) string {
	if name == "" {
		return "Kitchen"
	}
	r := []rune(name)
	if len(r) > 60 {
		r = r[:60]
	}
	return string(r)
}

func makeSeal(r keys.SealRequest) (sealDER, caDER []byte, err error) {
	ca := seal.Subject{CommonName: r.Kitchen + " - seal CA", Organization: r.Kitchen}
	if len([]rune(ca.CommonName)) > 64 {
		ca.CommonName = "Kitchen seal CA"
	}
	caDER, err = seal.MakeCA(r.CAKey, r.Random, ca, r.NotBefore, r.NotAfter)
	if err != nil {
		return nil, nil, err
	}
	sealDER, err = seal.MakeSealCertificate(r.CAKey, caDER, r.SealKey.Public(), r.Random, seal.Subject{CommonName: r.Kitchen, Organization: r.Kitchen}, r.NotBefore, r.NotAfter)
	return sealDER, caDER, err
}

// openFolder opens a folder and starts the service on it in this process.
func openFolder(ctx context.Context, dir string, o openOptions) (_ *kitchen, err error) {
	k := &kitchen{dir: dir}
	defer func() {
		if err != nil {
			k.close()
		}
	}()
	if err := holdsKitchen(dir); err != nil {
		return nil, err
	}
	if k.lock, err = lockFolder(dir); err != nil {
		return nil, err
	}
	if k.ring, err = keys.Open(filepath.Join(dir, "keys")); err != nil {
		return nil, err
	}
	if k.store, err = sqlite.Open(ctx, sqlite.Config{Path: filepath.Join(dir, databaseFile), Site: 1, Project: server.Projector(), ProjectionVersion: projectionVersion}); err != nil {
		return nil, err
	}
	token := make([]byte, 32)
	if _, err := io.ReadFull(rand.Reader, token); err != nil {
		return nil, err
	}
	operator := hex.EncodeToString(token)
	if err := k.serve(ctx, o, operator); err != nil {
		return nil, err
	}
	k.local = bufconn.Listen(1 << 20)
	go func() { _ = k.server.GRPC().Serve(k.local) }()
	co := client.Options{Dialer: k.local.DialContext, Token: operator}
	if o.tls {
		if co.TLS, err = localTLS(k.ring); err != nil {
			return nil, err
		}
	}
	k.operator, err = client.Dial(co)
	return k, err
}

// holdsKitchen refuses a folder that is no kitchen's.
func holdsKitchen(dir string) error {
	if !exists(filepath.Join(dir, "keys")) {
		return &records.FieldError{Kind: records.ErrNotFound, Problem: "there is no kitchen in " + dir, Cure: "make one: kettlebook init --dir " + dir}
	}
	return nil
}

// projectionVersion names what records.Project makes; raise it with any change
// of projection rows, and an older folder is rebuilt by kettlebook rebuild.
const projectionVersion = 1

func (k *kitchen) serve(ctx context.Context, o openOptions, operator string) error {
	if o.clock == nil {
		o.clock = clock.System{}
	}
	sc := signin.Config{Vault: server.NewVault(k.store.Secrets()), Pepper: k.ring.Pepper(), Clock: o.clock.Now, Random: rand.Reader}
	if o.signIn == nil {
		o.signIn = pinCost
	}
	if o.signIn != nil {
		sc.Params = *o.signIn
	}
	desk, err := signin.New(sc)
	if err != nil {
		return err
	}
	s, err := k.ring.Seal()
	if err != nil {
		return err
	}
	prints := k.ring.Fingerprints()
	cfg := server.Config{
		Store: k.store, Clock: o.clock, Random: rand.Reader, SignIn: desk, Origin: k.ring.Origin(), Signer: k.ring.LedgerSigner(),
		VerifierKey: prints.LedgerVerifier, Verifiers: k.ring.LedgerVerifiers(), LastCheckpoint: k.ring.LastCheckpoint, SaveLastCheckpoint: k.ring.SaveLastCheckpoint,
		Render: reports.DayLog, Seal: sealer(s), SealFingerprint: prints.Seal, CAFingerprint: prints.SealCA, Files: files{k.dir},
		SoftwareVersion: softwareVersion, SteppedClock: o.stepped, OperatorToken: operator, RateLimit: o.rate,
	}
	if o.words != nil {
		cfg.Logf = func(f string, a ...any) { fmt.Fprintf(o.words, "kettlebook: "+f+"\n", a...) }
	}
	if o.tls {
		made := k.ring.TLSConfig(rand.Reader, o.clock.Now)
		if o.own != nil {
			cfg.Credentials = credentials.NewTLS(ownTLS(made, *o.own))
		} else {
			cfg.Credentials = credentials.NewTLS(made)
		}
	}
	if k.server, err = server.New(ctx, cfg); errors.Is(err, records.ErrMalformed) {
		return &records.FieldError{Kind: records.ErrMalformed, Problem: err.Error(), Cure: "check the entries, and make anew what is looked up: kettlebook rebuild --dir " + k.dir}
	}
	return err
}

// sealer seals a drawn log and attaches its data: the day's content exactly
// as hashed, and the log around it.
func sealer(s keys.Seal) func([]byte, *kb.DayLog) ([]byte, error) {
	return func(pdf []byte, log *kb.DayLog) ([]byte, error) {
		data, err := records.CompactJSON(log)
		if err != nil {
			return nil, err
		}
		return seal.Sign(pdf, seal.Options{
			Signer: s.Signer, Chain: s.ChainDER(), SignedAt: log.GetSealedAt().AsTime(), Name: s.Certificate.Subject.CommonName,
			Attachments: []seal.Attachment{
				{Name: contentFile, MIMEType: "application/json", Description: "The day's content, exactly as hashed and signed", Data: log.GetContent()},
				{Name: logFile, MIMEType: "application/json", Description: "The log: review, checkpoint and proofs", Data: data},
			},
		})
	}
}

// Names of the files attached to a log.
const (
	contentFile = "day-content.json"
	logFile     = "day-log.json"
)

// close stops the service and lets the folder go. The ledger's state is
// signed and kept outside the database on the way out.
func (k *kitchen) close() {
	k.stop.Do(func() {
		if k.server != nil {
			ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
			_, _ = k.server.Checkpoint(ctx) // a ledger that may not be signed stays as it is
			cancel()
			if k.operator != nil {
				_ = k.operator.Close()
			}
			k.server.Stop()
		}
		if k.store != nil {
			_ = k.store.Close()
		}
		if k.lock != nil {
			_ = k.lock.Close()
		}
	})
}

// lockFolder makes sure that one program writes at a time.
func lockFolder(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, &records.FieldError{Kind: records.ErrUnavailable, Problem: "another kettlebook is at work in " + dir, Cure: "stop it first, or speak to it with --server"}
	}
	return f, nil
}

// files keeps evidence under its hash, and logs by name too.
type files struct{ dir string }

func (f files) path(sum [32]byte) string {
	name := hex.EncodeToString(sum[:])
	return filepath.Join(f.dir, "files", name[:2], name)
}

// Keep writes content under its hash, fsynced, and under its name in logs/.
func (f files) Keep(content []byte, name string) error {
	p := f.path(sha256.Sum256(content))
	if _, err := os.Stat(p); errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(filepath.Dir(p), 0o700); err != nil {
			return err
		}
		if err := writeFile(p, content); err != nil {
			return err
		}
	}
	if name == "" {
		return nil
	}
	if err := os.MkdirAll(filepath.Join(f.dir, "logs"), 0o700); err != nil {
		return err
	}
	return writeFile(filepath.Join(f.dir, "logs", name), content)
}

// Read gives a file back; what does not have its hash any more is an error.
func (f files) Read(sum [32]byte) ([]byte, error) {
	b, err := os.ReadFile(f.path(sum))
	if err != nil {
		return nil, err
	}
	if sha256.Sum256(b) != sum {
		return nil, fmt.Errorf("%w: %s was changed", records.ErrMalformed, f.path(sum))
	}
	return b, nil
}

// writeFile writes to a temporary file, fsyncs it, and renames it, so that no
// half file ever stands under the name; the folder is fsynced too.
func writeFile(path string, content []byte) error {
	t, err := os.CreateTemp(filepath.Dir(path), ".part-*")
	if err != nil {
		return err
	}
	defer os.Remove(t.Name()) //nolint:errcheck // gone after the rename
	if _, err := t.Write(content); err != nil {
		_ = t.Close()
		return err
	}
	if err := errors.Join(t.Sync(), t.Close(), os.Rename(t.Name(), path)); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// syncFolder makes the names in a folder durable.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// localListener listens for the network.
func localListener(addr string) (net.Listener, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, &records.FieldError{Kind: records.ErrUnavailable, Problem: "cannot listen on " + addr + ": " + err.Error(), Cure: "choose another address with --listen"}
	}
	return l, nil
}
