package seal

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
)

// maxRevisions bounds how many revisions of a file are read.
const maxRevisions = 64

// object is one indirect object as it stands in the file.
type object struct {
	ref    reference
	value  any
	offset int
}

// revision is one layer of a file: its own objects, cross-reference table and trailer.
type revision struct {
	start, end int // the bytes [start, end)
	xrefAt     int
	trailer    dict
	objects    map[int]object
}

// document is a file with classic cross-reference tables, read completely.
type document struct {
	src       []byte
	revisions []revision // oldest first
	end       int        // behind the last revision; what follows is no part of the document
}

// readDocument reads every revision and every object of a file. It wants what
// Sign works on and writes: plain tables, objects where the tables say and none
// inside another, and in each later revision nothing between the objects.
func readDocument(src []byte) (*document, error) {
	doc := &document{src: src}
	if !bytes.HasPrefix(src, []byte("%PDF-1.")) {
		return nil, fmt.Errorf("%w: it does not begin with %%PDF-1", ErrDocument)
	}
	xrefAt, err := lastTable(src)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDocument, err)
	}
	var tables [][]tableEntry
	for {
		if len(doc.revisions) == maxRevisions {
			return nil, fmt.Errorf("%w: more than %d revisions", ErrDocument, maxRevisions)
		}
		rev, table, err := readTable(src, xrefAt)
		if err != nil {
			return nil, fmt.Errorf("%w: cross-reference table: %w", ErrDocument, err)
		}
		doc.revisions = append(doc.revisions, rev)
		tables = append(tables, table)
		previous, found := rev.trailer.find("Prev")
		if !found {
			break
		}
		at, ok := integer(previous.value)
		if !ok || at <= 0 || at >= xrefAt {
			return nil, fmt.Errorf("%w: bad /Prev", ErrDocument)
		}
		xrefAt = at
	}
	slices.Reverse(doc.revisions)
	slices.Reverse(tables)
	doc.end = doc.revisions[len(doc.revisions)-1].end
	for i := range doc.revisions {
		if i > 0 {
			doc.revisions[i].start = doc.revisions[i-1].end
		}
		if err := doc.readObjects(i, tables[i]); err != nil {
			return nil, fmt.Errorf("%w: revision %d: %w", ErrDocument, i+1, err)
		}
	}
	return doc, nil
}

// lastTable finds the offset that the last startxref gives.
func lastTable(src []byte) (int, error) {
	eof := bytes.LastIndex(src, []byte("%%EOF"))
	if eof < 0 {
		return 0, fmt.Errorf("there is no %%%%EOF")
	}
	at := bytes.LastIndex(src[:eof], []byte("startxref"))
	if at < 0 {
		return 0, fmt.Errorf("there is no startxref")
	}
	p := parser{src: src[:eof], pos: at}
	offset, ok := p.startxref()
	if !ok || p.pos != eof {
		return 0, fmt.Errorf("bad startxref")
	}
	return offset, nil
}

// startxref reads "startxref", the offset and the blanks behind.
func (p *parser) startxref() (int, bool) {
	if !p.keyword("startxref") {
		return 0, false
	}
	for p.pos < len(p.src) && isSpace(p.src[p.pos]) {
		p.pos++
	}
	return p.plainInt()
}

// tableEntry is one line of a cross-reference table for an object in use.
type tableEntry struct {
	num, gen, offset int
}

// readTable reads the table and trailer at an offset, up to and with the line
// of %%EOF. The revision's start and objects are still missing.
func readTable(src []byte, at int) (revision, []tableEntry, error) {
	rev := revision{xrefAt: at}
	if at < 0 || at >= len(src) {
		return rev, nil, fmt.Errorf("offset %d lies outside the file", at)
	}
	p := parser{src: src, pos: at}
	if !p.keyword("xref") {
		return rev, nil, p.fail("xref was expected")
	}
	p.skipLineEnd()
	var table []tableEntry
	seen := map[int]bool{}
	for !p.keyword("trailer") {
		first, ok1 := p.plainInt()
		count, ok2 := p.plainInt()
		if !ok1 || !ok2 || count > (len(src)-p.pos)/20 || first > 1<<24 {
			return rev, nil, p.fail("bad subsection")
		}
		for num := first; num < first+count; num++ {
			e, inUse, ok := parseEntry(src[p.pos : p.pos+20])
			if !ok || seen[num] {
				return rev, nil, p.fail("bad entry for object %d", num)
			}
			seen[num] = true
			p.pos += 20
			switch {
			case inUse && num > 0:
				table = append(table, tableEntry{num: num, gen: e.gen, offset: e.offset})
			case inUse || num > 0: // a document of ours frees no object
				return rev, nil, p.fail("object %d is free", num)
			}
		}
	}
	value, err := p.value(0)
	if err != nil {
		return rev, nil, err
	}
	trailer, ok := value.(dict)
	if !ok {
		return rev, nil, p.fail("the trailer is no dictionary")
	}
	rev.trailer = trailer
	for p.pos < len(src) && isSpace(src[p.pos]) {
		p.pos++
	}
	if back, ok := p.startxref(); !ok || back != at {
		return rev, nil, p.fail("startxref does not give this table")
	}
	if !bytes.HasPrefix(src[p.pos:], []byte("%%EOF")) {
		return rev, nil, p.fail("%%%%EOF was expected")
	}
	p.pos += len("%%EOF")
	p.skipLineEnd()
	rev.end = p.pos
	return rev, table, checkTrailer(trailer, table)
}

