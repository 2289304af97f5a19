package seal

import (
	"bytes"
	"crypto"
	"crypto/sha256"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-fonts/dejavu/dejavusans"
	"github.com/jung-kurt/gofpdf"
)

// Everything below is invented: keys (testdata/keys.pem), names and times.
var (
	born     = time.Date(2021, 1, 1, 0, 0, 0, 0, time.UTC)
	dead     = time.Date(2049, 1, 1, 0, 0, 0, 0, time.UTC)
	signedAt = time.Date(2026, 11, 25, 18, 30, 5, 0, time.UTC)
)

// identity is a test key with its chain.
type identity struct {
	key   crypto.Signer
	chain [][]byte
}

func (id identity) fingerprint() string { return Fingerprint(id.chain[0]) }
func (id identity) anchor() []byte      { return id.chain[len(id.chain)-1] }

// testRandom is a reproducible random source.
func testRandom(n byte) io.Reader { return rand.NewChaCha8(sha256.Sum256([]byte{n})) }

// identities makes the certificates of all test keys once.
var identities = sync.OnceValue(func() map[string]identity {
	rest, err := os.ReadFile("testdata/keys.pem")
	if err != nil {
		panic(err)
	}
	out := map[string]identity{}
	for {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
		if err != nil {
			panic(err)
		}
		out[block.Headers["Test-Key"]] = identity{key: key.(crypto.Signer)}
	}
	for ca, leaves := range map[string][]string{"ca": {"seal", "counter"}, "stranger-ca": {"stranger"}} {
		id := out[ca]
		// The stranger calls everything by the same names.
		der, err := MakeCA(id.key, testRandom(1), Subject{CommonName: "Marrowby Test CA", Organization: "Marrowby Test Kitchen", Country: "GB"}, born, dead)
		if err != nil {
			panic(err)
		}
		out[ca] = identity{key: id.key, chain: [][]byte{der}}
		for i, leaf := range leaves {
			l := out[leaf]
			cert, err := MakeSealCertificate(id.key, der, l.key.Public(), testRandom(byte(2+i)),
				Subject{CommonName: "Marrowby Test Kitchen, " + map[int]string{0: "seal", 1: "second key"}[i]}, born, dead)
			if err != nil {
				panic(err)
			}
			out[leaf] = identity{key: l.key, chain: [][]byte{cert, der}}
		}
	}
	return out
})

