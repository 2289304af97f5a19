package seal

import "fmt"

// maxAttachments bounds how many embedded files are given back.
const maxAttachments = 1000

// Attachments gives back the files embedded in a PDF, in the order of their
// names, as of its newest revision. It checks no signature: call Verify first
// when it matters who put them there. Errors wrap ErrDocument.
func Attachments(pdf []byte) ([]Attachment, error) {
	doc, err := readDocument(pdf)
	if err != nil {
		return nil, err
	}
	names := doc.dictOf(doc.catalog(doc.last()).get("Names"), doc.last())
	var out []Attachment
	room := maxDecoded
	err = doc.walkNames(names.get("EmbeddedFiles"), map[reference]bool{}, func(key text, spec any) error {
		if len(out) == maxAttachments {
			return fmt.Errorf("%w: more than %d embedded files", ErrDocument, maxAttachments)
		}
		a, err := doc.attachment(key, spec, room)
		if err != nil {
			return err
		}
		room -= len(a.Data)
		out = append(out, a)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// walkNames visits the leaves of a name tree (ISO 32000-1, 7.9.6).
func (doc *document) walkNames(tree any, seen map[reference]bool, visit func(text, any) error) error {
	if ref, ok := tree.(reference); ok {
		if seen[ref] || len(seen) > maxAttachments {
			return fmt.Errorf("%w: a name tree that is too large or a ring", ErrDocument)
		}
		seen[ref] = true
	}
	node := doc.dictOf(tree, doc.last())
	for _, kid := range doc.arrayOf(node.get("Kids"), doc.last()) {
		if err := doc.walkNames(kid, seen, visit); err != nil {
			return err
		}
	}
	names := doc.arrayOf(node.get("Names"), doc.last())
	for i := 0; i+1 < len(names); i += 2 {
		key, ok := names[i].(text)
		if !ok {
			return fmt.Errorf("%w: bad name tree", ErrDocument)
		}
		if err := visit(key, names[i+1]); err != nil {
			return err
		}
	}
	return nil
}

// attachment reads one file specification, with at most room bytes of content.
func (doc *document) attachment(key text, value any, room int) (Attachment, error) {
	spec := doc.dictOf(value, doc.last())
	files := doc.dictOf(spec.get("EF"), doc.last())
	content, ok := doc.resolve(files.get("F"), doc.last()).(stream)
	if !ok {
		return Attachment{}, fmt.Errorf("%w: embedded file %q has no content", ErrDocument, decodeText(key))
	}
	data, err := content.decode(room)
	if err != nil {
		return Attachment{}, fmt.Errorf("embedded file %q: %w", decodeText(key), err)
	}
	a := Attachment{Name: decodeText(spec.get("UF")), Description: decodeText(spec.get("Desc")), Data: data}
	if a.Name == "" {
		a.Name = decodeText(spec.get("F"))
	}
	mime, _ := content.dict.get("Subtype").(name)
	relationship, _ := spec.get("AFRelationship").(name)
	a.MIMEType, a.Relationship = string(mime), Relationship(relationship)
	return a, nil
}
