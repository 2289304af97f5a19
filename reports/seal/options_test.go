package seal

import (
	"bytes"
	"crypto"
	"crypto/rsa"
	"crypto/x509"
	"errors"
	"flag"
	"io"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jung-kurt/gofpdf"
)

var update = flag.Bool("update", false, "write testdata/countersigned.pdf anew; the old file must go on verifying, so think first")

// TestFrozenFile: a file sealed once verifies for ever, whatever Sign writes by then.
func TestFrozenFile(t *testing.T) {
	const file = "testdata/countersigned.pdf"
	if *update {
		if err := os.WriteFile(file, countersigned(t), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	pdf, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var trust Trust
	if err := trust.AddFingerprint(frozenCA); err != nil {
		t.Fatal(err)
	}
	r := Verify(pdf, trust)
	if r.Verdict != Sound || len(r.Signatures) != 2 || r.Signatures[0].Fingerprint != frozenSeal {
		t.Errorf("%s, %v, %+v", r.Verdict, r.Findings, r.Signatures)
	}
	if files, err := Attachments(pdf); err != nil || len(files) != 2 || string(files[1].Data) != `{"invented":true}` {
		t.Errorf("%v, %v", files, err)
	}
}

// brokenSigner claims a key and returns something else.
type brokenSigner struct {
	crypto.Signer
	result []byte
	err    error
}

func (s brokenSigner) Sign(io.Reader, []byte, crypto.SignerOpts) ([]byte, error) {
	return s.result, s.err
}

// publicOnly claims a public key of a given size that nobody has the other half of.
type publicOnly struct {
	crypto.Signer
	bits uint
}

func (p publicOnly) Public() crypto.PublicKey {
	n := new(big.Int).Lsh(big.NewInt(1), p.bits-1)
	return &rsa.PublicKey{N: n.Add(n, big.NewInt(1)), E: 65537}
}

func TestSignRefuses(t *testing.T) {
	id, other := identities()["seal"], identities()["counter"]
	base, done := plain(t, false), sealed(t)
	small := publicOnly{Signer: id.key, bits: 1024}
	weak, err := x509.CreateCertificate(testRandom(9), &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: born, NotAfter: dead,
		KeyUsage: x509.KeyUsageDigitalSignature}, testKey(t, id).chain[1], small.Public(), identities()["ca"].key)
	if err != nil {
		t.Fatal(err)
	}
	for title, c := range map[string]struct {
		pdf  []byte
		edit func(*Options)
		want error
	}{
		"no key":                  {base, func(o *Options) { o.Signer = nil }, ErrOptions},
		"no chain":                {base, func(o *Options) { o.Chain = nil }, ErrOptions},
		"no name":                 {base, func(o *Options) { o.Name = " " }, ErrOptions},
		"no time":                 {base, func(o *Options) { o.SignedAt = time.Time{} }, ErrOptions},
		"another key":             {base, func(o *Options) { o.Signer = other.key }, ErrCertificate},
		"a short key":             {base, func(o *Options) { o.Signer, o.Chain[0] = small, weak }, ErrCertificate},
		"no certificate":          {base, func(o *Options) { o.Chain = [][]byte{[]byte("x")} }, ErrCertificate},
		"CA first":                {base, func(o *Options) { slices.Reverse(o.Chain) }, ErrCertificate},
		"a CA that did not issue": {base, func(o *Options) { o.Chain[1] = identities()["stranger"].chain[1] }, ErrCertificate},
		"a CA as signer": {base, func(o *Options) {
			o.Signer, o.Chain = identities()["ca"].key, identities()["ca"].chain
		}, ErrCertificate},
		"page 3 of 2":           {base, func(o *Options) { o.Seal.Page = 3 }, ErrOptions},
		"page -1":               {base, func(o *Options) { o.Counter.Page = -1 }, ErrOptions},
		"beside the page":       {base, func(o *Options) { o.Seal.Rect = Rect{X: 500, Y: 10, Width: 100, Height: 30} }, ErrOptions},
		"a field of no height":  {base, func(o *Options) { o.Seal.Rect = Rect{X: 50, Y: 10, Width: 100} }, ErrOptions},
		"too small for text":    {base, func(o *Options) { o.Seal.Rect = Rect{X: 50, Y: 10, Width: 20, Height: 10} }, ErrOptions},
		"same field names":      {base, func(o *Options) { o.Seal.Name, o.Counter.Name = "A", "A" }, ErrOptions},
		"field name with a dot": {base, func(o *Options) { o.Seal.Name = "A.B" }, ErrOptions},
		"text nobody can draw":  {base, func(o *Options) { o.Name = "飴細工" }, ErrOptions},
		"attachment, no name":   {base, func(o *Options) { o.Attachments[0].Name = "" }, ErrOptions},
		"attachment in folder":  {base, func(o *Options) { o.Attachments[0].Name = "../log.json" }, ErrOptions},
		"attachment, no type":   {base, func(o *Options) { o.Attachments[0].MIMEType = "" }, ErrOptions},
		"attachment twice":      {base, func(o *Options) { o.Attachments[1].Name = o.Attachments[0].Name }, ErrOptions},
		"odd relationship":      {base, func(o *Options) { o.Attachments[0].Relationship = "Friend" }, ErrOptions},
		"sealed already":        {done, func(*Options) {}, ErrDocument},
		"no PDF":                {[]byte("hello"), func(*Options) {}, ErrDocument},
		"empty":                 {nil, func(*Options) {}, ErrDocument},
		"bytes behind":          {append(bytes.Clone(base), "x\n"...), func(*Options) {}, ErrDocument},
		"no line end":           {base[:len(base)-1], func(*Options) {}, ErrDocument},
		"encrypted":             {protected(t), func(*Options) {}, ErrDocument},
		"signer signs nonsense": {base, func(o *Options) { o.Signer = brokenSigner{Signer: id.key, result: make([]byte, 384)} }, ErrDocument},
		"signer signs too much": {base, func(o *Options) { o.Signer = brokenSigner{Signer: id.key, result: make([]byte, 9000)} }, nil},
		"signer fails":          {base, func(o *Options) { o.Signer = brokenSigner{Signer: id.key, err: io.ErrClosedPipe} }, io.ErrClosedPipe},
	} {
		opt := sealOptions(id)
		opt.Chain = slices.Clone(opt.Chain)
		c.edit(&opt)
		out, err := Sign(c.pdf, opt)
		if err == nil || out != nil || c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%s: %v", title, err)
		}
	}
}

