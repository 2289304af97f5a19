package store_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"kettlebook/records/store"
)

func TestOrderedInt(t *testing.T) {
	numbers := []int64{math.MinInt64, -1_000_000, -256, -255, -1, 0, 1, 9, 10, 255, 256, 1_936_000_000_000_000, math.MaxInt64}
	var written []string
	for _, n := range numbers {
		written = append(written, store.OrderedInt(n))
	}
	if !slices.IsSorted(written) {
		t.Errorf("the order of the numbers is lost: %q", written)
	}
	for _, w := range written {
		if len(w) != 16 {
			t.Errorf("%q has not 16 digits", w)
		}
	}
}

// TestComposite demands that keys are ordered by their first part, then the
// second, and that Under bounds those below a prefix and no others.
func TestComposite(t *testing.T) {
	keys := [][]string{{""}, {"", "z"}, {"a"}, {"a", ""}, {"a", "b"}, {"a", "b", "c"}, {"a", "c"}, {"a b"}, {"a b", "a"}, {"ab"}, {"ab", "a"}, {"b"}, {"\u00e9", "a"}}
	var written []string
	for _, k := range keys {
		written = append(written, store.Composite(k...))
	}
	if !slices.IsSorted(written) {
		t.Errorf("not in order: %q", written)
	}
	for _, prefix := range keys {
		from, to := store.Under(prefix...)
		for i, k := range keys {
			below := len(k) > len(prefix) && slices.Equal(k[:len(prefix)], prefix)
			if got := from <= written[i] && written[i] < to; got != below {
				t.Errorf("%q under %q: %v", k, prefix, got)
			}
		}
	}
}

func TestErrors(t *testing.T) {
	for _, c := range []struct {
		err  error
		is   error
		says []string
	}{
		{&store.TamperedError{Sequence: 12, What: "the entry is missing"}, store.ErrTampered, []string{"12", "the entry is missing"}},
		{&store.ProjectionError{What: "day x is missing"}, store.ErrProjection, []string{"day x is missing", "`kettlebook rebuild`"}},
		{&store.SchemaError{What: "schema", Current: 3, Wanted: 4}, store.ErrSchema, []string{"schema version 3", "wanted 4", "`kettlebook rebuild`"}},
		{&store.SchemaError{What: "schema", Current: 5, Wanted: 4}, store.ErrSchema, []string{"newer software"}},
		{&store.PanicError{Value: "boiled over"}, store.ErrPanicked, []string{"boiled over"}},
		{store.ErrBadCursor, store.ErrInvalid, []string{"cursor"}},
	} {
		if !errors.Is(c.err, c.is) || errors.Is(c.err, store.ErrClosed) {
			t.Errorf("%v is not %v", c.err, c.is)
		}
		for _, word := range c.says {
			if !strings.Contains(c.err.Error(), word) {
				t.Errorf("%v does not say %q", c.err, word)
			}
		}
	}
}

// FuzzCursor: what decodes is the one spelling of its parts, and what is
// encoded decodes to the same.
func FuzzCursor(f *testing.F) {
	f.Add(store.Doc{Value: "v", ID: "i"}.Cursor(), "a", "")
	f.Add(store.Run{FirstAt: -5, Sequence: 3, Part: 1}.Cursor(), "\x00", "\xff")
	// Lengths, digits and numbers in a second spelling.
	f.Add("gACAAA", "", "x")
	f.Add(store.EncodeCursor("800000000000000A", "8000000000000001", "8000000000000000"), "", "")
	f.Add(store.EncodeCursor("8000000000000001", "8000000000000001", "8000000100000000"), "", "")
	f.Fuzz(func(t *testing.T, cursor, a, b string) {
		if parts, err := store.DecodeCursor(cursor, 2); err == nil {
			if len(parts) != 2 || store.EncodeCursor(parts...) != cursor {
				t.Errorf("%q decodes to %q, which is written %q", cursor, parts, store.EncodeCursor(parts...))
			}
		} else if !errors.Is(err, store.ErrBadCursor) {
			t.Errorf("%q: %v", cursor, err)
		}
		if parts, err := store.DecodeCursor(store.EncodeCursor(a, b), 2); err != nil || parts[0] != a || parts[1] != b {
			t.Errorf("%q, %q decode to %q, %v", a, b, parts, err)
		}
		if firstAt, sequence, part, err := store.DecodeRunCursor(cursor); err == nil {
			if again := (store.Run{FirstAt: firstAt, Sequence: sequence, Part: part}).Cursor(); again != cursor {
				t.Errorf("%q decodes to %d, %d, %d, which is written %q", cursor, firstAt, sequence, part, again)
			}
		} else if !errors.Is(err, store.ErrBadCursor) {
			t.Errorf("%q as a run's: %v", cursor, err)
		}
	})
}
