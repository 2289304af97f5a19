package seal

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Measures of a drawn field in points, except emWidth.
const (
	largestType  = 8.0
	smallestType = 4.0
	inset        = 4.0
	lineSpacing  = 1.25 // baseline to baseline, in type sizes
	emWidth      = 0.62 // a generous mean width of a character, in type sizes
)

// font can draw some characters and stands in the file as an object of its own.
type font struct {
	key    name
	ref    reference
	encode func(rune) ([]byte, bool)
}

// winAnsi holds the characters of WinAnsiEncoding that Latin-1 has not (ISO 32000-1, D.2).
var winAnsi = map[rune]byte{
	'€': 0x80, '‚': 0x82, 'ƒ': 0x83, '„': 0x84, '…': 0x85, '†': 0x86, '‡': 0x87, 'ˆ': 0x88, '‰': 0x89,
	'Š': 0x8a, '‹': 0x8b, 'Œ': 0x8c, 'Ž': 0x8e, '‘': 0x91, '’': 0x92, '“': 0x93, '”': 0x94, '•': 0x95,
	'–': 0x96, '—': 0x97, '˜': 0x98, '™': 0x99, 'š': 0x9a, '›': 0x9b, 'œ': 0x9c, 'ž': 0x9e, 'Ÿ': 0x9f,
}

func encodeWinAnsi(r rune) ([]byte, bool) {
	if r >= ' ' && r <= '~' || r >= 0xa0 && r <= 0xff {
		return []byte{byte(r)}, true
	}
	c, ok := winAnsi[r]
	return []byte{c}, ok
}

// helvetica is the object of the standard font that every viewer has.
func helvetica() dict {
	return newDict(name("Type"), name("Font"), name("Subtype"), name("Type1"),
		name("BaseFont"), name("Helvetica"), name("Encoding"), name("WinAnsiEncoding"))
}

// pageFonts finds the embedded fonts of a page that take UTF-16 codes. Only the
// characters that the pages use are in them; encode knows which.
func (doc *document) pageFonts(p page) []font {
	var out []font
	for _, e := range doc.dictOf(p.resources.get("Font"), doc.last()) {
		ref, ok := e.value.(reference)
		d := doc.dictOf(e.value, doc.last())
		if !ok || d.get("Subtype") != name("Type0") || d.get("Encoding") != name("Identity-H") {
			continue
		}
		below := doc.arrayOf(d.get("DescendantFonts"), doc.last())
		if len(below) != 1 {
			continue
		}
		glyphs, ok := doc.resolve(doc.dictOf(below[0], doc.last()).get("CIDToGIDMap"), doc.last()).(stream)
		if !ok {
			continue
		}
		table, err := glyphs.decode(2 << 16)
		if err != nil {
			continue
		}
		out = append(out, font{
			key: name(fmt.Sprintf("FD%d", len(out)+1)), ref: ref,
			encode: func(r rune) ([]byte, bool) {
				i := 2 * int(r)
				if r > 0xffff || i+1 >= len(table) {
					return nil, false
				}
				return []byte{byte(r >> 8), byte(r)}, table[i] != 0 || table[i+1] != 0
			},
		})
	}
	return out
}

// preferred puts a font that has the characters of all lines first, so that a
// field is not drawn in two typefaces without need.
func preferred(fonts []font, lines []string) []font {
	for i, f := range fonts {
		if _, _, err := encodeLine(strings.Join(lines, ""), fonts[i:i+1]); err == nil {
			return append([]font{f}, fonts...)
		}
	}
	return fonts
}

// encodeLine gives a line in the first font that has all of its characters.
func encodeLine(line string, fonts []font) (font, []byte, error) {
next:
	for _, f := range fonts {
		var out []byte
		for _, r := range line {
			code, ok := f.encode(r)
			if !ok {
				continue next
			}
			out = append(out, code...)
		}
		return f, out, nil
	}
	return font{}, nil, fmt.Errorf("%w: no font here can draw %q; give Lines that say it otherwise", ErrOptions, line)
}

// draw makes the appearance stream of a field: a frame, dashed while the field
// is empty, and the lines in it.
func draw(width, height float64, lines []string, fonts []font, filled bool) (stream, error) {
	longest := 1
	for _, line := range lines {
		longest = max(longest, utf8.RuneCountInString(line))
	}
	size := min(largestType,
		(width-2*inset)/(emWidth*float64(longest)),
		(height-2*inset)/(lineSpacing*float64(max(1, len(lines)))))
	if size < smallestType {
		return stream{}, fmt.Errorf("%w: the text of a field does not fit into %g x %g points", ErrOptions, width, height)
	}
	var b bytes.Buffer
	b.WriteString("q 0.5 w 0 G")
	if !filled {
		b.WriteString(" [2 2] 0 d")
	}
	fmt.Fprintf(&b, " 0.25 0.25 %s %s re S Q\nBT 0 g\n", real(width-0.5), real(height-0.5))
	fmt.Fprintf(&b, "%s %s Td %s TL\n", real(inset), real(height-inset-0.8*size), real(lineSpacing*size))
	fonts = preferred(fonts, lines)
	var used dict
	for i, line := range lines {
		f, codes, err := encodeLine(line, fonts)
		if err != nil {
			return stream{}, err
		}
		used = used.with(f.key, f.ref)
		if i > 0 {
			b.WriteString("T* ")
		}
		fmt.Fprintf(&b, "/%s %s Tf <%x> Tj\n", f.key, real(size), codes)
	}
	b.WriteString("ET")
	return stream{
		dict: newDict(name("Type"), name("XObject"), name("Subtype"), name("Form"),
			name("BBox"), array{number("0"), number("0"), real(width), real(height)},
			name("Resources"), newDict(name("Font"), used)),
		data: b.Bytes(),
	}, nil
}
