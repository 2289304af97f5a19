package seal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"strings"
	"testing"
)

var everyByte = flag.Bool("every-byte", false, "flip every single byte in TestFlippedBytes, which takes a minute or two")

// contentsOf finds the value of the n-th /Contents of a signature, with its brackets.
func contentsOf(t testing.TB, pdf []byte, n int) place {
	t.Helper()
	at := 0
	for range n + 1 {
		i := bytes.Index(pdf[at:], []byte("/ByteRange ["))
		if i < 0 {
			t.Fatal("no /ByteRange")
		}
		at += i + len("/ByteRange ")
	}
	start := at + bytes.IndexByte(pdf[at:], '<')
	return place{rangeAt: at, start: start, behind: start + bytes.IndexByte(pdf[start:], '>') + 1}
}

func testKey(t testing.TB, id identity) signingKey {
	t.Helper()
	key, err := newSigningKey(Options{Signer: id.key, Chain: id.chain, SignedAt: signedAt})
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// resign changes a file with one signature and signs the result as the owner of
// the key would, over everything outside the value: for faults that a broken
// digest would hide.
func resign(t testing.TB, pdf []byte, id identity, change func([]byte) []byte) []byte {
	t.Helper()
	out := change(bytes.Clone(pdf))
	p := contentsOf(t, out, 0)
	for i := p.start + 1; i < p.behind-1; i++ {
		out[i] = '0'
	}
	if err := p.sign(out, testKey(t, id)); err != nil {
		t.Fatal(err)
	}
	return out
}

// withCMS replaces the signature structure by another one, with zeros behind.
func withCMS(t testing.TB, pdf []byte, der []byte) []byte {
	t.Helper()
	out := bytes.Clone(pdf)
	p := contentsOf(t, out, 0)
	spelled := hex.EncodeToString(der)
	room := p.behind - p.start - 2
	if len(spelled) > room {
		t.Fatal("no room")
	}
	copy(out[p.start+1:], spelled+strings.Repeat("0", room-len(spelled)))
	return out
}

// readCMS gives the structure of the first signature.
func readCMS(t testing.TB, pdf []byte) (der []byte, cms parsedCMS) {
	t.Helper()
	p := contentsOf(t, pdf, 0)
	v := verifier{pdf: pdf}
	der, ok := v.checkContents("", dict{{key: "Contents", value: text{}, start: p.start, end: p.behind}})
	if !ok {
		t.Fatal(v.report.Findings)
	}
	cms, err := parseCMS(der)
	if err != nil {
		t.Fatal(err)
	}
	return der, cms
}

// swap replaces text of the same length, which must be there exactly once.
func swap(t testing.TB, pdf []byte, old, new string) []byte {
	t.Helper()
	if len(old) != len(new) || bytes.Count(pdf, []byte(old)) != 1 {
		t.Fatalf("%q stands %d times", old, bytes.Count(pdf, []byte(old)))
	}
	return bytes.Replace(pdf, []byte(old), []byte(new), 1)
}

// ranged sets the four numbers of the first signature, padded to the same width.
func ranged(t testing.TB, pdf []byte, edit func(r *[4]int, p place)) []byte {
	t.Helper()
	out := bytes.Clone(pdf)
	p := contentsOf(t, out, 0)
	r := [4]int{0, p.start, p.behind, len(out) - p.behind}
	edit(&r, p)
	spelled := fmt.Sprintf("[%d %d %d %d]", r[0], r[1], r[2], r[3])
	copy(out[p.rangeAt:p.rangeAt+rangeWidth], spelled+strings.Repeat(" ", rangeWidth-len(spelled)))
	return out
}

// signRanges signs what /ByteRange says, whatever that is.
func signRanges(t testing.TB, pdf []byte, id identity, edit func(r *[4]int, p place)) []byte {
	t.Helper()
	var r [4]int
	out := ranged(t, pdf, func(x *[4]int, p place) { edit(x, p); r = *x })
	h := sha256.New()
	h.Write(out[r[0] : r[0]+r[1]])
	h.Write(out[r[2] : r[2]+r[3]])
	der, err := testKey(t, id).signCMS(h.Sum(nil))
	if err != nil {
		t.Fatal(err)
	}
	return withCMS(t, out, der)
}

func checkTampered(t *testing.T, pdf []byte, trust Trust, kinds ...Kind) {
	t.Helper()
	r := Verify(pdf, trust)
	if r.Verdict != Tampered {
		t.Errorf("%s, %v", r.Verdict, r.Findings)
	}
	for _, kind := range kinds {
		if !r.Has(kind) {
			t.Errorf("no finding %q in %v", kind, r.Findings)
		}
	}
}

// TestFlippedBytes: one changed byte anywhere is found, in the pages, the
// signature value, its padding, the tables, the end.
func TestFlippedBytes(t *testing.T) {
	one, two := sealed(t), countersigned(t)
	step, edge := 97, 16
	if *everyByte {
		step = 1
	}
	for name, pdf := range map[string][]byte{"sealed": one, "counter-signed": two} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			trust, work := ourTrust(t), bytes.Clone(pdf)
			if r := Verify(work, trust); r.Verdict != Sound {
				t.Fatalf("before any flip: %s, %v", r.Verdict, r.Findings)
			}
			p := contentsOf(t, pdf, 0)
			for i := range work {
				near := func(at int) bool { return i >= at-edge && i < at+edge }
				if i%step != 0 && !near(0) && !near(p.start) && !near(p.behind) && !near(len(work)) {
					continue
				}
				for _, mask := range []byte{0x01, 0x20} { // 0x20 also turns small letters into capitals
					work[i] ^= mask
					r := Verify(work, trust)
					work[i] ^= mask
					if r.Verdict != Tampered {
						t.Errorf("byte %d (%q) with %#02x: %s", i, work[i], mask, r.Verdict)
					}
					// Under the digest, outside the range's own numbers.
					if i < p.rangeAt && !r.Has(FlippedByte) && !r.Has(BadStructure) {
						t.Errorf("byte %d (%q): %v", i, work[i], r.Findings)
					}
				}
			}
		})
	}
	// In the middle of page text nothing but the digest can tell.
	page := sealed(t)
	page[bytes.Index(page, []byte("stream\n"))+20] ^= 1
	r := Verify(page, ourTrust(t))
	if len(r.Findings) != 1 || r.Findings[0].Kind != FlippedByte || r.Signatures[0].DigestOK || !r.Signatures[0].SignatureOK {
		t.Errorf("a flip in the page: %v, %+v", r.Findings, r.Signatures[0])
	}
}

