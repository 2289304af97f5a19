package thermometry

import (
	"fmt"
	"math"
)

// Budget lists the terms behind the uncertainty of the error at a reading, so
// that their combination is the StandardC of At. Each point's own terms come
// with the weight of the point; shared inputs are one line each.
func (c *Curve) Budget(readingC float64) Budget {
	x := readingC - c.CentreC
	model := c.modelPerC * math.Abs(readingC-c.pivotC)
	growth := c.growthOutside * c.outside(readingC)
	var lines Budget
	variance := 0.0
	add := func(t Term) {
		if t.StandardC != 0 {
			lines = append(lines, t)
			variance += t.StandardC * t.StandardC
		}
	}
	drift := 0.0
	for i, p := range c.points {
		w := c.weight[i] + c.weight1[i]*x
		for _, t := range p.Budget {
			if t.Shared == SharedNone {
				t.Name = p.Kind.String() + ": " + t.Name
				t.StandardC = math.Abs(w * t.StandardC)
				add(t)
			}
		}
		for j, q := range c.points {
			drift += w * (c.weight[j] + c.weight1[j]*x) * math.Min(p.AgeHours, q.AgeHours) / 24
		}
	}
	for _, s := range c.shared {
		t := s.term
		t.StandardC = s.atCentre + s.slopePerC*x
		add(t)
	}
	add(Term{Name: "drift since the check", StandardC: c.Options.DriftPerSqrtDayC * math.Sqrt(math.Max(0, drift)), Shape: Normal, Shared: SharedDrift})
	if rest := c.variance(readingC) - model*model - growth*growth - variance; rest > 1e-12 {
		name := "scatter of the points about the line"
		if c.StaleC > 0 {
			name = "older points that newer ones contradict"
		}
		add(Term{Name: name, StandardC: math.Sqrt(rest), Shape: Normal})
	}
	name := fmt.Sprintf("growth away from the points, %.2g degC per degC", c.modelPerC)
	if c.Form == FormLine {
		name = "older point that a newer one contradicts"
	}
	add(Term{Name: name, StandardC: model, Shape: Normal})
	add(Term{Name: fmt.Sprintf("growth beyond the points, %.2g degC per degC", c.growthOutside), StandardC: growth, Shape: Normal})
	return lines
}

// Budget lists the terms behind the uncertainty of a corrected reading: those
// of the curve, the reading itself and the stem.
func (c *Corrector) Budget(readingC float64) Budget {
	lines := append(c.curve.Budget(readingC), ReadingTerm(c.opt.ReadToC))
	if c.opt.StemStandardC != 0 {
		lines = append(lines, Term{Name: "stem deeper in one than in the other", StandardC: c.opt.StemStandardC, Shape: OneSided})
	}
	return lines
}
