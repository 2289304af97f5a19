package reports

import (
	"math"
	"strings"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// example works one boiling point and one pull through, in figures that stand in this log.
func (d *dayLog) example() {
	in, r := d.exampleBoiling()
	b := d.examplePull()
	if r == nil && b == nil {
		return
	}
	d.heading("One example by hand", 24)
	d.flow(p(text("So that a reader with a pocket calculator comes to the same verdicts. Temperatures in °F become °C by (F - 32) / 1.8.")))
	if r != nil {
		d.boilingByHand(in, r)
	}
	if b != nil {
		d.need(26)
		d.pullByHand(b)
	}
}

// exampleBoiling picks a boiling point: measured pressure first, and one that came to a plain result.
func (d *dayLog) exampleBoiling() (*kettlebookv1.InstrumentDay, *kettlebookv1.PointResult) {
	var bestIn *kettlebookv1.InstrumentDay
	var best *kettlebookv1.PointResult
	score := -1
	for _, in := range d.content.GetInstruments() {
		for _, check := range in.GetChecks() {
			for _, r := range check.GetAssessment().GetPoints() {
				if r.GetPoint().GetKind() != kettlebookv1.PointKind_POINT_KIND_BOILING || r.GetPressure().GetPressureHpa() == nil {
					continue
				}
				now := 0
				if r.GetPressure().GetKind() == kettlebookv1.PressureKind_PRESSURE_KIND_MEASURED {
					now += 2
				}
				if r.GetResult() == kettlebookv1.CheckResult_CHECK_RESULT_IN_TOLERANCE || r.GetResult() == kettlebookv1.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE {
					now++
				}
				if now > score {
					bestIn, best, score = in, r, now
				}
			}
		}
	}
	return bestIn, best
}

func (d *dayLog) boilingByHand(in *kettlebookv1.InstrumentDay, r *kettlebookv1.PointResult) {
	pt := r.GetPoint()
	unit := pt.GetReading().GetUnit()
	sign := " " + degrees(unit)
	expected := exact(r.GetExpectedMicroC(), 3) + " °C"
	if isF(unit) {
		expected += " x 1.8 + 32 = " + exact(toF(r.GetExpectedMicroC()), 3) + " °F"
	}
	errorText := signed(exact(r.GetErrorMicro(), 3))
	reading, value := asRead(pt.GetReading()), exact(r.GetExpectedMicroC(), 3)
	if isF(unit) {
		value = exact(toF(r.GetExpectedMicroC()), 3)
	}
	d.flow(para{before: 0.8, spans: []span{
		strong("Boiling point, " + in.GetInstrument().GetInstrumentId() + ", " + d.clock.at(pt.GetAt()) + ". "),
		text("Pressure " + asWritten(r.GetPressure().GetPressureHpa()) + " hPa, " + pressureKind(r.GetPressure().GetKind()) +
			". Water boils there at " + expected + " (IAPWS-IF97, region 4, rounded once to 0.001 °C; this step is stated, not redone here)."),
	}})
	d.flow(step(text("error = as read - expected = "+reading+" - "+value+sign+" = "), strong(errorText+sign)))
	if words := budgetByHand(r.GetTerms(), r.GetUMicroC()); words != "" {
		d.flow(step(text(words)))
	}
	d.flow(step(text(d.toleranceByHand(r, sign)), text(" Result: "), flagged(checkVerdict(r.GetResult())), text(".")))
}

// step is one line of arithmetic, set in.
func step(spans ...span) para { return para{indent: 5, hang: 4, spans: spans} }

// budgetByHand adds an uncertainty budget up, when its terms come out as the U that was judged with.
func budgetByHand(terms []*kettlebookv1.UncertaintyTerm, u int64) string {
	if len(terms) == 0 {
		return ""
	}
	sum := 0.0
	var names, squares []string
	for _, term := range terms {
		micro := max(term.GetStandardMicroC(), -term.GetStandardMicroC()) // a sign matters only between terms that share an input
		v := float64(micro) / 1e6
		sum += v * v
		names = append(names, term.GetName()+" "+exact(micro, 3))
		squares = append(squares, exact(micro, 3)+"²")
	}
	exactU := 2e6 * math.Sqrt(sum)
	if diff := float64(u) - exactU; diff < -1 || diff > 10_001 {
		return ""
	}
	return "U (k = 2) = 2 x square root of (" + strings.Join(squares, " + ") + ") = " + fixed(int64(math.Round(exactU)), 4) +
		", rounded up " + celsius(u, 2) + "; the standard uncertainties in °C: " + strings.Join(names, "; ") + "."
}

// toleranceByHand compares the size of an error with the tolerance, in the way the result was found.
func (d *dayLog) toleranceByHand(r *kettlebookv1.PointResult, sign string) string {
	size, tol := r.GetErrorMicro(), r.GetToleranceMicro()
	if size < 0 {
		size = -size
	}
	u := r.GetUMicroC()
	if isF(r.GetPoint().GetReading().GetUnit()) {
		u = toFSpan(u)
	}
	switch {
	case r.GetResult() == kettlebookv1.CheckResult_CHECK_RESULT_NOT_BELIEVED:
		return "The reading is the sea-level figure, and the expected value is farther away than tolerance + U = " +
			exact(tol, 0) + " + " + exact(u, 2) + " = " + exact(tol+u, 2) + sign + "."
	case r.GetPressure().GetKind() == kettlebookv1.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE:
		return "Nobody measured the pressure: in only if the error is at most tolerance - U = " + exact(tol, 0) + " - " + exact(u, 2) + " = " +
			exact(tol-u, 2) + sign + ", out only if it is more than tolerance + U = " + exact(tol+u, 2) + sign + "."
	}
	limit, how := tol, "the tolerance"
	if d.content.GetSite().GetGuardedChecks() {
		limit, how = tol-u, "tolerance - U"
	}
	relation := " is at most "
	if size > limit {
		relation = " is more than "
	}
	return exact(size, 3) + relation + how + ", " + exact(limit, 0) + sign + "."
}

// examplePull picks a pull whose correction and limit can be followed: a line or an offset, met or not met.
func (d *dayLog) examplePull() *kettlebookv1.BatchDay {
	var best *kettlebookv1.BatchDay
	score := -1
	for _, b := range d.content.GetBatches() {
		c := b.GetPull().GetPull()
		if c == nil || c.CorrectedMicroC == nil || b.GetVoidReason() != "" {
			continue
		}
		now := 0
		if l := boundLimit(b); l != nil {
			now += 2
			if r := l.GetResult(); r == kettlebookv1.LimitResult_LIMIT_RESULT_MET || r == kettlebookv1.LimitResult_LIMIT_RESULT_NOT_MET {
				now += 2
			}
		}
		if words, _ := errorByHand(c); words != "" {
			now++
		}
		if now > score {
			best, score = b, now
		}
	}
	return best
}

// boundLimit is the first limit that binds the pull.
func boundLimit(b *kettlebookv1.BatchDay) *kettlebookv1.LimitAssessment {
	for _, l := range b.GetPull().GetLimits() {
		if l.GetLimit().GetBinds() != kettlebookv1.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER {
			return l
		}
	}
	return nil
}

func (d *dayLog) pullByHand(b *kettlebookv1.BatchDay) {
	c := b.GetPull().GetPull()
	reading := c.GetReading()
	micro := toMicroC(reading.GetMicro(), reading.GetUnit())
	words := "As read " + asRead(reading)
	if isF(reading.GetUnit()) {
		words += " = (" + strings.TrimSuffix(asRead(reading), " °F") + " - 32) / 1.8 = " + fixed(micro, 3) + " °C"
	}
	d.flow(para{before: 0.8, spans: []span{strong("Pull of batch " + b.GetStart().GetLotCode() + ". "), text(words + ".")}})
	line, errorMicroC := errorByHand(c)
	if line == "" {
		errorMicroC = c.GetErrorMicroC()
		line = "The error there is stated, not redone here: by " + formWord(c.GetForm()) + " from " + d.pointsUsed(c.GetPoints()) + "."
	}
	d.flow(step(text(line)))
	d.flow(step(
		text("corrected = as read - error = "+fixed(micro, 3)+" - ("+signed(fixed(errorMicroC, 3))+") = "),
		strong(celsius(c.GetCorrectedMicroC(), 2)), text(" (rounded to 0.01 °C), U (k = 2) "+celsius(c.GetUMicroC(), 2)+"."),
	))
	if l := boundLimit(b); l != nil {
		spans := []span{text(limitByHand(l, c) + " Result: "), flagged(limitVerdict(l.GetResult())), text(".")}
		if l.GetWhy() != "" {
			spans = append(spans, text(" Why: "+sentence(l.GetWhy())))
		}
		d.flow(step(spans...))
	}
}

// limitByHand compares a corrected value with the limit as moved.
func limitByHand(l *kettlebookv1.LimitAssessment, c *kettlebookv1.Correction) string {
	name := orElse(l.GetLimit().GetName(), "limit")
	words := "Limit “" + name + "” as moved: " + bounds(l.LowMicroC, l.HighMicroC, false) + " (the move by the sucrose model is stated, not redone here)"
	if l.GetLimit().GetBasis() != kettlebookv1.LimitBasis_LIMIT_BASIS_SOLIDS {
		words = "Limit “" + name + "”, a temperature that pressure does not move: " + bounds(l.LowMicroC, l.HighMicroC, false)
	}
	at, u := c.GetCorrectedMicroC(), int64(0)
	below, above := fixed(at, 2), fixed(at, 2)
	words += ". "
	if l.GetGuarded() {
		u = l.GetUMicroC()
		words += "With U = " + fixed(u, 2) + " taken off the acceptable side: "
		below, above = below+" - "+fixed(u, 2)+" = "+fixed(at-u, 2), above+" + "+fixed(u, 2)+" = "+fixed(at+u, 2)
	}
	switch {
	case l.LowMicroC != nil && at-u < l.GetLowMicroC():
		return words + below + " is less than " + fixed(l.GetLowMicroC(), 2) + "."
	case l.HighMicroC != nil && at+u > l.GetHighMicroC():
		return words + above + " is more than " + fixed(l.GetHighMicroC(), 2) + "."
	}
	var parts []string
	if l.LowMicroC != nil {
		parts = append(parts, below+" is at least "+fixed(l.GetLowMicroC(), 2))
	}
	if l.HighMicroC != nil {
		parts = append(parts, above+" is at most "+fixed(l.GetHighMicroC(), 2))
	}
	return words + joinAnd(parts) + "."
}

// errorByHand shows how the error at the reading follows from the points, when a line of
// arithmetic suffices: one point, the mean of several, or the straight line through two. The
// words are empty when that does not lead to the corrected value as stored, so that nothing is
// printed that a reader could not redo. The error is in millionths of a degC.
func errorByHand(c *kettlebookv1.Correction) (words string, errorMicroC int64) {
	points := c.GetPoints()
	found := func(i int) string { return signed(exact(points[i].GetErrorMicroC(), 3)) }
	var lead string
	switch {
	case len(points) == 1:
		errorMicroC = points[0].GetErrorMicroC()
		lead = "error: the one point known"
	case len(points) > 1 && c.GetForm() == "mean offset":
		sum := int64(0)
		var parts []string
		for i, used := range points {
			sum += used.GetErrorMicroC()
			parts = append(parts, "("+found(i)+")")
		}
		errorMicroC = divRound(sum, int64(len(points)))
		lead = "error: the mean of the points, (" + strings.Join(parts, " + ") + ") / " + decimal(int64(len(points)))
	case len(points) == 2 && c.GetForm() == "line":
		e0, e1 := points[0].GetErrorMicroC(), points[1].GetErrorMicroC()
		r0, r1 := points[0].GetTrueMicroC()+e0, points[1].GetTrueMicroC()+e1
		r := toMicroC(c.GetReading().GetMicro(), c.GetReading().GetUnit())
		if r0 == r1 {
			return "", 0
		}
		errorMicroC = e0 + int64(math.Round(float64(e1-e0)*float64(r-r0)/float64(r1-r0)))
		lead = "error: on the line through the points (reading " + fixed(r0, 3) + ", error " + found(0) + ") and (reading " + fixed(r1, 3) + ", error " + found(1) + "): " +
			"(" + found(0) + ") + ((" + found(1) + ") - (" + found(0) + ")) x (" + fixed(r, 3) + " - (" + fixed(r0, 3) + ")) / (" + fixed(r1, 3) + " - (" + fixed(r0, 3) + "))"
	default:
		return "", 0
	}
	corrected := toMicroC(c.GetReading().GetMicro(), c.GetReading().GetUnit()) - errorMicroC
	if fixed(corrected, 2) != fixed(c.GetCorrectedMicroC(), 2) {
		return "", 0
	}
	return lead + " = " + signed(fixed(errorMicroC, 3)) + " °C.", errorMicroC
}
