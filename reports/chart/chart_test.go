package chart

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"image"
	"image/color"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/jung-kurt/gofpdf"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"
)

// page opens a document whose content stays readable.
func page() *gofpdf.Fpdf {
	pdf := gofpdf.New("P", "mm", "A4", "")
	pdf.SetCompression(false)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(time.Unix(0, 0))
	pdf.SetModificationDate(time.Unix(0, 0))
	pdf.AddUTF8FontFromBytes("dejavu", "", bytes.Clone(dejavusanscondensed.TTF))
	pdf.AddPage()
	return pdf
}

func written(t *testing.T, pdf *gofpdf.Fpdf) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := pdf.Output(&out); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// stream is the drawing on the first page.
func stream(t *testing.T, pdf *gofpdf.Fpdf) string {
	t.Helper()
	all := string(written(t, pdf))
	_, rest, ok := strings.Cut(all, "stream\n")
	if !ok {
		t.Fatal("no stream")
	}
	content, _, _ := strings.Cut(rest, "endstream")
	return content
}

func ptr(v float64) *float64 { return &v }

func sample() Cook {
	c := Cook{Unit: "°C", Low: ptr(116), High: ptr(118), Pull: &Point{16, 117.4}, Highest: &Point{16, 118.9}, Corrected: &Point{16, 117.0}, U: 0.4}
	for i := range 33 {
		c.Main = append(c.Main, Point{float64(i) / 2, 30 + 87*math.Sqrt(float64(i)/32)})
	}
	c.Others = [][]Point{{{0, 25}, {8, 90}, {16, 119}}}
	return c
}

var pathOp = regexp.MustCompile(`(?m)^(-?[0-9.]+) (-?[0-9.]+) (m|l)\b`)

func TestCurveStaysInItsBox(t *testing.T) {
	pdf := page()
	box := Box{X: 120, Y: 40, W: 56, H: 34}
	if err := sample().Draw(pdf, "dejavu", box); err != nil {
		t.Fatal(err)
	}
	content := stream(t, pdf)
	ops := pathOp.FindAllStringSubmatch(content, -1)
	if len(ops) < 50 {
		t.Fatalf("only %d strokes", len(ops))
	}
	const k = 72 / 25.4
	for _, op := range ops {
		x, _ := strconv.ParseFloat(op[1], 64)
		y, _ := strconv.ParseFloat(op[2], 64)
		if x < box.X*k-0.5 || x > (box.X+box.W)*k+0.5 || y > (297-box.Y)*k+0.5 || y < (297-box.Y-box.H)*k-0.5 {
			t.Errorf("%s %s %s stands outside the box", op[1], op[2], op[3])
		}
	}
	for _, digits := range []string{"4\x000", "1\x000\x000"} { // labels of the axis, in UTF-16
		if !strings.Contains(content, digits) {
			t.Errorf("no label %q", strings.ReplaceAll(digits, "\x00", ""))
		}
	}
}

func TestSameCurveSameBytes(t *testing.T) {
	var first [32]byte
	for i := range 5 {
		pdf := page()
		if err := sample().Draw(pdf, "dejavu", Box{20, 20, 60, 40}); err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(written(t, pdf))
		if i == 0 {
			first = sum
		} else if sum != first {
			t.Fatalf("drawing %d differs", i)
		}
	}
}

