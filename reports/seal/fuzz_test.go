package seal

import (
	"bytes"
	"math/rand/v2"
	"testing"
)

// checkAnything runs everything that reads a file. Only a file that is one of
// ours, byte for byte, may come out sound.
func checkAnything(t *testing.T, pdf []byte, trust Trust, ours ...[]byte) {
	t.Helper()
	r := Verify(pdf, trust)
	if r.Verdict == Sound {
		for _, known := range ours {
			if bytes.Equal(pdf, known) {
				return
			}
		}
		t.Fatalf("a strange file of %d bytes is sound", len(pdf))
	}
	if r.Verdict < Sound || r.Verdict > Tampered {
		t.Fatalf("verdict %d", r.Verdict)
	}
	_, _ = Attachments(pdf) // must return, with or without an error
}

func FuzzVerify(f *testing.F) {
	one, two, base := sealed(f), countersigned(f), plain(f, false)
	trust := ourTrust(f)
	frozen := [][]byte{one, two}
	for _, pdf := range [][]byte{one, two, base, nil, []byte("%PDF-1.7\n"), []byte("%PDF-1.7\nstartxref\n9\n%%EOF\n"),
		[]byte("%PDF-1.7\nxref\n0 1\n0000000000 65535 f \ntrailer\n<</Size 1/Root 1 0 R>>\nstartxref\n9\n%%EOF\n"),
		[]byte("1 0 obj\n<</ByteRange [0 1 2 3] /Contents <30")} {
		f.Add(pdf)
	}
	f.Fuzz(func(t *testing.T, pdf []byte) { checkAnything(t, pdf, trust, frozen...) })
}

// TestManyMutations is the short form of the fuzzing: chunks of a sealed file
// cut, doubled, moved and overwritten, the same ones each time.
func TestManyMutations(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	one, two := sealed(t), countersigned(t)
	trust := ourTrust(t)
	words := []string{"/ByteRange", "/Contents", "endobj", "stream", "endstream", "xref", "trailer", "startxref", "%%EOF", "<<", ">>", "[", "]",
		"(", ")", "<", ">", "/", "\\", "0 0 R", "12 0 R", "99999999999999999999", "-1", "\x00", "#", "<<<<<<<<", "[[[[[[[["}
	for i := range 800 {
		pdf := bytes.Clone([][]byte{one, two}[i%2])
		for range 1 + r.IntN(3) {
			from := r.IntN(len(pdf))
			to := min(len(pdf), from+1+r.IntN(300))
			switch r.IntN(5) {
			case 0:
				pdf = append(pdf[:from:from], pdf[to:]...)
			case 1:
				pdf = append(pdf[:to:to], pdf[from:]...)
			case 2:
				at := r.IntN(len(pdf))
				copy(pdf[at:], bytes.Clone(pdf[from:to]))
			case 3:
				word := words[r.IntN(len(words))]
				pdf = append(append(pdf[:from:from], word...), pdf[from:]...)
			case 4:
				copy(pdf[from:], words[r.IntN(len(words))])
			}
		}
		checkAnything(t, pdf, trust, one, two)
	}
}

// TestHostileSizes: input made to cost more than its length is read in good time.
func TestHostileSizes(t *testing.T) {
	const n = 1 << 20
	for title, pdf := range map[string][]byte{
		"open brackets":   append([]byte("%PDF-1.7\n1 0 obj\n"), bytes.Repeat([]byte("["), n)...),
		"open dictionary": append([]byte("%PDF-1.7\n1 0 obj\n"), bytes.Repeat([]byte("<</A"), n/4)...),
		"open strings":    append([]byte("%PDF-1.7\n"), bytes.Repeat([]byte("1 0 obj("), n/8)...),
		"many ranges":     append([]byte("%PDF-1.7\n"), bytes.Repeat([]byte("1 0 obj<</ByteRange[0 1 2 3]"), n/28)...),
		"many ends":       append([]byte("%PDF-1.7\n"), bytes.Repeat([]byte("startxref\n9\n%%EOF\n"), n/18)...),
		"many references": append([]byte("%PDF-1.7\n1 0 obj["), bytes.Repeat([]byte("1 0 "), n/4)...),
		"claimed entries": []byte("%PDF-1.7\nxref\n0 99999999\ntrailer\n<<>>\nstartxref\n9\n%%EOF\n"),
		"a table as Prev": []byte("%PDF-1.7\nxref\n0 0\ntrailer\n<</Size 1/Root 1 0 R/Prev 9>>\nstartxref\n9\n%%EOF\n"),
	} {
		if r := Verify(pdf, Trust{}); r.Verdict == Sound || r.Verdict == UnknownSigner {
			t.Errorf("%s: %s", title, r.Verdict)
		}
		if _, err := Attachments(pdf); err == nil {
			t.Errorf("%s: taken as a document", title)
		}
	}
}
