package seal

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
)

const (
	subFilter = name("ETSI.CAdES.detached")
	sigFilter = name("Adobe.PPKLite")

	// contentsStep is the granularity, in bytes of DER, of the room kept for the signature value.
	contentsStep = 4096
	// rangeWidth is the room for "[0 b c d]" with offsets of ten digits, the most
	// that a classic cross-reference table can hold.
	rangeWidth = len("[0 9999999999 9999999999 9999999999]")
)

// Sign seals a finished PDF: it appends a revision with two empty signature
// fields and the attachments, then one in which the first field is filled. The
// input must have a classic cross-reference table and trailer, no encryption, no
// form and no embedded files of its own. The same input gives the same bytes,
// except that attachments are packed by this version of Go. Errors wrap
// ErrDocument, ErrOptions or ErrCertificate, or come from the signer.
func Sign(pdf []byte, opt Options) ([]byte, error) {
	key, err := checkOptions(opt)
	if err != nil {
		return nil, err
	}
	doc, err := readWhole(pdf)
	if err != nil {
		return nil, err
	}
	formed, err := addForm(doc, opt)
	if err != nil {
		return nil, err
	}
	if doc, err = readWhole(formed); err != nil {
		return nil, err
	}
	field := opt.Seal.Name
	if field == "" {
		field = DefaultSealField
	}
	return fillField(doc, field, opt, key)
}

// CounterSign fills an empty signature field of a sealed file in a further
// revision and touches nothing else, so that the seal stays sound. fieldName is
// usually DefaultCounterField. The file must be intact. Seal, Counter and
// Attachments of opt must be empty. Errors wrap ErrField too.
func CounterSign(pdf []byte, fieldName string, opt Options) ([]byte, error) {
	if opt.Seal != (Field{}) || opt.Counter != (Field{}) || len(opt.Attachments) > 0 {
		return nil, fmt.Errorf("%w: a counter-signature adds no field and no attachment", ErrOptions)
	}
	key, err := checkOptions(opt)
	if err != nil {
		return nil, err
	}
	if err := checkIntact(pdf); err != nil {
		return nil, err
	}
	doc, err := readWhole(pdf)
	if err != nil {
		return nil, err
	}
	return fillField(doc, fieldName, opt, key)
}

func checkOptions(opt Options) (signingKey, error) {
	if strings.TrimSpace(opt.Name) == "" {
		return signingKey{}, fmt.Errorf("%w: no name", ErrOptions)
	}
	if y := opt.SignedAt.UTC().Year(); y < 1950 || y > 9999 {
		return signingKey{}, fmt.Errorf("%w: signed in the year %d", ErrOptions, y)
	}
	return newSigningKey(opt)
}

// readWhole reads a document that ends where its last revision ends.
func readWhole(pdf []byte) (*document, error) {
	doc, err := readDocument(pdf)
	if err != nil {
		return nil, err
	}
	if doc.end != len(pdf) || pdf[len(pdf)-1] != '\n' {
		return nil, fmt.Errorf("%w: it does not end with the line %%%%EOF", ErrDocument)
	}
	return doc, nil
}

// checkIntact tells whether a file carries signatures and nothing is wrong with them.
func checkIntact(pdf []byte) error {
	report := Verify(pdf, Trust{})
	if len(report.Findings) > 0 {
		return fmt.Errorf("%w: it is not intact: %s", ErrDocument, report.Findings[0])
	}
	if report.Verdict != UnknownSigner {
		return fmt.Errorf("%w: it is %s", ErrDocument, report.Verdict)
	}
	return nil
}

// signatureField finds an empty signature field by its name.
func (doc *document) signatureField(fieldName string) (reference, dict, error) {
	form := doc.dictOf(doc.catalog(doc.last()).get("AcroForm"), doc.last())
	for _, item := range doc.arrayOf(form.get("Fields"), doc.last()) {
		ref, ok := item.(reference)
		field := doc.dictOf(item, doc.last())
		if !ok || field.get("FT") != name("Sig") || decodeText(field.get("T")) != fieldName {
			continue
		}
		if field.get("V") != nil {
			return ref, nil, fmt.Errorf("%w: %q is filled already", ErrField, fieldName)
		}
		return ref, field, nil
	}
	return reference{}, nil, fmt.Errorf("%w: there is no %q", ErrField, fieldName)
}

