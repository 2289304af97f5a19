package seal

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/asn1"
	"encoding/hex"
	"slices"
	"time"
)

// maxSignatures bounds how many signatures of a file are looked at.
const maxSignatures = 16

// candidate is a signature dictionary found in a file.
type candidate struct {
	field    string    // name of the field that leads to it; empty when none does
	fieldRef reference // of that field
	object   object
	revision int // index of the revision that it stands in; -1 when the structure cannot be read
}

// verifier works on one file.
type verifier struct {
	pdf    []byte
	trust  Trust
	report Report
	traces bool // something of a signature is there
}

// Verify checks every signature of a file against the file itself and against
// the anchors of trust; when there are anchors, every signer must lead to one of
// them. It never fails: what cannot be read is a finding. Any input is safe, and
// the work is bounded by its size.
func Verify(pdf []byte, trust Trust) Report {
	v := verifier{pdf: pdf, trust: trust}
	doc, err := readDocument(pdf)
	if err != nil {
		v.report.add(BadStructure, "", "%v", err)
		v.checkRaw(0)
	} else {
		v.checkDocument(doc)
	}
	v.report.Verdict = v.verdict()
	return v.report
}

func (v *verifier) verdict() Verdict {
	signatures := v.report.Signatures
	if len(signatures) == 0 {
		if v.traces {
			return Tampered
		}
		return NotSigned
	}
	for _, f := range v.report.Findings {
		if f.Kind != OutsideValidity {
			return Tampered
		}
	}
	for _, s := range signatures {
		if !s.Trusted {
			return UnknownSigner
		}
	}
	return Sound
}

// checkDocument checks a file whose structure can be read.
func (v *verifier) checkDocument(doc *document) {
	found := v.fieldSignatures(doc)
	reached := map[int]bool{}
	for _, c := range found {
		if reached[c.object.offset] {
			v.report.add(BadStructure, c.field, "two fields share one signature")
		}
		reached[c.object.offset] = true
	}
	for i, rev := range doc.revisions {
		for _, num := range sortedKeys(rev.objects) {
			o := rev.objects[num]
			if d, ok := o.value.(dict); ok && !reached[o.offset] && looksSigned(d) {
				v.report.add(BadStructure, "", "object %d is a signature that no field leads to", num)
				found = append(found, candidate{object: o, revision: i})
			}
		}
	}
	slices.SortStableFunc(found, func(a, b candidate) int { return cmp.Compare(a.object.offset, b.object.offset) })
	if len(found) > maxSignatures {
		v.report.add(BadStructure, "", "more than %d signatures", maxSignatures)
		found = found[:maxSignatures]
	}
	for _, c := range found {
		v.checkSignature(c, doc.revisions[c.revision].end)
	}
	v.checkLater(doc, found)
	if doc.end < len(v.pdf) {
		v.checkRaw(doc.end)
		if v.traces {
			v.report.add(AppendedBytes, "", "%d bytes follow the end of the document", len(v.pdf)-doc.end)
		}
	}
}

// looksSigned tells whether a dictionary is a signature, whole or damaged.
func looksSigned(d dict) bool {
	_, ranged := d.find("ByteRange")
	return ranged || d.get("Type") == name("Sig") || d.get("SubFilter") == subFilter
}

// fieldSignatures follows the form's fields to their signatures.
func (v *verifier) fieldSignatures(doc *document) []candidate {
	var found []candidate
	form := doc.dictOf(doc.catalog(doc.last()).get("AcroForm"), doc.last())
	for _, item := range doc.arrayOf(form.get("Fields"), doc.last()) {
		fieldRef, _ := item.(reference)
		field := doc.dictOf(item, doc.last())
		if field.get("FT") != name("Sig") {
			continue
		}
		fieldName := decodeText(field.get("T"))
		value := field.get("V")
		if value == nil {
			v.report.EmptyFields = append(v.report.EmptyFields, fieldName)
			continue
		}
		v.traces = true
		ref, ok := value.(reference)
		if !ok {
			v.report.add(BadStructure, fieldName, "the signature is not an object of its own")
			continue
		}
		o, revision, ok := doc.find(ref, doc.last())
		if _, isDict := o.value.(dict); !ok || !isDict {
			v.report.add(BadStructure, fieldName, "the signature is missing")
			continue
		}
		found = append(found, candidate{field: fieldName, fieldRef: fieldRef, object: o, revision: revision})
	}
	return found
}

