package reports

// column of a table: heading, width in mm, and how its cells are set ('L', 'R', 'C').
type column struct {
	title string
	width float64
	align byte
}

// cell is what stands in one field of a table.
type cell []para

// table draws rows under a heading that is repeated on every page the table reaches.
type table struct {
	s    *sheet
	cols []column
	size float64
	head [][]line
}

// cellPad is the room on the right of a column and above and under a row, in mm.
const (
	cellPad = 1.6
	rowPad  = 0.55
)

// newTable opens a table and draws its heading row, with room for a first row under it.
func (s *sheet) newTable(size float64, cols ...column) *table {
	t := &table{s: s, cols: cols, size: size}
	for _, c := range cols {
		p := para{align: c.align, spans: []span{{text: c.title, style: style{size: size, bold: true}}}}
		t.head = append(t.head, s.face.wrapOne(p, c.width-cellPad))
	}
	s.need(t.headHeight() + 9)
	t.drawHead()
	s.repeat = t.drawHead
	return t
}

func (t *table) headHeight() float64 { return tallest(t.head) + 2*rowPad + 0.6 }

func (t *table) drawHead() {
	s := t.s
	t.draw(t.head)
	s.rule(marginSide, s.y, t.width(), 0.5)
	s.y += 0.4
}

func (t *table) width() float64 {
	w := 0.0
	for _, c := range t.cols {
		w += c.width
	}
	return w
}

// draw sets the lines of one row side by side and moves the pen under them.
func (t *table) draw(fields [][]line) {
	s := t.s
	x := marginSide
	for i, lines := range fields {
		y := s.y + rowPad
		for _, l := range lines {
			s.drawLine(l, x, y)
			y += l.height
		}
		x += t.cols[i].width
	}
	s.y += tallest(fields) + 2*rowPad
}

// row draws one row. A row that fits on a page is never torn; a taller one goes on overleaf.
func (t *table) row(cells ...cell) {
	s := t.s
	fields := make([][]line, len(t.cols))
	for i, c := range cells {
		set := make([]para, len(c))
		for j, p := range c {
			if p.align == 0 {
				p.align = t.cols[i].align
			}
			set[j] = p
		}
		fields[i] = s.face.wrap(set, t.cols[i].width-cellPad)
	}
	h := tallest(fields) + 2*rowPad
	fresh := s.bottom() - s.top() - t.headHeight() - 6
	if h > s.room() && h <= fresh {
		s.newPage()
	}
	for fresh := false; tallest(fields)+2*rowPad > s.room(); fresh = true {
		now, rest := split(fields, s.room()-2*rowPad)
		if tallest(now) == 0 && fresh {
			break // not even one line fits on an empty page: drawn as it is
		}
		if tallest(now) > 0 {
			t.draw(now)
		}
		fields = rest
		s.newPage()
	}
	t.draw(fields)
	s.rule(marginSide, s.y, t.width(), 0.15)
}

// band draws a paragraph over the whole width of the table; keep is how much must follow it on the page, in mm.
func (t *table) band(keep float64, paras ...para) {
	s := t.s
	lines := s.face.wrap(paras, t.width()-cellPad)
	if h := heightOf(lines) + 2*rowPad; h+keep > s.room() && h+keep < s.bottom()-s.top()-t.headHeight() {
		s.newPage()
	}
	s.y += rowPad
	for _, l := range lines {
		s.need(l.height)
		s.drawLine(l, marginSide, s.y)
		s.y += l.height
	}
	s.y += rowPad
}

// ruleOff draws a line under the last row.
func (t *table) ruleOff(pt float64) { t.s.rule(marginSide, t.s.y, t.width(), pt) }

// end closes the table: its heading is not repeated any more.
func (t *table) end() {
	t.s.repeat = nil
	t.s.y += 1.2
}

func tallest(fields [][]line) float64 {
	h := 0.0
	for _, lines := range fields {
		h = max(h, heightOf(lines))
	}
	return h
}

// split takes as many lines of each field as fit in h mm; the rest is what goes overleaf.
func split(fields [][]line, h float64) (now, rest [][]line) {
	for _, lines := range fields {
		n, sum := 0, 0.0
		for n < len(lines) && sum+lines[n].height <= h {
			sum += lines[n].height
			n++
		}
		now = append(now, lines[:n])
		rest = append(rest, lines[n:])
	}
	return now, rest
}
