package records

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// Kinds of assessment documents of checks.
const (
	// KindCheckAssessment holds assessments by check; indexes "instrument"
	// (instrument, time), "passing" (instrument, time: in tolerance with a
	// measured pressure), "failed" (instrument, time: out of tolerance as found)
	// and "adjusted" (instrument, time).
	KindCheckAssessment = "check_assessment"
	// KindPoint holds believed points for corrections; index "point":
	// instrument, kind, time.
	KindPoint = "point"
)

var _ = register[*kb.CheckAssessment](nil, projectCheckAssessment)

func projectCheckAssessment(e Entry, m *kb.CheckAssessment) (Projection, error) {
	at := TimeKey(m.GetAt().AsTime())
	keys := []Key{{"instrument", JoinKey(m.GetInstrumentId(), at)}}
	if Standing(m) == kb.CheckResult_CHECK_RESULT_IN_TOLERANCE {
		keys = append(keys, Key{"passing", JoinKey(m.GetInstrumentId(), at)})
	}
	if m.GetAsFound() == kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE {
		keys = append(keys, Key{"failed", JoinKey(m.GetInstrumentId(), at)})
	}
	if m.GetAdjusted() {
		keys = append(keys, Key{"adjusted", JoinKey(m.GetInstrumentId(), at)})
	}
	r, err := row(e, KindCheckAssessment, m.GetCheckId(), e.GetProductionDay(), m, keys...)
	if err != nil {
		return Projection{}, err
	}
	p := rows(r)
	for i, pt := range m.GetPoints() {
		var keys []Key
		if usable(m, pt) {
			keys = []Key{{"point", PointKey(m.GetInstrumentId(), pt.GetPoint().GetKind(), pt.GetPoint().GetAt().AsTime())}}
		}
		r, err := row(e, KindPoint, pointID(m.GetCheckId(), i), "", &kb.CheckAssessment{
			CheckId: m.GetCheckId(), InstrumentId: m.GetInstrumentId(), At: m.GetAt(), Adjusted: m.GetAdjusted(), Points: []*kb.PointResult{pt},
		}, keys...)
		if err != nil {
			return Projection{}, err
		}
		p.Rows = append(p.Rows, r)
	}
	// Points that an amendment took out of the check correct nothing any more.
	for i := len(m.GetPoints()); m.Replaces != nil && i < MaxPoints; i++ {
		p.Rows = append(p.Rows, Row{Kind: KindPoint, ID: pointID(m.GetCheckId(), i)})
	}
	return p, nil
}

// PointKey is the index value of a believed point.
func PointKey(instrument string, kind kb.PointKind, at time.Time) string {
	return JoinKey(instrument, fmt.Sprint(int32(kind)), TimeKey(at))
}

// usable says whether a point gives a correction: it is believed, and it is
// the state in which the instrument was left.
func usable(m *kb.CheckAssessment, pt *kb.PointResult) bool {
	if pt.GetResult() == kb.CheckResult_CHECK_RESULT_NOT_BELIEVED {
		return false
	}
	return !m.GetAdjusted() || asLeft(pt)
}

// Standing gives the result that an instrument carries away from a check: as
// left when it was adjusted, else as found.
func Standing(m *kb.CheckAssessment) kb.CheckResult {
	if m.GetAdjusted() {
		return m.GetAsLeft()
	}
	return m.GetAsFound()
}

// AssessCheck concludes what a check showed and drafts the assessment, with
// the instrument fault that it opens or withdraws. When nothing changed it
// drafts nothing.
func AssessCheck(f CheckFacts, act Act) ([]Draft, error) {
	if !f.Known.Has() {
		return nil, refuse(ErrUnknownReference, "check_id", "", "the check is not known")
	}
	a, err := f.assess()
	if err != nil {
		return nil, err
	}
	if f.Assessment.Has() && sameConclusion(f.Assessment.Record, a) {
		return nil, nil
	}
	a.Inputs = []int64{f.Known.Meta.GetSequence()}
	if f.Assessment.Has() {
		a.Replaces = proto.Int64(f.Assessment.Meta.GetSequence())
	}
	day, at := f.Known.Meta.GetProductionDay(), a.GetAt().AsTime()
	out := []Draft{{Act: act.System(), OccurredAt: at, Day: day, Payload: a}}
	return append(out, settleDeviation(f.Fault, act, day, at, &kb.Deviation{
		DeviationId: JoinID("check", a.GetCheckId()), Class: kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT,
		InstrumentId: a.GetInstrumentId(), At: a.GetAt(), What: faultText(a),
	})...), nil
}