// checkRaw looks for signatures from an offset on, in bytes whose structure
// cannot be read. Whatever it finds is tampered with; the point is to say how.
func (v *verifier) checkRaw(from int) {
	marks := [][]byte{[]byte("/ByteRange"), []byte(subFilter)}
	for _, mark := range marks {
		v.traces = v.traces || bytes.Contains(v.pdf[from:], mark)
	}
	for range maxSignatures {
		at := bytes.Index(v.pdf[from:], marks[0])
		if at < 0 {
			return
		}
		at += from
		from = at + len(marks[0])
		// The object begins with "N G obj" not far before.
		window := max(0, at-4096)
		opened := bytes.LastIndex(v.pdf[window:at], []byte(" obj"))
		if opened < 0 {
			continue
		}
		start := window + opened
		for start > 0 && (isDigit(v.pdf[start-1]) || v.pdf[start-1] == ' ') {
			start--
		}
		p := parser{src: v.pdf, pos: start}
		ref, value, err := p.indirect(nil)
		if d, ok := value.(dict); ok && err == nil && looksSigned(d) {
			v.report.add(BadStructure, "", "object %d is a signature outside what can be read", ref.num)
			v.checkSignature(candidate{object: object{ref: ref, value: d, offset: start}, revision: -1}, len(v.pdf))
		}
	}
}

// checkSignature checks one signature. end is where its revision ends.
func (v *verifier) checkSignature(c candidate, end int) {
	v.traces = true
	d, _ := c.object.value.(dict)
	sig := Signature{
		Field: c.field, Name: decodeText(d.get("Name")), Location: decodeText(d.get("Location")),
		Reason: decodeText(d.get("Reason")), ContactInfo: decodeText(d.get("ContactInfo")),
	}
	filter, _ := d.get("SubFilter").(name)
	sig.SubFilter = string(filter)
	if filter != subFilter {
		v.report.add(WrongSubFilter, c.field, "%q instead of %q", string(filter), string(subFilter))
	}
	if d.get("Type") != name("Sig") || d.get("Filter") != sigFilter || d.get("Cert") != nil {
		v.report.add(BadStructure, c.field, "the signature dictionary is not as Sign writes it")
	}
	at, dated := parseDate(d.get("M"))
	if sig.SignedAt = at; !dated {
		v.report.add(BadStructure, c.field, "no claimed time")
	}
	digest, digested := v.checkRange(&sig, d, end, c.revision)
	if der, ok := v.checkContents(c.field, d); ok {
		v.checkCMS(&sig, der, digest, digested, dated)
	}
	v.report.Signatures = append(v.report.Signatures, sig)
}

// checkRange reads /ByteRange, compares it with where the value really stands
// and gives the digest over it.
func (v *verifier) checkRange(sig *Signature, d dict, end, revision int) (digest []byte, ok bool) {
	field := sig.Field
	spans, _ := d.get("ByteRange").(array)
	var r [4]int
	for i := range r {
		if len(spans) == len(r) {
			r[i], ok = integer(spans[i])
		}
		if !ok || r[i] < 0 {
			v.report.add(BadStructure, field, "/ByteRange is not four numbers")
			return nil, false
		}
		sig.ByteRange[i] = int64(r[i])
	}
	firstEnd, secondEnd := r[0]+r[1], r[2]+r[3]
	if r[2] < firstEnd {
		v.report.add(OverlappingRange, field, "the second part begins at %d, the first ends at %d", r[2], firstEnd)
		return nil, false
	}
	if secondEnd > len(v.pdf) {
		v.report.add(BadStructure, field, "/ByteRange ends at %d, beyond the file's %d bytes", secondEnd, len(v.pdf))
		return nil, false
	}
	value, _ := d.find("Contents")
	exact := firstEnd == value.start && r[2] == value.end
	if !exact {
		v.report.add(GapMismatch, field, "left out is %d to %d, the value stands at %d to %d", firstEnd, r[2], value.start, value.end)
	}
	if r[0] != 0 {
		v.report.add(ShrunkRange, field, "the first %d bytes are not covered", r[0])
	}
	switch {
	case secondEnd < end && revision < 0 && bytes.HasSuffix(v.pdf[:secondEnd], []byte("%%EOF\n")):
		v.report.add(AppendedBytes, field, "%d bytes follow what was signed", end-secondEnd)
	case secondEnd < end:
		v.report.add(ShrunkRange, field, "the last %d bytes of its revision are not covered", end-secondEnd)
	case secondEnd > end:
		v.report.add(BadStructure, field, "/ByteRange ends at %d, inside a later revision", secondEnd)
	}
	sig.CoversRevision = exact && r[0] == 0 && secondEnd == end && revision >= 0
	sig.CoversWholeFile = exact && r[0] == 0 && secondEnd == len(v.pdf)
	h := sha256.New()
	h.Write(v.pdf[r[0]:firstEnd])
	h.Write(v.pdf[r[2]:secondEnd])
	return h.Sum(nil), true
}

