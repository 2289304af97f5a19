package reports

import (
	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// Marks stand before words that a reader must not pass over; a copy in black and white shows them as well.
const (
	markGood    = "✓"
	markFailed  = "■"
	markDoubt   = "▲"
	markUnknown = "◆"
	markPartly  = "△"
	markMissing = "□"
	markNote    = "•"
)

// verdict is a result in the words of the trade with its mark.
type verdict struct {
	mark, word string
	// bad is set when the result is anything but plain good.
	bad bool
}

// String gives mark and word.
func (v verdict) String() string { return v.mark + " " + v.word }

func checkVerdict(r kettlebookv1.CheckResult) verdict {
	switch r {
	case kettlebookv1.CheckResult_CHECK_RESULT_IN_TOLERANCE:
		return verdict{markGood, "in tolerance", false}
	case kettlebookv1.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE:
		return verdict{markFailed, "out of tolerance", true}
	case kettlebookv1.CheckResult_CHECK_RESULT_PROVISIONALLY_IN:
		return verdict{markPartly, "provisionally in", true}
	case kettlebookv1.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN:
		return verdict{markDoubt, "cannot be shown", true}
	case kettlebookv1.CheckResult_CHECK_RESULT_NOT_BELIEVED:
		return verdict{markUnknown, "not believed", true}
	default:
		return verdict{markMissing, "not judged", true}
	}
}

func limitVerdict(r kettlebookv1.LimitResult) verdict {
	switch r {
	case kettlebookv1.LimitResult_LIMIT_RESULT_MET:
		return verdict{markGood, "met", false}
	case kettlebookv1.LimitResult_LIMIT_RESULT_NOT_MET:
		return verdict{markFailed, "not met", true}
	case kettlebookv1.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN:
		return verdict{markDoubt, "cannot be shown", true}
	case kettlebookv1.LimitResult_LIMIT_RESULT_NO_READING:
		return verdict{markMissing, "no reading", true}
	default:
		return verdict{markMissing, "not judged", true}
	}
}

func pointKind(k kettlebookv1.PointKind) string {
	switch k {
	case kettlebookv1.PointKind_POINT_KIND_ICE:
		return "ice"
	case kettlebookv1.PointKind_POINT_KIND_BOILING:
		return "boiling"
	case kettlebookv1.PointKind_POINT_KIND_COMPARISON:
		return "comparison"
	default:
		return "point not named"
	}
}

func phaseWord(p kettlebookv1.CheckPhase) string {
	if p == kettlebookv1.CheckPhase_CHECK_PHASE_AS_LEFT {
		return "as left"
	}
	return "as found"
}

func iceWord(q kettlebookv1.IceQuality) string {
	switch q {
	case kettlebookv1.IceQuality_ICE_QUALITY_CRUSHED:
		return "crushed ice, packed"
	case kettlebookv1.IceQuality_ICE_QUALITY_CUBES:
		return "ice cubes in water"
	default:
		return "ice not described: taken as cubes"
	}
}

func pressureKind(k kettlebookv1.PressureKind) string {
	switch k {
	case kettlebookv1.PressureKind_PRESSURE_KIND_MEASURED:
		return "measured in the kitchen"
	case kettlebookv1.PressureKind_PRESSURE_KIND_ALTIMETER:
		return "altimeter setting brought to the kitchen"
	case kettlebookv1.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE:
		return "standard atmosphere for the elevation (nobody read it)"
	default:
		return "kind not given"
	}
}

func scaleWord(s kettlebookv1.Scale) string {
	switch s {
	case kettlebookv1.Scale_SCALE_CELSIUS:
		return "°C"
	case kettlebookv1.Scale_SCALE_FAHRENHEIT:
		return "°F"
	case kettlebookv1.Scale_SCALE_DUAL:
		return "°C and °F"
	default:
		return "scale not given"
	}
}

func constructionWord(c kettlebookv1.Construction) string {
	switch c {
	case kettlebookv1.Construction_CONSTRUCTION_GLASS:
		return "liquid in glass"
	case kettlebookv1.Construction_CONSTRUCTION_BIMETAL:
		return "bimetal"
	case kettlebookv1.Construction_CONSTRUCTION_THERMOCOUPLE:
		return "thermocouple"
	case kettlebookv1.Construction_CONSTRUCTION_THERMISTOR:
		return "thermistor"
	case kettlebookv1.Construction_CONSTRUCTION_RESISTANCE:
		return "resistance probe"
	default:
		return ""
	}
}

func limitClass(c kettlebookv1.LimitClass) string {
	switch c {
	case kettlebookv1.LimitClass_LIMIT_CLASS_CRITICAL:
		return "critical"
	case kettlebookv1.LimitClass_LIMIT_CLASS_OPERATING:
		return "operating"
	case kettlebookv1.LimitClass_LIMIT_CLASS_QUALITY:
		return "quality"
	default:
		return "class not given"
	}
}

// deviationClass gives the singular and the plural under which a class is printed.
func deviationClass(c kettlebookv1.DeviationClass) (one, many string) {
	switch c {
	case kettlebookv1.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY:
		return "food-safety deviation", "food-safety deviations"
	case kettlebookv1.DeviationClass_DEVIATION_CLASS_PROCESS:
		return "process deviation", "process deviations"
	case kettlebookv1.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT:
		return "instrument fault", "instrument faults"
	case kettlebookv1.DeviationClass_DEVIATION_CLASS_QUALITY_MISS:
		return "quality miss", "quality misses"
	default:
		return "record without a class", "records without a class"
	}
}

func useFlag(f kettlebookv1.UseFlag) verdict {
	switch f {
	case kettlebookv1.UseFlag_USE_FLAG_NOT_CHECKED:
		return verdict{markMissing, "instrument not checked on this day before the reading", true}
	case kettlebookv1.UseFlag_USE_FLAG_FAILED:
		return verdict{markFailed, "instrument out of tolerance at its last check before the reading", true}
	case kettlebookv1.UseFlag_USE_FLAG_NOT_BELIEVED:
		return verdict{markUnknown, "last check before the reading not believed", true}
	case kettlebookv1.UseFlag_USE_FLAG_PROVISIONAL:
		return verdict{markPartly, "last check before the reading provisional: no pressure was measured", true}
	case kettlebookv1.UseFlag_USE_FLAG_CANNOT_BE_SHOWN:
		return verdict{markDoubt, "last check before the reading cannot be shown", true}
	case kettlebookv1.UseFlag_USE_FLAG_CONTRADICTION:
		return verdict{markDoubt, "cold-water test contradicts the temperature by a stage or more", true}
	case kettlebookv1.UseFlag_USE_FLAG_MISFIT:
		return verdict{markDoubt, "points of the check disagree with its curve", true}
	case kettlebookv1.UseFlag_USE_FLAG_NO_CORRECTION:
		return verdict{markMissing, "no check point is known: nothing corrects the reading", true}
	default:
		return verdict{markNote, "flag not named", true}
	}
}

func dispositionWord(k kettlebookv1.DispositionKind) verdict {
	switch k {
	case kettlebookv1.DispositionKind_DISPOSITION_KIND_RELEASE:
		return verdict{markGood, "released", false}
	case kettlebookv1.DispositionKind_DISPOSITION_KIND_HOLD:
		return verdict{markDoubt, "held", true}
	case kettlebookv1.DispositionKind_DISPOSITION_KIND_REWORK:
		return verdict{markDoubt, "reworked", true}
	case kettlebookv1.DispositionKind_DISPOSITION_KIND_DISCARD:
		return verdict{markFailed, "discarded", true}
	default:
		return verdict{markMissing, "decision not named", true}
	}
}

func markKind(k kettlebookv1.MarkKind) verdict {
	switch k {
	case kettlebookv1.MarkKind_MARK_KIND_LATE:
		return verdict{markPartly, "late", true}
	case kettlebookv1.MarkKind_MARK_KIND_QUEUED:
		return verdict{markNote, "queued", true}
	case kettlebookv1.MarkKind_MARK_KIND_AMENDED:
		return verdict{markDoubt, "amended", true}
	case kettlebookv1.MarkKind_MARK_KIND_AHEAD:
		return verdict{markPartly, "ahead", true}
	case kettlebookv1.MarkKind_MARK_KIND_QUESTIONED:
		return verdict{markUnknown, "questioned", true}
	default:
		return verdict{markNote, "marked", true}
	}
}

func roleWord(r kettlebookv1.Role) string {
	switch r {
	case kettlebookv1.Role_ROLE_COOK:
		return "cook"
	case kettlebookv1.Role_ROLE_REVIEWER:
		return "reviewer"
	case kettlebookv1.Role_ROLE_ADMINISTRATOR:
		return "administrator"
	case kettlebookv1.Role_ROLE_INSPECTOR:
		return "inspector"
	default:
		return "role not given"
	}
}

func profileWord(p kettlebookv1.RuleProfile) string {
	switch p {
	case kettlebookv1.RuleProfile_RULE_PROFILE_PART_117:
		return "registered facility, 21 CFR Part 117"
	case kettlebookv1.RuleProfile_RULE_PROFILE_EU_852:
		return "Regulation (EC) No 852/2004"
	case kettlebookv1.RuleProfile_RULE_PROFILE_FOOD_CODE:
		return "retail establishment under a Food Code adoption"
	default:
		return "not chosen; the Food Code's figures are used"
	}
}
