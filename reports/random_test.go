package reports

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	kb "kettlebook/proto/kettlebook/v1"
)

// strange texts and numbers that no rule would let in, but that must not stop the printing.
var (
	strangeTexts   = []string{"", "x", "two\nlines\r\n\n", "🍬🍬", "\u202e\u0000", "Ωμέγα Жук Łódź é", "שלום 12", "word word word word word word word word word word word", "W\u0301\u0301W"}
	strangeNumbers = []int64{0, 1, -1, 117_200_000, -40_000_000, 999_999, 5, math.MaxInt64, math.MinInt64, 32_000_000}
)

// fill gives a message's fields random values, a few levels deep.
func fill(r *rand.Rand, m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if r.IntN(5) == 0 {
			continue
		}
		switch {
		case fd.IsList():
			for range r.IntN(4) {
				if fd.Message() == nil {
					m.Mutable(fd).List().Append(scalar(r, fd))
				} else if depth > 0 {
					fill(r, m.Mutable(fd).List().AppendMutable().Message(), depth-1)
				}
			}
		case fd.Message() == nil:
			m.Set(fd, scalar(r, fd))
		case fd.Message().FullName() == "google.protobuf.Timestamp":
			// protojson knows the years 1 to 9999.
			m.Mutable(fd).Message().Set(fd.Message().Fields().ByName("seconds"), protoreflect.ValueOfInt64(r.Int64N(200_000_000_000)-60_000_000_000))
		case depth > 0:
			fill(r, m.Mutable(fd).Message(), depth-1)
		}
	}
}

func scalar(r *rand.Rand, fd protoreflect.FieldDescriptor) protoreflect.Value {
	n := strangeNumbers[r.IntN(len(strangeNumbers))]
	switch fd.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(r.IntN(2) == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(r.IntN(fd.Enum().Values().Len() + 1)))
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(strangeTexts[r.IntN(len(strangeTexts))])
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte{1, 2, 3})
	case protoreflect.Uint32Kind:
		return protoreflect.ValueOfUint32(uint32(n))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(n))
	default:
		return protoreflect.ValueOfInt64(n)
	}
}

// Whatever stands in a day's content is drawn: nothing panics, nothing hangs.
func TestAnyContentIsDrawn(t *testing.T) {
	for seed := range uint64(24) {
		r := rand.New(rand.NewPCG(seed, 3))
		content := new(kb.DayContent)
		fill(r, content.ProtoReflect(), 6)
		if content.Site == nil {
			content.Site = new(kb.Site)
		}
		content.ProductionDay, content.Site.Name = testDay, "x"
		log := sealLog(t, content)
		pdf, err := DayLog(log)
		if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Errorf("content %d: %v", seed, err)
		}
	}
}
