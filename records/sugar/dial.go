package sugar

import (
	"fmt"
	"math"
)

// Limit is a formula's cook limit.
type Limit struct {
	// LowC and HighC are its ends, degC; -Inf or +Inf for an end left open.
	LowC, HighC float64
	// Basis says whether it moves with pressure.
	Basis Basis
	// EstablishedHPa is the pressure it was established at, for a solids basis:
	// StandardPressureHPa for a book's.
	EstablishedHPa float64
	// Guarded keeps the number away from the ends by the expanded uncertainty:
	// the rule for critical limits.
	Guarded bool
}

// ErrorAt is what is known of an instrument: its error in degC (reading minus
// truth) and the expanded uncertainty (k = 2) of that error, at a true temperature
// in degC.
type ErrorAt func(tempC float64) (errorC, uC float64, err error)

// Dial is how an instrument shows a temperature.
type Dial struct {
	// Division is the distance between marks, or the last digit of a display, in
	// the dial's own scale.
	Division float64
	// Fahrenheit says that the scale is degF; otherwise degC.
	Fahrenheit bool
	// Low and High are the ends of the scale; both 0 when not known.
	Low, High float64
	// ErrorAt is its error; nil means that nothing is known, which is refused.
	ErrorAt ErrorAt
}

// DialNumber is the number to look for on one dial, at one pressure, for one limit.
type DialNumber struct {
	// CanShow says that Mark lies inside the window; otherwise Reason says why
	// this dial cannot show it.
	CanShow bool
	// Mark is the mark to look for, in the dial's scale: the one nearest to the
	// middle of the window; for a limit open on one side the first one inside.
	Mark   float64
	Reason string
	// WindowLow and WindowHigh are the limit in numbers of the dial, its error
	// there included, its scale; infinite for an open end.
	WindowLow, WindowHigh float64
	// LowC and HighC are the limit here as true temperatures, degC.
	LowC, HighC float64
	// ErrorLowC and ErrorHighC are the errors used at either end, degC, UC the
	// larger expanded uncertainty of the two.
	ErrorLowC, ErrorHighC, UC float64
	// BeyondData says that an end was moved beyond the sucrose data.
	BeyondData bool
}

// Reasons why a dial cannot show a limit.
const (
	reasonNoMark  = "this dial cannot show it: no mark lies inside the window"
	reasonUnsure  = "this dial cannot show it: its uncertainty is wider than the window"
	reasonOffDial = "this dial cannot show it: the window lies off its scale"
)

// DialNumber moves a limit to pressureHPa, adds the dial's error there and finds
// the mark to look for: a limit of 109.6 degC on a dial that reads 1.0 high is
// 110.6. A number on the edge of the window counts as inside. Errors: ErrTemperature
// for an empty or unbounded limit, ErrUncertainty for a dial without division or
// error, those of MoveLimit, and what ErrorAt returns.
func (s Syrup) DialNumber(l Limit, d Dial, pressureHPa float64) (DialNumber, error) {
	if err := s.ready(); err != nil {
		return DialNumber{}, err
	}
	if err := checkPressure(pressureHPa); err != nil {
		return DialNumber{}, err
	}
	if math.IsNaN(l.LowC) || math.IsNaN(l.HighC) {
		return DialNumber{}, fmt.Errorf("limit %g to %g: %w", l.LowC, l.HighC, ErrNotANumber)
	}
	if l.LowC > l.HighC || math.IsInf(l.LowC, 1) || math.IsInf(l.HighC, -1) || math.IsInf(l.LowC, -1) && math.IsInf(l.HighC, 1) {
		return DialNumber{}, fmt.Errorf("limit %g to %g degC: %w", l.LowC, l.HighC, ErrTemperature)
	}
	if err := d.check(); err != nil {
		return DialNumber{}, err
	}
	n := DialNumber{LowC: l.LowC, HighC: l.HighC, WindowLow: math.Inf(-1), WindowHigh: math.Inf(1)}
	for _, end := range [...]struct {
		limitC               float64
		trueC, errC, onScale *float64
	}{
		{l.LowC, &n.LowC, &n.ErrorLowC, &n.WindowLow},
		{l.HighC, &n.HighC, &n.ErrorHighC, &n.WindowHigh},
	} {
		if math.IsInf(end.limitC, 0) {
			continue
		}
		if err := checkTemp(end.limitC); err != nil {
			return DialNumber{}, err
		}
		if l.Basis == SolidsBasis {
			m, err := s.MoveLimit(end.limitC, l.EstablishedHPa, pressureHPa)
			if err != nil {
				return DialNumber{}, err
			}
			*end.trueC = m.TempC
			n.BeyondData = n.BeyondData || m.BeyondData
		}
		errC, u, err := d.ErrorAt(*end.trueC)
		if err != nil {
			return DialNumber{}, fmt.Errorf("error of the dial at %g degC: %w", *end.trueC, err)
		}
		if err := finite("error of the dial", errC); err != nil {
			return DialNumber{}, err
		}
		if err := checkU(u); err != nil {
			return DialNumber{}, err
		}
		*end.errC = errC
		n.UC = math.Max(n.UC, u)
		*end.onScale = d.scale(*end.trueC + errC)
	}
	n.choose(l, d)
	return n, nil
}

func (d Dial) check() error {
	if err := finite("dial", d.Division, d.Low, d.High); err != nil {
		return err
	}
	if d.Division <= 0 || d.Division > 100 || d.Division < 1e-6 {
		return fmt.Errorf("division %g: %w", d.Division, ErrUncertainty)
	}
	if d.Low > d.High {
		return fmt.Errorf("dial from %g to %g: %w", d.Low, d.High, ErrTemperature)
	}
	if d.ErrorAt == nil {
		return fmt.Errorf("the dial's error is not known: %w", ErrUncertainty)
	}
	return nil
}

func (d Dial) scale(tempC float64) float64 {
	if d.Fahrenheit {
		return tempC*9/5 + 32
	}
	return tempC
}

// choose sets Mark or Reason.
func (n *DialNumber) choose(l Limit, d Dial) {
	low, high := n.WindowLow, n.WindowHigh
	if l.Guarded {
		guard := n.UC
		if d.Fahrenheit {
			guard *= 1.8
		}
		low, high = low+guard, high-guard
		if low > high {
			n.Reason = reasonUnsure
			return
		}
	}
	// The slack keeps 109.6 + 1.0 on the mark 110.6.
	const slack = 1e-6
	first := math.Ceil(low/d.Division - slack)
	last := math.Floor(high/d.Division + slack)
	mark := math.Round(0.5 * (low + high) / d.Division)
	switch {
	case math.IsInf(low, -1):
		mark = last
	case math.IsInf(high, 1):
		mark = first
	case first > last:
		n.Reason = reasonNoMark
		return
	default:
		mark = math.Min(math.Max(mark, first), last)
	}
	n.Mark = roundTo(mark*d.Division, d.Division)
	if (d.Low != 0 || d.High != 0) && (n.Mark < d.Low || n.Mark > d.High) {
		n.Mark, n.Reason = 0, reasonOffDial
		return
	}
	n.CanShow = true
}

// roundTo takes the binary dust off a multiple of a division.
func roundTo(v, division float64) float64 {
	if division >= 1 && division == math.Trunc(division) {
		return math.Round(v)
	}
	return math.Round(v*1e6) / 1e6
}
