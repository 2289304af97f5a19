package reports

import (
	"bytes"
	"fmt"
	"sync"

	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/go-fonts/dejavu/dejavusanscondensedbold"
	"github.com/go-fonts/dejavu/dejavusansmono"
	"github.com/jung-kurt/gofpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	fix "golang.org/x/image/math/fixed"
)

// Names under which the cuts of the font are known inside the PDF. The fixed-width cut sets keys
// and hashes, where 0 and O, l and I must be told apart.
const (
	fontFamily = "dejavu"
	monoFamily = "dejavumono"
)

// lastRune is the highest code point the PDF writer can address.
const lastRune = 0xFFFF

// glyphs says what one cut of the font can show and how wide it is. Widths are thousandths
// of the type size, rounded as the PDF writer rounds them, so that measured and drawn text agree.
type glyphs struct {
	width [lastRune + 1]uint16
	have  [lastRune + 1]bool
}

// typeface is the regular, the bold and the fixed-width cut.
type typeface struct {
	regular, bold, mono glyphs
}

// loadTypeface measures the embedded fonts once; the result is only read afterwards.
var loadTypeface = sync.OnceValues(func() (*typeface, error) {
	t := new(typeface)
	if err := t.regular.measure(dejavusanscondensed.TTF); err != nil {
		return nil, fmt.Errorf("reports: regular font: %w", err)
	}
	if err := t.bold.measure(dejavusanscondensedbold.TTF); err != nil {
		return nil, fmt.Errorf("reports: bold font: %w", err)
	}
	if err := t.mono.measure(dejavusansmono.TTF); err != nil {
		return nil, fmt.Errorf("reports: fixed-width font: %w", err)
	}
	return t, nil
})

func (g *glyphs) measure(ttf []byte) error {
	f, err := sfnt.Parse(ttf)
	if err != nil {
		return err
	}
	var buf sfnt.Buffer
	em := fix.Int26_6(f.UnitsPerEm())
	for r := rune(0x20); r <= lastRune; r++ {
		if r >= 0xD800 && r <= 0xDFFF {
			continue // halves of surrogate pairs are no characters
		}
		index, err := f.GlyphIndex(&buf, r)
		if err != nil {
			return err
		}
		if index == 0 {
			continue
		}
		advance, err := f.GlyphAdvance(&buf, index, em, font.HintingNone)
		if err != nil {
			return err
		}
		g.have[r] = true
		g.width[r] = uint16((int64(advance)*1000 + int64(em)/2) / int64(em))
	}
	return nil
}

// addFonts embeds the cuts. The PDF writer writes into the bytes it is given, so every
// document gets a copy of its own.
func addFonts(pdf *gofpdf.Fpdf) {
	pdf.AddUTF8FontFromBytes(fontFamily, "", bytes.Clone(dejavusanscondensed.TTF))
	pdf.AddUTF8FontFromBytes(fontFamily, "B", bytes.Clone(dejavusanscondensedbold.TTF))
	pdf.AddUTF8FontFromBytes(monoFamily, "", bytes.Clone(dejavusansmono.TTF))
}
