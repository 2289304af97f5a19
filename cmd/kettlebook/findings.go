package main

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// What the rules found, as the command line says it. The words for results
// are those of package records; nothing here judges.

// minute writes a time on the kitchen's clock to the minute; empty when there is none.
func minute(t *timestamppb.Timestamp, zone *time.Location) string {
	return onClock(t, zone, "2006-01-02 15:04")
}

// second writes the time of day to the second.
func second(t *timestamppb.Timestamp, zone *time.Location) string {
	return onClock(t, zone, "15:04:05")
}

func onClock(t *timestamppb.Timestamp, zone *time.Location, layout string) string {
	if t == nil {
		return ""
	}
	return t.AsTime().In(zone).Format(layout)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// signed writes millionths with a sign in front, plus too.
func signed(micro int64, decimals uint32) string {
	s := records.FormatMicro(micro, decimals)
	if micro > 0 {
		return "+" + s
	}
	return s
}

func degrees(micro int64, decimals uint32) string {
	return records.FormatMicro(micro, decimals) + " degC"
}

// optionalDegrees writes an optional figure; empty when it is absent.
func optionalDegrees(micro *int64, decimals uint32) string {
	if micro == nil {
		return ""
	}
	return degrees(*micro, decimals)
}

// pressureUsed says the pressure behind a judgement: figure, kind and age.
func pressureUsed(p *kb.PressureUsed, zone *time.Location) string {
	if p == nil {
		return ""
	}
	s := records.FormatDecimal(p.GetPressureHpa()) + " hPa, "
	switch p.GetKind() {
	case kb.PressureKind_PRESSURE_KIND_MEASURED:
		s += "measured in the kitchen"
	case kb.PressureKind_PRESSURE_KIND_ALTIMETER:
		s += "from an altimeter setting"
	default:
		s += "standard atmosphere: nobody read the barometer"
	}
	if p.GetAt() != nil {
		s += ", " + minute(p.GetAt(), zone)
	}
	if p.GetOld() {
		s += ", old: a drift is allowed for"
	}
	if p.GetQuestioned() {
		s += "; a figure was given that does not fit the elevation, and was not used"
	}
	return s
}

// assessedCheck writes what a check showed, point by point.
func (p *printer) assessedCheck(a *kb.CheckAssessment, zone *time.Location) {
	use := "may be used"
	if !a.GetMayBeUsed() {
		use = "is out of use"
	}
	found := records.ResultWord(a.GetAsFound())
	if a.GetAdjusted() {
		found = "as found " + found + ", as left " + records.ResultWord(a.GetAsLeft())
	}
	p.line(0, fmt.Sprintf("%s at %s: %s. It %s.", a.GetInstrumentId(), minute(a.GetAt(), zone), found, use))
	var rows [][]string
	fahrenheit := false
	for _, r := range a.GetPoints() {
		name := records.PointWord(r.GetPoint().GetKind())
		if a.GetAdjusted() {
			name += ", " + word(r.GetPoint().GetPhase())
		}
		fahrenheit = fahrenheit || r.GetPoint().GetReading().GetUnit() == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT
		rows = append(rows, []string{
			name, records.FormatTemperature(r.GetPoint().GetReading()), records.FormatMicro(r.GetExpectedMicroC(), 3), signed(r.GetErrorMicro(), 3),
			records.FormatMicro(r.GetToleranceMicro(), 1), records.FormatMicro(r.GetUMicroC(), 2), records.ResultWord(r.GetResult()),
		})
	}
	p.table([]string{"POINT", "READ", "TRUE degC", "ERROR", "TOL", "U degC", "RESULT"}, rows)
	if fahrenheit {
		p.line(0, "Error and tolerance (TOL) are in the degrees read.")
	}
	said := map[string]bool{}
	for _, r := range a.GetPoints() {
		if s := pressureUsed(r.GetPressure(), zone); s != "" && !said[s] {
			p.line(0, "Pressure: "+s+".")
			said[s] = true
		}
		if r.GetGrossOnly() && !said["gross"] {
			p.line(0, "Its division is as large as the tolerance: only a gross error can show.")
			said["gross"] = true
		}
	}
}

// correction says a reading as read and put right.
func correction(c *kb.Correction, zone *time.Location) (read, corrected string) {
	if c == nil {
		return "", ""
	}
	read = records.FormatTemperature(c.GetReading())
	if c.CorrectedMicroC == nil {
		return read, "nothing is known of the error"
	}
	corrected = degrees(c.GetCorrectedMicroC(), 2) + ", U " + records.FormatMicro(c.GetUMicroC(), 2) + " degC (k=2)"
	var days []string
	at := map[string][]string{}
	for _, pt := range c.GetPoints() {
		day := minute(pt.GetAt(), zone)
		if at[day] == nil {
			days = append(days, day)
		}
		at[day] = append(at[day], records.PointWord(pt.GetKind()))
	}
	for _, day := range days {
		corrected += ", by " + strings.Join(at[day], ", ") + " of " + day
	}
	if c.GetExtrapolated() {
		corrected += "; beyond the checked points"
	}
	if c.GetMisfit() {
		corrected += "; the points disagree with each other"
	}
	return read, corrected
}

// assessedPull gives what a pull came to, as names and values.
func assessedPull(a *kb.PullAssessment, zone *time.Location) []string {
	read, corrected := correction(a.GetPull(), zone)
	high, highCorrected := correction(a.GetHighestAfter(), zone)
	pairs := []string{
		"pulled", second(a.GetAt(), zone) + " on " + a.GetInstrumentId(), "read", read, "corrected", corrected,
		"highest after", high, "corrected", highCorrected, "stage", a.GetStage(), "cold water", a.GetColdWaterStage(),
		"pressure", pressureUsed(a.GetPressure(), zone), "flags", flags(a),
	}
	for _, l := range a.GetLimits() {
		s := records.LimitWord(l.GetResult())
		if l.GetAsRead() != l.GetResult() && l.GetAsRead() != 0 {
			s += " (on the reading as read: " + records.LimitWord(l.GetAsRead()) + ")"
		}
		s += ": " + span(optionalDegrees(l.LowMicroC, 2), optionalDegrees(l.HighMicroC, 2)) + " here"
		if l.GetGuarded() {
			s += ", guarded by U " + records.FormatMicro(l.GetUMicroC(), 2) + " degC"
		}
		if l.GetWhy() != "" {
			s += "; " + l.GetWhy()
		}
		pairs = append(pairs, "limit", s, "as written", limitAsWritten(l.GetLimit()))
	}
	return pairs
}

func flags(a *kb.PullAssessment) string {
	said := map[kb.UseFlag]string{
		kb.UseFlag_USE_FLAG_NOT_CHECKED:     "the instrument was not checked that day before the pull",
		kb.UseFlag_USE_FLAG_FAILED:          "the instrument's last check failed",
		kb.UseFlag_USE_FLAG_NOT_BELIEVED:    "the instrument's last check was not believed",
		kb.UseFlag_USE_FLAG_PROVISIONAL:     "the instrument's last check was provisional",
		kb.UseFlag_USE_FLAG_CANNOT_BE_SHOWN: "the instrument's last check could not be shown",
		kb.UseFlag_USE_FLAG_CONTRADICTION:   "the cold-water test contradicts the temperature",
		kb.UseFlag_USE_FLAG_MISFIT:          "the points of the check disagree with its curve",
		kb.UseFlag_USE_FLAG_NO_CORRECTION:   "nothing is known of the instrument's error",
	}
	var out []string
	for _, f := range a.GetFlags() {
		out = append(out, said[f])
	}
	return strings.Join(out, "; ")
}

// coolingLegs says what the cooling clock came to.
func coolingLegs(c *kb.CoolingAssessment) string {
	var legs []string
	for _, l := range c.GetLegs() {
		s := fmt.Sprintf("to %s in %d min: %s", degrees(l.GetTargetMicroC(), 0), l.GetAllowedMin(), records.LimitWord(l.GetResult()))
		if l.LongestS != nil {
			s += fmt.Sprintf(" (at most %d min)", (l.GetLongestS()+59)/60)
		}
		legs = append(legs, s)
	}
	s := strings.Join(legs, "; ")
	if c.GetUnknownStart() {
		s += "; no reading at or above 57 degC"
	}
	if c.GetRunning() {
		s += "; still running"
	}
	return s
}

// deviationWord names a deviation by its class; a quality miss is none.
func deviationWord(c kb.DeviationClass) string {
	switch c {
	case kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY:
		return "food-safety deviation"
	case kb.DeviationClass_DEVIATION_CLASS_PROCESS:
		return "process deviation"
	}
	return word(c)
}