func (f CheckFacts) assess() (*kb.CheckAssessment, error) {
	m := f.Known.Record
	a := &kb.CheckAssessment{
		CheckId: m.GetCheckId(), InstrumentId: m.GetInstrumentId(), At: m.GetPoints()[0].GetAt(), Adjusted: m.GetAdjusted(), RulesVersion: RulesVersion,
	}
	for i, p := range m.GetPoints() {
		r, err := f.assessPoint(p)
		if err != nil {
			return nil, Within(fmt.Sprintf("points[%d]", i), err)
		}
		r.Struck = f.Struck[i]
		a.Points = append(a.Points, r)
	}
	for i, r := range a.GetPoints() {
		switch {
		case repeated(a, i):
		case asLeft(r):
			a.AsLeft = worse(a.AsLeft, r.GetResult())
		default:
			a.AsFound = worse(a.AsFound, r.GetResult())
		}
	}
	if a.Adjusted && a.AsLeft == kb.CheckResult_CHECK_RESULT_UNSPECIFIED {
		a.AsLeft = kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN
	}
	s := Standing(a)
	a.MayBeUsed = s == kb.CheckResult_CHECK_RESULT_IN_TOLERANCE || s == kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN
	return a, nil
}

func asLeft(p *kb.PointResult) bool {
	return p.GetPoint().GetPhase() == kb.CheckPhase_CHECK_PHASE_AS_LEFT
}

// repeated says that a point that is not believed was read again in the same
// check, before or after the adjustment like itself, at a proven rolling boil:
// the repeat speaks for it.
func repeated(a *kb.CheckAssessment, i int) bool {
	p := a.GetPoints()[i]
	return p.GetResult() == kb.CheckResult_CHECK_RESULT_NOT_BELIEVED && slices.ContainsFunc(a.GetPoints()[i+1:], func(later *kb.PointResult) bool {
		return later.GetPoint().GetKind() == kb.PointKind_POINT_KIND_BOILING && later.GetPoint().GetRollingBoilSeen() && asLeft(later) == asLeft(p)
	})
}

// unbelieved says that a boiling reading is not believed in the state in
// which a check left its instrument, whatever else the check showed.
func unbelieved(a *kb.CheckAssessment) bool {
	for i, p := range a.GetPoints() {
		if p.GetResult() == kb.CheckResult_CHECK_RESULT_NOT_BELIEVED && asLeft(p) == a.GetAdjusted() && !repeated(a, i) {
			return true
		}
	}
	return false
}

// faultText says what is wrong with an instrument as found; empty when
// nothing is.
func faultText(a *kb.CheckAssessment) string {
	switch a.GetAsFound() {
	case kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE:
		return fmt.Sprintf("%s is out of tolerance: %s.", a.GetInstrumentId(), failingPoints(a, kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE))
	case kb.CheckResult_CHECK_RESULT_NOT_BELIEVED:
		return fmt.Sprintf("The boiling reading of %s is not believed: %s. Repeat it at a proven rolling boil.", a.GetInstrumentId(), failingPoints(a, kb.CheckResult_CHECK_RESULT_NOT_BELIEVED))
	}
	return ""
}

// failingPoints words the as-found points that came to a result.
func failingPoints(a *kb.CheckAssessment, r kb.CheckResult) string {
	s := ""
	for _, p := range a.GetPoints() {
		if p.GetResult() != r || asLeft(p) {
			continue
		}
		if s != "" {
			s += "; "
		}
		unit := p.GetPoint().GetReading().GetUnit()
		s += fmt.Sprintf("%s read where %s %s was expected", FormatTemperature(p.GetPoint().GetReading()), FormatMicro(roundMicro(InUnitMicro(p.GetExpectedMicroC(), unit), 10_000), 2), UnitSymbol(unit))
	}
	return s
}

var badness = map[kb.CheckResult]int{
	kb.CheckResult_CHECK_RESULT_IN_TOLERANCE:     1,
	kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN: 2,
	kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN:  3,
	kb.CheckResult_CHECK_RESULT_NOT_BELIEVED:     4,
	kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE: 5,
}

// worse gives the graver of two results: any failing point fails a check.
func worse(a, b kb.CheckResult) kb.CheckResult {
	if badness[b] > badness[a] {
		return b
	}
	return a
}