// fillField appends the revision that fills one field, and signs.
func fillField(doc *document, fieldName string, opt Options, key signingKey) ([]byte, error) {
	ref, field, err := doc.signatureField(fieldName)
	if err != nil {
		return nil, err
	}
	w := newWriter(doc)
	look, err := doc.filledLook(field, opt)
	if err != nil {
		return nil, err
	}
	lookRef := w.add(look)
	sigRef := w.allocate()
	w.put(ref, field.with("V", sigRef).with("AP", newDict(name("N"), lookRef)))
	size, err := key.sizeCMS()
	if err != nil {
		return nil, err
	}
	room := (size + contentsStep - 1) / contentsStep * contentsStep
	place := w.putSignature(sigRef, opt, room)
	out, err := w.finish()
	if err != nil {
		return nil, err
	}
	place.setRange(out, len(out))
	if err := place.sign(out, key); err != nil {
		return nil, err
	}
	// A signer that returns something else than a fitting signature shows here
	// and not at the inspector's.
	if err := checkIntact(out); err != nil {
		return nil, fmt.Errorf("seal: the file just sealed does not verify: %w", err)
	}
	return out, nil
}

// filledLook draws a field that has been signed.
func (doc *document) filledLook(field dict, opt Options) (stream, error) {
	look, ok := doc.resolve(doc.dictOf(field.get("AP"), doc.last()).get("N"), doc.last()).(stream)
	if !ok {
		return stream{}, fmt.Errorf("%w: it has no appearance", ErrField)
	}
	box, ok := page{mediaBox: doc.arrayOf(look.dict.get("BBox"), doc.last())}.size()
	if !ok {
		return stream{}, fmt.Errorf("%w: it has no size", ErrField)
	}
	pages, err := doc.pages()
	if err != nil {
		return stream{}, err
	}
	var fonts []font
	for _, p := range pages {
		if p.ref == field.get("P") {
			fonts = doc.pageFonts(p)
		}
	}
	form := doc.dictOf(doc.catalog(doc.last()).get("AcroForm"), doc.last())
	defaults := doc.dictOf(doc.dictOf(form.get("DR"), doc.last()).get("Font"), doc.last())
	if standard, ok := defaults.get(helveticaKey).(reference); ok {
		fonts = append(fonts, font{key: helveticaKey, ref: standard, encode: encodeWinAnsi})
	}
	lines := opt.Lines
	if len(lines) == 0 {
		lines = []string{decodeText(field.get("TU")), opt.Name, opt.SignedAt.UTC().Format(time.DateTime) + " UTC"}
	}
	return draw(box[2], box[3], lines, fonts, true)
}

// place is where the parts of a signature stand that are filled in last.
type place struct {
	rangeAt       int // of the [ of /ByteRange
	start, behind int // of the < of /Contents, and behind its >
}

// putSignature writes the signature dictionary with its range and value still
// blank. It is written by hand because their places must be known.
func (w *writer) putSignature(ref reference, opt Options, room int) place {
	w.begin(ref)
	d := newDict(name("Type"), name("Sig"), name("Filter"), sigFilter, name("SubFilter"), subFilter,
		name("Name"), textString(opt.Name))
	for _, optional := range []struct {
		key  name
		text string
	}{{"Location", opt.Location}, {"Reason", opt.Reason}, {"ContactInfo", opt.ContactInfo}} {
		if optional.text != "" {
			d = d.with(optional.key, textString(optional.text))
		}
	}
	d = d.with("M", dateText(opt.SignedAt))
	w.buf.Write([]byte(strings.TrimSuffix(string(serialise(d)), ">>")))
	var p place
	w.buf.WriteString("/ByteRange ")
	p.rangeAt = w.doc.end + w.buf.Len()
	w.buf.WriteString(strings.Repeat(" ", rangeWidth) + " /Contents ")
	p.start = w.doc.end + w.buf.Len()
	w.buf.WriteString("<" + strings.Repeat("0", 2*room) + ">")
	p.behind = w.doc.end + w.buf.Len()
	w.buf.WriteString(" >>\nendobj\n")
	return p
}

// setRange writes the range that leaves out exactly the value, up to an end.
func (p place) setRange(pdf []byte, end int) {
	spelled := fmt.Sprintf("[0 %d %d %d]", p.start, p.behind, end-p.behind)
	copy(pdf[p.rangeAt:p.rangeAt+rangeWidth], spelled+strings.Repeat(" ", rangeWidth))
}

// sign puts the signature over everything outside the value into the value.
func (p place) sign(pdf []byte, key signingKey) error {
	h := sha256.New()
	h.Write(pdf[:p.start])
	h.Write(pdf[p.behind:])
	der, err := key.signCMS(h.Sum(nil))
	if err != nil {
		return err
	}
	if hex.EncodedLen(len(der)) > p.behind-p.start-2 {
		return fmt.Errorf("seal: a signature of %d bytes does not fit", len(der))
	}
	hex.Encode(pdf[p.start+1:p.behind-1], der)
	return nil
}
