package thermometry

import "math"

// Marks are the marks of a dial, or the digits of a display, in degC.
type Marks struct {
	// StepC is from one mark to the next, degC.
	StepC float64
	// OriginC is where one of the marks stands, degC.
	OriginC float64
}

// MarksC are marks every stepC degC, one of them at 0 degC.
func MarksC(stepC float64) Marks { return Marks{StepC: stepC} }

// MarksF are marks every stepF degF, one of them at 0 degF.
func MarksF(stepF float64) Marks { return Marks{StepC: stepF / 1.8, OriginC: -32 / 1.8} }

// nearest is the mark nearest to a value that lies within [low, high]; false
// when none does. The ends count as within, but for the dust of binary
// arithmetic.
func (m Marks) nearest(valueC, lowC, highC float64) (float64, bool) {
	if !(m.StepC > 0) || math.IsInf(m.StepC, 0) || math.IsNaN(valueC) {
		return math.NaN(), false
	}
	const dust = 1e-9
	first := math.Ceil((lowC-m.OriginC)/m.StepC - dust)
	last := math.Floor((highC-m.OriginC)/m.StepC + dust)
	if !(first <= last) {
		return math.NaN(), false
	}
	steps := math.Max(first, math.Min(last, math.Round((valueC-m.OriginC)/m.StepC)))
	return m.OriginC + steps*m.StepC, true
}

// Window is a limit moved to today's kitchen; a bound that is nil is absent.
type Window struct {
	// Low and High are the bounds.
	Low, High *Bound
}

// Fit says whether an instrument can show a limit.
type Fit int

// Whether an instrument can show a limit.
const (
	// FitUnknown is the zero value.
	FitUnknown Fit = iota
	// FitCanShow: the window is wider than what the instrument can show there,
	// and a mark lies inside.
	FitCanShow
	// FitTooNarrow: the window is narrower than U on both sides together.
	FitTooNarrow
	// FitNoMark: the window is wide enough, but no mark of this dial lies inside
	// it: this dial cannot show it.
	FitNoMark
)

// String is the fit in words, as printed.
func (f Fit) String() string {
	switch f {
	case FitCanShow:
		return "can show it"
	case FitTooNarrow:
		return "window narrower than this instrument can show"
	case FitNoMark:
		return "this dial cannot show it"
	}
	return "unknown"
}

// Fitness is how one instrument suits one limit.
type Fitness struct {
	// Fit is the answer.
	Fit Fit
	// WindowC is the width of the limit, degC; +Inf when a bound is absent.
	WindowC float64
	// ExpandedC is the larger U of the difference to a bound, degC.
	ExpandedC float64
	// NeededC is the narrowest window that it could show there: U at both bounds.
	NeededC float64
	// DialC is the number to look for on this dial, in degC of its own scale: a
	// mark inside the limit (inside the guarded limit when guarded), nearest its
	// middle, the instrument's error there added. NaN when there is none.
	DialC float64
	// Extrapolated: the dial number lies outside the range of the check points.
	Extrapolated bool
}

// FitForLimit tells before the pan goes on whether an instrument can show that a
// limit is met, and which number to look for on it. Guarded, the number has U to
// spare on the acceptable side. With one bound absent the number is the nearest
// mark inside the other; with both absent, or a curve that runs backwards, the
// answer is FitUnknown.
func FitForLimit(judge *Corrector, window Window, marks Marks, guarded bool) Fitness {
	f := Fitness{WindowC: math.Inf(1), DialC: math.NaN()}
	lowC, highC := math.Inf(-1), math.Inf(1)
	var lowU, highU float64
	if window.Low != nil {
		lowC = window.Low.TempC
		lowU = judge.Against(judge.ReadingFor(lowC), *window.Low).ExpandedC
	}
	if window.High != nil {
		highC = window.High.TempC
		highU = judge.Against(judge.ReadingFor(highC), *window.High).ExpandedC
	}
	if window.Low == nil && window.High == nil || !(judge.curve.SlopePerC < 1) || math.IsNaN(lowU+highU) {
		return f
	}
	f.WindowC = highC - lowC
	f.ExpandedC = math.Max(lowU, highU)
	f.NeededC = lowU + highU
	if guarded {
		lowC, highC = lowC+lowU, highC-highU
	}
	middleC := (lowC + highC) / 2
	switch {
	case math.IsInf(highC, 1):
		middleC = lowC
	case math.IsInf(lowC, -1):
		middleC = highC
	}
	from, to := math.Inf(-1), math.Inf(1)
	if !math.IsInf(lowC, -1) {
		from = judge.ReadingFor(lowC)
	}
	if !math.IsInf(highC, 1) {
		to = judge.ReadingFor(highC)
	}
	mark, inside := marks.nearest(judge.ReadingFor(middleC), from, to)
	f.DialC = mark
	f.Extrapolated = judge.curve.outside(judge.ReadingFor(middleC)) > 0
	switch {
	case f.WindowC < f.NeededC:
		f.Fit = FitTooNarrow
	case !inside:
		f.Fit = FitNoMark
	default:
		f.Fit = FitCanShow
	}
	return f
}

// BestForLimit is the index of the instrument to use: of those that can show the
// limit the one with the smallest U, not extrapolated before extrapolated; -1
// when none can.
func BestForLimit(rack []Fitness) int {
	best := -1
	better := func(a, b Fitness) bool {
		if a.Extrapolated != b.Extrapolated {
			return !a.Extrapolated
		}
		return a.ExpandedC < b.ExpandedC
	}
	for i, f := range rack {
		if f.Fit == FitCanShow && (best < 0 || better(f, rack[best])) {
			best = i
		}
	}
	return best
}
