package seal

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// The kinds of PDF objects (ISO 32000-1, 7.3). Numbers keep their spelling so
// that what is read and written again stays the same.
type (
	null      struct{}
	boolean   bool
	number    string
	name      string // decoded, without the slash
	text      []byte // a string object, decoded
	reference struct{ num, gen int }
	array     []any
)

// entry is a key of a dictionary with the place of its value in the file.
type entry struct {
	key        name
	value      any
	start, end int
}

// dict keeps the order of its keys; no key stands in it twice.
type dict []entry

// stream is a dictionary with raw, still encoded, data.
type stream struct {
	dict dict
	data []byte
}

func (d dict) get(key name) any {
	for _, e := range d {
		if e.key == key {
			return e.value
		}
	}
	return nil
}

func (d dict) find(key name) (entry, bool) {
	for _, e := range d {
		if e.key == key {
			return e, true
		}
	}
	return entry{}, false
}

// with gives a copy in which key has that value, at its old place or at the end.
func (d dict) with(key name, value any) dict {
	out := append(dict(nil), d...)
	for i := range out {
		if out[i].key == key {
			out[i] = entry{key: key, value: value}
			return out
		}
	}
	return append(out, entry{key: key, value: value})
}

// without gives a copy that lacks the keys.
func (d dict) without(keys ...name) dict {
	var out dict
next:
	for _, e := range d {
		for _, key := range keys {
			if e.key == key {
				continue next
			}
		}
		out = append(out, e)
	}
	return out
}

// newDict takes keys and values in turn.
func newDict(pairs ...any) dict {
	var d dict
	for i := 0; i+1 < len(pairs); i += 2 {
		d = append(d, entry{key: pairs[i].(name), value: pairs[i+1]})
	}
	return d
}

// integer reads a value as an integer that fits an offset.
func integer(value any) (int, bool) {
	n, ok := value.(number)
	if !ok {
		return 0, false
	}
	i, err := strconv.ParseInt(string(n), 10, 48)
	return int(i), err == nil
}

func intNumber(n int) number { return number(strconv.Itoa(n)) }

// real writes a length in points with at most two decimals.
func real(x float64) number {
	s := strconv.FormatFloat(x, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		s = "0"
	}
	return number(s)
}

// serialise writes an object; the same object always gives the same bytes, so
// that two objects are equal when their bytes are.
func serialise(value any) []byte {
	var b bytes.Buffer
	writeValue(&b, value)
	return b.Bytes()
}

func equalValues(a, b any) bool { return bytes.Equal(serialise(a), serialise(b)) }

func writeValue(b *bytes.Buffer, value any) {
	switch v := value.(type) {
	case boolean:
		fmt.Fprintf(b, "%t", bool(v))
	case number:
		b.WriteString(string(v))
	case name:
		writeName(b, v)
	case text:
		writeText(b, v)
	case reference:
		fmt.Fprintf(b, "%d %d R", v.num, v.gen)
	case array:
		b.WriteByte('[')
		for i, item := range v {
			if i > 0 {
				b.WriteByte(' ')
			}
			writeValue(b, item)
		}
		b.WriteByte(']')
	case dict:
		b.WriteString("<<")
		for _, e := range v {
			b.WriteByte(' ')
			writeName(b, e.key)
			b.WriteByte(' ')
			writeValue(b, e.value)
		}
		b.WriteString(" >>")
	case stream:
		writeValue(b, v.dict.with("Length", intNumber(len(v.data))))
		b.WriteString("\nstream\n")
		b.Write(v.data)
		b.WriteString("\nendstream")
	default:
		b.WriteString("null")
	}
}

func writeName(b *bytes.Buffer, n name) {
	b.WriteByte('/')
	for _, c := range []byte(n) {
		if c <= ' ' || c > '~' || c == '#' || isDelimiter(c) {
			fmt.Fprintf(b, "#%02X", c)
		} else {
			b.WriteByte(c)
		}
	}
}

func writeText(b *bytes.Buffer, t text) {
	for _, c := range t {
		if c < ' ' || c > '~' {
			fmt.Fprintf(b, "<%x>", []byte(t))
			return
		}
	}
	b.WriteByte('(')
	for _, c := range t {
		if c == '(' || c == ')' || c == '\\' {
			b.WriteByte('\\')
		}
		b.WriteByte(c)
	}
	b.WriteByte(')')
}

// textString encodes a Go string as a PDF text string (ISO 32000-1, 7.9.2.2):
// ASCII as it stands, anything else as UTF-16 with a byte order mark.
func textString(s string) text {
	ascii := true
	for _, c := range []byte(s) {
		ascii = ascii && c >= ' ' && c <= '~'
	}
	if ascii {
		return text(s)
	}
	out := []byte{0xfe, 0xff}
	for _, unit := range utf16.Encode([]rune(s)) {
		out = append(out, byte(unit>>8), byte(unit))
	}
	return out
}

// decodeText is the inverse of textString. Bytes above 127 of a text without a
// byte order mark are read as Latin-1, which PDFDocEncoding mostly is.
func decodeText(value any) string {
	t, ok := value.(text)
	if !ok {
		return ""
	}
	if len(t) >= 2 && t[0] == 0xfe && t[1] == 0xff {
		var units []uint16
		for i := 2; i+1 < len(t); i += 2 {
			units = append(units, uint16(t[i])<<8|uint16(t[i+1]))
		}
		return string(utf16.Decode(units))
	}
	if len(t) >= 3 && t[0] == 0xef && t[1] == 0xbb && t[2] == 0xbf && utf8.Valid(t[3:]) {
		return string(t[3:])
	}
	var b strings.Builder
	for _, c := range t {
		b.WriteRune(rune(c))
	}
	return b.String()
}