func TestOddCurves(t *testing.T) {
	for name, c := range map[string]Cook{
		"nothing":     {Unit: "°C"},
		"one reading": {Unit: "°F", Main: []Point{{0, 212}}},
		"flat":        {Unit: "°C", Main: []Point{{0, 100}, {5, 100}}, Low: ptr(100)},
		"only a pull": {Unit: "°C", Pull: &Point{3, 117}, High: ptr(118)},
		"below zero":  {Unit: "°C", Main: []Point{{0, -18}, {2, 3}}},
	} {
		pdf := page()
		if err := c.Draw(pdf, "dejavu", Box{20, 20, 60, 40}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		written(t, pdf)
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		c := Cook{Unit: "°C", Main: []Point{{0, bad}}}
		if err := c.Draw(page(), "dejavu", Box{20, 20, 60, 40}); !errors.Is(err, errNotFinite) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

func TestThinningKeepsEveryPeak(t *testing.T) {
	var long []Point
	for i := range 50_000 {
		deg := 100 + math.Sin(float64(i)/900)
		if i == 31_415 {
			deg = 180
		}
		if i == 27_182 {
			deg = 20
		}
		long = append(long, Point{float64(i) / 60, deg})
	}
	got := thin(long)
	if len(got) > maxPoints || got[0] != long[0] || got[len(got)-1] != long[len(long)-1] {
		t.Fatalf("%d points from %v to %v", len(got), got[0], got[len(got)-1])
	}
	peak, dip := false, false
	for i, p := range got {
		peak, dip = peak || p.Deg == 180, dip || p.Deg == 20
		if i > 0 && p.Min <= got[i-1].Min {
			t.Fatalf("point %d goes back in time", i)
		}
	}
	if !peak || !dip {
		t.Error("a peak was lost")
	}
	if short := thin(long[:600]); len(short) != 600 {
		t.Errorf("a short curve was thinned to %d", len(short))
	}
}

func TestTicksStandAtRoundValues(t *testing.T) {
	for _, c := range []struct {
		lo, hi      float64
		first, last string
	}{{24, 122, "40", "120"}, {-3, 9, "-2", "8"}, {0, 1, "0.0", "1.0"}, {0, 17.3, "0", "15"}} {
		ticks := evenTicks{about: 6}.Ticks(c.lo, c.hi)
		if n := len(ticks); n < 3 || n > 8 || ticks[0].Label != c.first || ticks[n-1].Label != c.last {
			t.Errorf("from %v to %v: %+v", c.lo, c.hi, ticks)
		}
	}
}

// The canvas must place points as gonum's own transformations do: rotation, then shift, then
// stretch, each about the origin of what is drawn next. Expected values are worked by hand.
func TestTransformations(t *testing.T) {
	c := newCanvas(page(), "dejavu", Box{X: 10, Y: 20, W: 50, H: 40})
	at := func(x, y float64) (float64, float64) {
		px, py := c.place(x, y)
		return px, py
	}
	near := func(what string, gotX, gotY, wantX, wantY float64) {
		t.Helper()
		if math.Abs(gotX-wantX) > 1e-9 || math.Abs(gotY-wantY) > 1e-9 {
			t.Errorf("%s: (%v, %v), want (%v, %v)", what, gotX, gotY, wantX, wantY)
		}
	}
	x, y := at(72, 72)
	near("an inch from the lower left corner", x, y, 10+25.4, 60-25.4)
	c.Push()
	c.Translate(vg.Point{X: 72, Y: 0})
	c.Rotate(math.Pi / 2)
	c.Scale(2, 1)
	x, y = at(36, 0) // stretched to an inch, turned upwards, moved right by one
	near("moved, turned, stretched", x, y, 10+25.4, 60-25.4)
	c.Pop()
	x, y = at(0, 0)
	near("after Pop", x, y, 10, 60)
}

// Arcs and curves reach the page; pictures are refused.
func TestPathsOfAllKinds(t *testing.T) {
	pdf := page()
	c := newCanvas(pdf, "dejavu", Box{X: 10, Y: 20, W: 50, H: 40})
	var p vg.Path
	p.Move(vg.Point{X: 10, Y: 10})
	p.QuadTo(vg.Point{X: 20, Y: 30}, vg.Point{X: 30, Y: 10})
	p.CubeTo(vg.Point{X: 40, Y: 20}, vg.Point{X: 50, Y: 20}, vg.Point{X: 60, Y: 10})
	p.Arc(vg.Point{X: 60, Y: 20}, 10, -math.Pi/2, math.Pi)
	p.Close()
	c.SetColor(color.Gray{Y: 100})
	c.Fill(p)
	c.SetLineWidth(0)
	c.Stroke(p)
	c.SetColor(nil)
	c.SetLineWidth(1)
	c.SetLineDash([]vg.Length{2, 1}, 0)
	c.Stroke(p)
	content := stream(t, pdf)
	if cubic, quadratic := strings.Count(content, " c\n"), strings.Count(content, " v\n"); cubic != 2 || quadratic != 2 {
		t.Errorf("%d cubic and %d quadratic curves, want one of each in both drawings", cubic, quadratic)
	}
	if strings.Count(content, "\nf\n") != 1 || strings.Count(content, "\nS\n") != 1 {
		t.Error("one filling and one stroke are wanted; width 0 draws nothing")
	}
	defer func() {
		if recover() == nil {
			t.Error("a picture was taken")
		}
	}()
	c.DrawImage(vg.Rectangle{}, image.NewGray(image.Rect(0, 0, 1, 1)))
}

// What the plot asks for is what arrives: as many fills and strokes as gonum's own listing canvas counts.
func TestEverythingAskedForIsDrawn(t *testing.T) {
	var rec recorder.Canvas
	pdf := page()
	real := newCanvas(pdf, "dejavu", Box{X: 10, Y: 20, W: 50, H: 40})
	for _, c := range []vg.Canvas{&rec, real} {
		d := draw.NewCanvas(c, real.w, real.h)
		d.FillPolygon(color.Black, []vg.Point{{X: 1, Y: 1}, {X: 9, Y: 1}, {X: 9, Y: 9}})
		d.StrokeLine2(draw.LineStyle{Color: color.Black, Width: 1}, 0, 0, 30, 30)
		d.DrawGlyph(draw.GlyphStyle{Color: color.Black, Radius: 3, Shape: draw.CircleGlyph{}}, vg.Point{X: 20, Y: 20})
	}
	fills, strokes := 0, 0
	for _, a := range rec.Actions {
		switch a.(type) {
		case *recorder.Fill:
			fills++
		case *recorder.Stroke:
			strokes++
		}
	}
	content := stream(t, pdf)
	if f, s := strings.Count(content, "\nf\n"), strings.Count(content, "\nS\n"); f != fills || s != strokes {
		t.Errorf("%d fills and %d strokes, want %d and %d", f, s, fills, strokes)
	}
}
