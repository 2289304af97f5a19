package reports

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"
)

// mmPerPt is the length of a typographic point in millimetres.
const mmPerPt = 25.4 / 72

// style is how a stretch of text looks. Size is in points.
type style struct {
	size   float64
	bold   bool
	struck bool
	mono   bool // the fixed-width cut; never bold
}

// span is a stretch of text in one style. Whole keeps it on one line where that is possible.
type span struct {
	text  string
	style style
	whole bool
}

// para is a paragraph: spans set one after the other and wrapped.
type para struct {
	spans []span
	// hang is how far the second and later lines are set in, in mm.
	hang float64
	// before is extra room above the paragraph, in mm.
	before float64
	// align is 'L' (the zero value counts as that), 'R' or 'C'.
	align byte
	// label stands on the left of the first line, in the room that indent (mm) leaves free.
	label  string
	indent float64
}

// printable gives text that the font can show. What it lacks, what has no visible form and
// what would steer the direction of text is shown as [U+1F36C], so that it is seen that something
// stands there; bytes that are no UTF-8 become the replacement character. Line ends stay.
func (t *typeface) printable(s string) string {
	plain := true
	for i := 0; i < len(s); i++ {
		if s[i] < 0x20 || s[i] > 0x7E {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			b.WriteRune(utf8.RuneError)
		case r == '\r':
			if i+1 >= len(s) || s[i+1] != '\n' {
				b.WriteByte('\n')
			}
		case r == '\n' || r == '\u0085' || r == '\u2028' || r == '\u2029':
			b.WriteByte('\n')
		case r == '\t':
			b.WriteByte(' ')
		case t.shows(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
		i += n
	}
	return b.String()
}

// shows reports whether a rune prints right: it is in the font and needs no joining to its neighbours.
func (t *typeface) shows(r rune) bool {
	if r > lastRune || !t.regular.have[r] {
		return false
	}
	return !unicode.In(r, unicode.Cc, unicode.Cf, unicode.Co, unicode.Cs, unicode.Arabic, unicode.Nko, unicode.Variation_Selector)
}

// seg is text ready to draw: one style, one cut of the font, at x mm from the start of its line.
type seg struct {
	text  string
	style style
	x, w  float64
}

// word is what must not be torn apart by a line end.
type word struct {
	segs []seg
	w    float64
	// gap is the width of the space before it.
	gap   float64
	start bool // begins a new line by itself (a line end stood before it)
}

// line is one set line with its height and the distance of its base line from its top, in mm.
type line struct {
	segs   []seg
	w      float64
	height float64
	base   float64
}

// cut gives the cut of the font a style asks for.
func (t *typeface) cut(st style) *glyphs {
	switch {
	case st.mono:
		return &t.mono
	case st.bold:
		return &t.bold
	default:
		return &t.regular
	}
}

// width measures text in mm.
func (t *typeface) width(s string, st style) float64 {
	g, sum := t.cut(st), 0
	for _, r := range s {
		if r <= lastRune {
			sum += int(g.width[r])
		}
	}
	return float64(sum) / 1000 * st.size * mmPerPt
}

// cuts splits text where the cut asked for lacks a glyph that the regular one has.
func (t *typeface) cuts(s string, st style) []seg {
	if !st.bold && !st.mono {
		return []seg{{text: s, style: st, w: t.width(s, st)}}
	}
	asked, plain := st, style{size: st.size, struck: st.struck}
	g := t.cut(asked)
	var out []seg
	from, in := 0, true
	flush := func(to int) {
		if to > from {
			part := plain
			if in {
				part = asked
			}
			out = append(out, seg{text: s[from:to], style: part, w: t.width(s[from:to], part)})
		}
		from = to
	}
	for i, r := range s {
		if has := r <= lastRune && g.have[r]; has != in {
			flush(i)
			in = has
		}
	}
	flush(len(s))
	return out
}

// words splits spans at spaces and line ends. Spans that meet without a space belong to one word.
func (t *typeface) words(spans []span) []word {
	var out []word
	var cur word
	open := false
	flush := func() {
		if open {
			out = append(out, cur)
		}
		cur, open = word{}, false
	}
	for _, sp := range spans {
		text := t.printable(sp.text)
		for i, row := range strings.Split(text, "\n") {
			if i > 0 {
				flush()
				cur.start, open = true, true
			}
			parts := []string{row}
			if !sp.whole {
				parts = strings.Split(row, " ")
			}
			for j, part := range parts {
				if j > 0 {
					if len(cur.segs) > 0 {
						flush()
					}
					cur.gap += t.width(" ", sp.style)
				}
				if part == "" {
					continue
				}
				for _, sg := range t.cuts(part, sp.style) {
					cur.segs = append(cur.segs, sg)
					cur.w += sg.w
				}
				open = true
			}
		}
	}
	flush()
	return out
}

// tear cuts a word that is wider than a line into pieces that fit, never before a combining mark.
func (t *typeface) tear(w word, width float64) []word {
	var out []word
	cur := word{gap: w.gap, start: w.start}
	for _, sg := range w.segs {
		from, sum := 0, 0.0
		for i, r := range sg.text {
			rw := t.width(string(r), sg.style)
			if cur.w+sum+rw > width && (cur.w > 0 || sum > 0) && !unicode.Is(unicode.Mn, r) {
				if i > from {
					cur.segs = append(cur.segs, seg{text: sg.text[from:i], style: sg.style, w: sum})
				}
				cur.w += sum
				out = append(out, cur)
				cur, from, sum = word{start: true}, i, 0
			}
			sum += rw
		}
		if from < len(sg.text) {
			cur.segs = append(cur.segs, seg{text: sg.text[from:], style: sg.style, w: sum})
			cur.w += sum
		}
	}
	return append(out, cur)
}

// wrap sets paragraphs in a column of the given width in mm.
func (t *typeface) wrap(paras []para, width float64) []line {
	var out []line
	for _, p := range paras {
		out = append(out, t.wrapOne(p, width)...)
	}
	return out
}

func (t *typeface) wrapOne(p para, width float64) []line {
	if p.indent > 0 {
		return t.wrapIndented(p, width)
	}
	var words []word
	for _, w := range t.words(p.spans) {
		if room := width - p.hang; w.w > room && room > 0 {
			words = append(words, t.tear(w, room)...)
			continue
		}
		words = append(words, w)
	}
	size := 0.0
	for _, sp := range p.spans {
		size = max(size, sp.style.size)
	}
	var out []line
	cur := line{}
	indent := 0.0
	flush := func() {
		switch p.align {
		case 'R':
			shift(cur.segs, width-cur.w)
		case 'C':
			shift(cur.segs, (width-cur.w)/2)
		default:
			shift(cur.segs, indent)
		}
		t.finish(&cur, size)
		if len(out) == 0 {
			cur.height += p.before
			cur.base += p.before
		}
		out = append(out, cur)
		cur, indent = line{}, p.hang
	}
	for i, w := range words {
		if i > 0 && (w.start || cur.w+w.gap+w.w > width-indent+1e-9) {
			flush()
		}
		gap := w.gap
		if len(cur.segs) == 0 {
			gap = 0
		}
		x := cur.w + gap
		for _, sg := range w.segs {
			sg.x = x
			x += sg.w
			cur.segs = append(cur.segs, sg)
		}
		cur.w = x
	}
	if len(words) > 0 || len(p.spans) > 0 {
		flush()
	}
	return out
}

// wrapIndented sets a paragraph to the right of its label.
func (t *typeface) wrapIndented(p para, width float64) []line {
	indent, label := p.indent, span{text: p.label, style: style{size: sizeSmall}, whole: true}
	p.indent = 0
	out := t.wrapOne(p, width-indent)
	for i := range out {
		shift(out[i].segs, indent)
	}
	if set := t.wrapOne(para{spans: []span{label}}, indent); p.label != "" && len(out) > 0 && len(set) > 0 {
		out[0].segs = append(set[0].segs, out[0].segs...)
	}
	return out
}

// shift moves segments to the right by mm.
func shift(segs []seg, by float64) {
	for i := range segs {
		segs[i].x += by
	}
}

// finish joins neighbours of one style, so that a line is drawn in few strokes and read back
// whole, and gives the line its height.
func (t *typeface) finish(l *line, size float64) {
	var joined []seg
	for _, sg := range l.segs {
		n := len(joined)
		if n > 0 && joined[n-1].style == sg.style {
			last := &joined[n-1]
			gap := sg.x - (last.x + last.w)
			space := t.width(" ", sg.style)
			if spaces := int(math.Round(gap / space)); spaces <= 1 {
				last.text += strings.Repeat(" ", spaces) + sg.text
				last.w += gap + sg.w
				continue
			}
		}
		joined = append(joined, sg)
	}
	l.segs = joined
	top := 0.0
	for _, sg := range joined {
		top = max(top, sg.style.size)
	}
	if top == 0 {
		top = size
	}
	l.height = top * 1.22 * mmPerPt
	l.base = top * 0.97 * mmPerPt
}

// heightOf is the height of set lines in mm.
func heightOf(lines []line) float64 {
	h := 0.0
	for _, l := range lines {
		h += l.height
	}
	return h
}
