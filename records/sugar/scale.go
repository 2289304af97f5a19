package sugar

import (
	"fmt"
	"math"
	"slices"
)

// Ingredient is one line of a formula.
type Ingredient struct {
	Name string
	Kg   float64
}

// Scaled is a formula scaled and rounded.
type Scaled struct {
	// Factor is the exact factor.
	Factor float64
	// Lines are the ingredients, each a whole number of steps.
	Lines []ScaledLine
	// TotalKg is their sum: the exact total rounded to the nearest step.
	TotalKg float64
}

// ScaledLine is one ingredient of a scaled formula.
type ScaledLine struct {
	Name string
	// Steps is the amount in whole steps and Kg the same in kilograms.
	Steps int64
	Kg    float64
	// ExactKg is the amount before rounding, ChangePct what rounding changed, in
	// per cent of it.
	ExactKg, ChangePct float64
	// Lost says that an ingredient rounded to nothing: weigh it on a finer scale.
	Lost bool
}

// Scale scales a formula that yields formulaYieldKg to wantedYieldKg and rounds
// each line to stepKg so that the rounded lines add up to the rounded total: each
// is cut down to a whole step and the steps still missing go to the largest
// remainders, the earlier line first among equals. Errors: ErrNotANumber, ErrMass
// (an amount that is not above zero, no lines, or more than 1e12 steps).
func Scale(formula []Ingredient, formulaYieldKg, wantedYieldKg, stepKg float64) (Scaled, error) {
	if err := checkMass("yield of the formula", formulaYieldKg); err != nil {
		return Scaled{}, err
	}
	if err := checkMass("wanted yield", wantedYieldKg); err != nil {
		return Scaled{}, err
	}
	if err := checkMass("step", stepKg); err != nil {
		return Scaled{}, err
	}
	if len(formula) == 0 {
		return Scaled{}, fmt.Errorf("a formula without lines: %w", ErrMass)
	}
	s := Scaled{Factor: wantedYieldKg / formulaYieldKg}
	var exact float64
	for _, in := range formula {
		if err := checkMass(in.Name, in.Kg); err != nil {
			return Scaled{}, err
		}
		kg := in.Kg * s.Factor
		exact += kg
		if !(exact/stepKg < 1e12) || !(kg > 0) {
			return Scaled{}, fmt.Errorf("%g kg in steps of %g kg: %w", exact, stepKg, ErrMass)
		}
		s.Lines = append(s.Lines, ScaledLine{Name: in.Name, ExactKg: kg})
	}
	total := int64(math.Round(exact / stepKg))
	missing := total
	order := make([]int, len(s.Lines))
	remainder := make([]float64, len(s.Lines))
	for i := range s.Lines {
		l := &s.Lines[i]
		q := l.ExactKg / stepKg
		// A quotient that is whole but for binary dust is that whole number.
		if r := math.Round(q); math.Abs(q-r) < 1e-9*math.Max(1, r) {
			q = r
		}
		l.Steps = int64(math.Floor(q))
		missing -= l.Steps
		order[i], remainder[i] = i, q-math.Floor(q)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case remainder[a] > remainder[b]:
			return -1
		case remainder[a] < remainder[b]:
			return 1
		}
		return 0
	})
	for n := 0; missing > 0; n++ {
		s.Lines[order[n%len(order)]].Steps++
		missing--
	}
	for i := range s.Lines {
		l := &s.Lines[i]
		l.Kg = float64(l.Steps) * stepKg
		l.ChangePct = 100 * (l.Kg - l.ExactKg) / l.ExactKg
		l.Lost = l.Steps == 0
	}
	s.TotalKg = float64(total) * stepKg
	return s, nil
}
