package signin

import "fmt"

// Bounds of a PIN's length in digits.
const (
	MinPINDigits = 4
	MaxPINDigits = 12
)

// RuleError says why something that a person chose is not taken.
type RuleError struct {
	Field  string // "pin"
	Reason string // a sentence to show; it never quotes the PIN
}

// Error gives field and reason.
func (e *RuleError) Error() string { return fmt.Sprintf("signin: %s: %s", e.Field, e.Reason) }

// CheckPIN returns nil when a person may choose this PIN, and otherwise a
// *RuleError. A PIN has 4 to 12 digits that are not all the same and do not
// simply count up or down (1234, 8765; 9 and 0 are neighbours).
func CheckPIN(pin string) error {
	refuse := func(reason string) error { return &RuleError{Field: "pin", Reason: reason} }
	for _, c := range pin {
		if c < '0' || c > '9' {
			return refuse("A PIN is made of the digits 0 to 9 only.")
		}
	}
	if len(pin) < MinPINDigits || len(pin) > MaxPINDigits {
		return refuse(fmt.Sprintf("A PIN has %d to %d digits; this one has %d.", MinPINDigits, MaxPINDigits, len(pin)))
	}
	switch step, even := evenStep(pin); {
	case even && step == 0:
		return refuse("All digits are the same; that is the first thing anyone would try.")
	case even && (step == 1 || step == 9):
		return refuse("The digits simply count up or down, as in 1234; that is among the first things anyone would try.")
	}
	return nil
}

// evenStep returns the step from each digit to the next, modulo 10, and whether
// it is the same throughout.
func evenStep(pin string) (step int, even bool) {
	for i := 1; i < len(pin); i++ {
		next := (int(pin[i]) - int(pin[i-1]) + 10) % 10
		if i > 1 && next != step {
			return 0, false
		}
		step = next
	}
	return step, true
}
