package keys

import (
	"bytes"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"fmt"
	"io"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
)

var testNow = time.Date(2026, 3, 2, 5, 30, 0, 0, time.UTC)

func testRandom(n byte) io.Reader { return rand.NewChaCha8([32]byte{n}) }

// makeTestSeal is a maker of seal certificates with nothing but the standard
// library.
func makeTestSeal(q SealRequest) (sealDER, caDER []byte, err error) {
	ca := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{Organization: []string{q.Kitchen}, CommonName: "Seal CA"},
		NotBefore: q.NotBefore, NotAfter: q.NotAfter,
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	caDER, err = x509.CreateCertificate(q.Random, ca, ca, q.CAKey.Public(), q.CAKey)
	if err != nil {
		return nil, nil, err
	}
	// Parsed, it has the key identifier that the next one names its issuer by.
	if ca, err = x509.ParseCertificate(caDER); err != nil {
		return nil, nil, err
	}
	seal := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{Organization: []string{q.Kitchen}, CommonName: "Seal"},
		NotBefore: q.NotBefore, NotAfter: q.NotAfter,
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment,
	}
	sealDER, err = x509.CreateCertificate(q.Random, seal, ca, q.SealKey.Public(), q.CAKey)
	return sealDER, caDER, err
}

func testOptions() Options {
	return Options{
		Random: testRandom(1), Now: testNow, Origin: "marrowby.example/ledger", Kitchen: "Marrowby Sweets",
		MakeSeal: makeTestSeal, Hosts: []string{"kettle.marrowby.example", "192.0.2.7"},
	}
}

// template is one folder with a seal; making two RSA keys takes about a second,
// so tests work on copies of it.
var template = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "keys-test-")
	if err != nil {
		return "", err
	}
	_, err = Create(filepath.Join(dir, "keys"), testOptions())
	return dir, err
})

func TestMain(m *testing.M) {
	if path := os.Getenv(writerEnv); path != "" {
		saveForEver(path)
	}
	code := m.Run()
	if dir, err := template(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// sealedFolder returns a fresh copy of the template.
func sealedFolder(t *testing.T) string {
	t.Helper()
	from, err := template()
	if err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(t.TempDir(), "keys")
	if err := os.Mkdir(to, folderMode); err != nil {
		t.Fatal(err)
	}
	for _, name := range namesIn(t, filepath.Join(from, "keys")) {
		data, err := os.ReadFile(filepath.Join(from, "keys", name))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, filepath.Join(to, name), data)
	}
	return to
}

func sealedRing(t *testing.T) *Ring {
	t.Helper()
	return mustOpen(t, sealedFolder(t))
}

func mustOpen(t *testing.T, dir string) *Ring {
	t.Helper()
	r, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func writeFile(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, fileMode); err != nil {
		t.Fatal(err)
	}
}

func namesIn(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, entry := range entries {
		names = append(names, entry.Name())
	}
	return names
}

// openssl runs the command of that name, the outside witness of these tests.
func openssl(t *testing.T, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	cmd := exec.Command("openssl", args...)
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil {
		t.Fatalf("openssl %q: %v\n%s", args, err, &out)
	}
	return out.String()
}

// signed returns a checkpoint of size entries whose root is 32 times the byte root.
func signed(t *testing.T, signer note.Signer, size int64, root byte) []byte {
	t.Helper()
	text := fmt.Sprintf("%s\n%d\n%s\n", signer.Name(), size,
		base64.StdEncoding.EncodeToString(bytes.Repeat([]byte{root}, 32)))
	return signedText(t, signer, text)
}

func signedText(t *testing.T, signer note.Signer, text string) []byte {
	t.Helper()
	message, err := note.Sign(&note.Note{Text: text}, signer)
	if err != nil {
		t.Fatal(err)
	}
	return message
}
