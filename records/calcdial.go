package records

import (
	"fmt"
	"math"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// DialPoint is a check point of a dial as stated for a calculation.
type DialPoint struct {
	// Kind is ice, boiling or comparison.
	Kind kb.PointKind
	// Reading is what the dial showed, in degrees of its scale.
	Reading float64
	// AgeHours is how long before its use.
	AgeHours float64
	// Ice says how an ice point was made, Place where the bulb was in boiling
	// water, Air what the air was then: that of the request when nil.
	Ice   kb.IceQuality
	Place thermometry.BoilingPlace
	Air   *Air
	// ReferenceC and ReferenceReadToC are of the reference, degC.
	ReferenceC, ReferenceReadToC *float64
	// CertificateCorrectionC is added to the reference, CertificateUC its expanded
	// uncertainty (k = 2), degC.
	CertificateCorrectionC float64
	CertificateUC          *float64
	// CertificateExpired: it was past its due date.
	CertificateExpired bool
}

// Dial is an instrument as stated for a calculation. Division, ReadTo, the
// range, Tolerance and Error are in degrees of its scale.
type Dial struct {
	// Name may be empty.
	Name string
	// Unit is its scale.
	Unit kb.TemperatureUnit
	// Division is the distance between marks, ReadTo the step it is read to.
	Division float64
	ReadTo   *float64
	// RangeLow and RangeHigh are the ends of its scale.
	RangeLow, RangeHigh *float64
	// Tolerance is what is allowed of its error.
	Tolerance *float64
	// Points are its check points.
	Points []DialPoint
	// Error is its stated error, ErrorU the expanded uncertainty of it, ErrorAt the
	// reading at which it was found.
	Error, ErrorU, ErrorAt *float64
	// GrowthCPerC and DriftCPerRootDay are settings of the correction.
	GrowthCPerC, DriftCPerRootDay *float64
}

func (d Dial) readTo() float64 { return or(d.ReadTo, d.Division) }

// maxPoints is the most points that a correction is made from.
const maxPoints = 40

func (d Dial) check(field string) error {
	if err := text(field+".name", d.Name, 0, 40); err != nil {
		return err
	}
	if d.Unit == kb.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED {
		return invalid(field+".unit", "degC or degF, as printed on the dial", "is missing")
	}
	if err := aboveZero(field+".division", d.Division, 50, "degrees of the scale"); err != nil {
		return err
	}
	if d.Division < 1e-6 {
		return invalid(field+".division", "at least 0.000001", "%g is too fine", d.Division)
	}
	for _, o := range []struct {
		field     string
		v         *float64
		low, high float64
		unit      string
	}{
		{".range_low", d.RangeLow, -150, 1000, "degrees of the scale"}, {".range_high", d.RangeHigh, -150, 1000, "degrees of the scale"},
		{".error", d.Error, -100, 100, "degrees of the scale"}, {".error_u", d.ErrorU, 0, 50, "degrees of the scale"},
		{".error_at", d.ErrorAt, -150, 900, "degrees of the scale"}, {".growth_c_per_c", d.GrowthCPerC, 0, 1, "degC per degC"},
		{".drift_c_per_root_day", d.DriftCPerRootDay, 0, 10, "degC"},
	} {
		if o.v == nil {
			continue
		}
		if err := finiteIn(field+o.field, *o.v, o.low, o.high, o.unit); err != nil {
			return err
		}
	}
	if err := optional(field+".read_to", d.ReadTo, 50, "degrees of the scale"); err != nil {
		return err
	}
	if err := optional(field+".tolerance", d.Tolerance, 20, "degrees of the scale"); err != nil {
		return err
	}
	if d.RangeLow != nil && d.RangeHigh != nil && *d.RangeLow >= *d.RangeHigh {
		return invalid(field+".range_high", "give the lowest mark first", "is not above the lowest mark")
	}
	switch {
	case len(d.Points) == 0 && d.Error == nil:
		return invalid(field+".points", "give check points, or the error as it is known", "nothing is known of the dial's error")
	case len(d.Points) > 0 && d.Error != nil:
		return invalid(field+".error", "give check points or a stated error, not both", "there are check points as well")
	case len(d.Points) > maxPoints:
		return invalid(field+".points", fmt.Sprintf("give the latest, at most %d", maxPoints), "%d points", len(d.Points))
	}
	return nil
}

// judged is a dial with its correction.
type judged struct {
	dial   Dial
	judge  *thermometry.Corrector
	points []thermometry.Point
	shown  []PointShown
	opt    thermometry.CurveOptions
	cook   thermometry.CookOptions
	Worked
}

// judge makes the correction of a dial. k is the air of the request, nil when
// none was given; useC is the temperature at which a stated error is taken to
// hold when it does not say where it was found.
func (d Dial) judge(field string, k *known, useC float64) (judged, error) {
	out := judged{dial: d, opt: thermometry.DefaultCurveOptions()}
	out.source(srcCurve, srcGUM)
	if err := d.check(field); err != nil {
		return out, err
	}
	for i, p := range d.Points {
		pt, err := d.point(fmt.Sprintf("%s.points[%d]", field, i), p, k, &out.Worked)
		if err != nil {
			return out, err
		}
		shown, err := d.show(p, pt)
		if err != nil {
			return out, refused(fmt.Sprintf("%s.points[%d]", field, i), err)
		}
		out.shown = append(out.shown, shown)
		if shown.Result == kb.CheckResult_CHECK_RESULT_NOT_BELIEVED {
			out.note("The boiling reading is not believed: water cannot have boiled at that reading here. It gives no correction; repeat it at a proven rolling boil.")
			continue
		}
		out.points = append(out.points, pt)
	}
	if len(d.Points) > 0 && len(out.points) == 0 {
		return out, invalid(field+".points", "repeat the boiling point at a proven rolling boil, or give another point", "the only reading is not believed: water cannot have boiled at that reading here")
	}
	if d.Error != nil {
		p, err := d.stated(useC, &out.Worked)
		if err != nil {
			return out, refused(field+".error", err)
		}
		out.points = append(out.points, p)
	}
	out.opt.GrowthPerC = or(d.GrowthCPerC, out.opt.GrowthPerC)
	out.opt.DriftPerSqrtDayC = or(d.DriftCPerRootDay, out.opt.DriftPerSqrtDayC)
	out.cook.ReadToC = spanC(d.readTo(), d.Unit)
	curve, err := thermometry.FitCurve(out.points, out.opt)
	if err != nil {
		return out, refused(field+".points", err)
	}
	if curve.SlopePerC >= 1 {
		return out, invalid(field+".points", "check the readings", "the points say that the dial runs backwards")
	}
	if curve.Misfit {
		out.note("Points of the dial disagree with its correction by %.2f degC: check it again.", curve.MisfitC)
	}
	if out.judge, err = thermometry.NewCorrector(curve, out.cook); err != nil {
		return out, refused(field+".read_to", err)
	}
	return out, nil
}

// stated is the point that stands for a stated error.
func (d Dial) stated(useC float64, w *Worked) (thermometry.Point, error) {
	errorC := spanC(*d.Error, d.Unit)
	reading := useC + errorC
	if d.ErrorAt != nil {
		reading = celsius(*d.ErrorAt, d.Unit)
	}
	term := thermometry.ReadingTerm(spanC(d.readTo(), d.Unit))
	term.Name = "error as stated"
	if d.ErrorU != nil {
		term.StandardC, term.Shape = spanC(*d.ErrorU, d.Unit)/thermometry.CoverageFactor, thermometry.Normal
	} else {
		w.note("How well the stated error is known was not said: taken as one reading of the dial.")
	}
	if !isFinite(reading) || math.Abs(reading) > 500 {
		return thermometry.Point{}, thermometry.ErrOutOfRange
	}
	return thermometry.Point{Kind: thermometry.PointComparison, TrueC: reading - errorC, ReadingC: reading, Budget: thermometry.Budget{term}}, nil
}

// point works one check point out.
func (d Dial) point(field string, p DialPoint, k *known, w *Worked) (thermometry.Point, error) {
	low, high := onScale(-100, d.Unit), onScale(500, d.Unit)
	if err := allIn(
		span{field + ".reading", p.Reading, low, high, "degrees of the scale"},
		span{field + ".age_hours", p.AgeHours, 0, 1e6, "hours"},
	); err != nil {
		return thermometry.Point{}, err
	}
	readingC, readToC := celsius(p.Reading, d.Unit), spanC(d.readTo(), d.Unit)
	switch p.Kind {
	case kb.PointKind_POINT_KIND_ICE:
		w.source(srcPoints)
		quality := thermometry.IceLooseCubes
		if p.Ice == kb.IceQuality_ICE_QUALITY_CRUSHED {
			quality = thermometry.IceCrushedSlush
		}
		pt, err := thermometry.IcePoint(thermometry.IceOptions{ReadingC: readingC, ReadToC: readToC, Quality: quality, AgeHours: p.AgeHours})
		return pt, refused(field, err)
	case kb.PointKind_POINT_KIND_BOILING:
		w.source(srcPoints, srcWater)
		if p.Air != nil {
			own, err := p.Air.work(field + ".air")
			if err != nil {
				return thermometry.Point{}, err
			}
			k = &own
		}
		if k == nil {
			return thermometry.Point{}, invalid(field+".air", "give the air at that time, or the air of the request", "is missing")
		}
		w.also(k.Worked)
		pt, err := thermometry.BoilingPoint(thermometry.BoilingOptions{ReadingC: readingC, ReadToC: readToC, Pressure: k.pressure, Place: p.Place, AgeHours: p.AgeHours})
		if err != nil {
			return pt, refused(field, err)
		}
		if k.ageHours > 0 {
			slope, err := thermometry.BoilingSlopeCPerHPa(k.pressure.HPa)
			if err != nil {
				return pt, refused(field+".air", err)
			}
			pt.Budget = append(pt.Budget, thermometry.WeatherTerm(k.ageHours, slope))
		}
		return pt, nil
	case kb.PointKind_POINT_KIND_COMPARISON:
		return d.compared(field, p, readingC, readToC)
	}
	return thermometry.Point{}, invalid(field+".kind", "ice, boiling or comparison", "does not say what the point is")
}

func (d Dial) compared(field string, p DialPoint, readingC, readToC float64) (thermometry.Point, error) {
	if p.ReferenceC == nil {
		return thermometry.Point{}, invalid(field+".reference_c", "give what the reference showed in degC", "is missing")
	}
	if err := allIn(
		span{field + ".reference_c", *p.ReferenceC, -100, 500, "degC"},
		span{field + ".certificate_correction_c", p.CertificateCorrectionC, -10, 10, "degC"},
		span{field + ".certificate_u_c", or(p.CertificateUC, 0.1), 0, 10, "degC"},
	); err != nil {
		return thermometry.Point{}, err
	}
	if err := optional(field+".reference_read_to_c", p.ReferenceReadToC, 50, "degC"); err != nil {
		return thermometry.Point{}, err
	}
	pt, err := thermometry.ComparisonPoint(thermometry.ComparisonOptions{
		ReadingC: readingC, ReadToC: readToC, ReferenceReadingC: *p.ReferenceC, ReferenceReadToC: or(p.ReferenceReadToC, 0.01),
		CertificateCorrectionC: p.CertificateCorrectionC, CertificateExpandedC: or(p.CertificateUC, 0.1),
		Certificate: "reference", CertificateExpired: p.CertificateExpired, AgeHours: p.AgeHours,
	})
	return pt, refused(field, err)
}

// provisionalOnly says that no point above the ice point was measured.
func (j judged) provisionalOnly() bool {
	for _, p := range j.points {
		if p.Kind != thermometry.PointIce && !p.Provisional {
			return false
		}
	}
	return true
}

// PointShown is what one check point of a dial showed.
type PointShown struct {
	// Kind is its kind.
	Kind kb.PointKind
	// TrueC is the true value, ErrorC reading minus true, UC the expanded
	// uncertainty (k = 2), degC.
	TrueC, ErrorC, UC float64
	// Result is the verdict, Outcome the non-binary one in words.
	Result  kb.CheckResult
	Outcome string
}

// show judges a check point of a dial against its tolerance, in degrees of its
// scale, so that the verdict does not depend on the unit.
func (d Dial) show(p DialPoint, pt thermometry.Point) (PointShown, error) {
	u, err := thermometry.RoundUpCentiC(pt.Budget.Expanded())
	if err != nil {
		return PointShown{}, err
	}
	tolerance := or(d.Tolerance, 1)
	if d.Tolerance == nil && d.Unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		tolerance = 2
	}
	micro := make([]int64, 0, 5)
	for _, v := range []float64{p.Reading - onScale(pt.TrueC, d.Unit), tolerance, spanOn(u.C(), d.Unit), pt.TrueC, spanC(d.Division, d.Unit)} {
		m, err := thermometry.MicroFromC(v)
		if err != nil {
			return PointShown{}, err
		}
		micro = append(micro, int64(m))
	}
	rule := thermometry.RuleSimple
	if pt.Provisional {
		rule = thermometry.RuleProvisional
	}
	got := thermometry.JudgeError(micro[0], micro[1], micro[2], rule)
	v := got.Verdict
	if pt.ReferenceExpired {
		v = v.UnderExpiredReference()
	}
	if v == thermometry.InTolerance && micro[2] > micro[1] {
		v = thermometry.ErrorCannotBeShown
	}
	out := PointShown{Kind: p.Kind, TrueC: pt.TrueC, ErrorC: pt.ErrorC(), UC: u.C(), Result: checkResults[v], Outcome: got.Outcome.String()}
	if pt.Kind == thermometry.PointBoiling {
		reading, err := thermometry.MicroFromC(pt.ReadingC)
		if err != nil {
			return PointShown{}, err
		}
		toleranceC, err := thermometry.MicroFromC(spanC(tolerance, d.Unit))
		if err != nil {
			return PointShown{}, err
		}
		if thermometry.NotBelieved(int64(reading), micro[3], micro[4], int64(toleranceC), int64(u)) {
			out.Result = kb.CheckResult_CHECK_RESULT_NOT_BELIEVED
		}
	}
	return out, nil
}
