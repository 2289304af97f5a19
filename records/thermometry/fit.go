package thermometry

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// fit is a correction curve in the making.
type fit struct {
	points []Point
	opt    CurveOptions
	cov    *mat.SymDense // covariance of the points' errors, degC^2
	stated bool          // some point states an uncertainty
	event  []int         // the check that a point belongs to; 0 is the newest

	out Curve
}

// withWeather copies a point and gives pressures that nobody named the weather
// of their half-day, so that only points of one weather share it.
func withWeather(p Point) Point {
	terms := make(Budget, len(p.Budget))
	copy(terms, p.Budget)
	for i := range terms {
		if age := math.Floor(p.AgeHours / weatherHours); terms[i].Shared == SharedPressure && terms[i].Source == "" && age > 0 {
			terms[i].Source = fmt.Sprintf("weather %d half-days before", int(age))
		}
	}
	p.Budget = terms
	return p
}

func newFit(points []Point, opt CurveOptions) *fit {
	n := len(points)
	f := &fit{points: points, opt: opt, cov: mat.NewSymDense(n, nil), event: events(points)}
	for i, p := range points {
		for j := i; j < n; j++ {
			v := covariance(p.Budget, points[j].Budget)
			if i == j {
				u := p.Budget.Combined()
				v = u * u
			}
			// A random walk: two points have in common what happened since the
			// younger of them.
			days := math.Min(p.AgeHours, points[j].AgeHours) / 24
			f.cov.SetSym(i, j, v+opt.DriftPerSqrtDayC*opt.DriftPerSqrtDayC*days)
		}
		f.stated = f.stated || f.cov.At(i, i) > 0
	}
	f.out = Curve{Points: n, Widened: 1, Options: opt, points: points}
	f.out.LowC, f.out.HighC = math.Inf(1), math.Inf(-1)
	for _, p := range points {
		f.out.LowC = math.Min(f.out.LowC, p.ReadingC)
		f.out.HighC = math.Max(f.out.HighC, p.ReadingC)
	}
	return f
}

// events numbers the checks that the points belong to, newest first: points
// less than an hour apart are one.
func events(points []Point) []int {
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return points[order[a]].AgeHours < points[order[b]].AgeHours })
	event := make([]int, len(points))
	for k := 1; k < len(order); k++ {
		event[order[k]] = event[order[k-1]]
		if points[order[k]].AgeHours-points[order[k-1]].AgeHours > eventGapHours {
			event[order[k]]++
		}
	}
	return event
}

func (f *fit) span() float64 { return f.out.HighC - f.out.LowC }

// offset is one point's error everywhere; how the error grows away from it is
// the site's setting.
func (f *fit) offset() {
	f.out.Form = FormOffset
	f.mean(f.opt.GrowthPerC)
}

// mean takes the plain mean of the errors, with a doubt per degC away from the
// middle of the points.
func (f *fit) mean(doubtPerC float64) {
	n := len(f.points)
	c := &f.out
	c.weight, c.weight1 = make([]float64, n), make([]float64, n)
	for i, p := range f.points {
		c.weight[i] = 1 / float64(n)
		c.CentreC += p.ReadingC / float64(n)
		c.CentreErrorC += p.ErrorC() / float64(n)
	}
	c.pivotC, c.modelPerC = c.CentreC, doubtPerC
	f.propagate()
}

// pair is the curve through two points.
func (f *fit) pair(span float64) {
	first, second := f.points[0], f.points[1]
	differ := second.ErrorC() - first.ErrorC()
	variance := math.Max(0, f.cov.At(0, 0)+f.cov.At(1, 1)-2*f.cov.At(0, 1))
	apart := math.Abs(differ) > CoverageFactor*math.Sqrt(variance)
	if span < shortestLineSpanC || !apart {
		f.out.Form = FormMeanOffset
		f.mean(f.unseenSlope(differ, variance, span))
		return
	}
	c := &f.out
	c.Form = FormLine
	step := second.ReadingC - first.ReadingC
	c.CentreC = (first.ReadingC + second.ReadingC) / 2
	c.CentreErrorC = (first.ErrorC() + second.ErrorC()) / 2
	c.SlopePerC = differ / step
	c.weight = []float64{0.5, 0.5}
	c.weight1 = []float64{-1 / step, 1 / step}
	c.growthOutside = f.opt.GrowthPerC
	if f.event[0] != f.event[1] {
		// Two checks that disagree: the instrument may have moved between them
		// instead of erring by a slope, and then the newest error holds
		// everywhere. U covers it with half as much again to spare.
		newest := first
		if f.event[1] < f.event[0] {
			newest = second
		}
		c.pivotC, c.modelPerC = newest.ReadingC, 0.75*math.Abs(c.SlopePerC)
		c.StaleC = 0.75 * math.Abs(differ)
		c.Misfit = true
	}
	f.propagate()
}

// unseenSlope is what slope, degC per degC, two points that agree may still
// hide: the mean square of the slope given their difference, when slopes have
// the site's growth as standard deviation beforehand.
func (f *fit) unseenSlope(differ, variance, span float64) float64 {
	prior := f.opt.GrowthPerC * f.opt.GrowthPerC
	if prior == 0 || span == 0 {
		return f.opt.GrowthPerC
	}
	measured := variance / (span * span)
	share := prior / (prior + measured)
	slope := differ / span * share
	return math.Sqrt(slope*slope + share*measured)
}

// propagate turns weights and covariance into the variance of the curve.
func (f *fit) propagate() {
	c := &f.out
	for i := range f.points {
		for j := range f.points {
			v := f.cov.At(i, j)
			c.v0 += c.weight[i] * c.weight[j] * v
			c.v1 += c.weight[i] * c.weight1[j] * v
			c.v2 += c.weight1[i] * c.weight1[j] * v
		}
	}
}

// curve finishes the curve: shared inputs, standard uncertainties, misfit.
func (f *fit) curve() Curve {
	c := &f.out
	for i, p := range f.points {
		for _, t := range p.Budget {
			if t.Shared == SharedNone {
				continue
			}
			c.addShared(t, c.weight[i]*t.StandardC, c.weight1[i]*t.StandardC)
		}
	}
	c.CentreStandardC = math.Sqrt(math.Max(0, c.v0))
	c.SlopeStandardPerC = math.Sqrt(math.Max(0, c.v2))
	if both := c.CentreStandardC * c.SlopeStandardPerC; both > 0 {
		c.Correlation = c.v1 / both
	}
	for _, p := range f.points {
		estimate := c.At(p.ReadingC)
		distance := math.Abs(p.ErrorC() - estimate.ErrorC)
		c.MisfitC = math.Max(c.MisfitC, distance)
		// A line through two points passes through them but for rounding.
		const dust = 1e-9
		c.Misfit = c.Misfit || distance > estimate.ExpandedC+dust
	}
	return *c
}

func (c *Curve) addShared(t Term, atCentre, slopePerC float64) {
	for i := range c.shared {
		if c.shared[i].term.sharesWith(t) {
			c.shared[i].atCentre += atCentre
			c.shared[i].slopePerC += slopePerC
			return
		}
	}
	c.shared = append(c.shared, sharedEffect{term: t, atCentre: atCentre, slopePerC: slopePerC})
}