// parseEntry reads the 20 bytes "oooooooooo ggggg n" and an end of line.
func parseEntry(line []byte) (e tableEntry, inUse, ok bool) {
	p := parser{src: line}
	for i, c := range line[:16] {
		if i == 10 && c != ' ' || i != 10 && !isDigit(c) {
			return e, false, false
		}
	}
	e.offset, _ = p.plainInt()
	e.gen, _ = p.plainInt()
	end := string(line[18:])
	inUse = line[17] == 'n'
	return e, inUse, line[16] == ' ' && (inUse || line[17] == 'f') && (end == " \n" || end == "\r\n" || end == " \r")
}

func checkTrailer(trailer dict, table []tableEntry) error {
	for _, key := range []name{"XRefStm", "Encrypt"} {
		if _, found := trailer.find(key); found {
			return fmt.Errorf("/%s is not supported", key)
		}
	}
	size, ok := integer(trailer.get("Size"))
	if !ok {
		return fmt.Errorf("the trailer has no /Size")
	}
	for _, e := range table {
		if e.num >= size {
			return fmt.Errorf("object %d lies beyond /Size", e.num)
		}
	}
	if _, ok := trailer.get("Root").(reference); !ok {
		return fmt.Errorf("the trailer has no /Root")
	}
	return nil
}

// readObjects parses the objects of revision i. In every revision but the first
// they must stand one behind the other and fill it up to the table.
func (doc *document) readObjects(i int, table []tableEntry) error {
	rev := &doc.revisions[i]
	rev.objects = make(map[int]object, len(table))
	slices.SortFunc(table, func(a, b tableEntry) int { return cmp.Compare(a.offset, b.offset) })
	pos := rev.start
	for _, e := range table {
		if e.offset < pos || e.offset >= rev.xrefAt || i > 0 && e.offset != pos {
			return fmt.Errorf("object %d does not stand where the table says", e.num)
		}
		p := parser{src: doc.src[:rev.xrefAt], pos: e.offset}
		ref, value, err := p.indirect(func(r reference) (int, bool) { return doc.streamLength(i, table, r) })
		if err != nil {
			return fmt.Errorf("object %d: %w", e.num, err)
		}
		if ref != (reference{e.num, e.gen}) {
			return fmt.Errorf("object %d calls itself %d %d", e.num, ref.num, ref.gen)
		}
		p.skipLineEnd()
		pos = p.pos
		rev.objects[e.num] = object{ref: ref, value: value, offset: e.offset}
	}
	if i > 0 && pos != rev.xrefAt {
		return fmt.Errorf("bytes between the objects and the table")
	}
	return nil
}

// streamLength reads an indirect /Length, which is a plain number of the same
// revision or an earlier one.
func (doc *document) streamLength(i int, table []tableEntry, ref reference) (int, bool) {
	for _, e := range table {
		if e.num == ref.num && e.offset < doc.revisions[i].xrefAt {
			p := parser{src: doc.src[:doc.revisions[i].xrefAt], pos: e.offset}
			num, _ := p.plainInt()
			gen, _ := p.plainInt()
			if !p.keyword("obj") || num != ref.num || gen != ref.gen {
				return 0, false
			}
			value, err := p.value(0)
			if err != nil {
				return 0, false
			}
			return integer(value)
		}
	}
	if i == 0 {
		return 0, false
	}
	return integer(doc.lookup(ref, i-1))
}

// lookup gives the value of an object as of revision i, or nil.
func (doc *document) lookup(ref reference, i int) any {
	found, _, ok := doc.find(ref, i)
	if !ok {
		return nil
	}
	return found.value
}

// find gives the object as of revision i and the revision in which it was written.
func (doc *document) find(ref reference, i int) (object, int, bool) {
	for ; i >= 0; i-- {
		if found, ok := doc.revisions[i].objects[ref.num]; ok {
			return found, i, found.ref == ref
		}
	}
	return object{}, 0, false
}

// resolve follows a reference, as of revision i; other values are given back.
func (doc *document) resolve(value any, i int) any {
	for range maxDepth { // a chain of references is legal, a ring is not
		ref, ok := value.(reference)
		if !ok {
			return value
		}
		value = doc.lookup(ref, i)
	}
	return nil
}

// dictOf resolves a value that should be a dictionary; nil when it is none.
func (doc *document) dictOf(value any, i int) dict {
	switch v := doc.resolve(value, i).(type) {
	case dict:
		return v
	case stream:
		return v.dict
	}
	return nil
}

func (doc *document) arrayOf(value any, i int) array {
	a, _ := doc.resolve(value, i).(array)
	return a
}

// last is the index of the newest revision.
func (doc *document) last() int { return len(doc.revisions) - 1 }

// catalog is the document catalog as of revision i.
func (doc *document) catalog(i int) dict {
	return doc.dictOf(doc.revisions[i].trailer.get("Root"), i)
}
