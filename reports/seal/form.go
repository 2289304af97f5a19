package seal

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"
)

// helveticaKey names the standard font in the form's default resources, where
// CounterSign finds it again.
const helveticaKey = name("Helv")

// widgetFlags is Print and Locked (ISO 32000-1, table 165).
const widgetFlags = "132"

// placedField is a Field with its defaults filled in.
type placedField struct {
	Field
	page int // index
}

// addForm writes revision 2: the form with two empty fields, and the attachments.
func addForm(doc *document, opt Options) ([]byte, error) {
	root, ok := doc.revisions[doc.last()].trailer.get("Root").(reference)
	catalog := doc.catalog(doc.last())
	if !ok || catalog.get("Type") != name("Catalog") {
		return nil, fmt.Errorf("%w: it has no catalog", ErrDocument)
	}
	for _, key := range []name{"AcroForm", "AF", "Perms"} {
		if catalog.get(key) != nil {
			return nil, fmt.Errorf("%w: it has a /%s already", ErrDocument, key)
		}
	}
	pages, err := doc.pages()
	if err != nil {
		return nil, err
	}
	fields, err := placeFields(opt, pages)
	if err != nil {
		return nil, err
	}

	w := newWriter(doc)
	standard := w.add(helvetica())
	annotations := map[int]array{} // page index to what is new on it
	var refs array
	for _, f := range fields {
		p := pages[f.page]
		fonts := append(doc.pageFonts(p), font{key: helveticaKey, ref: standard, encode: encodeWinAnsi})
		look, err := draw(f.Rect.Width, f.Rect.Height, []string{f.Label}, fonts, false)
		if err != nil {
			return nil, err
		}
		r := f.Rect
		ref := w.add(newDict(
			name("Type"), name("Annot"), name("Subtype"), name("Widget"), name("FT"), name("Sig"),
			name("T"), textString(f.Name), name("TU"), textString(f.Label), name("F"), number(widgetFlags),
			name("Rect"), array{real(r.X), real(r.Y), real(r.X + r.Width), real(r.Y + r.Height)},
			name("P"), p.ref, name("AP"), newDict(name("N"), w.add(look))))
		refs = append(refs, ref)
		annotations[f.page] = append(annotations[f.page], ref)
	}
	for i, p := range pages {
		if added := annotations[i]; added != nil {
			all := append(slices.Clone(doc.arrayOf(p.dict.get("Annots"), doc.last())), added...)
			w.put(p.ref, p.dict.with("Annots", all))
		}
	}
	catalog = catalog.with("Version", name("1.7"))
	catalog = catalog.with("AcroForm", w.add(newDict(name("Fields"), refs, name("SigFlags"), number("3"),
		name("DR"), newDict(name("Font"), newDict(helveticaKey, standard)))))
	if catalog, err = attach(w, catalog, opt); err != nil {
		return nil, err
	}
	w.put(root, catalog)
	return w.finish()
}

// placeFields fills in the defaults of the two fields and checks them.
func placeFields(opt Options, pages []page) ([]placedField, error) {
	fields := []placedField{{Field: opt.Seal}, {Field: opt.Counter}}
	for i := range fields {
		f := &fields[i]
		if f.Name == "" {
			f.Name = []string{DefaultSealField, DefaultCounterField}[i]
		}
		if f.Label == "" {
			f.Label = []string{"Sealed by", "Counter-signature"}[i]
		}
		if strings.Contains(f.Name, ".") {
			return nil, fmt.Errorf("%w: field name %q has a full stop in it", ErrOptions, f.Name)
		}
		f.page = f.Page - 1
		if f.Page == 0 {
			f.page = len(pages) - 1
		}
		if f.page < 0 || f.page >= len(pages) {
			return nil, fmt.Errorf("%w: page %d of %d", ErrOptions, f.Page, len(pages))
		}
		box, ok := pages[f.page].size()
		if !ok {
			return nil, fmt.Errorf("%w: page %d has no size", ErrDocument, f.page+1)
		}
		if f.Rect == (Rect{}) {
			half := box[2]/2 - 40
			f.Rect = Rect{X: box[0] + 36 + float64(i)*(half+8), Y: box[1] + 12, Width: half, Height: 34}
		}
		r := f.Rect
		if !(r.Width > 0 && r.Height > 0 && r.X >= box[0] && r.Y >= box[1] &&
			r.X+r.Width <= box[0]+box[2]+0.01 && r.Y+r.Height <= box[1]+box[3]+0.01) {
			return nil, fmt.Errorf("%w: field %q does not stand on the page", ErrOptions, f.Name)
		}
	}
	if fields[0].Name == fields[1].Name {
		return nil, fmt.Errorf("%w: both fields are called %q", ErrOptions, fields[0].Name)
	}
	return fields, nil
}

