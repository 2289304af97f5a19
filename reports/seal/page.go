package seal

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"io"
	"strconv"
)

// page is a page of a document with what it inherits.
type page struct {
	ref       reference
	dict      dict
	mediaBox  array
	resources dict
}

// maxPages bounds how many pages of a document are looked at.
const maxPages = 10_000

// pages lists the pages as of the newest revision.
func (doc *document) pages() ([]page, error) {
	var out []page
	seen := map[reference]bool{}
	var walk func(value any, inherited page, depth int) error
	walk = func(value any, inherited page, depth int) error {
		ref, ok := value.(reference)
		node, isDict := doc.resolve(value, doc.last()).(dict)
		if !ok || !isDict || depth > maxDepth || len(out) >= maxPages || seen[ref] {
			return fmt.Errorf("%w: bad page tree", ErrDocument)
		}
		seen[ref] = true
		inherited.ref, inherited.dict = ref, node
		if box := doc.arrayOf(node.get("MediaBox"), doc.last()); box != nil {
			inherited.mediaBox = box
		}
		if resources := doc.dictOf(node.get("Resources"), doc.last()); resources != nil {
			inherited.resources = resources
		}
		if node.get("Type") == name("Page") {
			out = append(out, inherited)
			return nil
		}
		for _, kid := range doc.arrayOf(node.get("Kids"), doc.last()) {
			if err := walk(kid, inherited, depth+1); err != nil {
				return err
			}
		}
		return nil
	}
	if err := walk(doc.catalog(doc.last()).get("Pages"), page{}, 0); err != nil {
		return nil, err
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%w: it has no page", ErrDocument)
	}
	return out, nil
}

// size gives left, bottom, width and height of the page in points.
func (p page) size() (box [4]float64, ok bool) {
	if len(p.mediaBox) != 4 {
		return box, false
	}
	for i, v := range p.mediaBox {
		n, isNumber := v.(number)
		x, err := strconv.ParseFloat(string(n), 64)
		if !isNumber || err != nil {
			return box, false
		}
		box[i] = x
	}
	box[2], box[3] = box[2]-box[0], box[3]-box[1]
	return box, box[2] > 0 && box[3] > 0
}

// maxDecoded bounds what compressed streams may grow to, in bytes.
const maxDecoded = 256 << 20

// decode gives the content of a stream that is plain or Flate-compressed and at
// most limit bytes long.
func (s stream) decode(limit int) ([]byte, error) {
	switch filter := s.dict.get("Filter"); {
	case filter == nil && len(s.data) > limit:
		return nil, fmt.Errorf("%w: a stream of %d bytes", ErrDocument, len(s.data))
	case filter == nil:
		return bytes.Clone(s.data), nil
	case !equalValues(filter, name("FlateDecode")) && !equalValues(filter, array{name("FlateDecode")}):
		return nil, fmt.Errorf("%w: filter %s is not supported", ErrDocument, serialise(filter))
	case s.dict.get("DecodeParms") != nil:
		return nil, fmt.Errorf("%w: decode parameters are not supported", ErrDocument)
	}
	r, err := zlib.NewReader(bytes.NewReader(s.data))
	if err != nil {
		return nil, fmt.Errorf("%w: compressed stream: %w", ErrDocument, err)
	}
	out, err := io.ReadAll(io.LimitReader(r, int64(limit)+1))
	if err != nil {
		return nil, fmt.Errorf("%w: compressed stream: %w", ErrDocument, err)
	}
	if len(out) > limit {
		return nil, fmt.Errorf("%w: a stream grows beyond %d bytes", ErrDocument, limit)
	}
	return out, nil
}

// compress packs a stream. The bytes depend on the version of Go, so a sealed
// document is kept and not made again.
func compress(d dict, data []byte) stream {
	var b bytes.Buffer
	w := zlib.NewWriter(&b)
	_, _ = w.Write(data) // a bytes.Buffer takes everything
	_ = w.Close()
	return stream{dict: d.with("Filter", name("FlateDecode")), data: b.Bytes()}
}
