package main

import (
	"crypto/tls"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
)

// A seal made by openssl replaces the one made at init; logs sealed with it
// verify by its CA, and the older log by the older one.
func TestSealFromElsewhere(t *testing.T) {
	dir, pem := filepath.Join(t.TempDir(), "kitchen"), t.TempDir()
	mustRun(t, "transcribe", "testdata/marrowby", "--dir", dir, "--seal")
	old := filepath.Join(pem, "old-ca.pem")
	b, err := os.ReadFile(filepath.Join(dir, "seal-ca.pem"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(old, b, 0o600); err != nil {
		t.Fatal(err)
	}
	key, cert := filepath.Join(pem, "key.pem"), filepath.Join(pem, "cert.pem")
	out, err := exec.Command("openssl", "req", "-x509", "-newkey", "rsa:3072", "-nodes", "-sha256", "-days", "4000", "-subj", "/O=Invented Seals/CN=Invented seal",
		"-addext", "basicConstraints=critical,CA:FALSE", "-addext", "keyUsage=critical,digitalSignature,nonRepudiation", "-keyout", key, "-out", cert).CombinedOutput()
	if err != nil {
		t.Fatalf("openssl (apt-get install openssl): %v\n%s", err, out)
	}
	if code, _, words := program(t, "keys", "import-seal", "--dir", dir, "--key", cert, "--cert", cert); code != exitFailed || !strings.Contains(words, "hint:") {
		t.Errorf("a certificate as key: exit %d, %s", code, words)
	}
	mustRun(t, "keys", "import-seal", "--dir", dir, "--key", key, "--cert", cert)
	if got := mustRun(t, "keys", "show", "--dir", dir); !strings.Contains(got, "Seal CA") {
		t.Errorf("keys show: %s", got)
	}
	p := newPaperKitchen(t, "Marrowby Lane Sweet Kitchen", 1480, 843, -7)
	p.files["site.csv"][1] = "Marrowby Lane Sweet Kitchen,1480.0,-7.0,04:00"
	plant(p, "212,F")
	mustRun(t, "transcribe", p.write(t), "--dir", dir, "--seal")
	for _, c := range []struct {
		day, anchor string
		code        int
	}{
		{"2026-03-02", old, exitSound}, {"2026-03-02", cert, exitTampered},
		{"2026-05-10", cert, exitSound}, {"2026-05-10", old, exitTampered},
	} {
		if code, out, words := program(t, "verify", filepath.Join(dir, "logs", "log-"+c.day+".pdf"), "--trust", c.anchor); code != c.code {
			t.Errorf("%s by %s: exit %d, want %d\n%s%s", c.day, filepath.Base(c.anchor), code, c.code, out, words)
		}
	}
}

// A kitchen's own certificate serves the network, trusted by its own CA.
func TestServeOwnCertificate(t *testing.T) {
	dir, pem := filepath.Join(t.TempDir(), "kitchen"), t.TempDir()
	mustRun(t, "transcribe", "testdata/marrowby", "--dir", dir)
	key, cert := filepath.Join(pem, "key.pem"), filepath.Join(pem, "cert.pem")
	out, err := exec.Command("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "30", "-subj", "/CN=kettle.invalid",
		"-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert).CombinedOutput()
	if err != nil {
		t.Fatalf("openssl (apt-get install openssl): %v\n%s", err, out)
	}
	own, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	k, err := openFolder(t.Context(), dir, openOptions{tls: true, own: &own})
	if err != nil {
		t.Fatal(err)
	}
	defer k.close()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = k.server.GRPC().Serve(l) }()
	for path, trusted := range map[string]bool{cert: true, filepath.Join(dir, "ca.pem"): false} {
		trust, err := fileTLS(path)
		if err != nil {
			t.Fatal(err)
		}
		c, err := client.Dial(client.Options{Target: l.Addr().String(), TLS: trust, Retries: -1})
		if err != nil {
			t.Fatal(err)
		}
		_, err = c.SignIn(t.Context(), "XX", "290517", "")
		if got := errors.Is(err, records.ErrNotSignedIn); got != trusted {
			t.Errorf("by %s: %v", filepath.Base(path), err)
		}
		_ = c.Close()
	}
	if _, err := k.operator.Session.WhoAmI(t.Context(), &sv.WhoAmIRequest{}); err != nil {
		t.Errorf("the operator in this process: %v", err)
	}
}
