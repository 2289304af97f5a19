package chart

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"strconv"
	"sync"

	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/jung-kurt/gofpdf"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// maxPoints is how many points of a curve are drawn; longer ones are thinned so that every
// peak stays (600 points on 50 mm are finer than print).
const maxPoints = 600

// Box is a rectangle on a page, in mm from the top left corner.
type Box struct{ X, Y, W, H float64 }

// Point is a reading: minutes after the start and degrees of the unit the chart is drawn in.
type Point struct{ Min, Deg float64 }

// Cook is one cook's curve with what it was judged by.
type Cook struct {
	// Unit is the sign of the scale read, for example °C; it names the vertical axis.
	Unit string
	// Main are the readings as read, in order of time.
	Main []Point
	// Others are readings of other instruments in the same pan, brought to Unit.
	Others [][]Point
	// Low and High are the limit as moved, in Unit; nil where there is no such bound.
	Low, High *float64
	// Pull is the reading when the pan left the heat, Highest the peak after it; nil when not taken.
	Pull, Highest *Point
	// Corrected is the pull put right, with U its expanded uncertainty (k = 2) in Unit; nil when unknown.
	// It is drawn a little to the right of the pull, so that neither hides the other.
	Corrected *Point
	U         float64
}

var black, grey, light = color.Gray{Y: 0}, color.Gray{Y: 110}, color.Gray{Y: 190}

// fonts holds the measures of the font that the page is set in.
var fonts = sync.OnceValues(func() (*font.Cache, error) {
	f, err := opentype.Parse(dejavusanscondensed.TTF)
	if err != nil {
		return nil, err
	}
	return font.NewCache(font.Collection{{Font: face, Face: f}}), nil
})

var face = font.Font{Typeface: "DejaVu", Variant: "SansCondensed"}

// Draw draws the curve into box on the current page of pdf, in the font known there as family.
// It leaves font, line width and colours of pdf changed. Readings that are not finite are refused.
func (c Cook) Draw(pdf *gofpdf.Fpdf, family string, box Box) error {
	cache, err := fonts()
	if err != nil {
		return fmt.Errorf("chart: font: %w", err)
	}
	if err := c.finite(); err != nil {
		return err
	}
	hand := text.Plain{Fonts: cache}
	p := plot.New()
	p.TextHandler = hand
	p.BackgroundColor = nil
	p.Title.TextStyle.Handler = hand
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Padding = 0
		a.LineStyle.Width = vg.Points(0.5)
		a.Tick.LineStyle.Width = vg.Points(0.4)
		a.Tick.Length = vg.Points(2.5)
		a.Tick.Label.Font = font.From(face, vg.Points(5.8))
		a.Tick.Label.Handler = hand
		a.Label.TextStyle.Font = font.From(face, vg.Points(5.8))
		a.Label.TextStyle.Handler = hand
	}
	p.X.Label.Text = "minutes on the heat"
	p.Y.Label.Text = c.Unit + " as read"
	c.scale(p)
	if err := c.add(p); err != nil {
		return fmt.Errorf("chart: %w", err)
	}
	p.Draw(draw.New(newCanvas(pdf, family, box)))
	pdf.SetDrawColor(0, 0, 0)
	pdf.SetFillColor(0, 0, 0)
	return nil
}

// all visits every point that is drawn.
func (c Cook) all(visit func(Point)) {
	for _, p := range c.Main {
		visit(p)
	}
	for _, other := range c.Others {
		for _, p := range other {
			visit(p)
		}
	}
	for _, p := range []*Point{c.Pull, c.Highest, c.Corrected} {
		if p != nil {
			visit(*p)
		}
	}
}

// errNotFinite refuses what cannot be placed on paper.
var errNotFinite = errors.New("chart: a reading is not a finite number")

func (c Cook) finite() error {
	var err error
	c.all(func(p Point) {
		if math.IsNaN(p.Min) || math.IsInf(p.Min, 0) || math.IsNaN(p.Deg) || math.IsInf(p.Deg, 0) {
			err = errNotFinite
		}
	})
	return err
}

// scale gives both axes their range: the cook from its start, and all readings with the limits.
func (c Cook) scale(p *plot.Plot) {
	lastMin, low, high := 1.0, math.Inf(1), math.Inf(-1)
	c.all(func(q Point) {
		lastMin = math.Max(lastMin, q.Min)
		low, high = math.Min(low, q.Deg), math.Max(high, q.Deg)
	})
	for _, b := range []*float64{c.Low, c.High} {
		if b != nil {
			low, high = math.Min(low, *b), math.Max(high, *b)
		}
	}
	if low > high {
		low, high = 0, 1
	}
	room := math.Max((high-low)*0.06, 0.5)
	p.X.Min, p.X.Max = 0, lastMin*1.08
	p.Y.Min, p.Y.Max = low-room, high+room
	p.X.Tick.Marker = evenTicks{about: 6}
	p.Y.Tick.Marker = evenTicks{about: 6}
}