func TestAppendedBytes(t *testing.T) {
	for name, tail := range map[string]string{
		"a line feed": "\n", "a blank": " ", "a comment": "% seen\n", "a zero": "\x00",
		"an end mark": "%%EOF\n", "a table and an end": "startxref\n12\n%%EOF\n",
	} {
		for _, pdf := range [][]byte{sealed(t), countersigned(t)} {
			checkTampered(t, append(pdf, tail...), ourTrust(t), AppendedBytes)
		}
		// Bytes behind a document that was never sealed are no evidence of anything.
		if r := Verify(append(plain(t, false), tail...), Trust{}); r.Verdict != NotSigned {
			t.Errorf("%s behind an unsealed document: %s", name, r.Verdict)
		}
	}
	if r := Verify(append(plain(t, false), "/ByteRange"...), Trust{}); r.Verdict != Tampered {
		t.Errorf("half a signature behind an unsealed document: %s", r.Verdict)
	}
}

func TestRanges(t *testing.T) {
	id := identities()["seal"]
	for name, c := range map[string]struct {
		edit  func(r *[4]int, p place)
		kinds []Kind
	}{
		"short at the end":        {func(r *[4]int, _ place) { r[3] -= 30 }, []Kind{ShrunkRange}},
		"short by one":            {func(r *[4]int, _ place) { r[3]-- }, []Kind{ShrunkRange}},
		"late at the beginning":   {func(r *[4]int, _ place) { r[0], r[1] = 9, r[1]-9 }, []Kind{ShrunkRange}},
		"nothing behind":          {func(r *[4]int, _ place) { r[3] = 0 }, []Kind{ShrunkRange}},
		"gap too wide before":     {func(r *[4]int, _ place) { r[1] -= 11 }, []Kind{GapMismatch}},
		"gap too wide behind":     {func(r *[4]int, _ place) { r[2]++; r[3]-- }, []Kind{GapMismatch}},
		"brackets under digest":   {func(r *[4]int, _ place) { r[1]++; r[2]--; r[3]++ }, []Kind{GapMismatch}},
		"padding under digest":    {func(r *[4]int, _ place) { r[2] -= 100; r[3] += 100 }, []Kind{GapMismatch}},
		"gap in front of Content": {func(r *[4]int, p place) { r[1], r[2], r[3] = p.start-20, p.start-10, r[3]+p.behind-p.start+10 }, []Kind{GapMismatch}},
	} {
		t.Run(name, func(t *testing.T) {
			// Signed as it stands: only the range itself is wrong.
			pdf := signRanges(t, sealed(t), id, c.edit)
			checkTampered(t, pdf, ourTrust(t), c.kinds...)
			// And as a forger without the key has to leave it.
			checkTampered(t, ranged(t, sealed(t), c.edit), ourTrust(t), append(c.kinds, FlippedByte)...)
		})
	}
	for name, c := range map[string]struct {
		edit func(r *[4]int, p place)
		kind Kind
	}{
		"overlapping":      {func(r *[4]int, _ place) { r[2] = r[1] - 1 }, OverlappingRange},
		"backwards":        {func(r *[4]int, _ place) { r[2] = 0 }, OverlappingRange},
		"beyond the file":  {func(r *[4]int, _ place) { r[3]++ }, BadStructure},
		"far beyond":       {func(r *[4]int, _ place) { r[3] = 9_999_999_999 }, BadStructure},
		"negative":         {func(r *[4]int, _ place) { r[0] = -1 }, BadStructure},
		"into revision 4":  {func(r *[4]int, p place) { r[3] = len(sealed(t)) + 10 - p.behind }, BadStructure},
		"short of rev. 3":  {func(r *[4]int, p place) { r[3] = len(sealed(t)) - 1 - p.behind }, ShrunkRange},
		"all of revison 4": {func(*[4]int, place) {}, BadStructure},
	} {
		t.Run(name, func(t *testing.T) { checkTampered(t, ranged(t, countersigned(t), c.edit), ourTrust(t), c.kind) })
	}
}