func (f CheckFacts) assessPoint(p *kb.CheckPoint) (*kb.PointResult, error) {
	inst := f.Instrument.Record
	reading := CelsiusF(p.GetReading())
	_, readToC := DivisionC(inst)
	r := &kb.PointResult{Point: p}
	var pt thermometry.Point
	var err error
	switch p.GetKind() {
	case kb.PointKind_POINT_KIND_ICE:
		quality := thermometry.IceLooseCubes
		if p.GetIce() == kb.IceQuality_ICE_QUALITY_CRUSHED {
			quality = thermometry.IceCrushedSlush
		}
		pt, err = thermometry.IcePoint(thermometry.IceOptions{ReadingC: reading, ReadToC: readToC, Quality: quality})
	case kb.PointKind_POINT_KIND_BOILING:
		var pressure thermometry.Pressure
		pressure, r.Pressure, err = f.Settings.pressureOf(p.GetPressureHpa(), p.GetPressureKind(), p.GetAt())
		if err == nil {
			pt, err = thermometry.BoilingPoint(thermometry.BoilingOptions{ReadingC: reading, ReadToC: readToC, Pressure: pressure})
		}
	case kb.PointKind_POINT_KIND_COMPARISON:
		pt, err = f.comparison(p, reading, readToC)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	expected, err := thermometry.RoundMilliHalfEven(pt.TrueC)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	u, err := thermometry.RoundUpCentiC(pt.Budget.Expanded())
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	unit := p.GetReading().GetUnit()
	r.ExpectedMicroC = int64(expected)
	r.UMicroC = int64(u)
	r.ErrorMicro = p.GetReading().GetMicro() - InUnitMicro(r.ExpectedMicroC, unit)
	r.ToleranceMicro = InstrumentTolerance(f.Settings, inst, unit)
	r.Terms = termsOut(pt.Budget)
	division := inst.GetDivision().GetMicro()
	if InstrumentUnit(inst) != unit {
		division = SpanInUnitMicro(SpanCelsiusMicro(division, InstrumentUnit(inst)), unit)
	}
	r.GrossOnly = thermometry.GrossOnly(division, r.ToleranceMicro)
	r.Result = f.judgePoint(p, pt, r, division)
	return r, nil
}

func (f CheckFacts) judgePoint(p *kb.CheckPoint, pt thermometry.Point, r *kb.PointResult, division int64) kb.CheckResult {
	unit := p.GetReading().GetUnit()
	u := SpanInUnitMicro(r.GetUMicroC(), unit)
	if p.GetKind() == kb.PointKind_POINT_KIND_BOILING && !p.GetRollingBoilSeen() &&
		thermometry.NotBelieved(CelsiusMicro(p.GetReading()), r.GetExpectedMicroC(), SpanCelsiusMicro(division, unit), SpanCelsiusMicro(r.GetToleranceMicro(), unit), r.GetUMicroC()) {
		return kb.CheckResult_CHECK_RESULT_NOT_BELIEVED
	}
	rule := thermometry.RuleSimple
	switch {
	case pt.Provisional:
		rule = thermometry.RuleProvisional
	case f.Settings.Site.GetGuardedChecks():
		rule = thermometry.RuleGuarded
	}
	v := thermometry.JudgeError(r.GetErrorMicro(), r.GetToleranceMicro(), u, rule).Verdict
	if pt.ReferenceExpired {
		v = v.UnderExpiredReference()
	}
	// By simple acceptance the error alone decides, unless what is not known
	// of it is larger than the tolerance itself.
	if v == thermometry.InTolerance && u > r.GetToleranceMicro() {
		v = thermometry.ErrorCannotBeShown
	}
	return checkResults[v]
}

var checkResults = map[thermometry.ErrorVerdict]kb.CheckResult{
	thermometry.InTolerance:        kb.CheckResult_CHECK_RESULT_IN_TOLERANCE,
	thermometry.OutOfTolerance:     kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE,
	thermometry.ProvisionallyIn:    kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN,
	thermometry.ErrorCannotBeShown: kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN,
}

func (f CheckFacts) comparison(p *kb.CheckPoint, reading, readToC float64) (thermometry.Point, error) {
	ref := f.References[p.GetReferenceId()].Record
	_, refReadToC := DivisionC(ref)
	unit := InstrumentUnit(ref)
	// Without a certificate the reference's own tolerance stands in for its
	// expanded uncertainty.
	expandedC := float64(SpanCelsiusMicro(InstrumentTolerance(f.Settings, ref, unit), unit)) / float64(One)
	if ref.GetCertificateUC() != nil {
		expandedC = float64(ref.GetCertificateUC().GetMicro()) / float64(One)
	}
	expired := ref.GetCertificateDue() != "" && f.Settings.Day(p.GetAt().AsTime()) > ref.GetCertificateDue()
	return thermometry.ComparisonPoint(thermometry.ComparisonOptions{
		ReadingC: reading, ReadToC: readToC,
		ReferenceReadingC: CelsiusF(p.GetReferenceReading()), ReferenceReadToC: refReadToC,
		CertificateCorrectionC: float64(ref.GetCertificateCorrectionC().GetMicro()) / float64(One),
		CertificateExpandedC:   expandedC,
		Certificate:            ref.GetInstrumentId() + " " + ref.GetCertificate(),
		CertificateExpired:     expired,
	})
}

// pressureOf turns what was read (or not) into a kitchen pressure. A figure
// out of family with the elevation is kept, questioned and not used: it is
// probably reduced to sea level.
func (s Settings) pressureOf(d *kb.Decimal, kind kb.PressureKind, at *timestamppb.Timestamp) (thermometry.Pressure, *kb.PressureUsed, error) {
	used := &kb.PressureUsed{PressureHpa: d, Kind: kind, At: at}
	var p thermometry.Pressure
	var err error
	hPa := float64(d.GetMicro()) / float64(One)
	switch {
	case d == nil:
	case kind == kb.PressureKind_PRESSURE_KIND_ALTIMETER:
		if p, err = thermometry.AltimeterPressure(hPa, s.ElevationM(), 0); err != nil {
			return p, nil, err
		}
	case thermometry.OutOfFamily(hPa, s.ElevationM()):
		used.Questioned = true
	default:
		readTo := 1.0
		for range d.GetDecimals() {
			readTo /= 10
		}
		if p, err = thermometry.MeasuredPressure(hPa, readTo, 0); err != nil {
			return p, nil, err
		}
		p.Barometer = "kitchen barometer" // one kitchen, one barometer: all readings of it err alike
	}
	if p.Kind == thermometry.PressureUnknown {
		if p, err = thermometry.AssumedPressure(s.ElevationM(), s.WeatherHPa); err != nil {
			return p, nil, err
		}
		used.Kind = kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE
		if !used.Questioned {
			used.At = nil
		}
	}
	// An assumed pressure stays unnamed: the weather that it leaves out is
	// shared by what falls on the same half-day, and by nothing else.
	if p.Kind != thermometry.PressureStandard {
		p.Source = TimeKey(at.AsTime())
	}
	if used.Kind != kb.PressureKind_PRESSURE_KIND_MEASURED {
		used.PressureHpa = &kb.Decimal{Micro: roundMicro(int64(p.HPa*float64(One)), 100_000), Decimals: 1}
	}
	return p, used, nil
}

func termsOut(b thermometry.Budget) []*kb.UncertaintyTerm {
	var out []*kb.UncertaintyTerm
	for _, t := range b {
		m, err := thermometry.MicroFromC(t.StandardC)
		if err != nil {
			continue // a budget that was made holds finite terms only
		}
		out = append(out, &kb.UncertaintyTerm{Name: t.Name, StandardMicroC: int64(m), Shape: int32(t.Shape), Shared: int32(t.Shared), Source: t.Source})
	}
	return out
}

func termsIn(terms []*kb.UncertaintyTerm) thermometry.Budget {
	var out thermometry.Budget
	for _, t := range terms {
		out = append(out, thermometry.Term{
			Name: t.GetName(), StandardC: float64(t.GetStandardMicroC()) / float64(One),
			Shape: thermometry.Shape(t.GetShape()), Shared: thermometry.SharedInput(t.GetShared()), Source: t.GetSource(),
		})
	}
	return out
}

// sameConclusion compares two assessments without the numbers of entries.
func sameConclusion[M proto.Message](a, b M) bool {
	return proto.Equal(withoutNumbers(a), withoutNumbers(b))
}

func withoutNumbers(m proto.Message) proto.Message {
	c := proto.Clone(m)
	r := c.ProtoReflect()
	for _, n := range []string{"inputs", "replaces"} {
		if fd := r.Descriptor().Fields().ByTextName(n); fd != nil {
			r.Clear(fd)
		}
	}
	return c
}

// StruckPoints gives the readings of a check as first written that an
// amendment struck through, by index of the point.
func StruckPoints(first, now *kb.Check) map[int]*kb.Temperature {
	out := map[int]*kb.Temperature{}
	for i, p := range first.GetPoints() {
		if i < len(now.GetPoints()) && !proto.Equal(p.GetReading(), now.GetPoints()[i].GetReading()) {
			out[i] = p.GetReading()
		}
	}
	return out
}