// protected is an encrypted document.
func protected(t testing.TB) []byte {
	f := gofpdf.New("P", "mm", "A4", "")
	f.SetProtection(gofpdf.CnProtectPrint, "a", "b")
	f.AddPage()
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestCounterSignRefuses(t *testing.T) {
	id := identities()["counter"]
	flipped := sealed(t)
	flipped[300] ^= 1
	for title, c := range map[string]struct {
		pdf   []byte
		field string
		edit  func(*Options)
		want  error
	}{
		"an unsealed document": {plain(t, false), DefaultCounterField, func(*Options) {}, ErrDocument},
		"a broken seal":        {flipped, DefaultCounterField, func(*Options) {}, ErrDocument},
		"no such field":        {sealed(t), "Other", func(*Options) {}, ErrField},
		"the sealed field":     {sealed(t), DefaultSealField, func(*Options) {}, ErrField},
		"an attachment":        {sealed(t), DefaultCounterField, func(o *Options) { o.Attachments = []Attachment{{Name: "a"}} }, ErrOptions},
		"a place":              {sealed(t), DefaultCounterField, func(o *Options) { o.Counter.Page = 1 }, ErrOptions},
		"no name":              {sealed(t), DefaultCounterField, func(o *Options) { o.Name = "" }, ErrOptions},
		"another key":          {sealed(t), DefaultCounterField, func(o *Options) { o.Signer = identities()["seal"].key }, ErrCertificate},
	} {
		opt := counterOptions(id)
		c.edit(&opt)
		if out, err := CounterSign(c.pdf, c.field, opt); out != nil || !errors.Is(err, c.want) {
			t.Errorf("%s: %v", title, err)
		}
	}
}

// TestPlacesAndText: fields where Options says, on two pages, with text of their
// own and names beyond ASCII.
func TestPlacesAndText(t *testing.T) {
	opt := sealOptions(identities()["seal"])
	opt.Name, opt.Location = "Kuchyňka Łąka", `Old (back) \ room`
	opt.Lines = []string{"Sealed by software; not reviewed by a person", "Kuchyňka Łąka"}
	opt.Seal = Field{Name: "Kuchyňka", Label: "Łąka", Page: 1, Rect: Rect{X: 100.25, Y: 500, Width: 200, Height: 30}}
	opt.Counter = Field{Page: 2, Label: "Reviewed by"}
	pdf := mustSign(t, plain(t, true), opt)
	r := Verify(pdf, ourTrust(t))
	if r.Verdict != Sound || r.Signatures[0].Name != opt.Name || r.Signatures[0].Location != opt.Location ||
		r.Signatures[0].Field != "Kuchyňka" || !slices.Equal(r.EmptyFields, []string{DefaultCounterField}) {
		t.Errorf("%s, %v, %+v", r.Verdict, r.Findings, r.Signatures)
	}
	if !bytes.Contains(pdf, []byte("/Rect [100.25 500 300.25 530]")) {
		t.Error("the seal does not stand where it should")
	}
	// Only the last page's margin holds the default places; the same font serves both.
	pdf = mustCounterSign(t, pdf, counterOptions(identities()["counter"]))
	if r := Verify(pdf, ourTrust(t)); r.Verdict != Sound {
		t.Errorf("counter-signed: %s, %v", r.Verdict, r.Findings)
	}
	file := write(t, t.TempDir()+"/in.pdf", pdf)
	first, _ := run(t, "pdftotext", "-layout", "-l", "1", file, "-")
	counts(t, "page 1", first, map[string]int{"not reviewed by a person": 1, "Kuchyňka Łąka": 2, "Reviewed by": 0})
	second, _ := run(t, "pdftotext", "-layout", "-f", "2", file, "-")
	counts(t, "page 2", second, map[string]int{"not reviewed": 0, "Reviewed by": 1, "A. Invented, reviewer": 1})
}

// TestLongChain: the room for the value grows with the chain.
func TestLongChain(t *testing.T) {
	ca, id := identities()["ca"], identities()["seal"]
	long := Subject{CommonName: "Marrowby " + strings.Repeat("very ", 700) + "long"}
	der, err := MakeCA(ca.key, testRandom(20), long, born, dead)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := MakeSealCertificate(ca.key, der, id.key.Public(), testRandom(21), Subject{CommonName: "Leaf"}, born, dead)
	if err != nil {
		t.Fatal(err)
	}
	opt := sealOptions(identity{key: id.key, chain: [][]byte{leaf, der}})
	pdf := mustSign(t, plain(t, false), opt)
	if p := contentsOf(t, pdf, 0); p.behind-p.start-2 <= 2*contentsStep {
		t.Error("no more room than usual")
	}
	if r := Verify(pdf, trusting(t, der)); r.Verdict != Sound {
		t.Errorf("%s, %v", r.Verdict, r.Findings)
	}
}

func TestCertificateMakers(t *testing.T) {
	ca, id := identities()["ca"], identities()["seal"]
	leaf, err := x509.ParseCertificate(id.chain[0])
	if err != nil {
		t.Fatal(err)
	}
	if leaf.IsCA || !leaf.BasicConstraintsValid || leaf.KeyUsage != x509.KeyUsageDigitalSignature|x509.KeyUsageContentCommitment ||
		!leaf.NotBefore.Equal(born) || !leaf.NotAfter.Equal(dead) || leaf.SerialNumber.Sign() <= 0 {
		t.Errorf("%+v", leaf)
	}
	again, err := MakeCA(ca.key, testRandom(1), Subject{CommonName: "Marrowby Test CA", Organization: "Marrowby Test Kitchen", Country: "GB"}, born, dead)
	if err != nil || !bytes.Equal(again, ca.chain[0]) {
		t.Errorf("the same inputs gave another certificate, %v", err)
	}
	if got := Fingerprint(ca.chain[0]); got != frozenCA || len(got) != 95 {
		t.Errorf("fingerprint %s", got)
	}
	small := publicOnly{Signer: id.key, bits: 3071}
	subject := Subject{CommonName: "x"}
	makeCA := func(key crypto.Signer, random io.Reader, s Subject, from, to time.Time) error {
		_, err := MakeCA(key, random, s, from, to)
		return err
	}
	makeSeal := func(caKey crypto.Signer, caDER []byte, public crypto.PublicKey, from, to time.Time) error {
		_, err := MakeSealCertificate(caKey, caDER, public, testRandom(3), subject, from, to)
		return err
	}
	for title, c := range map[string]struct{ err, want error }{
		"CA, short key":       {makeCA(small, testRandom(3), subject, born, dead), ErrCertificate},
		"CA, no name":         {makeCA(ca.key, testRandom(3), Subject{}, born, dead), ErrOptions},
		"CA, odd country":     {makeCA(ca.key, testRandom(3), Subject{CommonName: "x", Country: "GBR"}, born, dead), ErrOptions},
		"CA, backwards":       {makeCA(ca.key, testRandom(3), subject, dead, born), ErrOptions},
		"CA, no random":       {makeCA(ca.key, bytes.NewReader(nil), subject, born, dead), io.EOF},
		"seal, short key":     {makeSeal(ca.key, ca.chain[0], small.Public(), born, dead), ErrCertificate},
		"seal, outlives CA":   {makeSeal(ca.key, ca.chain[0], id.key.Public(), born, dead.Add(time.Hour)), ErrOptions},
		"seal, before CA":     {makeSeal(ca.key, ca.chain[0], id.key.Public(), born.Add(-time.Hour), dead), ErrOptions},
		"seal, other CA key":  {makeSeal(id.key, ca.chain[0], id.key.Public(), born, dead), ErrCertificate},
		"seal, leaf as CA":    {makeSeal(id.key, id.chain[0], id.key.Public(), born, dead), ErrCertificate},
		"seal, CA unreadable": {makeSeal(ca.key, []byte("x"), id.key.Public(), born, dead), ErrCertificate},
	} {
		if !errors.Is(c.err, c.want) {
			t.Errorf("%s: %v", title, c.err)
		}
	}
}

// TestAttributesAreSorted: DER wants a SET OF in the order of its bytes (X.690, 11.6).
func TestAttributesAreSorted(t *testing.T) {
	_, cms := readCMS(t, sealed(t))
	if cms.attributes[1] > cms.attributes[2+int(cms.attributes[1])+1] { // lengths below 128 lead here
		t.Error("the first attribute is longer than the second")
	}
	if !cms.canonical || !cms.bindsChain() {
		t.Error("Sign writes what Verify would not")
	}
}

// The fingerprints of the test certificates, as openssl prints them.
const (
	frozenCA   = "cd:95:a8:1e:17:68:ae:9c:6b:0d:b5:b5:c5:4c:0c:09:7f:b2:ce:90:57:2a:b9:c7:5e:6f:b5:4f:c8:87:6f:86"
	frozenSeal = "e9:4c:47:41:69:8b:3f:1c:d0:2c:14:c7:98:49:92:7f:46:49:63:62:fa:58:39:70:b0:81:b5:11:3b:29:12:34"
)