func TestSignatureValue(t *testing.T) {
	id, pdf := identities()["seal"], sealed(t)
	p := contentsOf(t, pdf, 0)
	der, cms := readCMS(t, pdf)
	behind := p.start + 1 + 2*len(der)
	edit := func(change func(out []byte)) []byte {
		out := bytes.Clone(pdf)
		change(out)
		return out
	}
	letter := p.start + 1 + bytes.IndexAny(pdf[p.start+1:p.behind], "abcdef")
	other := identities()["counter"]
	_, otherCMS := readCMS(t, mustSign(t, plain(t, false), sealOptions(other)))
	encode := func(change func(c *parsedCMS)) []byte {
		c := cms
		change(&c)
		out, err := encodeCMS(c.chain, c.attributes, c.signature)
		if err != nil {
			t.Fatal(err)
		}
		return withCMS(t, pdf, out)
	}
	for name, c := range map[string]struct {
		pdf  []byte
		kind Kind
	}{
		"one digit behind the structure":   {edit(func(b []byte) { b[behind+1] = '1' }), NonZeroPadding},
		"last digit of the padding":        {edit(func(b []byte) { b[p.behind-2] = '1' }), NonZeroPadding},
		"a second structure behind":        {edit(func(b []byte) { copy(b[behind:], hex.EncodeToString([]byte{0x30, 3, 2, 1, 5})) }), NonZeroPadding},
		"one capital":                      {edit(func(b []byte) { b[letter] -= 0x20 }), UpperCaseHex},
		"all capitals":                     {edit(func(b []byte) { copy(b[p.start:], bytes.ToUpper(b[p.start:p.behind])) }), UpperCaseHex},
		"blanks in the padding":            {edit(func(b []byte) { b[p.behind-3], b[p.behind-2] = ' ', '\n' }), UpperCaseHex},
		"odd number of digits":             {edit(func(b []byte) { b[p.behind-2] = '>' }), BadStructure},
		"all zeros":                        {withCMS(t, pdf, nil), BadStructure},
		"no signature structure":           {withCMS(t, pdf, []byte{0x30, 3, 2, 1, 5}), BadStructure},
		"length spelled longer":            {withCMS(t, pdf, append([]byte{0x30, 0x83, 0x00}, der[2:]...)), BadStructure},
		"last byte of the signature":       {edit(func(b []byte) { b[behind-1] ^= 1 }), BadSignature},
		"signature of another key":         {encode(func(c *parsedCMS) { c.signature = otherCMS.signature }), BadSignature},
		"attributes of another file":       {encode(func(c *parsedCMS) { c.attributes, c.signature = otherCMS.attributes, otherCMS.signature }), BadCertificate},
		"CA certificate dropped":           {encode(func(c *parsedCMS) { c.chain = c.chain[:1] }), BadCertificate},
		"certificate swapped":              {encode(func(c *parsedCMS) { c.chain = otherCMS.chain }), BadCertificate},
		"signed by a CA itself":            {encode(func(c *parsedCMS) { c.chain = c.chain[1:] }), BadCertificate},
		"a stranger with the same names":   {strange(t), ForeignCertificate},
		"a stranger's counter-signature":   {mustCounterSign(t, pdf, counterOptions(identities()["stranger"])), ForeignCertificate},
		"our certificate, a stranger's CA": {strangersChain(t), BadCertificate},
	} {
		t.Run(name, func(t *testing.T) { checkTampered(t, c.pdf, ourTrust(t), c.kind) })
	}
	// The same stranger without an anchor is merely unknown: that is why one is needed.
	if r := Verify(strange(t), Trust{}); r.Verdict != UnknownSigner || len(r.Findings) > 0 {
		t.Errorf("a stranger without anchor: %s, %v", r.Verdict, r.Findings)
	}
	// resign and withCMS themselves do no harm.
	if got := resign(t, pdf, id, func(b []byte) []byte { return b }); !bytes.Equal(got, pdf) {
		t.Error("signing again gave another file")
	}
	if got := withCMS(t, pdf, der); !bytes.Equal(got, pdf) {
		t.Error("writing the structure again gave another file")
	}
}