// plain is an unsealed document as the reports package makes them.
func plain(t testing.TB, embedFont bool) []byte {
	t.Helper()
	f := gofpdf.New("P", "mm", "A4", "")
	f.SetCatalogSort(true)
	f.SetCreationDate(signedAt)
	f.SetModificationDate(signedAt)
	family := "Helvetica"
	if embedFont {
		family = "DejaVu"
		f.AddUTF8FontFromBytes(family, "", bytes.Clone(dejavusans.TTF))
	}
	for _, line := range []string{"Daily log, invented data", "Page two of the daily log"} {
		f.AddPage()
		f.SetFont(family, "", 11)
		f.MultiCell(0, 6, line+"\nKuchyňka Łąka 0123456789 -:, ABCDEFGHIJKLMNOPQRSTUVWXYZ abcdefghijklmnopqrstuvwxyz", "", "L", false)
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func sealOptions(id identity) Options {
	return Options{
		Signer: id.key, Chain: id.chain, SignedAt: signedAt,
		Name: "Marrowby Test Kitchen", Location: "Marrowby", Reason: "Daily log sealed by software",
		Attachments: []Attachment{
			{Name: "log.json", MIMEType: "application/json", Description: "The day as data", Data: []byte(`{"invented":true}`)},
			{Name: "checks.csv", MIMEType: "text/csv", Relationship: Source, Data: bytes.Repeat([]byte("T-1,99.1\n"), 50)},
		},
	}
}

func counterOptions(id identity) Options {
	return Options{Signer: id.key, Chain: id.chain, SignedAt: signedAt.Add(time.Hour), Name: "A. Invented, reviewer"}
}

func mustSign(t testing.TB, pdf []byte, opt Options) []byte {
	t.Helper()
	out, err := Sign(pdf, opt)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func mustCounterSign(t testing.TB, pdf []byte, opt Options) []byte {
	t.Helper()
	out, err := CounterSign(pdf, DefaultCounterField, opt)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// cached keeps a file that many tests begin with; each gets a copy of its own.
func cached(make func(testing.TB) []byte) func(testing.TB) []byte {
	var once sync.Once
	var kept []byte
	return func(t testing.TB) []byte {
		t.Helper()
		once.Do(func() { kept = make(t) })
		return bytes.Clone(kept)
	}
}

// The files that most tests work on.
var (
	sealed = cached(func(t testing.TB) []byte {
		return mustSign(t, plain(t, false), sealOptions(identities()["seal"]))
	})
	countersigned = cached(func(t testing.TB) []byte {
		return mustCounterSign(t, sealed(t), counterOptions(identities()["counter"]))
	})
	// strange is sealed by a stranger who uses the same names.
	strange = cached(func(t testing.TB) []byte {
		return mustSign(t, plain(t, false), sealOptions(identities()["stranger"]))
	})
)

func trusting(t testing.TB, certs ...[]byte) Trust {
	t.Helper()
	var trust Trust
	for _, der := range certs {
		if err := trust.AddPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})); err != nil {
			t.Fatal(err)
		}
	}
	return trust
}

func ourTrust(t testing.TB) Trust { return trusting(t, identities()["ca"].anchor()) }

func TestSignAppendsAndIsDeterministic(t *testing.T) {
	for _, embed := range []bool{false, true} {
		base := plain(t, embed)
		before := bytes.Clone(base)
		one, two := mustSign(t, base, sealOptions(identities()["seal"])), mustSign(t, base, sealOptions(identities()["seal"]))
		if !bytes.Equal(one, two) {
			t.Error("the same input gave other bytes")
		}
		if !bytes.HasPrefix(one, base) || !bytes.Equal(base, before) {
			t.Error("revision 1 is not the document as handed in")
		}
		if n := bytes.Count(one, []byte("%%EOF")); n != 3 {
			t.Errorf("%d revisions instead of 3", n)
		}
		c1, c2 := mustCounterSign(t, one, counterOptions(identities()["counter"])), mustCounterSign(t, one, counterOptions(identities()["counter"]))
		if !bytes.Equal(c1, c2) || !bytes.HasPrefix(c1, one) {
			t.Error("the counter-signature is not a plain, repeatable addition")
		}
	}
}

func TestVerifySound(t *testing.T) {
	id := identities()["seal"]
	r := Verify(sealed(t), ourTrust(t))
	if r.Verdict != Sound || len(r.Findings) != 0 || len(r.Signatures) != 1 {
		t.Fatalf("%s, findings %v", r.Verdict, r.Findings)
	}
	s := r.Signatures[0]
	if !s.CoversWholeFile || !s.CoversRevision || !s.DigestOK || !s.SignatureOK || !s.Trusted || s.CertificateExpired {
		t.Errorf("signature %+v", s)
	}
	if s.Field != DefaultSealField || s.Name != "Marrowby Test Kitchen" || s.Location != "Marrowby" ||
		s.Reason != "Daily log sealed by software" || !s.SignedAt.Equal(signedAt) || s.SubFilter != "ETSI.CAdES.detached" {
		t.Errorf("signature %+v", s)
	}
	if s.CommonName != "Marrowby Test Kitchen, seal" || s.IssuerCommonName != "Marrowby Test CA" ||
		s.Fingerprint != id.fingerprint() || s.Anchor != Fingerprint(id.anchor()) || len(s.Certificates) != 2 {
		t.Errorf("signer %q, %q, %s, %s", s.CommonName, s.IssuerCommonName, s.Fingerprint, s.Anchor)
	}
	if len(r.EmptyFields) != 1 || r.EmptyFields[0] != DefaultCounterField {
		t.Errorf("empty fields %q", r.EmptyFields)
	}
}

func TestVerifyCounterSigned(t *testing.T) {
	pdf := countersigned(t)
	r := Verify(pdf, ourTrust(t))
	if r.Verdict != Sound || len(r.Findings) != 0 || len(r.Signatures) != 2 || len(r.EmptyFields) != 0 {
		t.Fatalf("%s, findings %v", r.Verdict, r.Findings)
	}
	first, second := r.Signatures[0], r.Signatures[1]
	if first.CoversWholeFile || !first.CoversRevision || !second.CoversWholeFile || second.Field != DefaultCounterField {
		t.Errorf("first %+v, second %+v", first, second)
	}
	if _, err := CounterSign(pdf, DefaultCounterField, counterOptions(identities()["counter"])); !errors.Is(err, ErrField) {
		t.Errorf("a second counter-signature in one field: %v", err)
	}
}

func TestTrust(t *testing.T) {
	pdf, id, stranger := sealed(t), identities()["seal"], identities()["stranger"]
	upper := strings.ToUpper(strings.ReplaceAll(id.fingerprint(), ":", ""))
	for name, c := range map[string]struct {
		print string
		certs [][]byte
		want  Verdict
	}{
		"no anchor":                      {want: UnknownSigner},
		"fingerprint of the certificate": {print: id.fingerprint(), want: Sound},
		"in capitals without colons":     {print: upper, want: Sound},
		"fingerprint of the CA":          {print: Fingerprint(id.anchor()), want: Sound},
		"the CA":                         {certs: [][]byte{id.anchor()}, want: Sound},
		"the certificate":                {certs: [][]byte{id.chain[0]}, want: Sound},
		"a strange fingerprint":          {print: stranger.fingerprint(), want: Tampered},
		"a strange CA of the same name":  {certs: [][]byte{stranger.anchor()}, want: Tampered},
		"both CAs":                       {certs: [][]byte{stranger.anchor(), id.anchor()}, want: Sound},
	} {
		trust := trusting(t, c.certs...)
		if c.print != "" {
			if err := trust.AddFingerprint(c.print); err != nil {
				t.Fatal(err)
			}
		}
		r := Verify(pdf, trust)
		if r.Verdict != c.want || r.Has(ForeignCertificate) != (c.want == Tampered) {
			t.Errorf("%s: %s instead of %s, %v", name, r.Verdict, c.want, r.Findings)
		}
		if r.Signatures[0].Trusted != (c.want == Sound) {
			t.Errorf("%s: trusted %t", name, r.Signatures[0].Trusted)
		}
	}
	// A seal whose file carries the leaf alone still leads to a CA that is given whole.
	opt := sealOptions(id)
	opt.Chain = opt.Chain[:1]
	if r := Verify(mustSign(t, plain(t, false), opt), ourTrust(t)); r.Verdict != Sound {
		t.Errorf("leaf alone: %s, %v", r.Verdict, r.Findings)
	}
	for _, bad := range []string{"", "00", id.fingerprint()[3:], id.fingerprint() + ":00", strings.Repeat("zz", 32)} {
		var trust Trust
		if err := trust.AddFingerprint(bad); err == nil || !trust.Empty() {
			t.Errorf("fingerprint %q was taken", bad)
		}
	}
	keys, err := os.ReadFile("testdata/keys.pem")
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range [][]byte{nil, []byte("no certificate"), keys} {
		var trust Trust
		if err := trust.AddPEM(bad); err == nil {
			t.Errorf("PEM %.20q was taken", bad)
		}
	}
}

// TestExpiry: certificates are judged at the claimed time, not at the time of checking.
func TestExpiry(t *testing.T) {
	trust := ourTrust(t)
	trust.CheckedAt = dead.AddDate(1, 0, 0)
	r := Verify(sealed(t), trust)
	if r.Verdict != Sound || !r.Signatures[0].CertificateExpired {
		t.Errorf("a year after the end: %s, expired %t, %v", r.Verdict, r.Signatures[0].CertificateExpired, r.Findings)
	}
	for _, at := range []time.Time{born.Add(-time.Second), dead.Add(time.Second)} {
		opt := sealOptions(identities()["seal"])
		opt.SignedAt = at
		if _, err := Sign(plain(t, false), opt); !errors.Is(err, ErrCertificate) {
			t.Errorf("sealed at %s: %v", at, err)
		}
		// Sign refuses, so the dictionary is made to claim it, under a good signature.
		forged := resign(t, sealed(t), identities()["seal"], func(pdf []byte) []byte {
			return bytes.Replace(pdf, append([]byte("/M "), serialise(dateText(signedAt))...), append([]byte("/M "), serialise(dateText(at))...), 1)
		})
		for name, trust := range map[string]Trust{"with the CA": ourTrust(t), "without": {}, "with the certificate": trusting(t, identities()["seal"].chain[0])} {
			r := Verify(forged, trust)
			if r.Verdict != UnknownSigner || !r.Has(OutsideValidity) || !r.Signatures[0].SignatureOK {
				t.Errorf("claimed %s, %s: %s, %v", at, name, r.Verdict, r.Findings)
			}
		}
		if r := Verify(forged, trusting(t, identities()["stranger-ca"].anchor())); r.Verdict != Tampered || !r.Has(ForeignCertificate) {
			t.Errorf("claimed %s, strange anchor: %s, %v", at, r.Verdict, r.Findings)
		}
	}
}

func TestNotSigned(t *testing.T) {
	base, pdf := plain(t, false), sealed(t)
	second := bytes.Index(pdf[len(base):], []byte("%%EOF\n")) + len(base) + len("%%EOF\n")
	for name, c := range map[string]struct {
		pdf    []byte
		broken bool
	}{
		"the document alone":    {pdf: base},
		"cut back to the form":  {pdf: pdf[:second]},
		"cut inside the form":   {pdf: pdf[:second-20]},
		"nothing":               {broken: true},
		"no PDF":                {pdf: []byte("hello"), broken: true},
		"a PDF without a table": {pdf: []byte("%PDF-1.7\n1 0 obj\n<<>>\nendobj\n"), broken: true},
	} {
		r := Verify(c.pdf, ourTrust(t))
		if r.Verdict != NotSigned || len(r.Signatures) != 0 || r.Has(BadStructure) != c.broken {
			t.Errorf("%s: %s, %v", name, r.Verdict, r.Findings)
		}
	}
	if r := Verify(pdf[:second], Trust{}); len(r.EmptyFields) != 2 {
		t.Errorf("empty fields %q", r.EmptyFields)
	}
}

func TestAttachmentsComeBack(t *testing.T) {
	opt := sealOptions(identities()["seal"])
	opt.Attachments = append(opt.Attachments, Attachment{Name: "Žluť.txt", MIMEType: "text/plain; charset=utf-8", Description: "naïve (odd) \\ name", Data: []byte{}})
	for _, pdf := range [][]byte{mustSign(t, plain(t, true), opt)} {
		got, err := Attachments(pdf)
		if err != nil || len(got) != 3 {
			t.Fatalf("%d attachments, %v", len(got), err)
		}
		want := []Attachment{opt.Attachments[1], opt.Attachments[0], opt.Attachments[2]}
		want[1].Relationship, want[2].Relationship = Data, Data
		for i := range want {
			if g, w := got[i], want[i]; g.Name != w.Name || g.MIMEType != w.MIMEType || g.Description != w.Description ||
				g.Relationship != w.Relationship || !bytes.Equal(g.Data, w.Data) {
				t.Errorf("attachment %d: %+v instead of %+v", i, g, w)
			}
		}
	}
	if got, err := Attachments(countersigned(t)); err != nil || len(got) != 2 {
		t.Errorf("counter-signed: %d attachments, %v", len(got), err)
	}
	if got, err := Attachments(plain(t, false)); err != nil || len(got) != 0 {
		t.Errorf("unsealed: %d attachments, %v", len(got), err)
	}
	if _, err := Attachments([]byte("no PDF")); !errors.Is(err, ErrDocument) {
		t.Errorf("no PDF: %v", err)
	}
}
