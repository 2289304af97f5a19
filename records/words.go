package records

import (
	"google.golang.org/protobuf/proto"

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
