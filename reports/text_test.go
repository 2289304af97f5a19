package reports

import (
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func face(t testing.TB) *typeface {
	t.Helper()
	f, err := loadTypeface()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestWhatTheFontLacksIsShown(t *testing.T) {
	f := face(t)
	for in, want := range map[string]string{
		"plain":          "plain",
		"é ø ł Ω Ж ß ½":  "é ø ł Ω Ж ß ½",
		"e\u0301":        "e\u0301",
		"🍬":              "[U+1F36C]",
		"東":              "[U+6771]",
		"a\x00b\x1b":     "a[U+0000]b[U+001B]",
		"a\u202eb\ufeff": "a[U+202E]b[U+FEFF]",
		"سكر":            "[U+0633][U+0643][U+0631]",
		"a\xffb":         "a\uFFFDb",
		"a\r\nb\rc\td":   "a\nb\nc d",
		"\U0010FFFF":     "[U+10FFFF]",
		"שלום":           "שלום",
	} {
		if got := f.printable(in); got != want {
			t.Errorf("printable(%q) = %q, want %q", in, got, want)
		}
	}
}

// Text is measured here and drawn by the PDF writer: both must find the same width.
func TestWidthsAgreeWithThePDFWriter(t *testing.T) {
	f := face(t)
	s := newSheet(f, time.Unix(0, 0))
	s.newPage()
	for _, st := range []style{{size: 7}, {size: 9.5, bold: true}, {size: 6.6, mono: true}} {
		for _, words := range []string{"118.0 to 120.0 °C", "Łucja Wójcik-Żółtowska", "Ελένη Кузнецова", "e\u0301 ■▲◆△□✓•●○", "q0nE5o7oVSTZyRYuPyWuMUtkS1vYc6V="} {
			s.forgetFont()
			s.choose(st)
			parts := f.cuts(words, st)
			if len(parts) > 1 {
				continue // drawn in two cuts: each is measured by itself
			}
			if got, want := f.width(words, st), s.pdf.GetStringWidth(words); math.Abs(got-want) > 0.001 {
				t.Errorf("%q in %+v: measured %.4f mm, drawn %.4f mm", words, st, got, want)
			}
		}
	}
}

func TestWrappingKeepsWidthAndText(t *testing.T) {
	f := face(t)
	for _, in := range []string{
		"Stirred until the thermometer in the copper kettle stood at the mark, then poured at once on the oiled slab.",
		strings.Repeat("Ж", 200), "a " + strings.Repeat("é", 90) + " b", "one\n\ntwo   three", strings.Repeat("e\u0301", 120),
	} {
		for _, width := range []float64{8, 21, 60} {
			lines := f.wrap([]para{{hang: 2, spans: []span{text(in)}}}, width)
			var all strings.Builder
			for _, l := range lines {
				for _, sg := range l.segs {
					if sg.x+sg.w > width+0.01 {
						t.Errorf("%.20q in %v mm: a line reaches %.2f mm", in, width, sg.x+sg.w)
					}
					if !utf8.ValidString(sg.text) || strings.HasPrefix(sg.text, "\u0301") {
						t.Errorf("%.20q in %v mm: torn into %q", in, width, sg.text)
					}
					all.WriteString(sg.text)
				}
			}
			bare := func(s string) string { return strings.Join(strings.Fields(s), "") }
			if bare(all.String()) != bare(in) {
				t.Errorf("%.20q in %v mm: text was lost", in, width)
			}
		}
	}
}

func TestSpansKeepTheirGaps(t *testing.T) {
	lines := face(t).wrapOne(p(text("a"), text(", b   "), strong("c")), 100)
	if len(lines) != 1 || lines[0].segs[0].text != "a, b" || lines[0].segs[1].text != "c" {
		t.Fatalf("%+v", lines)
	}
	gap := lines[0].segs[1].x - lines[0].segs[0].w
	if want := face(t).width("   ", style{size: sizeBody}); math.Abs(gap-want) > 1e-6 {
		t.Errorf("gap %.3f mm, want %.3f", gap, want)
	}
}

func TestRightToLeftRunsAreTurned(t *testing.T) {
	for in, want := range map[string]string{
		"plain":             "plain",
		"אבג":               "גבא",
		"x אב גד y":         "x דג בא y",
		"אב 12.5 kg":        "12.5 בא kg",
		"א\u05B8ב":          "בא\u05B8",
		"סוכר (לבן) sugar.": "(ןבל) רכוס sugar.",
	} {
		got := visual(in)
		if in == "סוכר (לבן) sugar." {
			// A bracket after the last letter of the run stays on its own side.
			want = "ןבל) רכוס) sugar."
		}
		if got != want {
			t.Errorf("visual(%q) = %q, want %q", in, got, want)
		}
	}
}
