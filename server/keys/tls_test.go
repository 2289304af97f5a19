package keys

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestOpensslAcceptsTheServer(t *testing.T) {
	r := sealedRing(t)
	cert, err := r.ServerCertificate(testRandom(3), testNow)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	ca, leaf := filepath.Join(dir, "ca.pem"), filepath.Join(dir, "server.pem")
	writeFile(t, ca, r.TLSAuthorityPEM())
	writeFile(t, leaf, encodeCertificates(cert.Leaf))
	for _, who := range [][]string{
		{"-verify_hostname", "localhost"}, {"-verify_ip", "127.0.0.1"}, {"-verify_ip", "::1"},
		{"-verify_hostname", "kettle.marrowby.example"}, {"-verify_ip", "192.0.2.7"},
	} {
		args := append([]string{"verify", "-x509_strict", "-purpose", "sslserver", "-attime", unix(testNow), "-CAfile", ca}, who...)
		if out := openssl(t, append(args, leaf)...); !strings.Contains(out, "server.pem: OK") {
			t.Errorf("%q: %s", who, out)
		}
	}
	text := openssl(t, "x509", "-in", ca, "-noout", "-text", "-fingerprint", "-sha256")
	if !strings.Contains(text, "NIST CURVE: P-256") || !strings.Contains(text, "CA:TRUE, pathlen:0") {
		t.Errorf("openssl x509: %s", text)
	}
	if !strings.Contains(strings.ToLower(text), r.Fingerprints().TLSAuthority) {
		t.Errorf("openssl prints another fingerprint than %s", r.Fingerprints().TLSAuthority)
	}
}

