package seal

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
)

// maxDepth bounds how deep arrays and dictionaries may be nested.
const maxDepth = 32

// parser reads PDF objects from a file at a position.
type parser struct {
	src []byte
	pos int
}

func isSpace(c byte) bool {
	return c == ' ' || c == '\n' || c == '\r' || c == '\t' || c == '\f' || c == 0
}

func isDelimiter(c byte) bool {
	switch c {
	case '(', ')', '<', '>', '[', ']', '{', '}', '/', '%':
		return true
	}
	return false
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func (p *parser) fail(format string, args ...any) error {
	return fmt.Errorf("at byte %d: "+format, append([]any{p.pos}, args...)...)
}

// peek gives the byte at the position plus n, or 0 behind the end.
func (p *parser) peek(n int) byte {
	if p.pos+n < len(p.src) {
		return p.src[p.pos+n]
	}
	return 0
}

// skipSpace passes white space and comments.
func (p *parser) skipSpace() {
	for p.pos < len(p.src) {
		switch c := p.src[p.pos]; {
		case isSpace(c):
			p.pos++
		case c == '%':
			for p.pos < len(p.src) && p.src[p.pos] != '\n' && p.src[p.pos] != '\r' {
				p.pos++
			}
		default:
			return
		}
	}
}

// keyword passes word when it stands at the position and ends there.
func (p *parser) keyword(word string) bool {
	if !bytes.HasPrefix(p.src[min(p.pos, len(p.src)):], []byte(word)) {
		return false
	}
	if after := p.pos + len(word); after < len(p.src) && !isSpace(p.src[after]) && !isDelimiter(p.src[after]) {
		return false
	}
	p.pos += len(word)
	return true
}

// value reads one object other than a stream.
func (p *parser) value(depth int) (any, error) {
	if depth > maxDepth {
		return nil, p.fail("nested too deep")
	}
	p.skipSpace()
	switch c := p.peek(0); {
	case p.pos >= len(p.src):
		return nil, p.fail("the file ends inside an object")
	case c == '/':
		return p.name()
	case c == '(':
		return p.literal()
	case c == '<' && p.peek(1) == '<':
		return p.dict(depth)
	case c == '<':
		return p.hex()
	case c == '[':
		return p.array(depth)
	case isDigit(c) || c == '+' || c == '-' || c == '.':
		return p.numberOrReference()
	case p.keyword("true"):
		return boolean(true), nil
	case p.keyword("false"):
		return boolean(false), nil
	case p.keyword("null"):
		return null{}, nil
	}
	return nil, p.fail("no object begins with %q", p.peek(0))
}

func (p *parser) name() (name, error) {
	p.pos++ // the slash
	var out []byte
	for p.pos < len(p.src) && !isSpace(p.src[p.pos]) && !isDelimiter(p.src[p.pos]) {
		c := p.src[p.pos]
		p.pos++
		if c == '#' {
			if p.pos+2 > len(p.src) {
				return "", p.fail("a name ends inside an escape")
			}
			v, err := strconv.ParseUint(string(p.src[p.pos:p.pos+2]), 16, 8)
			if err != nil {
				return "", p.fail("bad escape in a name")
			}
			c = byte(v)
			p.pos += 2
		}
		out = append(out, c)
	}
	return name(out), nil
}

func (p *parser) literal() (text, error) {
	p.pos++
	out := text{}
	for open := 1; p.pos < len(p.src); {
		c := p.src[p.pos]
		p.pos++
		switch c {
		case '(':
			open++
		case ')':
			open--
			if open == 0 {
				return out, nil
			}
		case '\r': // any end of line inside a string is a line feed
			if p.peek(0) == '\n' {
				p.pos++
			}
			c = '\n'
		case '\\':
			if escaped, ok := p.escape(); ok {
				out = append(out, escaped)
			}
			continue
		}
		out = append(out, c)
	}
	return nil, p.fail("the file ends inside a string")
}

// escape reads what follows a backslash; a continued line gives nothing.
func (p *parser) escape() (byte, bool) {
	c := p.peek(0)
	p.pos++
	switch c {
	case 'n':
		return '\n', true
	case 'r':
		return '\r', true
	case 't':
		return '\t', true
	case 'b':
		return '\b', true
	case 'f':
		return '\f', true
	case '\n':
		return 0, false
	case '\r':
		if p.peek(0) == '\n' {
			p.pos++
		}
		return 0, false
	}
	if c < '0' || c > '7' {
		return c, true
	}
	v := int(c - '0')
	for range 2 {
		if d := p.peek(0); d >= '0' && d <= '7' {
			v = v<<3 | int(d-'0')
			p.pos++
		}
	}
	return byte(v), true
}

func (p *parser) hex() (text, error) {
	p.pos++
	out := text{}
	high, half := byte(0), false
	for p.pos < len(p.src) {
		c := p.src[p.pos]
		p.pos++
		if c == '>' {
			if half {
				out = append(out, high<<4)
			}
			return out, nil
		}
		if isSpace(c) {
			continue
		}
		d, ok := hexDigit(c)
		if !ok {
			return nil, p.fail("%q in a hexadecimal string", c)
		}
		if half {
			out = append(out, high<<4|d)
		}
		high, half = d, !half
	}
	return nil, p.fail("the file ends inside a hexadecimal string")
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case isDigit(c):
		return c - '0', true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}

func (p *parser) array(depth int) (array, error) {
	p.pos++
	out := array{}
	for {
		p.skipSpace()
		if p.peek(0) == ']' {
			p.pos++
			return out, nil
		}
		item, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		out = append(out, item)
	}
}

func (p *parser) dict(depth int) (dict, error) {
	p.pos += 2
	var out dict
	seen := map[name]bool{}
	for {
		p.skipSpace()
		if p.peek(0) == '>' && p.peek(1) == '>' {
			p.pos += 2
			return out, nil
		}
		if p.peek(0) != '/' {
			return nil, p.fail("a key was expected")
		}
		key, err := p.name()
		if err != nil {
			return nil, err
		}
		if seen[key] {
			return nil, p.fail("key /%s stands twice", key)
		}
		seen[key] = true
		p.skipSpace()
		start := p.pos
		value, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		out = append(out, entry{key: key, value: value, start: start, end: p.pos})
	}
}

// numberOrReference reads "12", "-0.5" or "12 0 R".
func (p *parser) numberOrReference() (any, error) {
	start := p.pos
	digits, dots := 0, 0
scan:
	for p.pos < len(p.src) {
		c := p.src[p.pos]
		switch {
		case isDigit(c):
			digits++
		case c == '.':
			dots++
		case (c == '+' || c == '-') && p.pos == start:
		default:
			break scan
		}
		p.pos++
	}
	if digits == 0 || dots > 1 {
		return nil, p.fail("not a number")
	}
	n := number(p.src[start:p.pos])
	after := p.pos
	num, err := strconv.Atoi(string(n))
	if err != nil || !isDigit(n[0]) {
		return n, nil
	}
	p.skipSpace()
	genStart := p.pos
	for isDigit(p.peek(0)) {
		p.pos++
	}
	gen, err := strconv.Atoi(string(p.src[genStart:p.pos]))
	if err == nil {
		p.skipSpace()
		if p.keyword("R") {
			return reference{num, gen}, nil
		}
	}
	p.pos = after
	return n, nil
}

var errNoObject = errors.New("no indirect object here")

// indirect reads "N G obj ... endobj" at the position and leaves the position
// behind endobj. length resolves a /Length that is a reference.
func (p *parser) indirect(length func(reference) (int, bool)) (reference, any, error) {
	num, ok1 := p.plainInt()
	gen, ok2 := p.plainInt()
	if !ok1 || !ok2 || !p.keyword("obj") {
		return reference{}, nil, p.fail("%w", errNoObject)
	}
	ref := reference{num, gen}
	value, err := p.value(0)
	if err != nil {
		return ref, nil, err
	}
	p.skipSpace()
	if d, ok := value.(dict); ok && p.keyword("stream") {
		if value, err = p.stream(d, length); err != nil {
			return ref, nil, err
		}
	}
	p.skipSpace()
	if !p.keyword("endobj") {
		return ref, nil, p.fail("endobj was expected")
	}
	return ref, value, nil
}

// stream reads the data behind the keyword stream.
func (p *parser) stream(d dict, length func(reference) (int, bool)) (stream, error) {
	n, ok := integer(d.get("Length"))
	if ref, indirect := d.get("Length").(reference); indirect && length != nil {
		n, ok = length(ref)
	}
	if p.peek(0) == '\r' {
		p.pos++
	}
	if p.peek(0) != '\n' {
		return stream{}, p.fail("a line feed was expected behind stream")
	}
	p.pos++
	if !ok || n < 0 || n > len(p.src)-p.pos {
		return stream{}, p.fail("bad stream length")
	}
	data := p.src[p.pos : p.pos+n]
	p.pos += n
	p.skipLineEnd()
	if !p.keyword("endstream") {
		return stream{}, p.fail("endstream was expected")
	}
	return stream{dict: d, data: data}, nil
}

// skipLineEnd passes one end of line, if there is one.
func (p *parser) skipLineEnd() {
	if p.peek(0) == '\r' {
		p.pos++
	}
	if p.peek(0) == '\n' {
		p.pos++
	}
}

// plainInt reads digits without a sign and the blanks behind them.
func (p *parser) plainInt() (int, bool) {
	start := p.pos
	for isDigit(p.peek(0)) {
		p.pos++
	}
	n, err := strconv.ParseInt(string(p.src[min(start, len(p.src)):p.pos]), 10, 48)
	for p.pos < len(p.src) && isSpace(p.src[p.pos]) {
		p.pos++
	}
	return int(n), err == nil
}
