package seal

import (
	"bytes"
	"fmt"
	"slices"
)

// writer appends one revision to a document.
type writer struct {
	doc     *document
	buf     bytes.Buffer // the revision so far
	next    int          // the next free object number
	offsets map[int]int  // object number to offset in the file
	err     error
}

func newWriter(doc *document) *writer {
	size, _ := integer(doc.revisions[doc.last()].trailer.get("Size"))
	return &writer{doc: doc, next: size, offsets: map[int]int{}}
}

// allocate gives the number of a new object.
func (w *writer) allocate() reference {
	w.next++
	return reference{num: w.next - 1}
}

// begin writes "N G obj" and remembers where.
func (w *writer) begin(ref reference) {
	w.offsets[ref.num] = w.doc.end + w.buf.Len()
	if ref.gen != 0 {
		w.err = fmt.Errorf("%w: object %d has generation %d", ErrDocument, ref.num, ref.gen)
	}
	fmt.Fprintf(&w.buf, "%d 0 obj\n", ref.num)
}

// put writes an object: a new one, or a new state of an old one.
func (w *writer) put(ref reference, value any) {
	w.begin(ref)
	writeValue(&w.buf, value)
	w.buf.WriteString("\nendobj\n")
}

// add writes a new object.
func (w *writer) add(value any) reference {
	ref := w.allocate()
	w.put(ref, value)
	return ref
}

// finish writes table and trailer and gives the whole file.
func (w *writer) finish() ([]byte, error) {
	if w.err != nil {
		return nil, w.err
	}
	previous := w.doc.revisions[w.doc.last()]
	xrefAt := w.doc.end + w.buf.Len()
	numbers := []int{0}
	for num := range w.offsets {
		numbers = append(numbers, num)
	}
	slices.Sort(numbers)
	w.buf.WriteString("xref\n")
	for len(numbers) > 0 {
		run := 1
		for run < len(numbers) && numbers[run] == numbers[0]+run {
			run++
		}
		fmt.Fprintf(&w.buf, "%d %d\n", numbers[0], run)
		for _, num := range numbers[:run] {
			if num == 0 {
				w.buf.WriteString("0000000000 65535 f \n")
			} else {
				fmt.Fprintf(&w.buf, "%010d 00000 n \n", w.offsets[num])
			}
		}
		numbers = numbers[run:]
	}
	trailer := newDict(name("Size"), intNumber(w.next), name("Root"), previous.trailer.get("Root"))
	for _, key := range []name{"Info", "ID"} {
		if value := previous.trailer.get(key); value != nil {
			trailer = trailer.with(key, value)
		}
	}
	trailer = trailer.with("Prev", intNumber(previous.xrefAt))
	w.buf.WriteString("trailer\n")
	writeValue(&w.buf, trailer)
	fmt.Fprintf(&w.buf, "\nstartxref\n%d\n%%%%EOF\n", xrefAt)
	return append(slices.Clone(w.doc.src[:w.doc.end]), w.buf.Bytes()...), nil
}