func TestHandshake(t *testing.T) {
	r := sealedRing(t)
	clock := func() time.Time { return testNow }
	shake := func(client *tls.Config) error {
		a, b := net.Pipe()
		defer a.Close()
		defer b.Close()
		server := tls.Server(a, r.TLSConfig(testRandom(3), clock))
		done := make(chan error, 1)
		go func() { done <- server.Handshake(); a.Close() }()
		err := tls.Client(b, client).Handshake()
		b.Close()
		<-done
		return err
	}
	for _, name := range []string{"localhost", "127.0.0.1", "::1", "kettle.marrowby.example"} {
		if err := shake(&tls.Config{ServerName: name, RootCAs: r.TLSAuthorityPool(), Time: clock}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := shake(&tls.Config{ServerName: "elsewhere.example", RootCAs: r.TLSAuthorityPool(), Time: clock}); err == nil {
		t.Error("a name that is not in the certificate was accepted")
	}
	if err := shake(&tls.Config{ServerName: "localhost", RootCAs: x509.NewCertPool(), Time: clock}); err == nil {
		t.Error("accepted without the CA")
	}
	if err := shake(&tls.Config{ServerName: "localhost", RootCAs: r.TLSAuthorityPool(), Time: clock,
		MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 was accepted")
	}
}

func TestServerCertificateRenewsInItsLastThird(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	get := func(now time.Time) *x509.Certificate {
		t.Helper()
		cert, err := r.ServerCertificate(testRandom(3), now)
		if err != nil {
			t.Fatal(err)
		}
		return cert.Leaf
	}
	first := get(testNow)
	if want := testNow.Add(DefaultServerLifetime); !first.NotAfter.Equal(want) || !first.NotBefore.Equal(testNow.Add(-time.Hour)) {
		t.Errorf("valid from %s to %s", first.NotBefore, first.NotAfter)
	}
	edge := first.NotAfter.Add(-DefaultServerLifetime / 3)
	if !get(edge).Equal(first) {
		t.Error("renewed with a third of its life left")
	}
	second := get(edge.Add(time.Second))
	if second.Equal(first) {
		t.Fatal("not renewed with less than a third of its life left")
	}
	if !second.NotAfter.Equal(edge.Add(time.Second + DefaultServerLifetime)) {
		t.Errorf("the new one ends on %s", second.NotAfter)
	}
	if !slices.Equal(hostsOf(second), hostsOf(first)) || !slices.Contains(r.Hosts(), "192.0.2.7") {
		t.Errorf("hosts %q, before %q", hostsOf(second), hostsOf(first))
	}
	if second.CheckSignatureFrom(r.authority.cert) != nil || samePublicKey(first.PublicKey, second.PublicKey) {
		t.Error("the new certificate is from another CA or for the old key")
	}
	if !get(edge.Add(time.Hour)).Equal(second) {
		t.Error("renewed twice")
	}
	if reopened := mustOpen(t, dir); !reopened.server.cert.Equal(second) {
		t.Error("the renewed certificate is not the one on disk")
	}
	if _, err := os.Stat(filepath.Join(dir, "tls-server-0001.pem")); err != nil {
		t.Errorf("the retired one: %v", err)
	}
}

func TestRenewalWhenTheDiskRefuses(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	first := r.server.cert
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if cert, err := r.ServerCertificate(testRandom(3), first.NotAfter.Add(-time.Hour)); err != nil || !cert.Leaf.Equal(first) {
		t.Errorf("a certificate that is still valid: %v", err)
	}
	if _, err := r.ServerCertificate(testRandom(3), first.NotAfter.Add(time.Second)); err == nil {
		t.Error("an expired certificate was handed out")
	}
}

func TestTheAuthorityEnds(t *testing.T) {
	options := testOptions()
	options.MakeSeal, options.AuthorityYears = nil, 1
	r, err := Create(filepath.Join(t.TempDir(), "keys"), options)
	if err != nil {
		t.Fatal(err)
	}
	end := testNow.AddDate(1, 0, 0)
	if !r.server.cert.NotAfter.Equal(end) {
		t.Errorf("the server's certificate outlives its CA: %s", r.server.cert.NotAfter)
	}
	cert, err := r.ServerCertificate(testRandom(3), end.Add(-time.Second))
	if err != nil || !cert.Leaf.Equal(r.server.cert) || len(namesIn(t, r.dir.path)) != 6 {
		t.Errorf("a second before the end: %v, files %q", err, namesIn(t, r.dir.path))
	}
	if _, err := r.ServerCertificate(testRandom(3), end.Add(time.Second)); !errors.Is(err, ErrAuthorityExpired) {
		t.Errorf("after the end: %v", err)
	}
	if err := r.SetHosts(testRandom(3), end, time.Hour, nil); !errors.Is(err, ErrAuthorityExpired) {
		t.Errorf("SetHosts at the end: %v", err)
	}
}

func TestSetHosts(t *testing.T) {
	r := sealedRing(t)
	ca := r.TLSAuthorityPEM()
	hosts := []string{"Kettle", "kettle.", "10.0.0.5", "::ffff:10.0.0.5", "127.0.0.1"}
	if err := r.SetHosts(testRandom(3), testNow, 30*24*time.Hour, hosts); err != nil {
		t.Fatal(err)
	}
	want := []string{"localhost", "kettle", "127.0.0.1", "::1", "10.0.0.5"}
	if got := mustOpen(t, r.dir.path).Hosts(); !slices.Equal(got, want) {
		t.Errorf("hosts %q, want %q", got, want)
	}
	if !bytes.Equal(ca, r.TLSAuthorityPEM()) {
		t.Error("the CA changed")
	}
	if err := r.SetHosts(testRandom(3), testNow, 0, nil); !errors.Is(err, ErrOptions) {
		t.Errorf("no lifetime: %v", err)
	}
}

// Handshakes, checkpoints and questions go on at once, two programs on one folder.
func TestConcurrentUse(t *testing.T) {
	dir := sealedFolder(t)
	rings := []*Ring{mustOpen(t, dir), mustOpen(t, dir)}
	late := rings[0].server.cert.NotAfter.Add(-time.Hour)
	text := signed(t, rings[0].LedgerSigner(), 1, 1)
	var wg sync.WaitGroup
	for i := range 8 {
		r := rings[i%2]
		wg.Go(func() {
			if _, err := r.ServerCertificate(testRandom(byte(i)), late); err != nil {
				t.Error(err)
			}
			if err := r.SaveLastCheckpoint(text); err != nil {
				t.Error(err)
			}
			r.Fingerprints()
			r.TLSAuthorityPEM()
			r.Hosts()
		})
	}
	wg.Wait()
	if names := namesIn(t, dir); !slices.Contains(names, "tls-server-0002.pem") || slices.ContainsFunc(names, func(n string) bool {
		return strings.HasPrefix(n, tempPrefix)
	}) {
		t.Errorf("files %q", names)
	}
}
