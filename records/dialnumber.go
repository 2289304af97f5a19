package records

import (
	"math"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// scaleOf is a dial as its marks show it, in degrees of its own scale.
type scaleOf struct {
	unit      kb.TemperatureUnit
	division  float64
	low, high *float64 // ends of the scale; nil: none known
}

// DialAnswer is the number to look for on one dial for one limit.
type DialAnswer struct {
	// CanShow: a mark lies inside the window; Number is the one to look for, in
	// degrees of the dial's scale.
	CanShow bool
	Number  float64
	// Why says why this dial cannot show it, or why only with care.
	Why string
	// TooNarrow: the limit is narrower than U on its two sides together.
	TooNarrow bool
	// WindowLow and WindowHigh are the limit in numbers of the dial, in degrees of
	// its scale, its error included; nil when open.
	WindowLow, WindowHigh *float64
	// Error is the dial's error there, in degrees of its scale.
	Error float64
	// WindowC is the width of the limit, NeededC the narrowest that it could show,
	// UC the larger expanded uncertainty of corrected minus limit, degC.
	WindowC, NeededC, UC float64
	// Guarded: the number keeps UC away from the bounds. Extrapolated: it lies
	// beyond the check points.
	Guarded, Extrapolated bool

	fitness thermometry.Fitness
}

// Fit says that the dial can show that the limit is met.
func (a DialAnswer) Fit() bool { return a.CanShow && !a.TooNarrow }

// Why a dial cannot show a limit, as printed.
const (
	whyCannot     = "this dial cannot show it: "
	whyNoMark     = whyCannot + "no mark lies inside the window"
	whyUnsure     = whyCannot + "its uncertainty is wider than the window"
	whyOffScale   = whyCannot + "the window lies off its scale"
	whyBackward   = whyCannot + "its points say that it runs backwards"
	whyProvision  = whyCannot + "no point above ice was measured; read the barometer, or compare it with a reference"
	whyNarrow     = "look for it, but the window is narrower than what this dial can show"
	whyBeyondPts  = "beyond its check points: compare it at working temperature"
	whyNotChecked = "nothing is known of its error: check it first"
)

// lookFor finds the number to look for: the limit here, plus the dial's error
// there, on a mark inside the window; for a guarded limit inside what is left of
// it when the uncertainty of the difference is kept away from the bounds.
func lookFor(judge *thermometry.Corrector, s scaleOf, w thermometry.Window, guarded bool) DialAnswer {
	marks := thermometry.MarksC(s.division)
	if s.unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		marks = thermometry.MarksF(s.division)
	}
	f := thermometry.FitForLimit(judge, w, marks, guarded)
	out := DialAnswer{
		WindowC: f.WindowC, NeededC: f.NeededC, UC: f.ExpandedC, Guarded: guarded, Extrapolated: f.Extrapolated,
		TooNarrow: f.Fit == thermometry.FitTooNarrow, fitness: f,
	}
	if f.Fit == thermometry.FitUnknown {
		out.Why = whyBackward
		return out
	}
	at := math.NaN()
	for _, end := range []struct {
		bound *thermometry.Bound
		out   **float64
	}{{w.Low, &out.WindowLow}, {w.High, &out.WindowHigh}} {
		if end.bound == nil {
			continue
		}
		reading := judge.ReadingFor(end.bound.TempC)
		*end.out = ptr(onScale(reading, s.unit))
		at = reading
	}
	switch {
	case !math.IsNaN(f.DialC):
		out.CanShow = true
		at = f.DialC
		// The mark itself, without the dust of binary arithmetic.
		out.Number = tidy(math.Round(onScale(f.DialC, s.unit)/s.division) * s.division)
	case guarded && f.WindowC < f.NeededC:
		out.Why = whyUnsure
	default:
		out.Why = whyNoMark
	}
	out.Error = spanOn(judge.Correct(at).ErrorC, s.unit)
	if out.CanShow && (s.low != nil && out.Number < *s.low || s.high != nil && out.Number > *s.high) {
		out.CanShow, out.Number, out.Why = false, 0, whyOffScale
	}
	switch {
	case !out.CanShow:
		out.fitness.Fit = thermometry.FitNoMark
	case out.TooNarrow:
		out.Why = whyNarrow
	case out.Extrapolated:
		out.Why = whyBeyondPts
	}
	return out
}

