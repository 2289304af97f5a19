package reports

import (
	"strings"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// instruments prints every instrument with its checks of the day, point by point.
func (d *dayLog) instruments() {
	all := d.content.GetInstruments()
	d.heading("Instruments and their checks", 30)
	if len(all) == 0 {
		d.flow(p(text("No instrument is registered.")))
		return
	}
	d.flow(p(text("Error = as read - expected, in the scale read. U is the expanded uncertainty (k = 2). The expected value is rounded once to 0.001 °C and judged as printed.")))
	d.y += 0.8
	t := d.newTable(sizeSmall,
		column{"time", 15, 'L'}, column{"point", 25, 'L'}, column{"as read", 19, 'R'}, column{"expected", 21, 'R'},
		column{"error", 19, 'R'}, column{"U (k = 2)", 15, 'R'}, column{"tolerance", 15, 'R'},
		column{"result", 27, 'L'}, column{"rests on", 26, 'L'})
	for _, in := range all {
		d.instrument(t, in)
	}
	t.end()
}

// instrument prints one instrument: who it is, its points, and what they show.
func (d *dayLog) instrument(t *table, day *kettlebookv1.InstrumentDay) {
	in := day.GetInstrument()
	t.ruleOff(0.4)
	name := []span{{text: in.GetInstrumentId(), style: style{size: 9.5, bold: true}}, text("  " + in.GetDescription())}
	if words := constructionWord(in.GetConstruction()); words != "" {
		name = append(name, text(" ("+words+")"))
	}
	name = append(name, text("   serial "+orDash(in.GetSerial())+"   scale "+scaleWord(in.GetScale())+
		"   division "+withUnit(in.GetDivision(), in.GetScale())+readTo(in)+"   tolerance "+d.tolerance(in)))
	t.band(14, para{spans: name, hang: 4})
	if in.GetReference() {
		t.band(0, para{hang: 4, spans: []span{text(referenceWords(in))}})
	}
	if in.GetRetired() {
		t.band(0, p(text("Out of the rack for good.")))
	}
	for _, check := range day.GetChecks() {
		for _, pt := range check.GetAssessment().GetPoints() {
			d.point(t, check, pt)
		}
		d.checkRemarks(t, check)
	}
	d.standing(t, day)
}

// point prints one row of a check.
func (d *dayLog) point(t *table, check *kettlebookv1.CheckDay, r *kettlebookv1.PointResult) {
	pt := r.GetPoint()
	unit := pt.GetReading().GetUnit()
	f := isF(unit)
	sign := degrees(unit)
	reading := []span{}
	if r.GetStruck() != nil {
		reading = append(reading, struckOut(asRead(r.GetStruck()))...)
	}
	reading = append(reading, span{text: asRead(pt.GetReading()), style: style{bold: true}, whole: true})
	expected := cell{{spans: small(firm(celsius(r.GetExpectedMicroC(), 3)))}}
	u := cell{{spans: small(firm(celsius(r.GetUMicroC(), 2)))}}
	if f {
		expected = append(expected, p(small(firm(exact(toF(r.GetExpectedMicroC()), 3)+" °F"))...))
		u = append(u, p(small(firm(exact(toFSpan(r.GetUMicroC()), 2)+" °F"))...))
	}
	result := cell{{spans: small(flagged(checkVerdict(r.GetResult())))}}
	if r.GetGrossOnly() {
		result = append(result, p(small(text("can show only gross error"))...))
	}
	point := pointKind(pt.GetKind()) + ", " + phaseWord(pt.GetPhase())
	if pt.GetRollingBoilSeen() {
		point += ", rolling boil seen"
	}
	t.row(
		c(firm(d.clock.at(pt.GetAt())), text(" "+check.GetBy().GetInitials())),
		c(text(point)),
		c(reading...),
		expected,
		c(firm(signed(exact(r.GetErrorMicro(), 3))+" "+sign)),
		u,
		c(firm("±"+exact(r.GetToleranceMicro(), 0)+" "+sign)),
		result,
		c(text(d.restsOn(r))),
	)
	if pt.GetNote() != "" {
		t.band(0, para{hang: 4, spans: small(text("Note at " + d.clock.at(pt.GetAt()) + ": " + pt.GetNote()))})
	}
}

// restsOn says what makes a point's true value known.
func (d *dayLog) restsOn(r *kettlebookv1.PointResult) string {
	pt := r.GetPoint()
	switch pt.GetKind() {
	case kettlebookv1.PointKind_POINT_KIND_ICE:
		return iceWord(pt.GetIce())
	case kettlebookv1.PointKind_POINT_KIND_COMPARISON:
		return pt.GetReferenceId() + " read " + asRead(pt.GetReferenceReading())
	case kettlebookv1.PointKind_POINT_KIND_BOILING:
		used := r.GetPressure()
		if used == nil {
			return "pressure not given"
		}
		words := asWritten(used.GetPressureHpa()) + " hPa, " + pressureKind(used.GetKind())
		if used.GetKind() == kettlebookv1.PressureKind_PRESSURE_KIND_ALTIMETER && pt.GetPressureHpa() != nil {
			words = "setting " + asWritten(pt.GetPressureHpa()) + " hPa: " + words
		}
		if used.GetQuestioned() && pt.GetPressureHpa() != nil {
			words += "; " + markUnknown + " " + asWritten(pt.GetPressureHpa()) + " hPa was given, out of family with the elevation (altimeter?), not used"
		}
		return words
	default:
		return ""
	}
}

// checkRemarks prints what belongs to a check as a whole.
func (d *dayLog) checkRemarks(t *table, check *kettlebookv1.CheckDay) {
	a := check.GetAssessment()
	var spans []span
	spans = append(spans, text("Check of "+d.clock.at(a.GetAt())+" by "+d.person(check.GetBy())+": as found "), flagged(checkVerdict(a.GetAsFound())))
	if a.GetAdjusted() || check.GetAdjustment() != "" {
		spans = append(spans, text("; adjusted"))
		if check.GetAdjustment() != "" {
			spans = append(spans, text(" ("+check.GetAdjustment()+")"))
		}
		spans = append(spans, text(", as left "), flagged(checkVerdict(a.GetAsLeft())))
	}
	if a.GetMayBeUsed() {
		spans = append(spans, text("; may be used."))
	} else {
		spans = append(spans, text("; "), strong(markFailed+" out of use until a check shows otherwise."))
	}
	if a != nil && a.Replaces != nil {
		spans = append(spans, text(" Judged again; replaces the assessment at entry "+decimal(a.GetReplaces())+"."))
	}
	t.band(0, para{hang: 4, spans: spans})
}

// standing prints what is known of an instrument at the end of the day.
func (d *dayLog) standing(t *table, day *kettlebookv1.InstrumentDay) {
	if day.GetInstrument().GetReference() && len(day.GetChecks()) == 0 {
		return
	}
	spans := []span{}
	if day.GetMissedCheck() {
		words := markMissing + " missed check: no check on this day though one was due"
		if lots := day.GetLots(); len(lots) > 0 {
			words += "; used for " + counted(len(lots), "batch", "batches") + ": " + list(lots)
		} else {
			words += "; not used for any batch"
		}
		spans = append(spans, strong(words+". "))
	} else if lots := day.GetLots(); len(lots) > 0 {
		spans = append(spans, text("Used for "+list(lots)+". "))
	}
	spans = append(spans, text(d.rangeSentence(day)))
	t.band(0, para{hang: 4, spans: spans})
	t.s.y += 0.8
}

// rangeSentence says at which temperatures the instrument was last shown to be in tolerance.
func (d *dayLog) rangeSentence(day *kettlebookv1.InstrumentDay) string {
	var parts []string
	if checks := day.GetChecks(); len(checks) > 0 {
		parts = append(parts, rangesOf(checks[len(checks)-1].GetAssessment())...)
	} else if day.GetStandingAt() != nil {
		parts = append(parts, "not checked on this day; last check "+d.clock.date(day.GetStandingAt())+": "+checkVerdict(day.GetStanding()).String())
	} else {
		parts = append(parts, "never checked")
	}
	if day.GetLastComparisonAt() != nil {
		parts = append(parts, fixed(day.GetLastComparisonMicroC(), 1)+" °C (working temperature) last shown on "+d.clock.date(day.GetLastComparisonAt()))
	} else {
		parts = append(parts, "working temperature never shown")
	}
	sentence := strings.Join(parts, "; ") + "."
	return strings.ToUpper(sentence[:1]) + sentence[1:]
}

// rangesOf groups the deciding points of a check by result: the as-left points after an adjustment, else all.
func rangesOf(a *kettlebookv1.CheckAssessment) []string {
	var order []kettlebookv1.CheckResult
	at := make(map[kettlebookv1.CheckResult][]string)
	left := a.GetAsLeft() != kettlebookv1.CheckResult_CHECK_RESULT_UNSPECIFIED
	for _, r := range a.GetPoints() {
		if left && r.GetPoint().GetPhase() != kettlebookv1.CheckPhase_CHECK_PHASE_AS_LEFT {
			continue
		}
		if at[r.GetResult()] == nil {
			order = append(order, r.GetResult())
		}
		at[r.GetResult()] = append(at[r.GetResult()], pointTemp(r.GetExpectedMicroC()))
	}
	var out []string
	for _, result := range order {
		out = append(out, checkVerdict(result).word+" at "+joinAnd(at[result])+" °C")
	}
	return out
}

// pointTemp prints the temperature of a check point to a tenth, the ice point as a plain 0.
func pointTemp(microC int64) string {
	if text := fixed(microC, 1); text != "0.0" {
		return text
	}
	return "0"
}

// joinAnd joins words as "a", "a and b", "a, b and c".
func joinAnd(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// tolerance prints an instrument's own tolerance, or the site's for its scale.
func (d *dayLog) tolerance(in *kettlebookv1.Instrument) string {
	site := d.content.GetSite()
	switch {
	case in.GetTolerance() != nil:
		return "±" + withUnit(in.GetTolerance(), in.GetScale())
	case in.GetScale() == kettlebookv1.Scale_SCALE_FAHRENHEIT:
		return "±" + orDefault(site.GetToleranceF(), "2") + " °F"
	default:
		return "±" + orDefault(site.GetToleranceC(), "1") + " °C"
	}
}

// withUnit prints a number in degrees of an instrument's scale (Celsius when dual).
func withUnit(v *kettlebookv1.Decimal, s kettlebookv1.Scale) string {
	if v == nil {
		return "not given"
	}
	if s == kettlebookv1.Scale_SCALE_FAHRENHEIT {
		return asWritten(v) + " °F"
	}
	return asWritten(v) + " °C"
}

func readTo(in *kettlebookv1.Instrument) string {
	if in.GetReadTo() == nil || in.GetReadTo().GetMicro() == in.GetDivision().GetMicro() {
		return ""
	}
	return ", read to " + withUnit(in.GetReadTo(), in.GetScale())
}

// referenceWords prints the certificate of a reference.
func referenceWords(in *kettlebookv1.Instrument) string {
	words := "Reference: other instruments are compared with it; it takes no part in daily checks. Certificate " + orDash(in.GetCertificate())
	if in.GetCertificateUC() != nil {
		words += ", U (k = 2) " + asWritten(in.GetCertificateUC()) + " °C"
	} else {
		words += ", no U on it: the tolerance stands in"
	}
	if v := in.GetCertificateCorrectionC(); v != nil {
		words += ", correction " + signed(asWritten(v)) + " °C"
	}
	if in.GetCertificateDue() != "" {
		words += ", valid to " + in.GetCertificateDue()
	}
	return words + "."
}

// pressures prints the kitchen pressures read on the day.
func (d *dayLog) pressures() {
	d.heading("Kitchen pressure", 12)
	all := d.content.GetPressures()
	if len(all) == 0 {
		d.flow(p(text("Nobody read the pressure on this day.")))
		return
	}
	for _, used := range all {
		spans := []span{strong(asWritten(used.GetPressureHpa()) + " hPa"), text("  " + pressureKind(used.GetKind()))}
		if used.GetAt() != nil {
			spans = append(spans, text(", "+d.clock.at(used.GetAt())))
		}
		if used.GetQuestioned() {
			spans = append(spans, text("  "), strong(markUnknown+" out of family with the elevation (altimeter?): not used"))
		}
		d.flow(para{hang: 4, spans: spans})
	}
}