// strangersChain is a seal by a stranger who carries our CA's certificate, which
// anyone can copy, in place of his own.
func strangersChain(t testing.TB) []byte {
	id := identities()["stranger"]
	pdf := strange(t)
	key := testKey(t, id)
	key.chain[1] = testKey(t, identities()["seal"]).chain[1]
	p := contentsOf(t, pdf, 0)
	for i := p.start + 1; i < p.behind-1; i++ {
		pdf[i] = '0'
	}
	if err := p.sign(pdf, key); err != nil {
		t.Fatal(err)
	}
	return pdf
}

// TestDictionary: faults of the signature dictionary, each under a good signature.
func TestDictionary(t *testing.T) {
	pdf := sealed(t)
	for name, c := range map[string]struct {
		old, new string
		kind     Kind
	}{
		"older sub-filter":        {"/ETSI.CAdES.detached", "/adbe.pkcs7.detached", WrongSubFilter},
		"timestamp sub-filter":    {"/ETSI.CAdES.detached", "/ETSI.RFC3161" + "       ", WrongSubFilter},
		"other handler":           {"/Adobe.PPKLite", "/Adobe.PPKMore", BadStructure},
		"no time":                 {"/M (D:", "/X (D:", BadStructure},
		"no such time":            {"/M (D:20261125183005Z", "/M (D:20261325183005Z", BadStructure},
		"time without zone":       {"/M (D:20261125183005Z", "/M (D:20261125183005 ", BadStructure},
		"certificate beside":      {"/Location (Marrowby)", "/Cert     (Marrowby)", BadStructure},
		"a key that stands twice": {"/Location (Marrowby)", "/Name     (Marrowby)", BadStructure},
		"signature of no type":    {"/Type /Sig ", "/Type /Sag ", BadStructure},
	} {
		t.Run(name, func(t *testing.T) {
			forged := resign(t, pdf, identities()["seal"], func(b []byte) []byte { return swap(t, b, c.old, c.new) })
			checkTampered(t, forged, ourTrust(t), c.kind)
		})
	}
	for name, c := range map[string][2]string{
		"no ByteRange":         {"/ByteRange [", "/BiteRange ["},
		"ByteRange of three":   {"/ByteRange [0 ", "/ByteRange [  "},
		"ByteRange no array":   {"/ByteRange [0 ", "/ByteRange  0 "},
		"no Contents":          {"/Contents <30", "/Cantents <30"},
		"field lost its value": {"/V 21 0 R", "/W 21 0 R"},
		"value lost":           {"/V 21 0 R", "/V 91 0 R"},
		"value is no object":   {"/V 21 0 R", "/V (none)"},
		"field is no field":    {"/FT /Sig /T (Seal)", "/FT /Tx  /T (Seal)"},
	} {
		t.Run(name, func(t *testing.T) {
			at := bytes.LastIndex(pdf, []byte(c[0]))
			if at < 0 || len(c[0]) != len(c[1]) {
				t.Fatalf("%q is not there", c[0])
			}
			forged := bytes.Clone(pdf)
			copy(forged[at:], c[1])
			checkTampered(t, forged, ourTrust(t), BadStructure)
		})
	}
}
