package reports

import (
	"fmt"
	"time"

	"github.com/jung-kurt/gofpdf"
)

// The page, in mm: A4 portrait with its text area.
const (
	pageWidth  = 210.0
	pageHeight = 297.0
	marginSide = 14.0
	marginTop  = 9.0
	marginFoot = 16.0
	textWidth  = pageWidth - 2*marginSide
	// sealStrip is what the last page leaves free at its lower edge for the seal's signature fields.
	sealStrip = 17.0
)

// Sizes of type in points.
const (
	sizeBody    = 7.8
	sizeSmall   = 6.8
	sizeSection = 11.0
	sizeTitle   = 19.0
)

// sheet is the document being drawn: where the pen is, and what is repeated on every page.
type sheet struct {
	pdf  *gofpdf.Fpdf
	face *typeface
	y    float64 // top of what is drawn next, in mm from the top of the page

	// head and foot are drawn on every page once the number of pages is known.
	head []line
	foot string

	section string // heading of the open section, repeated as "continued"
	repeat  func() // draws the heading row of an open table; nil outside tables

	font style // what the PDF writer has selected
}

// newSheet opens a document whose dates are those of the log, never those of the machine.
func newSheet(face *typeface, at time.Time) *sheet {
	pdf := gofpdf.New("P", "mm", "A4", "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(at.UTC())
	pdf.SetModificationDate(at.UTC())
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(marginSide, marginTop, marginSide)
	pdf.SetCellMargin(0)
	addFonts(pdf)
	return &sheet{pdf: pdf, face: face}
}

// bottom is the lowest y that text may reach.
func (s *sheet) bottom() float64 { return pageHeight - marginFoot }

// top is where text begins on a page.
func (s *sheet) top() float64 { return marginTop + heightOf(s.head) + 3.5 }

// room is what is left on the page in mm.
func (s *sheet) room() float64 { return s.bottom() - s.y }

// newPage begins a page and repeats the headings of what is going on.
func (s *sheet) newPage() {
	s.pdf.AddPage()
	s.font = style{}
	s.y = s.top()
	if s.section != "" {
		s.drawLines(s.face.wrap([]para{{spans: []span{
			{text: s.section + " (continued)", style: style{size: 8.5, bold: true}}}}}, textWidth), marginSide)
		s.y += 1
	}
	if s.repeat != nil {
		s.repeat()
	}
}

// need begins a page unless h mm are left on this one.
func (s *sheet) need(h float64) {
	if s.room() < h {
		s.newPage()
	}
}

// heading opens a section; keep is how much of what follows must stand on the same page, in mm.
func (s *sheet) heading(title string, keep float64) {
	s.section = ""
	lines := s.face.wrap([]para{{spans: []span{{text: title, style: style{size: sizeSection, bold: true}}}}}, textWidth)
	s.need(heightOf(lines) + 4 + keep)
	if s.y > s.top() { // at the top of a page the head's rule serves
		s.y += 3.2
		s.rule(marginSide, s.y, textWidth, 0.5)
	}
	s.y += 0.9
	s.drawLines(lines, marginSide)
	s.y += 0.6
	s.section = title
}

// endSections stops the repeating of the section's heading.
func (s *sheet) endSections() { s.section = "" }

// drawLine draws one set line with its left end at x and its top at y.
func (s *sheet) drawLine(l line, x, y float64) {
	for _, sg := range l.segs {
		s.choose(sg.style)
		s.pdf.Text(x+sg.x, y+l.base, visual(sg.text))
		if sg.style.struck {
			at := y + l.base - sg.style.size*0.28*mmPerPt
			s.rule(x+sg.x, at, sg.w, 0.25)
		}
	}
}

// drawLines draws set lines at the pen without looking for the end of the page.
func (s *sheet) drawLines(lines []line, x float64) {
	for _, l := range lines {
		s.drawLine(l, x, s.y)
		s.y += l.height
	}
}

// flow sets paragraphs in the full width and goes on over the page's end.
func (s *sheet) flow(paras ...para) {
	for _, p := range paras {
		lines := s.face.wrapOne(p, textWidth)
		for i, l := range lines {
			// A first line does not stay alone at the foot of a page.
			h := l.height
			if i == 0 && len(lines) > 1 {
				h += lines[1].height
			}
			s.need(h)
			s.drawLine(l, marginSide, s.y)
			s.y += l.height
		}
	}
}

// choose chooses a font in the PDF when it is not chosen already.
func (s *sheet) choose(st style) {
	if s.font.size == st.size && s.font.bold == st.bold && s.font.mono == st.mono {
		return
	}
	switch {
	case st.mono:
		s.pdf.SetFont(monoFamily, "", st.size)
	case st.bold:
		s.pdf.SetFont(fontFamily, "B", st.size)
	default:
		s.pdf.SetFont(fontFamily, "", st.size)
	}
	s.font = st
}

// forgetFont makes the next text choose its font anew: something else has drawn in between.
func (s *sheet) forgetFont() { s.font = style{} }

// rule draws a horizontal line w mm long and pt points thick.
func (s *sheet) rule(x, y, w, pt float64) {
	s.pdf.SetLineWidth(pt * mmPerPt)
	s.pdf.Line(x, y, x+w, y)
}

// furnish draws head and foot on every page; it is the last thing done. The foot of the last page
// stands higher, above the signature fields that the seal draws at the lower edge.
func (s *sheet) furnish() {
	pages := s.pdf.PageCount()
	counter := style{size: sizeBody, bold: true}
	for n := 1; n <= pages; n++ {
		s.pdf.SetPage(n)
		s.forgetFont()
		y := marginTop
		for _, l := range s.head {
			s.drawLine(l, marginSide, y)
			y += l.height
		}
		s.rule(marginSide, y+1, textWidth, 0.8)
		count := fmt.Sprintf("page %d of %d", n, pages)
		left := s.face.wrapOne(para{spans: []span{{text: s.foot, style: style{size: sizeBody}}}}, textWidth-s.face.width(count, counter)-6)
		right := s.face.wrapOne(para{align: 'R', spans: []span{{text: count, style: counter, whole: true}}}, textWidth)
		y = pageHeight - marginFoot + 3
		if n == pages {
			y = pageHeight - sealStrip - heightOf(left) - 1.5
		}
		s.rule(marginSide, y, textWidth, 0.4)
		y++
		s.drawLine(right[0], marginSide, y)
		for _, l := range left {
			s.drawLine(l, marginSide, y)
			y += l.height
		}
	}
	s.pdf.SetPage(pages)
}

// keepForSeal begins a page unless h mm and the raised foot of a last page still fit on this one.
func (s *sheet) keepForSeal(h float64) {
	foot := s.face.wrapOne(para{spans: []span{{text: s.foot, style: style{size: sizeBody}}}}, textWidth-25)
	if s.y+h > pageHeight-sealStrip-heightOf(foot)-4 {
		s.newPage()
	}
}
