package seal

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
)

// revise appends a revision written by hand.
func revise(t testing.TB, pdf []byte, write func(w *writer, doc *document)) []byte {
	t.Helper()
	doc, err := readWhole(pdf)
	if err != nil {
		t.Fatal(err)
	}
	w := newWriter(doc)
	write(w, doc)
	out, err := w.finish()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// forgeCounter appends a counter-signature by a trusted key, in a revision to
// which change adds, and into whose field and look it may put something else.
func forgeCounter(t testing.TB, pdf []byte, change func(w *writer, doc *document, field, states dict, look stream) (dict, dict, stream)) []byte {
	t.Helper()
	id := identities()["counter"]
	var p place
	out := revise(t, pdf, func(w *writer, doc *document) {
		ref, field, err := doc.signatureField(DefaultCounterField)
		if err != nil {
			t.Fatal(err)
		}
		look, err := doc.filledLook(field, counterOptions(id))
		if err != nil {
			t.Fatal(err)
		}
		lookRef, sigRef := w.allocate(), w.allocate()
		field, states, look := change(w, doc, field.with("V", sigRef), newDict(name("N"), lookRef), look)
		if look.dict != nil {
			w.put(lookRef, look)
		}
		w.put(ref, field.with("AP", states))
		p = w.putSignature(sigRef, counterOptions(id), contentsStep)
	})
	p.setRange(out, len(out))
	if err := p.sign(out, testKey(t, id)); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestForbiddenChange: a counter-signature by a trusted key that does more than
// fill in its field.
func TestForbiddenChange(t *testing.T) {
	type edit = func(w *writer, doc *document, field, states dict, look stream) (dict, dict, stream)
	pageOf := func(doc *document) page {
		pages, err := doc.pages()
		if err != nil {
			t.Fatal(err)
		}
		return pages[0]
	}
	fontRef := func(look stream) reference {
		return look.dict.get("Resources").(dict).get("Font").(dict)[0].value.(reference)
	}
	for title, change := range map[string]edit{
		"another page content": func(w *writer, doc *document, f, ap dict, l stream) (dict, dict, stream) {
			w.put(pageOf(doc).dict.get("Contents").(reference), stream{data: []byte("BT ET")})
			return f, ap, l
		},
		"an annotation on a page": func(w *writer, doc *document, f, ap dict, l stream) (dict, dict, stream) {
			p := pageOf(doc)
			note := w.add(newDict(name("Type"), name("Annot"), name("Subtype"), name("FreeText"), name("Contents"), text("released")))
			w.put(p.ref, p.dict.with("Annots", array{note}))
			return f, ap, l
		},
		"the other field": func(w *writer, doc *document, f, ap dict, l stream) (dict, dict, stream) {
			form := doc.dictOf(doc.catalog(doc.last()).get("AcroForm"), doc.last())
			other := doc.arrayOf(form.get("Fields"), doc.last())[0].(reference)
			w.put(other, doc.dictOf(other, doc.last()).with("TU", text("Reviewed")))
			return f, ap, l
		},
		"the catalog": func(w *writer, doc *document, f, ap dict, l stream) (dict, dict, stream) {
			w.put(doc.revisions[0].trailer.get("Root").(reference), doc.catalog(doc.last()).with("OpenAction", text("x")))
			return f, ap, l
		},
		"an attachment": func(w *writer, doc *document, f, ap dict, l stream) (dict, dict, stream) {
			files, err := Attachments(doc.src)
			if err != nil || len(files) == 0 {
				t.Fatal(err)
			}
			for num, o := range doc.revisions[1].objects {
				if s, ok := o.value.(stream); ok && s.dict.get("Type") == name("EmbeddedFile") {
					w.put(reference{num: num}, stream{dict: s.dict.without("Filter"), data: []byte("{}")})
					break
				}
			}
			return f, ap, l
		},
		"an object nobody needs": func(w *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			w.add(text("hidden"))
			return f, ap, l
		},
		"the field moved": func(_ *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			return f.with("Rect", array{number("0"), number("0"), number("595"), number("842")}), ap, l
		},
		"the field renamed": func(_ *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			return f.with("T", text("Approved")), ap, l
		},
		"a look of another size": func(_ *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			l.dict = l.dict.with("BBox", array{number("0"), number("0"), number("595"), number("842")})
			return f, ap, l
		},
		"a look that is turned": func(_ *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			l.dict = l.dict.with("Matrix", array{number("9"), number("0"), number("0"), number("9"), number("0"), number("0")})
			return f, ap, l
		},
		"a look with a picture": func(w *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			l.dict = l.dict.with("Resources", l.dict.get("Resources").(dict).with("XObject", dict{}))
			return f, ap, l
		},
		"a look with its own font": func(w *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			l.dict = l.dict.with("Resources", newDict(name("Font"), newDict(name("F"), w.add(helvetica()))))
			return f, ap, l
		},
		"the font itself": func(w *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			w.put(fontRef(l), helvetica().with("BaseFont", name("Symbol")))
			return f, ap, l
		},
		"a second look": func(w *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) {
			return f, ap.with("D", w.add(l)), l
		},
		"a look somewhere else": func(w *writer, doc *document, f, ap dict, l stream) (dict, dict, stream) {
			return f, newDict(name("N"), pageOf(doc).dict.get("Contents")), l
		},
	} {
		t.Run(title, func(t *testing.T) {
			r := Verify(forgeCounter(t, sealed(t), change), ourTrust(t))
			if r.Verdict != Tampered || !r.Has(ForbiddenChange) || !r.Has(AppendedBytes) {
				t.Errorf("%s, %v", r.Verdict, r.Findings)
			}
			// Nothing but the difference between the revisions can tell.
			if s := r.Signatures; len(s) != 2 || !s[1].DigestOK || !s[1].SignatureOK || !s[1].Trusted || !s[1].CoversWholeFile {
				t.Errorf("signatures %+v", s)
			}
		})
	}
	// The forger's tool itself does no harm.
	same := func(_ *writer, _ *document, f, ap dict, l stream) (dict, dict, stream) { return f, ap, l }
	if r := Verify(forgeCounter(t, sealed(t), same), ourTrust(t)); r.Verdict != Sound {
		t.Errorf("unchanged: %s, %v", r.Verdict, r.Findings)
	}
	// A field that keeps its old look is filled all the same.
	old := func(_ *writer, _ *document, f, _ dict, _ stream) (dict, dict, stream) {
		return f, f.get("AP").(dict), stream{}
	}
	if r := Verify(forgeCounter(t, sealed(t), old), ourTrust(t)); r.Verdict != Sound {
		t.Errorf("old look: %s, %v", r.Verdict, r.Findings)
	}
}

// TestLaterRevisions: unsigned revisions behind the seal, well-formed in themselves.
func TestLaterRevisions(t *testing.T) {
	fieldOf := func(doc *document, i int) (reference, dict) {
		form := doc.dictOf(doc.catalog(doc.last()).get("AcroForm"), doc.last())
		ref := doc.arrayOf(form.get("Fields"), doc.last())[i].(reference)
		return ref, doc.dictOf(ref, doc.last())
	}
	for title, c := range map[string]struct {
		write func(w *writer, doc *document)
		kinds []Kind
	}{
		"an empty one": {func(*writer, *document) {}, []Kind{AppendedBytes, ForbiddenChange}},
		"another page": {func(w *writer, doc *document) {
			pages, err := doc.pages()
			if err != nil {
				t.Fatal(err)
			}
			w.put(pages[1].dict.get("Contents").(reference), stream{data: []byte("BT ET")})
		}, []Kind{AppendedBytes, ForbiddenChange}},
		"the seal's value dropped": {func(w *writer, doc *document) {
			ref, field := fieldOf(doc, 0)
			w.put(ref, field.without("V"))
		}, []Kind{BadStructure, ForbiddenChange}},
		"the form dropped": {func(w *writer, doc *document) {
			w.put(doc.revisions[0].trailer.get("Root").(reference), doc.catalog(doc.last()).without("AcroForm"))
		}, []Kind{BadStructure, ForbiddenChange}},
		"the seal written over": {func(w *writer, doc *document) {
			_, field := fieldOf(doc, 0)
			w.put(field.get("V").(reference), newDict(name("Type"), name("Nothing")))
		}, []Kind{BadStructure, ForbiddenChange}},
		"one seal in two fields": {func(w *writer, doc *document) {
			_, first := fieldOf(doc, 0)
			ref, second := fieldOf(doc, 1)
			w.put(ref, second.with("V", first.get("V")))
		}, []Kind{BadStructure, ForbiddenChange}},
		"a field filled with nothing signed": {func(w *writer, doc *document) {
			ref, field := fieldOf(doc, 1)
			w.put(ref, field.with("V", w.add(newDict(name("Type"), name("Sig"), name("Name"), text("A. Invented")))))
		}, []Kind{BadStructure}},
		"a direct signature": {func(w *writer, doc *document) {
			ref, field := fieldOf(doc, 1)
			w.put(ref, field.with("V", newDict(name("Type"), name("Sig"))))
		}, []Kind{BadStructure, ForbiddenChange}},
	} {
		t.Run(title, func(t *testing.T) { checkTampered(t, revise(t, sealed(t), c.write), ourTrust(t), c.kinds...) })
	}
	// A table that passes over the sealed revision.
	pdf := sealed(t)
	doc, err := readWhole(pdf)
	if err != nil {
		t.Fatal(err)
	}
	skipping := bytes.Replace(revise(t, pdf, func(*writer, *document) {}),
		fmt.Appendf(nil, "/Prev %d >>\nstartxref\n%d\n%%%%EOF\n", doc.revisions[2].xrefAt, len(pdf)),
		fmt.Appendf(nil, "/Prev %d >>\nstartxref\n%d\n%%%%EOF\n", doc.revisions[1].xrefAt, len(pdf)), 1)
	if bytes.Equal(skipping, revise(t, pdf, func(*writer, *document) {})) {
		t.Fatal("nothing was changed")
	}
	checkTampered(t, skipping, ourTrust(t), AppendedBytes, BadStructure)
}

// TestContentsSpelling: signature dictionaries whose value is not a plain
// hexadecimal string of their own.
func TestContentsSpelling(t *testing.T) {
	formed, err := func() ([]byte, error) {
		doc, err := readWhole(plain(t, false))
		if err != nil {
			return nil, err
		}
		return addForm(doc, sealOptions(identities()["seal"]))
	}()
	if err != nil {
		t.Fatal(err)
	}
	for title, contents := range map[string]func(w *writer) any{
		"missing":        func(*writer) any { return nil },
		"null":           func(*writer) any { return null{} },
		"empty":          func(*writer) any { return text{} },
		"a number":       func(*writer) any { return number("30") },
		"an array":       func(*writer) any { return array{text("0")} },
		"literal":        func(*writer) any { return text(strings.Repeat("0", 100)) },
		"somewhere else": func(w *writer) any { return w.add(text("\x30\x03\x02\x01\x05")) },
	} {
		t.Run(title, func(t *testing.T) {
			pdf := revise(t, formed, func(w *writer, doc *document) {
				ref, field, err := doc.signatureField(DefaultSealField)
				if err != nil {
					t.Fatal(err)
				}
				d := newDict(name("Type"), name("Sig"), name("Filter"), sigFilter, name("SubFilter"), subFilter,
					name("M"), dateText(signedAt), name("ByteRange"), array{number("0"), number("9"), number("12"), number("100")})
				if value := contents(w); value != nil {
					d = d.with("Contents", value)
				}
				w.put(ref, field.with("V", w.add(d)))
			})
			checkTampered(t, pdf, ourTrust(t), BadStructure)
		})
	}
}
