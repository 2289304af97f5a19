package seal

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
)

// TestParseValues reads objects as ISO 32000-1, 7.3 spells them; the string and
// name examples are those of tables 3 and 4 and of 7.3.4.
func TestParseValues(t *testing.T) {
	for source, want := range map[string]any{
		"true": boolean(true), "false": boolean(false), "null": null{},
		"123": number("123"), "43445": number("43445"), "+17": number("+17"), "-98": number("-98"), "0": number("0"),
		"34.5": number("34.5"), "-3.62": number("-3.62"), "4.": number("4."), "-.002": number("-.002"),
		"12 0 R": reference{12, 0}, "[12 0 13]": array{number("12"), number("0"), number("13")},
		"(This is a string)":                   text("This is a string"),
		"(Strings (balanced) and *!&}^% such)": text("Strings (balanced) and *!&}^% such"),
		"()":                                   text(""),
		"(two \\\nlines)":                      text("two lines"),
		"(two \\\r\nlines)":                    text("two lines"),
		"(one\r\ntwo\rthree)":                  text("one\ntwo\nthree"),
		`(\n\r\t\b\f\(\)\\\x)`:                 text("\n\r\t\b\f()\\x"),
		`(\245\307 \0053 \053 \53)`:            text("\xa5\xc7 \x053 + +"),
		"<4E6F762073686D6F7A206B6120706F702E>": text("Nov shmoz ka pop."),
		"<90 1f\nA>":                           text("\x90\x1f\xa0"),
		"/Name1":                               name("Name1"),
		"/A;Name_With-Various***Characters?":   name("A;Name_With-Various***Characters?"),
		"/Lime#20Green":                        name("Lime Green"),
		"/paired#28#29parentheses":             name("paired()parentheses"),
		"/A#42":                                name("AB"),
		"[549 3.14 false (Ralph) /SomeName]":   array{number("549"), number("3.14"), boolean(false), text("Ralph"), name("SomeName")},
		"% a comment\n<</A 1 /B[/C(d)]>>":      newDict(name("A"), number("1"), name("B"), array{name("C"), text("d")}),
		"[1 0 R 2]":                            array{reference{1, 0}, number("2")},
	} {
		p := parser{src: []byte(source)}
		got, err := p.value(0)
		if err != nil || p.pos != len(source) || !equalValues(got, want) {
			t.Errorf("%q: %s, %v, stopped at %d", source, serialise(got), err, p.pos)
			continue
		}
		// What is written is read again as the same.
		p = parser{src: serialise(want)}
		if again, err := p.value(0); err != nil || !equalValues(again, want) {
			t.Errorf("%q written as %q: %s, %v", source, serialise(want), serialise(again), err)
		}
	}
	for _, source := range []string{"", " ", "(open", "(open\\", "<4E", "<4X>", "<<", "<</A", "<</A 1", "<<1 2>>", "<</A 1/A 2>>", "[1", "/A#4", "/A#XY",
		"nul", "nulls", "-", "1.2.3", "+-1", ">>", "]", "endobj", strings.Repeat("[", maxDepth+2) + strings.Repeat("]", maxDepth+2)} {
		p := parser{src: []byte(source)}
		if got, err := p.value(0); err == nil {
			t.Errorf("%q was read as %s", source, serialise(got))
		}
	}
}

