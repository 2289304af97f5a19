package seal

import (
	"errors"
	"fmt"
	"maps"
	"slices"
)

func sortedKeys(objects map[int]object) []int { return slices.Sorted(maps.Keys(objects)) }

// checkLater looks at the revisions behind the first signature. Each must be a
// counter-signature and nothing else.
func (v *verifier) checkLater(doc *document, found []candidate) {
	if len(found) == 0 {
		return
	}
	last := found[0] // the newest signature below the revision looked at
	for i := found[0].revision + 1; i <= doc.last(); i++ {
		var inside []candidate
		for _, c := range found {
			if c.revision == i {
				inside = append(inside, c)
			}
		}
		err := errors.New("it holds no signature")
		if len(inside) > 0 {
			err = doc.onlyFills(i, inside)
		}
		if err != nil {
			v.report.add(AppendedBytes, last.field, "%d bytes follow what was signed", len(v.pdf)-doc.revisions[last.revision].end)
			v.report.add(ForbiddenChange, last.field, "revision %d: %v", i+1, err)
			return
		}
		last = inside[0]
	}
}

// onlyFills tells whether revision i fills one empty signature field and does
// nothing else: the field gains its value and a new look, and the only new
// objects are the signature and that look.
func (doc *document) onlyFills(i int, inside []candidate) error {
	if len(inside) != 1 || inside[0].field == "" {
		return errors.New("it does not fill exactly one field")
	}
	c := inside[0]
	rev, before := doc.revisions[i], doc.revisions[i-1]
	if !sameKeys(rev.trailer.without("Size", "Prev"), before.trailer.without("Size", "Prev")) {
		return errors.New("its trailer differs")
	}
	oldSize, _ := integer(before.trailer.get("Size"))
	if size, _ := integer(rev.trailer.get("Size")); size < oldSize {
		return errors.New("its trailer lost objects")
	}
	newField, oldField := rev.objects[c.fieldRef.num], doc.lookup(c.fieldRef, i-1)
	after, ok1 := newField.value.(dict)
	earlier, ok2 := oldField.(dict)
	if !ok1 || !ok2 || newField.ref != c.fieldRef || earlier.get("V") != nil ||
		!equalValues(after.without("V", "AP"), earlier.without("V", "AP")) {
		return errors.New("the field changed in more than its value")
	}
	allowed := map[int]bool{c.fieldRef.num: true, c.object.ref.num: true}
	if !equalValues(after.get("AP"), earlier.get("AP")) {
		look, err := doc.newLook(i, after, earlier)
		if err != nil {
			return err
		}
		allowed[look] = true
	}
	for _, num := range sortedKeys(rev.objects) {
		if !allowed[num] || num < oldSize && num != c.fieldRef.num {
			return fmt.Errorf("it changes object %d", num)
		}
	}
	return nil
}

// newLook checks the look that a filled field gained in revision i: a drawing in
// the same box, in fonts that were there before. It gives its object number.
func (doc *document) newLook(i int, after, earlier dict) (int, error) {
	states := doc.dictOf(earlier.get("AP"), i-1)
	oldLook, ok := doc.resolve(states.get("N"), i-1).(stream)
	newStates, _ := after.get("AP").(dict)
	ref, isRef := newStates.get("N").(reference)
	look, isStream := doc.revisions[i].objects[ref.num].value.(stream)
	if !ok || !isRef || !isStream || len(newStates) != 1 {
		return 0, errors.New("the field's look cannot be read")
	}
	d := look.dict
	if len(d.without("Type", "Subtype", "BBox", "Resources", "Length")) > 0 || d.get("Subtype") != name("Form") ||
		!equalValues(d.get("BBox"), oldLook.dict.get("BBox")) {
		return 0, errors.New("the field's look is of another size or kind")
	}
	resources, _ := d.get("Resources").(dict)
	fonts, _ := resources.get("Font").(dict)
	if len(resources.without("Font")) > 0 {
		return 0, errors.New("the field's look uses more than fonts")
	}
	for _, e := range fonts {
		font, isRef := e.value.(reference)
		_, touched := doc.revisions[i].objects[font.num]
		if !isRef || touched || doc.dictOf(font, i-1).get("Type") != name("Font") {
			return 0, errors.New("the field's look brings a font of its own")
		}
	}
	return ref.num, nil
}

// sameKeys compares two dictionaries without regard to order.
func sameKeys(a, b dict) bool {
	if len(a) != len(b) {
		return false
	}
	for _, e := range a {
		other, ok := b.find(e.key)
		if !ok || !equalValues(e.value, other.value) {
			return false
		}
	}
	return true
}
