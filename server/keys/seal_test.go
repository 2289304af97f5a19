package keys

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestOpensslAcceptsTheSeal(t *testing.T) {
	r := sealedRing(t)
	seal, err := r.Seal()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	ca, leaf := filepath.Join(dir, "ca.pem"), filepath.Join(dir, "seal.pem")
	writeFile(t, ca, seal.CAPEM())
	writeFile(t, leaf, encodeCertificates(seal.Certificate))

	out := openssl(t, "verify", "-x509_strict", "-attime", unix(testNow), "-CAfile", ca, leaf)
	if !strings.Contains(out, "seal.pem: OK") {
		t.Errorf("openssl verify: %s", out)
	}
	// Still good on the last day that a record sealed in ten years is kept.
	openssl(t, "verify", "-attime", unix(testNow.AddDate(DefaultSealYears, 0, 0)), "-CAfile", ca, leaf)
	for path, want := range map[string]string{ca: r.Fingerprints().SealCA, leaf: r.Fingerprints().Seal} {
		out := openssl(t, "x509", "-in", path, "-noout", "-fingerprint", "-sha256")
		if _, got, _ := strings.Cut(strings.TrimSpace(out), "="); strings.ToLower(got) != want {
			t.Errorf("fingerprint %s, openssl says %s", want, got)
		}
	}
	if out := openssl(t, "pkey", "-in", filepath.Join(r.dir.path, seal.Name), "-noout", "-text"); !strings.Contains(out, "3072 bit") {
		t.Errorf("openssl pkey: %s", out)
	}

	digest := sha256.Sum256([]byte("a day's log"))
	sig, err := seal.Signer.Sign(nil, digest[:], crypto.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(dir, "log"), []byte("a day's log"))
	writeFile(t, filepath.Join(dir, "sig"), sig)
	writeFile(t, filepath.Join(dir, "pub"), []byte(openssl(t, "x509", "-in", leaf, "-noout", "-pubkey")))
	out = openssl(t, "dgst", "-sha256", "-verify", filepath.Join(dir, "pub"), "-signature", filepath.Join(dir, "sig"), filepath.Join(dir, "log"))
	if !strings.Contains(out, "Verified OK") {
		t.Errorf("openssl dgst: %s", out)
	}
	if chain := seal.ChainDER(); len(chain) != 2 || !bytes.Equal(chain[0], seal.Certificate.Raw) || !bytes.Equal(chain[1], seal.CA().Raw) {
		t.Errorf("chain of %d", len(chain))
	}
}

func unix(at time.Time) string { return big.NewInt(at.Unix()).String() }

