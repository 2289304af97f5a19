package records

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
)

// Changes says in words what an amendment struck and what stands now: every
// field that differs, in the kitchen's own time.
func Changes(before, after proto.Message, s Settings) (struck, now string) {
	d := differences{settings: s}
	x, isRun := before.(*kb.Readings)
	y, alsoRun := after.(*kb.Readings)
	if isRun && alsoRun {
		d.runs(x, y)
	} else {
		d.messages("", before.ProtoReflect(), after.ProtoReflect())
	}
	return strings.Join(d.struck, "; "), strings.Join(d.now, "; ")
}

// differences gathers what differs between two records, in words.
type differences struct {
	settings    Settings
	struck, now []string
}

func (d *differences) add(label, x, y string) {
	if x != y {
		d.struck = append(d.struck, strings.TrimSpace(label+" "+x))
		d.now = append(d.now, strings.TrimSpace(label+" "+y))
	}
}

// runs compares two runs reading by reading.
func (d *differences) runs(x, y *kb.Readings) {
	d.add("instrument", x.GetInstrumentId(), y.GetInstrumentId())
	d.add("series", enumWord(x.GetSeries()), enumWord(y.GetSeries()))
	old, cur := RunReadings(x), RunReadings(y)
	if len(old) != len(cur) {
		d.add("", d.span(old), d.span(cur))
		return
	}
	for i, r := range old {
		before, after := d.clocks(r.At, cur[i].At)
		if before == after {
			d.add("at "+before, FormatTemperature(r.Value), FormatTemperature(cur[i].Value))
		} else {
			d.add("", "at "+before+" "+FormatTemperature(r.Value), "at "+after+" "+FormatTemperature(cur[i].Value))
		}
	}
}

func (d *differences) span(run []RunReading) string {
	from, to := d.clocks(run[0].At, run[len(run)-1].At)
	if len(run) == 1 {
		return "1 reading at " + from
	}
	return fmt.Sprintf("%d readings from %s to %s", len(run), from, to)
}

// clocks writes two times as the kitchen's clock showed them, with the date
// where it differs.
func (d *differences) clocks(x, y time.Time) (string, string) {
	x, y = x.In(d.settings.Location()), y.In(d.settings.Location())
	layout := time.TimeOnly
	if x.Format(time.DateOnly) != y.Format(time.DateOnly) {
		layout = time.DateTime
	}
	return x.Format(layout), y.Format(layout)
}

// fieldWords name fields whose own name is not the word for them.
var fieldWords = map[protoreflect.Name]string{
	"at": "time", "started_at": "start", "first_at": "first reading", "instrument_id": "instrument", "reference_id": "reference",
	"pressure_hpa": "pressure in hPa", "solids_kg": "dry solids in kg", "yield_kg": "yield in kg", "ice": "made as",
}

// messages compares two messages of one kind field by field. Elements of
// lists of one length are compared one by one.
func (d *differences) messages(label string, x, y protoreflect.Message) {
	for i := range x.Descriptor().Fields().Len() {
		fd := x.Descriptor().Fields().Get(i)
		word, ok := fieldWords[fd.Name()]
		if !ok {
			word = strings.ReplaceAll(string(fd.Name()), "_", " ")
		}
		word = strings.TrimSpace(label + " " + word)
		switch {
		case fd.IsList() && fd.Message() != nil && x.Get(fd).List().Len() == y.Get(fd).List().Len():
			for n := range x.Get(fd).List().Len() {
				p, q := x.Get(fd).List().Get(n).Message(), y.Get(fd).List().Get(n).Message()
				d.messages(elementWord(word, n, p), p, q)
			}
		case fd.IsList():
			d.add(word, d.list(x, fd), d.list(y, fd))
		case x.Has(fd) && y.Has(fd) && isTime(fd):
			before, after := d.clocks(timeIn(x, fd), timeIn(y, fd))
			d.add(word, before, after)
		default:
			d.add(word, d.text(fd, x.Has(fd), x.Get(fd)), d.text(fd, y.Has(fd), y.Get(fd)))
		}
	}
}

func elementWord(list string, n int, m protoreflect.Message) string {
	if p, ok := m.Interface().(*kb.CheckPoint); ok {
		return PointWord(p.GetKind())
	}
	return fmt.Sprintf("%s %d", list, n+1)
}

func isTime(fd protoreflect.FieldDescriptor) bool {
	return fd.Message() != nil && fd.Message().FullName() == "google.protobuf.Timestamp"
}

func timeIn(m protoreflect.Message, fd protoreflect.FieldDescriptor) time.Time {
	return m.Get(fd).Message().Interface().(*timestamppb.Timestamp).AsTime()
}

func (d *differences) list(m protoreflect.Message, fd protoreflect.FieldDescriptor) string {
	var out []string
	for i := range m.Get(fd).List().Len() {
		out = append(out, d.text(fd, true, m.Get(fd).List().Get(i)))
	}
	if len(out) == 0 {
		return "(none)"
	}
	return strings.Join(out, ", ")
}

// text writes one value; absent says so.
func (d *differences) text(fd protoreflect.FieldDescriptor, has bool, v protoreflect.Value) string {
	switch {
	case fd.Kind() == protoreflect.BoolKind:
		return map[bool]string{true: "yes", false: "no"}[v.Bool()]
	case !has:
		return "(none)"
	case fd.Kind() == protoreflect.EnumKind:
		return valueWord(fd.Enum(), v.Enum())
	case fd.Message() == nil:
		return v.String()
	}
	switch t := v.Message().Interface().(type) {
	case *kb.Temperature:
		return FormatTemperature(t)
	case *kb.Decimal:
		return FormatDecimal(t)
	case *timestamppb.Timestamp:
		return t.AsTime().In(d.settings.Location()).Format(time.DateTime)
	case *kb.CheckPoint:
		return PointWord(t.GetKind()) + " " + FormatTemperature(t.GetReading())
	}
	return string(v.Message().Descriptor().Name())
}

// enumWord names a value of an enumeration by its own name: POINT_KIND_ICE is
// ice.
func enumWord(e protoreflect.Enum) string { return valueWord(e.Descriptor(), e.Number()) }

func valueWord(d protoreflect.EnumDescriptor, n protoreflect.EnumNumber) string {
	v, zero := d.Values().ByNumber(n), d.Values().ByNumber(0)
	if v == nil || zero == nil {
		return fmt.Sprint(n)
	}
	prefix := strings.TrimSuffix(string(zero.Name()), "UNSPECIFIED")
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(v.Name()), prefix), "_", " "))
}
