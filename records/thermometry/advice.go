package thermometry

import (
	"fmt"
	"math"
	"sort"
)

// Advice is one thing that a kitchen could do, and what it would buy.
type Advice struct {
	// Action is what to do, in words.
	Action string
	// ExpandedC is the U there would be, degC, k = 2.
	ExpandedC float64
	// GainC is by how much that is less than now, degC.
	GainC float64
}

// leastGainC: advice that buys less than this is not worth a line.
const leastGainC = 0.005

// WhatWouldHelp works out what would make the uncertainty at a reading smaller,
// best first: read the barometer, crush the ice, check again now, compare with a
// reference near the reading, read between the marks. Each is tried on its own:
// the curve is made again with that one thing changed. With a bound, the
// uncertainty is that of the difference to it. It gives today's U first. Errors
// as for FitCurve and NewCorrector.
func WhatWouldHelp(points []Point, curve CurveOptions, cook CookOptions, readingC float64, bound *Bound) (nowC float64, advice []Advice, err error) {
	if err := within("readingC", readingC, lowestReadingC, highestReadingC); err != nil {
		return 0, nil, err
	}
	present := situation{points: points, curve: curve, cook: cook, bound: bound}
	nowC, at, err := present.expanded(readingC)
	if err != nil {
		return 0, nil, err
	}
	for _, remedy := range []func() (string, situation, error){
		present.withBarometer,
		present.withCrushedIce,
		present.checkedNow,
		func() (string, situation, error) { return present.comparedAt(readingC, at.ErrorC) },
		present.readFiner,
	} {
		action, changed, err := remedy()
		if err != nil {
			return 0, nil, err
		}
		if action == "" {
			continue
		}
		after, _, err := changed.expanded(readingC)
		if err != nil {
			return 0, nil, err
		}
		if gain := nowC - after; gain >= leastGainC {
			advice = append(advice, Advice{Action: action, ExpandedC: after, GainC: gain})
		}
	}
	sort.SliceStable(advice, func(i, j int) bool { return advice[i].ExpandedC < advice[j].ExpandedC })
	return nowC, advice, nil
}

// situation is all that an uncertainty follows from.
type situation struct {
	points []Point
	curve  CurveOptions
	cook   CookOptions
	bound  *Bound
}

func (s situation) expanded(readingC float64) (float64, Corrected, error) {
	curve, err := FitCurve(s.points, s.curve)
	if err != nil {
		return 0, Corrected{}, err
	}
	judge, err := NewCorrector(curve, s.cook)
	if err != nil {
		return 0, Corrected{}, err
	}
	at := judge.Correct(readingC)
	if s.bound != nil {
		return judge.Against(readingC, *s.bound).ExpandedC, at, nil
	}
	return at.ExpandedC, at, nil
}

// withPoints copies a situation with every point changed.
func (s situation) withPoints(change func(p *Point)) situation {
	points := make([]Point, len(s.points))
	for i, p := range s.points {
		p.Budget = append(Budget(nil), p.Budget...)
		change(&p)
		points[i] = p
	}
	s.points = points
	return s
}

// withBarometer replaces assumed pressures, in the points and in the bound, by
// ones read from an ordinary barometer.
func (s situation) withBarometer() (string, situation, error) {
	allowanceHPa, err := s.allowanceHPa()
	if err != nil || allowanceHPa == 0 {
		return "", s, err
	}
	read, err := MeasuredPressure(standardAtmosphereHPa, 0, 0)
	if err != nil {
		return "", s, err
	}
	swap := func(b Budget) Budget {
		out := Budget(nil)
		for _, t := range b {
			if t.Shared == SharedPressure && t.Shape == Rectangular {
				out = append(out, read.Terms(t.StandardC/allowanceHPa)...)
				continue
			}
			out = append(out, t)
		}
		return out
	}
	changed := s.withPoints(func(p *Point) {
		if p.Provisional {
			p.Budget = swap(p.Budget)
			p.Provisional = false
		}
	})
	if s.bound != nil {
		changed.bound = &Bound{TempC: s.bound.TempC, Budget: swap(s.bound.Budget)}
	}
	return "read the barometer", changed, nil
}

// allowanceHPa is the standard uncertainty of the pressure that was assumed for
// a boiling point: its term over water's slope there; 0 when none was assumed.
func (s situation) allowanceHPa() (float64, error) {
	for _, p := range s.points {
		if !p.Provisional {
			continue
		}
		pressureHPa, err := SaturationPressureHPa(p.TrueC)
		if err != nil {
			return 0, err
		}
		slope, err := BoilingSlopeCPerHPa(pressureHPa)
		if err != nil {
			return 0, err
		}
		for _, t := range p.Budget {
			if t.Shared == SharedPressure {
				return math.Abs(t.StandardC) / slope, nil
			}
		}
	}
	return 0, nil
}

func (s situation) withCrushedIce() (string, situation, error) {
	action := ""
	changed := s.withPoints(func(p *Point) {
		for i, t := range p.Budget {
			if better := IceCrushedSlush.StandardC(); t.Shared == SharedIceQuality && t.StandardC > better {
				p.Budget[i].StandardC, action = better, "crush the ice for a well-made slush"
			}
		}
	})
	return action, changed, nil
}

func (s situation) checkedNow() (string, situation, error) {
	action := ""
	changed := s.withPoints(func(p *Point) {
		if p.AgeHours > eventGapHours {
			action = "check again now, at the same points"
		}
		p.AgeHours = 0
	})
	return action, changed, nil
}

// comparedAt adds a comparison near the reading, with a good reference, that
// finds the error the curve expects.
func (s situation) comparedAt(readingC, errorC float64) (string, situation, error) {
	nearC := math.Min(highestReadingC, 10*math.Round(readingC/10))
	point, err := ComparisonPoint(ComparisonOptions{
		ReadingC: nearC, ReadToC: s.cook.ReadToC,
		ReferenceReadingC: math.Max(lowestReadingC, math.Min(highestReadingC, nearC-errorC)), ReferenceReadToC: 0.01,
		CertificateExpandedC: 0.1, Certificate: "a reference with a valid certificate",
	})
	if err != nil {
		return "", s, err
	}
	s.points = append(append([]Point(nil), s.points...), point)
	return fmt.Sprintf("compare with a reference at %.0f degC", nearC), s, nil
}

// readFiner halves what the person reads to, where marks leave room for it.
func (s situation) readFiner() (string, situation, error) {
	const coarse = 0.5
	if s.cook.ReadToC < coarse {
		return "", s, nil
	}
	s.cook.ReadToC /= 2
	return "read between the marks, to half of what is read now", s, nil
}