// checkContents reads the signature value, which has one spelling only:
// lower-case digits, one DER structure, zeros behind.
func (v *verifier) checkContents(field string, d dict) (der []byte, ok bool) {
	value, _ := d.find("Contents")
	if _, isText := value.value.(text); !isText || v.pdf[value.start] != '<' {
		v.report.add(BadStructure, field, "the signature value is not a hexadecimal string")
		return nil, false
	}
	digits := v.pdf[value.start+1 : value.end-1]
	if bytes.ContainsFunc(digits, func(r rune) bool { return (r < '0' || r > '9') && (r < 'a' || r > 'f') }) {
		v.report.add(UpperCaseHex, field, "the signature value is not spelled in lower-case digits")
	}
	contents, err := hex.DecodeString(string(digits))
	if err != nil {
		v.report.add(BadStructure, field, "the signature value is not pairs of digits")
		return nil, false
	}
	var whole asn1.RawValue
	padding, err := asn1.Unmarshal(contents, &whole)
	if err != nil {
		v.report.add(BadStructure, field, "the signature value is no DER: %v", err)
		return nil, false
	}
	if i := bytes.IndexFunc(padding, func(r rune) bool { return r != 0 }); i >= 0 {
		v.report.add(NonZeroPadding, field, "byte %d behind the signature structure is not zero", i)
	}
	return whole.FullBytes, true
}

// checkCMS checks the signature structure, the certificates and the signer.
func (v *verifier) checkCMS(sig *Signature, der, digest []byte, digested, dated bool) {
	field := sig.Field
	cms, err := parseCMS(der)
	if err != nil {
		v.report.add(BadStructure, field, "signature structure: %v", err)
		return
	}
	leaf := cms.chain[0]
	sig.Certificates = cms.chain
	sig.CommonName, sig.IssuerCommonName = leaf.Subject.CommonName, leaf.Issuer.CommonName
	sig.Fingerprint = Fingerprint(leaf.Raw)
	sig.DigestOK = digested && bytes.Equal(digest, cms.digest)
	if digested && !sig.DigestOK {
		v.report.add(FlippedByte, field, "the digest of the file is not the one that was signed")
	}
	if err := checkChain(cms.chain); err != nil {
		v.report.add(BadCertificate, field, "%v", err)
		return
	}
	if !cms.bindsChain() {
		v.report.add(BadCertificate, field, "the certificates are not those that were signed for")
	} else if !cms.canonical {
		v.report.add(BadStructure, field, "the signature structure is not as Sign writes it")
	}
	if err := cms.verify(); err != nil {
		v.report.add(BadSignature, field, "%v", err)
	} else {
		sig.SignatureOK = true
	}
	if dated {
		v.checkSigner(sig)
	}
}

// checkSigner judges the certificates at the claimed time.
func (v *verifier) checkSigner(sig *Signature) {
	leaf := sig.Certificates[0]
	sig.CertificateExpired = !v.trust.CheckedAt.IsZero() && v.trust.CheckedAt.After(leaf.NotAfter)
	outside := func() {
		v.report.add(OutsideValidity, sig.Field, "claimed time %s, certificate from %s to %s",
			sig.SignedAt.Format(time.RFC3339), leaf.NotBefore.Format(time.RFC3339), leaf.NotAfter.Format(time.RFC3339))
	}
	if v.trust.Empty() {
		for _, cert := range sig.Certificates {
			if !validAt(cert, sig.SignedAt) {
				outside()
				return
			}
		}
		return
	}
	switch anchor, err := v.trust.judge(sig.Certificates, sig.SignedAt); {
	case err == nil:
		// An anchored certificate says nothing unless its key really signed.
		sig.Trusted, sig.Anchor = sig.SignatureOK, Fingerprint(anchor.Raw)
	case err == errOutside:
		outside()
	default:
		v.report.add(ForeignCertificate, sig.Field, "%q leads to no anchor: %v", sig.CommonName, err)
	}
}
