package store

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
)

// separator stands between the parts of a composite key. It sorts below
// every printable character, so that "a" with anything after it comes before
// "ab".
const separator = "\x1f"

// OrderedInt writes v as 16 hexadecimal digits whose bytewise order is the
// order of the numbers, negative ones first. Times in unix microseconds and
// sequence numbers become index values with it.
func OrderedInt(v int64) string {
	return fmt.Sprintf("%016x", uint64(v)^1<<63)
}

// Composite joins the parts of an index value that is ordered by the first
// part, then the second, and so on. Parts must not contain the character
// U+001F.
func Composite(parts ...string) string {
	return strings.Join(parts, separator)
}

// Under returns the bounds of all values that Composite makes from parts and
// at least one part more, for Query.From and Query.To.
func Under(parts ...string) (from, to string) {
	p := Composite(parts...)
	return p + separator, p + "\x20"
}

// Cursor returns the place of d in the result of the Documents query that
// gave it, for Query.After.
func (d Doc) Cursor() string { return EncodeCursor(d.Value, d.ID) }

// DayCursor returns the place of d in its day, for DayQuery.After.
func (d Doc) DayCursor() string { return EncodeCursor(d.Kind, d.ID) }

// Cursor returns the place of r in the order of runs, for RunQuery.After.
func (r Run) Cursor() string {
	return EncodeCursor(OrderedInt(r.FirstAt), OrderedInt(r.Sequence), OrderedInt(int64(r.Part)))
}

// EncodeCursor makes a cursor from the parts of a place. It is for engines.
func EncodeCursor(parts ...string) string {
	var b []byte
	for _, p := range parts {
		b = binary.AppendUvarint(b, uint64(len(p)))
		b = append(b, p...)
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// DecodeCursor returns the n parts of a cursor, or ErrBadCursor. It is for
// engines.
func DecodeCursor(cursor string, n int) ([]string, error) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(cursor)
	if err != nil {
		return nil, ErrBadCursor
	}
	parts := make([]string, 0, n)
	for range n {
		size, used := binary.Uvarint(b)
		if used <= 0 || size > uint64(len(b)-used) {
			return nil, ErrBadCursor
		}
		b = b[used:]
		parts = append(parts, string(b[:size]))
		b = b[size:]
	}
	if len(b) != 0 || EncodeCursor(parts...) != cursor {
		return nil, ErrBadCursor
	}
	return parts, nil
}

// DecodeRunCursor returns the place that Run.Cursor wrote, or ErrBadCursor. It
// is for engines.
func DecodeRunCursor(cursor string) (firstAt, sequence int64, part int32, err error) {
	parts, err := DecodeCursor(cursor, 3)
	if err != nil {
		return 0, 0, 0, err
	}
	var v [3]int64
	for i, p := range parts {
		u, err := strconv.ParseUint(p, 16, 64)
		if err != nil || len(p) != 16 {
			return 0, 0, 0, ErrBadCursor
		}
		v[i] = int64(u ^ 1<<63)
	}
	r := Run{FirstAt: v[0], Sequence: v[1], Part: int32(v[2])}
	if r.Cursor() != cursor {
		return 0, 0, 0, ErrBadCursor
	}
	return r.FirstAt, r.Sequence, r.Part, nil
}