func TestTextStrings(t *testing.T) {
	for _, s := range []string{"", "plain", `with ( and \`, "Kuchyňka", "飴細工", "\u2028 and 𝄞", "tab\t"} {
		p := parser{src: serialise(textString(s))}
		got, err := p.value(0)
		if err != nil || decodeText(got) != s {
			t.Errorf("%q came back as %q, %v", s, decodeText(got), err)
		}
	}
	if got := decodeText(text("caf\xe9")); got != "café" {
		t.Errorf("Latin-1: %q", got)
	}
	if got := decodeText(text("\xef\xbb\xbfcafé")); got != "café" {
		t.Errorf("UTF-8: %q", got)
	}
	if got := decodeText(number("1")); got != "" {
		t.Errorf("a number: %q", got)
	}
}

func TestDates(t *testing.T) {
	if at, ok := parseDate(dateText(signedAt)); !ok || !at.Equal(signedAt) {
		t.Errorf("%s, %t", at, ok)
	}
	if at, ok := parseDate(text("D:20261125193005+01'00'")); !ok || !at.Equal(signedAt) {
		t.Errorf("%s, %t", at, ok)
	}
	for _, bad := range []any{nil, number("2026"), text(""), text("D:2026"), text("D:20261125183005"), text("D:00010101000000Z"), text("D:20261325183005Z")} {
		if at, ok := parseDate(bad); ok {
			t.Errorf("%v was read as %s", bad, at)
		}
	}
}

// assemble makes a one-revision document out of objects 1, 2, 3 ...; the first
// is the catalog.
func assemble(objects ...string) []byte {
	var b bytes.Buffer
	b.WriteString("%PDF-1.4\n")
	var offsets []int
	for i, o := range objects {
		offsets = append(offsets, b.Len())
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", i+1, o)
	}
	at := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(objects)+1)
	for _, offset := range offsets {
		fmt.Fprintf(&b, "%010d 00000 n \n", offset)
	}
	fmt.Fprintf(&b, "trailer\n<</Size %d/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF\n", len(objects)+1, at)
	return b.Bytes()
}

// TestForeignLayouts: attachments of other programs, with an indirect length, a
// name tree of two levels, plain and Flate streams, and what is refused.
func TestForeignLayouts(t *testing.T) {
	packed := compress(newDict(), []byte("packed"))
	flate := func(more string) string {
		return fmt.Sprintf("<</Filter/FlateDecode/Length %d%s>>\nstream\n%s\nendstream", len(packed.data), more, packed.data)
	}
	tree := []string{
		"<</Type/Catalog/Names 2 0 R>>", "<</EmbeddedFiles<</Kids[3 0 R 4 0 R]>>>>",
		"<</Names[(a)<</F(a)/EF<</F 5 0 R>>>>]>>", "<</Names[(b)<</UF(b)/EF<</F 6 0 R>>>>]>>",
		"<</Length 7 0 R>>\nstream\nplain\nendstream", flate(""), "5",
	}
	got, err := Attachments(assemble(tree...))
	if err != nil || len(got) != 2 || got[0].Name != "a" || string(got[0].Data) != "plain" || got[1].Name != "b" || string(got[1].Data) != "packed" {
		t.Fatalf("%+v, %v", got, err)
	}
	with := func(i int, object string) []byte {
		changed := append([]string(nil), tree...)
		changed[i-1] = object
		return assemble(changed...)
	}
	for title, pdf := range map[string][]byte{
		"a ring of kids":          with(3, "<</Kids[3 0 R]>>"),
		"a key that is no string": with(3, "<</Names[1 2]>>"),
		"no content":              with(3, "<</Names[(a)<</F(a)>>]>>"),
		"other filter":            with(6, strings.Replace(flate(""), "/FlateDecode", "/LZWDecode", 1)),
		"decode parameters":       with(6, flate("/DecodeParms<</Predictor 12>>")),
		"broken data":             with(6, strings.Replace(flate(""), "stream\n"+string(packed.data[:2]), "stream\nxx", 1)),
		"length of nothing":       with(5, "<</Length 9 0 R>>\nstream\nplain\nendstream"),
		"length of a string":      with(7, "(5)"),
		"length too short":        with(7, "4"),
		"length too long":         with(7, "500"),
		"negative length":         with(7, "-5"),
		"other name":              bytes.Replace(assemble(tree...), []byte("\n6 0 obj"), []byte("\n8 0 obj"), 1),
		"offset off by one":       bytes.Replace(assemble(tree...), []byte("0000000009 00000 n"), []byte("0000000010 00000 n"), 1),
		"a free object":           bytes.Replace(assemble(tree...), []byte("0000000009 00000 n"), []byte("0000000009 00000 f"), 1),
		"a short entry":           bytes.Replace(assemble(tree...), []byte("0000000009 00000 n \n"), []byte("000000009 00000 n \n "), 1),
		"no root":                 bytes.Replace(assemble(tree...), []byte("/Root 1 0 R"), []byte("/Roof 1 0 R"), 1),
		"small size":              bytes.Replace(assemble(tree...), []byte("/Size 8"), []byte("/Size 7"), 1),
		"a stream beside":         bytes.Replace(assemble(tree...), []byte("/Size 8"), []byte("/XRefStm 9/Size 8"), 1),
		"encrypted":               bytes.Replace(assemble(tree...), []byte("/Size 8"), []byte("/Encrypt 1 0 R/Size 8"), 1),
		"bad Prev":                bytes.Replace(assemble(tree...), []byte("/Size 8"), []byte("/Prev 9999/Size 8"), 1),
	} {
		if files, err := Attachments(pdf); err == nil {
			t.Errorf("%s: %+v", title, files)
		}
	}
	// Page trees that cannot be sealed.
	for title, objects := range map[string][]string{
		"no pages":    {"<</Type/Catalog>>"},
		"empty pages": {"<</Type/Catalog/Pages 2 0 R>>", "<</Type/Pages/Kids[]>>"},
		"a ring":      {"<</Type/Catalog/Pages 2 0 R>>", "<</Type/Pages/Kids[2 0 R]>>"},
		"no size":     {"<</Type/Catalog/Pages 2 0 R>>", "<</Type/Pages/Kids[3 0 R]>>", "<</Type/Page>>"},
		"odd size":    {"<</Type/Catalog/Pages 2 0 R>>", "<</Type/Pages/Kids[3 0 R]>>", "<</Type/Page/MediaBox[0 0 /A 9]>>"},
		"no catalog":  {"<</Type/Nothing>>"},
		"a form":      {"<</Type/Catalog/Pages 2 0 R/AcroForm<<>>>>", "<</Type/Pages/Kids[3 0 R]>>", "<</Type/Page/MediaBox[0 0 300 300]>>"},
		"files":       {"<</Type/Catalog/Pages 2 0 R/Names<</EmbeddedFiles<</Names[(a) 1 0 R]>>>>>>", "<</Type/Pages/Kids[3 0 R]>>", "<</Type/Page/MediaBox[0 0 300 300]>>"},
	} {
		if _, err := Sign(assemble(objects...), sealOptions(identities()["seal"])); err == nil {
			t.Errorf("%s: sealed", title)
		}
	}
	// And one that can: a page tree of two levels, a box that does not begin at 0, an annotation.
	pdf := mustSign(t, assemble("<</Type/Catalog/Pages 2 0 R>>", "<</Type/Pages/Kids[4 0 R]/MediaBox[-50 -50 500 500]>>",
		"<</Type/Page/Annots[<</Type/Annot/Subtype/Link/Rect[0 0 9 9]>>]>>", "<</Type/Pages/Kids[3 0 R]>>"), sealOptions(identities()["seal"]))
	if r := Verify(mustCounterSign(t, pdf, counterOptions(identities()["counter"])), ourTrust(t)); r.Verdict != Sound {
		t.Errorf("two levels: %s, %v", r.Verdict, r.Findings)
	}
	if !bytes.Contains(pdf, []byte("/Annots [<< /Type /Annot /Subtype /Link /Rect [0 0 9 9] >> ")) {
		t.Error("the link was lost")
	}
}

// TestWords: every verdict and kind has words of its own.
func TestWords(t *testing.T) {
	seen := map[string]bool{}
	for v := Sound; v <= Tampered; v++ {
		seen[v.String()] = true
	}
	for k := FlippedByte; k <= BadStructure; k++ {
		seen[k.String()] = true
	}
	if len(seen) != int(Tampered)+int(BadStructure) {
		t.Errorf("%d words: %v", len(seen), seen)
	}
	if Verdict(0).String() != "verdict 0" || Kind(99).String() != "kind 99" {
		t.Error("unknown values")
	}
	f := Finding{Kind: FlippedByte, Field: "Seal", Detail: "d"}
	if f.String() != "flipped byte (Seal): d" || (Finding{Kind: AppendedBytes, Detail: "d"}).String() != "appended bytes: d" {
		t.Error(f.String())
	}
}