// The fingerprint of nothing: SHA-256 of the empty message, FIPS 180-4 example
// published by NIST (e3b0c442 98fc1c14 ... 7852b855).
func TestFingerprintForm(t *testing.T) {
	const want = "e3:b0:c4:42:98:fc:1c:14:9a:fb:f4:c8:99:6f:b9:24:27:ae:41:e4:64:9b:93:4c:a4:95:99:1b:78:52:b8:55"
	if got := Fingerprint(nil); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestSealMakerIsHeldToTheRetention(t *testing.T) {
	keep := func(q SealRequest) SealRequest { return q }
	short := func(q SealRequest) SealRequest { q.NotAfter = q.NotAfter.AddDate(0, 0, -2); return q }
	k, err := kit()
	if err != nil {
		t.Fatal(err)
	}
	make := func(change func(SealRequest) SealRequest, swap bool) error {
		options, err := testOptions().filled()
		if err != nil {
			return err
		}
		options.SealYears = 7
		options.Now = testNow.Add(123456789)
		options.MakeSeal = func(q SealRequest) ([]byte, []byte, error) {
			if q.Kitchen != "Marrowby Sweets" || q.NotAfter.Before(testNow.AddDate(7, 0, 0)) || !q.NotBefore.Before(testNow) ||
				q.NotBefore.Nanosecond() != 0 || q.NotAfter.Nanosecond() != 0 {
				return nil, nil, errors.New("the request is not what was asked")
			}
			leaf, ca, err := makeTestSeal(change(q))
			if swap {
				leaf, ca = ca, leaf
			}
			return leaf, ca, err
		}
		_, err = certifySeal(options, k.rootKey, k.key)
		return err
	}
	if err := make(keep, false); err != nil {
		t.Error(err)
	}
	if err := make(keep, true); err != nil {
		t.Errorf("the order does not matter: %v", err)
	}
	if err := make(short, false); !errors.Is(err, ErrSeal) || !strings.Contains(err.Error(), "2033-03-02") {
		t.Errorf("a certificate that ends before the records do: %v", err)
	}
	other := func(q SealRequest) SealRequest { q.SealKey, q.CAKey = q.CAKey, q.SealKey; return q }
	if err := make(other, false); !errors.Is(err, ErrSeal) {
		t.Errorf("keys mixed up: %v", err)
	}
}

// importKit is a chain of three with the keys that tests import.
type importKit struct {
	key                   *rsa.PrivateKey
	ec                    *ecdsa.PrivateKey
	root, middle          *x509.Certificate
	rootKey, middleKey    *ecdsa.PrivateKey
	leaf                  *x509.Certificate
	notBefore, notAfter   time.Time
	keyPEM, certsShuffled []byte
}

var kit = sync.OnceValues(func() (*importKit, error) {
	k := &importKit{notBefore: testNow.AddDate(0, -1, 0), notAfter: testNow.AddDate(3, 0, 0)}
	var errs [4]error
	k.key, errs[0] = rsa.GenerateKey(nil, 2048)
	k.ec, errs[1] = ecdsa.GenerateKey(elliptic.P256(), nil)
	k.rootKey, errs[2] = ecdsa.GenerateKey(elliptic.P256(), nil)
	k.middleKey, errs[3] = ecdsa.GenerateKey(elliptic.P256(), nil)
	if err := errors.Join(errs[:]...); err != nil {
		return nil, err
	}
	var err error
	ca := func(c *x509.Certificate) {
		c.IsCA, c.KeyUsage = true, x509.KeyUsageCertSign
	}
	if k.root, err = k.cert("Root", k.rootKey.Public(), nil, k.rootKey, ca); err != nil {
		return nil, err
	}
	if k.middle, err = k.cert("Middle", k.middleKey.Public(), k.root, k.rootKey, ca); err != nil {
		return nil, err
	}
	if k.leaf, err = k.cert("Leaf", k.key.Public(), k.middle, k.middleKey, nil); err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(k.key)
	k.keyPEM = pem.EncodeToMemory(&pem.Block{Type: blockKey, Bytes: der})
	k.certsShuffled = encodeCertificates(k.root, k.leaf, k.middle)
	return k, err
})

func (k *importKit) cert(name string, public crypto.PublicKey, parent *x509.Certificate, signer crypto.Signer,
	change func(*x509.Certificate)) (*x509.Certificate, error) {
	template := &x509.Certificate{
		SerialNumber: big.NewInt(int64(len(name))), Subject: pkix.Name{CommonName: name},
		NotBefore: k.notBefore, NotAfter: k.notAfter, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature,
	}
	if change != nil {
		change(template)
	}
	if parent == nil {
		parent = template
	}
	der, err := x509.CreateCertificate(testRandom(4), template, parent, public, signer)
	if err != nil {
		return nil, err
	}
	return x509.ParseCertificate(der)
}

func TestImportSealKeepsTheOldOne(t *testing.T) {
	k, err := kit()
	if err != nil {
		t.Fatal(err)
	}
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	old, err := r.Seal()
	if err != nil {
		t.Fatal(err)
	}
	oldFile, err := os.ReadFile(filepath.Join(dir, old.Name))
	if err != nil {
		t.Fatal(err)
	}
	got, err := r.ImportSeal(k.keyPEM, k.certsShuffled, testNow)
	if err != nil {
		t.Fatal(err)
	}
	for _, ring := range []*Ring{r, mustOpen(t, dir)} {
		seal, err := ring.Seal()
		if err != nil || seal.Name != "seal-0002.pem" || seal.Name != got.Name || !seal.Certificate.Equal(k.leaf) ||
			len(seal.Issuers) != 2 || !seal.Issuers[0].Equal(k.middle) || !seal.CA().Equal(k.root) ||
			!samePublicKey(seal.Signer.Public(), k.key.Public()) {
			t.Errorf("in use: %s %v, %v", seal.Name, seal.Certificate.Subject, err)
		}
		retired := ring.RetiredSeals()
		if len(retired) != 1 || !retired[0].Certificate.Equal(old.Certificate) || !retired[0].CA().Equal(old.CA()) || retired[0].Signer != nil {
			t.Errorf("retired: %d", len(retired))
		}
		if prints := ring.Fingerprints(); prints.Seal != Fingerprint(k.leaf.Raw) || prints.SealCA != Fingerprint(k.root.Raw) {
			t.Errorf("fingerprints %+v", prints)
		}
	}
	if kept, err := os.ReadFile(filepath.Join(dir, old.Name)); err != nil || !bytes.Equal(kept, oldFile) {
		t.Errorf("the old key's file changed: %v", err)
	}
	names := namesIn(t, dir)
	if again, err := r.ImportSeal(k.keyPEM, k.certsShuffled, testNow); err != nil || again.Name != got.Name {
		t.Errorf("the same once more: %s, %v", again.Name, err)
	}
	if after := namesIn(t, dir); !slices.Equal(names, after) {
		t.Errorf("the same once more wrote a file: %q", after)
	}
}

func TestImportIntoAKitchenWithoutSeal(t *testing.T) {
	k, err := kit()
	if err != nil {
		t.Fatal(err)
	}
	options := testOptions()
	options.MakeSeal = nil
	r, err := Create(filepath.Join(t.TempDir(), "keys"), options)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Seal(); !errors.Is(err, ErrNoSeal) {
		t.Errorf("no seal: %v", err)
	}
	if prints := r.Fingerprints(); prints.Seal != "" || prints.SealCA != "" {
		t.Errorf("fingerprints of no seal: %+v", prints)
	}
	self, err := k.cert("Self", k.key.Public(), nil, k.key, nil)
	if err != nil {
		t.Fatal(err)
	}
	pkcs1 := pem.EncodeToMemory(&pem.Block{Type: blockRSAKey, Bytes: x509.MarshalPKCS1PrivateKey(k.key)})
	seal, err := r.ImportSeal(pkcs1, append([]byte("Bag Attributes\n"), encodeCertificates(self)...), testNow)
	if err != nil || seal.Name != "seal-0001.pem" || !seal.CA().Equal(self) || len(seal.Issuers) != 0 {
		t.Errorf("self-signed: %+v, %v", seal.Name, err)
	}
	if prints := r.Fingerprints(); prints.Seal != prints.SealCA || prints.Seal == "" {
		t.Errorf("fingerprints %+v", prints)
	}
	if retired := r.RetiredSeals(); len(retired) != 0 {
		t.Errorf("retired: %d", len(retired))
	}
}

func TestImportSealRefuses(t *testing.T) {
	k, err := kit()
	if err != nil {
		t.Fatal(err)
	}
	make := func(name string, public crypto.PublicKey, change func(*x509.Certificate)) []byte {
		cert, err := k.cert(name, public, k.middle, k.middleKey, change)
		if err != nil {
			t.Fatal(err)
		}
		return encodeCertificates(cert, k.middle, k.root)
	}
	smallKey, err := rsa.GenerateKey(nil, 1024)
	if err != nil {
		t.Fatal(err)
	}
	plain := func(key any) []byte {
		der, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		return pem.EncodeToMemory(&pem.Block{Type: blockKey, Bytes: der})
	}
	selfNamed, err := k.cert("Root", k.key.Public(), k.root, k.rootKey, nil)
	if err != nil {
		t.Fatal(err)
	}
	at := func(years int) time.Time { return testNow.AddDate(years, 0, 0) }
	for name, c := range map[string]struct {
		key, certs []byte
		now        time.Time
		says       string
	}{
		"nothing":             {nil, nil, testNow, "one private key"},
		"two keys":            {slices.Concat(k.keyPEM, k.keyPEM), k.certsShuffled, testNow, "one private key"},
		"no certificate":      {k.keyPEM, nil, testNow, "none of the 0"},
		"key of another":      {plain(smallKey), k.certsShuffled, testNow, "2048"},
		"ECDSA":               {plain(k.ec), make("EC", k.ec.Public(), nil), testNow, "not RSA"},
		"certificate missing": {k.keyPEM, encodeCertificates(k.middle, k.root), testNow, "none of the 2"},
		"issuer missing":      {k.keyPEM, encodeCertificates(k.leaf, k.root), testNow, "add it"},
		"root missing":        {k.keyPEM, encodeCertificates(k.leaf, k.middle), testNow, "add it"},
		"one too many": {k.keyPEM, slices.Concat(k.certsShuffled, encodeCertificates(selfNamed)),
			testNow, "not in the chain"},
		"names itself, signed by another": {k.keyPEM, encodeCertificates(selfNamed), testNow, "did not sign itself"},
		"expired":                         {k.keyPEM, k.certsShuffled, at(4), "not now"},
		"not yet":                         {k.keyPEM, k.certsShuffled, at(-1), "not now"},
		"CA as seal": {k.keyPEM, make("CA", k.key.Public(), func(c *x509.Certificate) { c.IsCA = true }),
			testNow, "certificate of a CA"},
		"not for signing": {k.keyPEM, make("Enc", k.key.Public(), func(c *x509.Certificate) {
			c.KeyUsage = x509.KeyUsageKeyEncipherment
		}), testNow, "not meant for signatures"},
		"encrypted": {pem.EncodeToMemory(&pem.Block{Type: blockEncrypted, Bytes: []byte{1}}),
			k.certsShuffled, testNow, "passphrase"},
		"old encryption": {pem.EncodeToMemory(&pem.Block{Type: blockRSAKey, Bytes: []byte{1},
			Headers: map[string]string{"Proc-Type": "4,ENCRYPTED"}}), k.certsShuffled, testNow, "passphrase"},
		"cut off":               {k.keyPEM[:len(k.keyPEM)-40], k.certsShuffled, testNow, "cut off"},
		"certificates cut off":  {k.keyPEM, k.certsShuffled[:len(k.certsShuffled)-40], testNow, "cut off"},
		"key among the certs":   {k.keyPEM, slices.Concat(k.certsShuffled, k.keyPEM), testNow, "among"},
		"certificate with key":  {slices.Concat(k.keyPEM, k.certsShuffled), k.certsShuffled, testNow, "nothing else"},
		"something else inside": {k.keyPEM, pem.EncodeToMemory(&pem.Block{Type: "X509 CRL"}), testNow, "no place"},
	} {
		r := sealedRing(t)
		before := r.Fingerprints()
		_, err := r.ImportSeal(c.key, c.certs, c.now)
		if !errors.Is(err, ErrSeal) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", name, err, c.says)
		}
		if after := mustOpen(t, r.dir.path).Fingerprints(); after != before || r.Fingerprints() != before {
			t.Errorf("%s: the seal in use changed", name)
		}
	}
}
