package records

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	kb "kettlebook/proto/kettlebook/v1"
)

// What names a record in words, as lists print it.
func What(m proto.Message) string {
	switch t := m.(type) {
	case *kb.Check:
		return "check of " + t.GetInstrumentId()
	case *kb.KitchenPressure:
		return "kitchen pressure"
	case *kb.BatchStart:
		return "start of batch " + t.GetLotCode()
	case *kb.Readings:
		if t.GetSeries() == kb.SeriesKind_SERIES_KIND_COOLING {
			return "cooling readings of batch " + t.GetLotCode()
		}
		return "readings of batch " + t.GetLotCode()
	case *kb.Pull:
		return "pull of batch " + t.GetLotCode()
	case *kb.ColdWaterTest:
		return "cold-water test of batch " + t.GetLotCode()
	case *kb.BatchEnd:
		return "end of batch " + t.GetLotCode()
	case *kb.BatchVoid:
		return "void of batch " + t.GetLotCode()
	case *kb.Disposition:
		return "disposition of batch " + t.GetLotCode()
	case *kb.CorrectiveAction:
		return "corrective action"
	case *kb.Deviation:
		return "deviation"
	case *kb.Amendment:
		return "amendment"
	}
	return string(m.ProtoReflect().Descriptor().Name())
}

// Changes says in words what an amendment struck and what stands now.
func Changes(before, after proto.Message, s Settings) (struck, now string) {
	var a, b []string
	add := func(label, x, y string) {
		if x != y {
			a, b = append(a, strings.TrimSpace(label+" "+x)), append(b, strings.TrimSpace(label+" "+y))
		}
	}
	clock := func(t time.Time) string { return t.In(s.Location()).Format("15:04:05") }
	switch x := before.(type) {
	case *kb.Check:
		y, ok := after.(*kb.Check)
		if !ok || len(x.GetPoints()) != len(y.GetPoints()) {
			break
		}
		add("instrument", x.GetInstrumentId(), y.GetInstrumentId())
		for i, p := range x.GetPoints() {
			q := y.GetPoints()[i]
			add(PointWord(p.GetKind()), FormatTemperature(p.GetReading()), FormatTemperature(q.GetReading()))
			add("pressure", FormatDecimal(p.GetPressureHpa()), FormatDecimal(q.GetPressureHpa()))
		}
	case *kb.Readings:
		y, ok := after.(*kb.Readings)
		if !ok || len(x.GetMicro()) != len(y.GetMicro()) {
			break
		}
		add("instrument", x.GetInstrumentId(), y.GetInstrumentId())
		old, cur := RunReadings(x), RunReadings(y)
		for i := range old {
			add("at "+clock(old[i].At), FormatTemperature(old[i].Value), FormatTemperature(cur[i].Value))
		}
	case *kb.Pull:
		if y, ok := after.(*kb.Pull); ok {
			add("reading", FormatTemperature(x.GetReading()), FormatTemperature(y.GetReading()))
			add("time", clock(x.GetAt().AsTime()), clock(y.GetAt().AsTime()))
			add("highest after", FormatTemperature(x.GetHighestAfter()), FormatTemperature(y.GetHighestAfter()))
		}
	}
	if len(a) == 0 {
		fields(before.ProtoReflect(), after.ProtoReflect(), add)
	}
	return strings.Join(a, "; "), strings.Join(b, "; ")
}

// fields compares two messages of one kind field by field.
func fields(x, y protoreflect.Message, add func(label, x, y string)) {
	for i := range x.Descriptor().Fields().Len() {
		fd := x.Descriptor().Fields().Get(i)
		add(strings.ReplaceAll(string(fd.Name()), "_", " "), fieldText(x, fd), fieldText(y, fd))
	}
}

func fieldText(m protoreflect.Message, fd protoreflect.FieldDescriptor) string {
	if !m.Has(fd) {
		return "(none)"
	}
	switch v := m.Get(fd); {
	case fd.IsList():
		return fmt.Sprintf("%d values", v.List().Len())
	case fd.Message() != nil:
		switch t := v.Message().Interface().(type) {
		case *kb.Temperature:
			return FormatTemperature(t)
		case *kb.Decimal:
			return FormatDecimal(t)
		default:
			return strings.Trim(protojson.Format(t), `"`)
		}
	default:
		return v.String()
	}
}

// PointWord names a kind of check point as print and screen do.
func PointWord(k kb.PointKind) string {
	switch k {
	case kb.PointKind_POINT_KIND_ICE:
		return "ice"
	case kb.PointKind_POINT_KIND_BOILING:
		return "boiling"
	case kb.PointKind_POINT_KIND_COMPARISON:
		return "comparison"
	}
	return "point"
}

// ResultWord names a check result.
func ResultWord(r kb.CheckResult) string {
	switch r {
	case kb.CheckResult_CHECK_RESULT_IN_TOLERANCE:
		return "in tolerance"
	case kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE:
		return "out of tolerance"
	case kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN:
		return "provisionally in"
	case kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN:
		return "cannot be shown"
	case kb.CheckResult_CHECK_RESULT_NOT_BELIEVED:
		return "not believed"
	}
	return "not judged"
}

// LimitWord names a limit result.
func LimitWord(r kb.LimitResult) string {
	switch r {
	case kb.LimitResult_LIMIT_RESULT_MET:
		return "met"
	case kb.LimitResult_LIMIT_RESULT_NOT_MET:
		return "not met"
	case kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN:
		return "cannot be shown"
	case kb.LimitResult_LIMIT_RESULT_NO_READING:
		return "no reading"
	}
	return "not judged"
}
