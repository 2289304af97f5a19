package reports

import (
	"slices"
	"strings"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// sizePull is the type size of the pull as read, the largest figure of a batch.
const sizePull = 15

// pullWords prints the pull as read, the corrected value, the limits and what speaks against them.
func (d *dayLog) pullWords(pull *kettlebookv1.PullAssessment) []para {
	f := isF(pull.GetPull().GetReading().GetUnit())
	out := []para{labelled("pull",
		span{text: asRead(pull.GetPull().GetReading()), style: style{size: sizePull, bold: true}, whole: true},
		text(" as read, at "+d.clock.at(pull.GetAt())+"   "),
		flaggedSized(worstLimit(pull), 9.5),
	)}
	first := d.correctionWords("corrected", pull.GetPull(), f)
	out = append(out, first...)
	if high := pull.GetHighestAfter(); high != nil {
		out = append(out, labelled("highest after", strong(asRead(high.GetReading())), text(" as read, carry-over after the pull")))
		second := d.correctionWords("its corrected", high, isF(high.GetReading().GetUnit()))
		if len(first) == 2 && len(second) == 2 && sameWords(first[len(first)-1], second[len(second)-1]) {
			second = second[:len(second)-1] // by the same check: said once
		}
		out = append(out, second...)
	}
	for _, flag := range pull.GetFlags() {
		words := useFlag(flag)
		if pull.GetCheckAt() != nil && aboutCheck(flag) {
			words.word += " (" + d.clock.at(pull.GetCheckAt()) + ")"
		}
		out = append(out, labelled("flag", strong(words.String())))
	}
	for _, l := range pull.GetLimits() {
		out = append(out, limitWords(l, f))
	}
	if len(pull.GetLimits()) == 0 {
		out = append(out, labelled("limit", text("none on this cook in the formula")))
	}
	out = append(out, d.pressureWords(pull)...)
	out = append(out, stageWords(pull))
	if pull.Replaces != nil {
		out = append(out, labelled("judged", text("again; replaces the assessment at entry "+decimal(pull.GetReplaces()))))
	}
	return out
}

// sameWords reports whether two paragraphs say the same.
func sameWords(a, b para) bool {
	return slices.EqualFunc(a.spans, b.spans, func(x, y span) bool { return x.text == y.text })
}

// flaggedSized prints a verdict in another size.
func flaggedSized(v verdict, size float64) span {
	s := flagged(v)
	s.style.size = size
	return s
}

// aboutCheck reports whether a flag speaks of the check before the reading.
func aboutCheck(f kettlebookv1.UseFlag) bool {
	switch f {
	case kettlebookv1.UseFlag_USE_FLAG_FAILED, kettlebookv1.UseFlag_USE_FLAG_NOT_BELIEVED,
		kettlebookv1.UseFlag_USE_FLAG_PROVISIONAL, kettlebookv1.UseFlag_USE_FLAG_CANNOT_BE_SHOWN:
		return true
	default:
		return false
	}
}

// correctionWords prints a corrected value with its U and the check points it came from.
func (d *dayLog) correctionWords(name string, c *kettlebookv1.Correction, f bool) []para {
	if c == nil {
		return nil
	}
	if c.CorrectedMicroC == nil {
		return []para{labelled(name, strong(markMissing+" not known: no check point corrects the reading"))}
	}
	value := celsius(c.GetCorrectedMicroC(), 2)
	if f {
		value += " (" + fixed(toF(c.GetCorrectedMicroC()), 2) + " °F)"
	}
	spans := []span{
		{text: value, style: style{size: 9.5, bold: true}, whole: true},
		text("   "), firm("U (k = 2) " + celsius(c.GetUMicroC(), 2)),
	}
	if c.GetExtrapolated() {
		spans = append(spans, text(", extrapolated beyond the checked points"))
	}
	from := []span{
		text("error there "), firm(signed(fixed(c.GetErrorMicroC(), 2)) + " °C"),
		text(", by " + formWord(c.GetForm()) + " from "), text(d.pointsUsed(c.GetPoints())),
	}
	if c.GetMisfit() {
		from = append(from, text("; "), strong(markDoubt+" the points do not fit the curve within their uncertainty"))
	}
	return []para{labelled(name, spans...), labelled("by the check", from...)}
}

func formWord(form string) string {
	if form == "" {
		return "a curve not named"
	}
	return form
}

// pointsUsed names the points of a correction with their time and error.
func (d *dayLog) pointsUsed(points []*kettlebookv1.PointUsed) string {
	if len(points) == 0 {
		return "no point"
	}
	var words []string
	for _, used := range points {
		one := pointKind(used.GetKind()) + " " + d.clock.at(used.GetAt()) + " (" + fixed(used.GetTrueMicroC(), 3) + " °C: error " +
			signed(fixed(used.GetErrorMicroC(), 3)) + " °C"
		if v := checkVerdict(used.GetResult()); v.bad {
			one += ", " + v.String()
		}
		words = append(words, one+")")
	}
	return strings.Join(words, ", ")
}

// limitWords prints a limit as written and as moved with what it came to.
func limitWords(a *kettlebookv1.LimitAssessment, f bool) para {
	l := a.GetLimit()
	binds := ""
	if l.GetBinds() == kettlebookv1.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER {
		binds = ", binds the highest after"
	}
	spans := []span{
		flagged(limitVerdict(a.GetResult())),
		text("   " + orElse(l.GetName(), "limit") + " (" + limitClass(l.GetClass()) + binds + "): as written "),
		firm(written(l)), text(", " + basisWords(l) + "; "),
	}
	if l.GetBasis() == kettlebookv1.LimitBasis_LIMIT_BASIS_TEMPERATURE {
		spans = append(spans, text("judged against "))
	} else {
		spans = append(spans, text("as moved "))
	}
	spans = append(spans, strong(bounds(a.LowMicroC, a.HighMicroC, f)))
	if a.GetBeyondData() {
		spans = append(spans, text("; beyond the sucrose data, moved at constant water activity"))
	}
	how := "simple acceptance"
	if a.GetGuarded() {
		how = "guard band of U"
	}
	spans = append(spans, text("; U (k = 2) of the difference "), firm(celsius(a.GetUMicroC(), 2)), text(", "+how+"."))
	if a.GetResult() == kettlebookv1.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN && a.GetWhy() != "" {
		spans = append(spans, text(" Why: "+sentence(a.GetWhy())))
	}
	// What the bare reading would have come to stands beside wherever it differs; it is no verdict.
	if as := a.GetAsRead(); as != kettlebookv1.LimitResult_LIMIT_RESULT_UNSPECIFIED && as != a.GetResult() {
		spans = append(spans, text(" What if: on the reading as read, uncorrected, it would be "), firm("“"+limitVerdict(as).word+"”"), text(" (no verdict)."))
	}
	if l.GetReason() != "" {
		spans = append(spans, text(" Reason of the limit: "+sentence(l.GetReason())))
	}
	return labelled("limit", spans...)
}

// sentence ends words with a full stop when they have none.
func sentence(s string) string { return strings.TrimRight(s, ". ") + "." }

// written prints a limit with the digits it was written with.
func written(l *kettlebookv1.Limit) string {
	low, high := l.GetLow(), l.GetHigh()
	switch {
	case low != nil && high != nil && low.GetUnit() == high.GetUnit():
		return exact(low.GetMicro(), int(min(low.GetDecimals(), 6))) + " to " + asRead(high)
	case low != nil && high != nil:
		return asRead(low) + " to " + asRead(high)
	case low != nil:
		return "at least " + asRead(low)
	case high != nil:
		return "at most " + asRead(high)
	default:
		return "no bound"
	}
}

// bounds prints a moved limit in degC, and in degF beside when the dial is read in degF.
func bounds(low, high *int64, f bool) string {
	say := func(show func(int64) string, unit string) string {
		switch {
		case low != nil && high != nil:
			return show(*low) + " to " + show(*high) + unit
		case low != nil:
			return "at least " + show(*low) + unit
		case high != nil:
			return "at most " + show(*high) + unit
		default:
			return "no bound"
		}
	}
	out := say(func(m int64) string { return fixed(m, 2) }, " °C")
	if f && (low != nil || high != nil) {
		out += " (" + say(func(m int64) string { return fixed(toF(m), 2) }, " °F") + ")"
	}
	return out
}

// basisWords says whether a limit moves with pressure, where it was established, and on what.
func basisWords(l *kettlebookv1.Limit) string {
	if l.GetBasis() != kettlebookv1.LimitBasis_LIMIT_BASIS_SOLIDS {
		return "a temperature, not moved by pressure"
	}
	words := "solids at "
	switch l.GetEstablishedAt() {
	case kettlebookv1.EstablishedAt_ESTABLISHED_AT_STANDARD:
		words += "standard pressure, 1013.25 hPa"
	case kettlebookv1.EstablishedAt_ESTABLISHED_AT_THIS_KITCHEN:
		words += "this kitchen's standard atmosphere"
	case kettlebookv1.EstablishedAt_ESTABLISHED_AT_STATED:
		words += asWritten(l.GetEstablishedHpa()) + " hPa"
	default:
		words += "a pressure not stated"
	}
	switch l.GetEstablishedOn() {
	case kettlebookv1.EstablishedOn_ESTABLISHED_ON_BOOK:
		return words + ", from a book"
	case kettlebookv1.EstablishedOn_ESTABLISHED_ON_CORRECTED:
		return words + ", on a corrected thermometer"
	case kettlebookv1.EstablishedOn_ESTABLISHED_ON_DIAL:
		return words + ", on this dial as it read"
	default:
		return words + ", from what is not stated"
	}
}

// pressureWords says which pressure moved the limits.
func (d *dayLog) pressureWords(pull *kettlebookv1.PullAssessment) []para {
	moved := false
	for _, l := range pull.GetLimits() {
		moved = moved || l.GetLimit().GetBasis() == kettlebookv1.LimitBasis_LIMIT_BASIS_SOLIDS
	}
	used := pull.GetPressure()
	if used == nil || !moved {
		return nil
	}
	words := asWritten(used.GetPressureHpa()) + " hPa, " + pressureKind(used.GetKind())
	if used.GetAt() != nil {
		words += ", " + d.clock.at(used.GetAt())
	}
	if used.GetAgeMin() > 0 {
		words += ", " + minutes(int64(used.GetAgeMin())*60) + " before the pull"
	} else if used.GetAgeMin() < 0 {
		words += ", " + minutes(-int64(used.GetAgeMin())*60) + " after the pull"
	}
	spans := []span{text(words)}
	if used.GetOld() {
		spans = append(spans, text("; "), strong(markDoubt+" older than the site allows: drift added"))
	}
	if used.GetQuestioned() {
		spans = append(spans, text("; "), strong(markUnknown+" a figure was given but is out of family with the elevation: not used"))
	}
	return []para{labelled("pressure", spans...)}
}

// stageWords puts the two witnesses side by side.
func stageWords(pull *kettlebookv1.PullAssessment) para {
	return labelled("stage", text("by corrected temperature: "), strong(orElse(pull.GetStage(), "not known")),
		text("; by cold-water test: "), strong(orElse(pull.GetColdWaterStage(), "no test made")))
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
