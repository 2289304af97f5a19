package chart

import (
	"image"
	"image/color"
	"math"

	"github.com/jung-kurt/gofpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// mmPerPt is the length of a typographic point in millimetres.
const mmPerPt = 25.4 / 72

// matrix maps (x, y) to (a x + c y + e, b x + d y + f), in points with y upwards.
type matrix struct{ a, b, c, d, e, f float64 }

func (m matrix) apply(x, y float64) (float64, float64) {
	return m.a*x + m.c*y + m.e, m.b*x + m.d*y + m.f
}

// then gives the matrix that applies n first and m afterwards.
func (m matrix) then(n matrix) matrix {
	return matrix{
		a: m.a*n.a + m.c*n.b, b: m.b*n.a + m.d*n.b,
		c: m.a*n.c + m.c*n.d, d: m.b*n.c + m.d*n.d,
		e: m.a*n.e + m.c*n.f + m.e, f: m.b*n.e + m.d*n.f + m.f,
	}
}

// state is what Push keeps and Pop brings back.
type state struct {
	m     matrix
	width vg.Length
	dash  []vg.Length
	phase vg.Length
	color color.Color
}

// canvas is a vg.Canvas over one rectangle of a PDF page measured in millimetres.
type canvas struct {
	pdf    *gofpdf.Fpdf
	family string  // name of the font inside the PDF
	x, y   float64 // lower left corner on the page, mm from the top left
	w, h   vg.Length
	now    state
	kept   []state
}

var _ vg.CanvasSizer = (*canvas)(nil)

func newCanvas(pdf *gofpdf.Fpdf, family string, b Box) *canvas {
	c := &canvas{
		pdf: pdf, family: family,
		x: b.X, y: b.Y + b.H,
		w: vg.Length(b.W / mmPerPt), h: vg.Length(b.H / mmPerPt),
		now: state{m: matrix{a: 1, d: 1}},
	}
	vg.Initialize(c)
	return c
}

// Size gives the size of the canvas in points.
func (c *canvas) Size() (x, y vg.Length) { return c.w, c.h }

// SetLineWidth sets the width of strokes.
func (c *canvas) SetLineWidth(w vg.Length) { c.now.width = w }

// SetLineDash sets the dashes of strokes.
func (c *canvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.now.dash, c.now.phase = pattern, offset
}

// SetColor sets the colour of strokes, fills and text; nil is black.
func (c *canvas) SetColor(col color.Color) {
	if col == nil {
		col = color.Black
	}
	c.now.color = col
}

// Rotate turns what follows, in radians.
func (c *canvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.now.m = c.now.m.then(matrix{a: cos, b: sin, c: -sin, d: cos})
}

// Translate moves what follows.
func (c *canvas) Translate(pt vg.Point) {
	c.now.m = c.now.m.then(matrix{a: 1, d: 1, e: float64(pt.X), f: float64(pt.Y)})
}

// Scale stretches what follows.
func (c *canvas) Scale(x, y float64) { c.now.m = c.now.m.then(matrix{a: x, d: y}) }

// Push keeps the state.
func (c *canvas) Push() { c.kept = append(c.kept, c.now) }

// Pop brings back the state kept last.
func (c *canvas) Pop() {
	n := len(c.kept) - 1
	c.now, c.kept = c.kept[n], c.kept[:n]
}

// place maps a point of the canvas to millimetres on the page.
func (c *canvas) place(x, y float64) (float64, float64) {
	px, py := c.now.m.apply(x, y)
	return c.x + px*mmPerPt, c.y - py*mmPerPt
}

// Stroke draws the outline of a path.
func (c *canvas) Stroke(p vg.Path) {
	if c.now.width <= 0 {
		return
	}
	c.pdf.SetLineWidth(float64(c.now.width) * mmPerPt)
	if len(c.now.dash) > 0 {
		dash := make([]float64, len(c.now.dash))
		for i, d := range c.now.dash {
			dash[i] = float64(d) * mmPerPt
		}
		c.pdf.SetDashPattern(dash, float64(c.now.phase)*mmPerPt)
	}
	c.pdf.SetDrawColor(rgb(c.now.color))
	if c.path(p) {
		c.pdf.DrawPath("D")
	}
	if len(c.now.dash) > 0 {
		c.pdf.SetDashPattern(nil, 0)
	}
}

// Fill fills a path.
func (c *canvas) Fill(p vg.Path) {
	c.pdf.SetFillColor(rgb(c.now.color))
	if c.path(p) {
		c.pdf.DrawPath("F")
	}
}

// path writes a path to the page and reports whether there was anything of it.
func (c *canvas) path(p vg.Path) bool {
	drawn := false
	for _, part := range p {
		x, y := c.place(float64(part.Pos.X), float64(part.Pos.Y))
		switch part.Type {
		case vg.MoveComp:
			c.pdf.MoveTo(x, y)
		case vg.LineComp:
			c.pdf.LineTo(x, y)
			drawn = true
		case vg.ArcComp:
			c.arc(part, drawn)
			drawn = true
		case vg.CurveComp:
			x1, y1 := c.place(float64(part.Control[0].X), float64(part.Control[0].Y))
			if len(part.Control) == 1 {
				c.pdf.CurveTo(x1, y1, x, y)
			} else {
				x2, y2 := c.place(float64(part.Control[1].X), float64(part.Control[1].Y))
				c.pdf.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
			}
			drawn = true
		case vg.CloseComp:
			c.pdf.ClosePath()
		}
	}
	return drawn
}

// arc writes an arc as short straight lines, fine enough for marks of a few points.
func (c *canvas) arc(part vg.PathComp, joined bool) {
	const steps = 24
	for i := 0; i <= steps; i++ {
		sin, cos := math.Sincos(part.Start + part.Angle*float64(i)/steps)
		x, y := c.place(float64(part.Pos.X)+float64(part.Radius)*cos, float64(part.Pos.Y)+float64(part.Radius)*sin)
		if i == 0 && !joined {
			c.pdf.MoveTo(x, y)
			continue
		}
		c.pdf.LineTo(x, y)
	}
}

// FillString writes text with its base line at pt.
func (c *canvas) FillString(f font.Face, pt vg.Point, text string) {
	if f.Font.Size <= 0 || text == "" {
		return
	}
	cut := ""
	if f.Font.Weight >= xfont.WeightBold {
		cut = "B"
	}
	c.pdf.SetFont(c.family, cut, f.Font.Size.Points())
	x, y := c.place(float64(pt.X), float64(pt.Y))
	angle := math.Atan2(c.now.m.b, c.now.m.a) * 180 / math.Pi
	if math.Abs(angle) < 1e-9 {
		c.pdf.Text(x, y, text)
		return
	}
	c.pdf.TransformBegin()
	c.pdf.TransformRotate(angle, x, y)
	c.pdf.Text(x, y, text)
	c.pdf.TransformEnd()
}

// DrawImage is part of vg.Canvas; a curve holds no pictures and a page of vectors takes none.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {
	panic("chart: pictures are not drawn")
}

// rgb gives a colour as the PDF writer wants it.
func rgb(col color.Color) (r, g, b int) {
	n := color.NRGBAModel.Convert(col).(color.NRGBA)
	return int(n.R), int(n.G), int(n.B)
}
