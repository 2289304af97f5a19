package main

import (
	"bufio"
	"io"
	"os"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/term"
	"golang.org/x/text/width"
	"google.golang.org/protobuf/proto"

	"kettlebook/records"
)

// printer writes for people: aligned, and never wider than the terminal. What
// does not fit in columns is written as blocks of lines.
type printer struct {
	w *bufio.Writer
	// columns is the width to keep to; 0: any.
	columns int
}

// newPrinter keeps to the width of the terminal, or of COLUMNS when the
// output goes elsewhere and it is set.
func newPrinter(w io.Writer) *printer {
	p := &printer{w: bufio.NewWriter(w)}
	if isTerminal(w) {
		p.columns, _, _ = term.GetSize(int(w.(*os.File).Fd()))
		return p
	}
	p.columns, _ = strconv.Atoi(os.Getenv("COLUMNS"))
	return p
}

// isTerminal says that a person sees what is written there.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

func (p *printer) flush() error { return p.w.Flush() }

// line writes one line as it is, wrapped where it is too wide; the second line
// and those after it are set in by two more.
func (p *printer) line(indent int, text string) {
	for i, l := range p.wrap(text, indent, indent+2) {
		in := indent
		if i > 0 {
			in += 2
		}
		p.write(strings.Repeat(" ", in) + l)
	}
}

func (p *printer) write(line string) {
	_, _ = p.w.WriteString(strings.TrimRight(line, " ") + "\n") // flush tells of errors
}

// gap leaves a line empty.
func (p *printer) gap() { p.write("") }

// wrap cuts a text into lines at blanks. first and rest are the columns that
// stand before the first line and before the others.
func (p *printer) wrap(text string, first, rest int) []string {
	var lines []string
	line, used, room := "", 0, p.columns-first
	for _, w := range strings.Fields(clean(text)) {
		n := textWidth(w)
		if line != "" && p.columns > 0 && used+1+n > room {
			lines = append(lines, line)
			line, used, room = "", 0, p.columns-rest
		}
		if line != "" {
			line, used = line+" ", used+1
		}
		line, used = line+w, used+n
	}
	return append(lines, line)
}

// table writes rows in columns under their headings, or, where the terminal is
// too narrow, as blocks: the first cell, and below it the others by name.
func (p *printer) table(head []string, rows [][]string) {
	wide := make([]int, len(head))
	for _, r := range append([][]string{head}, rows...) {
		for i, cell := range r {
			wide[i] = max(wide[i], textWidth(clean(cell)))
		}
	}
	total := 2 * (len(head) - 1)
	for _, n := range wide {
		total += n
	}
	if p.columns > 0 && total > p.columns {
		p.blocks(head, rows)
		return
	}
	for _, r := range append([][]string{head}, rows...) {
		var b strings.Builder
		for i, cell := range r {
			cell = clean(cell)
			b.WriteString(cell + strings.Repeat(" ", wide[i]-textWidth(cell)+2))
		}
		p.write(b.String())
	}
}

func (p *printer) blocks(head []string, rows [][]string) {
	for _, r := range rows {
		p.line(0, r[0])
		var pairs []string
		for i, cell := range r[1:] {
			pairs = append(pairs, head[i+1], cell)
		}
		p.fields(2, pairs...)
	}
}

// fields writes names and values, one pair a line; a pair without a value is
// left out.
func (p *printer) fields(indent int, pairs ...string) {
	wide := 0
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			wide = max(wide, textWidth(pairs[i]))
		}
	}
	if p.columns > 0 {
		wide = min(wide, p.columns/3)
	}
	for i := 0; i < len(pairs); i += 2 {
		name, value := clean(pairs[i]), pairs[i+1]
		if value == "" {
			continue
		}
		before := indent + wide + 2
		for j, l := range p.wrap(value, before, before) {
			if j > 0 {
				name = ""
			}
			p.write(strings.Repeat(" ", indent) + name + strings.Repeat(" ", max(1, wide-textWidth(name)+2)) + l)
		}
	}
}

// cells writes short texts side by side, as many as fit.
func (p *printer) cells(indent int, list []string) {
	wide := 0
	for i, s := range list {
		list[i] = clean(s)
		wide = max(wide, textWidth(list[i]))
	}
	room := p.columns
	if room == 0 {
		room = 80
	}
	across := max(1, (room-indent+3)/(wide+3))
	for i := 0; i < len(list); i += across {
		line := ""
		for _, s := range list[i:min(i+across, len(list))] {
			line += s + strings.Repeat(" ", wide-textWidth(s)+3)
		}
		p.write(strings.Repeat(" ", indent) + line)
	}
}

// object writes a message as JSON on a line of its own.
func (p *printer) object(m proto.Message) error {
	b, err := records.CompactJSON(m)
	if err != nil {
		return err
	}
	_, err = p.w.Write(append(b, '\n'))
	return err
}

// clean takes out of a text what would steer the terminal: control characters
// and those that turn the direction of writing.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case unicode.IsControl(r), unicode.Is(unicode.Bidi_Control, r), r == '\u2028', r == '\u2029':
			return unicode.ReplacementChar
		}
		return r
	}, s)
}

// textWidth is the number of columns that a text takes on a terminal.
func textWidth(s string) int {
	n := 0
	for _, r := range s {
		switch k := width.LookupRune(r).Kind(); {
		case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		case k == width.EastAsianWide || k == width.EastAsianFullwidth:
			n += 2
		default:
			n++
		}
	}
	return n
}