// tidy takes the dust of binary arithmetic off a mark: no division is finer than
// a millionth.
func tidy(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// cannot makes an answer one that the dial cannot show.
func (a *DialAnswer) cannot(why string) {
	a.CanShow, a.Number, a.Why = false, 0, why
	a.fitness.Fit = thermometry.FitNoMark
}

// DialFor is a dial's answer with what it follows from.
type DialFor struct {
	// DialAnswer is the number, or why there is none.
	DialAnswer
	// Limit is the limit here.
	Limit MovedLimit
	Worked
}

// DialNumberFor gives the number to look for on a dial for a limit in air.
// Errors: ErrInvalid.
func DialNumberFor(l CookLimit, a Air, d Dial) (DialFor, error) {
	k, err := a.work("air")
	if err != nil {
		return DialFor{}, err
	}
	moved, err := l.move("limit", k)
	if err != nil {
		return DialFor{}, err
	}
	out := DialFor{Limit: moved}
	out.also(moved.Worked)
	out.source(srcVerdict)
	out.DialAnswer, err = d.answer("dial", l, moved, k, &out.Worked)
	return out, err
}

// answer is the number to look for on one dial of a request.
func (d Dial) answer(field string, l CookLimit, moved MovedLimit, k known, w *Worked) (DialAnswer, error) {
	j, err := d.judge(field, &k, moved.middleC())
	if err != nil {
		return DialAnswer{}, err
	}
	w.also(j.Worked)
	out := lookFor(j.judge, scaleOf{d.Unit, d.Division, d.RangeLow, d.RangeHigh}, moved.window(), l.guarded())
	if out.CanShow && l.Class == kb.LimitClass_LIMIT_CLASS_CRITICAL && j.provisionalOnly() {
		out.cannot(whyProvision)
	}
	return out, nil
}

// FitOf is how one instrument of a rack suits a limit.
type FitOf struct {
	// Name is the instrument.
	Name string
	// DialAnswer is its number.
	DialAnswer
}

// FitRack is how a rack suits a limit.
type FitRack struct {
	// Rack are the instruments in the order given.
	Rack []FitOf
	// Best is the one to use; empty when none can show the limit.
	Best string
	// Limit is the limit here.
	Limit MovedLimit
	Worked
}

// maxRack is the most instruments of one request.
const maxRack = 50

// FitForCook tells which instruments of a rack can show a limit in air, and
// which to use. Errors: ErrInvalid.
func FitForCook(l CookLimit, a Air, rack []Dial) (FitRack, error) {
	k, err := a.work("air")
	if err != nil {
		return FitRack{}, err
	}
	moved, err := l.move("limit", k)
	if err != nil {
		return FitRack{}, err
	}
	out := FitRack{Limit: moved}
	out.also(moved.Worked)
	out.source(srcVerdict)
	if len(rack) == 0 || len(rack) > maxRack {
		return FitRack{}, invalid("rack", "give 1 to 50 instruments", "%d instruments", len(rack))
	}
	var fits []thermometry.Fitness
	for i, d := range rack {
		field := indexed("rack", i)
		if d.Name == "" {
			return FitRack{}, invalid(field+".name", "give each instrument a name", "is empty")
		}
		for _, other := range out.Rack {
			if other.Name == d.Name {
				return FitRack{}, invalid(field+".name", "give each instrument a name of its own", "%q is there twice", d.Name)
			}
		}
		got, err := d.answer(field, l, moved, k, &out.Worked)
		if err != nil {
			return FitRack{}, err
		}
		out.Rack = append(out.Rack, FitOf{d.Name, got})
		fits = append(fits, got.fitness)
	}
	if best := thermometry.BestForLimit(fits); best >= 0 {
		out.Best = out.Rack[best].Name
	}
	return out, nil
}