// attach embeds the files and gives the catalog with their names in it.
func attach(w *writer, catalog dict, opt Options) (dict, error) {
	if len(opt.Attachments) == 0 {
		return catalog, nil
	}
	names := w.doc.dictOf(catalog.get("Names"), w.doc.last())
	if old := w.doc.dictOf(names.get("EmbeddedFiles"), w.doc.last()); len(old.without("Names")) > 0 ||
		len(w.doc.arrayOf(old.get("Names"), w.doc.last())) > 0 {
		return nil, fmt.Errorf("%w: it has embedded files already", ErrDocument)
	}
	files := slices.Clone(opt.Attachments)
	slices.SortFunc(files, func(a, b Attachment) int { // as a name tree wants it
		return bytes.Compare(textString(a.Name), textString(b.Name))
	})
	var tree, associated array
	for i, f := range files {
		switch {
		case f.Name == "" || strings.ContainsAny(f.Name, `/\`):
			return nil, fmt.Errorf("%w: %q is no name for an attachment", ErrOptions, f.Name)
		case i > 0 && files[i-1].Name == f.Name:
			return nil, fmt.Errorf("%w: two attachments are called %q", ErrOptions, f.Name)
		case f.MIMEType == "":
			return nil, fmt.Errorf("%w: attachment %q has no MIME type", ErrOptions, f.Name)
		}
		relationship := f.Relationship
		if relationship == "" {
			relationship = Data
		}
		if relationship != Data && relationship != Source {
			return nil, fmt.Errorf("%w: attachment %q has relationship %q", ErrOptions, f.Name, relationship)
		}
		data := w.add(compress(newDict(name("Type"), name("EmbeddedFile"), name("Subtype"), name(f.MIMEType),
			name("Params"), newDict(name("Size"), intNumber(len(f.Data)), name("ModDate"), dateText(opt.SignedAt))), f.Data))
		spec := newDict(name("Type"), name("Filespec"), name("F"), textString(f.Name), name("UF"), textString(f.Name),
			name("AFRelationship"), name(relationship), name("EF"), newDict(name("F"), data, name("UF"), data))
		if f.Description != "" {
			spec = spec.with("Desc", textString(f.Description))
		}
		ref := w.add(spec)
		tree = append(tree, textString(f.Name), ref)
		associated = append(associated, ref)
	}
	names = names.with("EmbeddedFiles", newDict(name("Names"), tree))
	return catalog.with("Names", names).with("AF", associated), nil
}

// dateText writes a moment as a PDF date in UTC (ISO 32000-1, 7.9.4).
func dateText(at time.Time) text { return text(at.UTC().Format("D:20060102150405Z")) }

// parseDate reads a PDF date that states its zone.
func parseDate(value any) (time.Time, bool) {
	t, ok := value.(text)
	if !ok {
		return time.Time{}, false
	}
	s := strings.ReplaceAll(string(t), "'", "") // zones are written +01'00'
	for _, layout := range []string{"D:20060102150405Z", "D:20060102150405-0700"} {
		if at, err := time.Parse(layout, s); err == nil && at.Year() >= 1950 {
			return at.UTC(), true
		}
	}
	return time.Time{}, false
}