// add puts the limit's band, the curves and the marks on the plot, the band undermost.
func (c Cook) add(p *plot.Plot) error {
	if err := c.addBand(p); err != nil {
		return err
	}
	for _, other := range c.Others {
		if err := addLine(p, thin(other), grey, 0.5, []vg.Length{vg.Points(1.5), vg.Points(1.2)}); err != nil {
			return err
		}
	}
	if err := addLine(p, thin(c.Main), black, 0.8, nil); err != nil {
		return err
	}
	if c.Corrected != nil {
		aside := *c.Corrected
		aside.Min += p.X.Max * 0.028
		c.Corrected = &aside
	}
	if c.Corrected != nil && c.U > 0 {
		bar := []Point{{c.Corrected.Min, c.Corrected.Deg - c.U}, {c.Corrected.Min, c.Corrected.Deg + c.U}}
		if err := addLine(p, bar, black, 0.6, nil); err != nil {
			return err
		}
	}
	for _, m := range []struct {
		at    *Point
		shape draw.GlyphDrawer
		size  float64
	}{
		{c.Highest, draw.PlusGlyph{}, 2.2},
		{c.Corrected, draw.RingGlyph{}, 2.2},
		{c.Pull, draw.CircleGlyph{}, 1.7},
	} {
		if m.at == nil {
			continue
		}
		dots, err := plotter.NewScatter(plotter.XYs{{X: m.at.Min, Y: m.at.Deg}})
		if err != nil {
			return err
		}
		dots.GlyphStyle = draw.GlyphStyle{Color: black, Radius: vg.Points(m.size), Shape: m.shape}
		p.Add(dots)
	}
	return nil
}

// addBand shades what the limit allows; a single bound is a line with shade on its acceptable side.
func (c Cook) addBand(p *plot.Plot) error {
	if c.Low == nil && c.High == nil {
		return nil
	}
	low, high := p.Y.Min, p.Y.Max
	if c.Low != nil {
		low = *c.Low
	}
	if c.High != nil {
		high = *c.High
	}
	x := p.X.Max
	area, err := plotter.NewPolygon(plotter.XYs{{X: 0, Y: low}, {X: x, Y: low}, {X: x, Y: high}, {X: 0, Y: high}})
	if err != nil {
		return err
	}
	area.Color = light
	area.LineStyle.Width = 0
	p.Add(area)
	for _, b := range []*float64{c.Low, c.High} {
		if b == nil {
			continue
		}
		if err := addLine(p, []Point{{0, *b}, {x, *b}}, black, 0.25, nil); err != nil {
			return err
		}
	}
	return nil
}

func addLine(p *plot.Plot, points []Point, col color.Color, width float64, dash []vg.Length) error {
	if len(points) == 0 {
		return nil
	}
	xys := make(plotter.XYs, len(points))
	for i, q := range points {
		xys[i] = plotter.XY{X: q.Min, Y: q.Deg}
	}
	l, err := plotter.NewLine(xys)
	if err != nil {
		return err
	}
	l.LineStyle = draw.LineStyle{Color: col, Width: vg.Points(width), Dashes: dash}
	p.Add(l)
	return nil
}

// thin keeps at most maxPoints points: first and last, and of every stretch its lowest and highest in order.
func thin(points []Point) []Point {
	if len(points) <= maxPoints {
		return points
	}
	inner := points[1 : len(points)-1]
	stretches := maxPoints/2 - 1
	out := []Point{points[0]}
	for i := range stretches {
		part := inner[i*len(inner)/stretches : (i+1)*len(inner)/stretches]
		low, high := 0, 0
		for j, p := range part {
			if p.Deg < part[low].Deg {
				low = j
			}
			if p.Deg > part[high].Deg {
				high = j
			}
		}
		out = append(out, part[min(low, high)])
		if low != high {
			out = append(out, part[max(low, high)])
		}
	}
	return append(out, points[len(points)-1])
}

// evenTicks puts about so many labelled ticks at 1, 2 or 5 times a power of ten.
type evenTicks struct{ about int }

// Ticks gives the ticks of an axis from lo to hi.
func (e evenTicks) Ticks(lo, hi float64) []plot.Tick {
	raw := (hi - lo) / float64(e.about)
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5, 10} {
		if f*step >= raw {
			step *= f
			break
		}
	}
	digits := 0
	if step < 1 {
		digits = int(math.Ceil(-math.Log10(step)))
	}
	var out []plot.Tick
	for n := math.Ceil(lo / step); n*step <= hi; n++ {
		v := n * step
		if v == 0 {
			v = 0 // a negative zero would be printed with its sign
		}
		out = append(out, plot.Tick{Value: v, Label: strconv.FormatFloat(v, 'f', digits, 64)})
	}
	return out
}
