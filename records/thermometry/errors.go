package thermometry

import (
	"errors"
	"fmt"
	"math"
)

// Sentinel reasons. Every error of this package wraps one of them, so that
// errors.Is works whatever the text says.
var (
	// ErrNotFinite: a value was NaN or infinite.
	ErrNotFinite = errors.New("not a finite number")
	// ErrOutOfRange: a value lies outside the range the formula is good for.
	ErrOutOfRange = errors.New("outside the range of the formula")
	// ErrInconsistent: values that are each possible do not fit together.
	ErrInconsistent = errors.New("inconsistent")
	// ErrNoPoints: a correction was asked for without one check point.
	ErrNoPoints = errors.New("no check points")
	// ErrTooFew: a fit or chart was asked for with fewer values than it needs.
	ErrTooFew = errors.New("too few values")
	// ErrReferenceExpired: the reference's certificate was past its due date.
	ErrReferenceExpired = errors.New("certificate of the reference is past its due date")
)

// InputError names the input that was refused. It wraps one of the sentinels.
type InputError struct {
	// Input is the name of the refused value with its unit, as in "pressureHPa".
	Input string
	// Value is what was given.
	Value float64
	// Reason is one of the sentinels.
	Reason error
}

// Error says which input was refused, its value, and why.
func (e *InputError) Error() string {
	return fmt.Sprintf("%s %v: %v", e.Input, e.Value, e.Reason)
}

// Unwrap gives the sentinel.
func (e *InputError) Unwrap() error { return e.Reason }

// within refuses a value that is not finite or lies outside [low, high].
func within(input string, value, low, high float64) error {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return &InputError{input, value, ErrNotFinite}
	}
	if value < low || value > high {
		return &InputError{input, value, ErrOutOfRange}
	}
	return nil
}
