package signin

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

func TestCheckPIN(t *testing.T) {
	for _, pin := range []string{"4071", "1235", "1243", "0019", "1212", "135790", "1357", "987654321098765"[:3] + "1", "408163264128"} {
		if err := CheckPIN(pin); err != nil {
			t.Errorf("%s: %v", pin, err)
		}
	}
	for pin, says := range map[string]string{
		"":              "4 to 12 digits",
		"407":           "this one has 3",
		"4081632641280": "this one has 13",
		"12a4":          "digits 0 to 9 only",
		"40 71":         "digits 0 to 9 only",
		"-4071":         "digits 0 to 9 only",
		"4071\n":        "digits 0 to 9 only",
		"٤٠٧١":          "digits 0 to 9 only", // digits, but of another keyboard
		"40\xff1":       "digits 0 to 9 only",
		"0000":          "all digits are the same",
		"777777777777":  "all digits are the same",
		"1234":          "count up or down",
		"4321":          "count up or down",
		"0123456789":    "count up or down",
		"7890":          "count up or down",
		"2109":          "count up or down",
	} {
		err := CheckPIN(pin)
		var rule *RuleError
		if !errors.As(err, &rule) || rule.Field != "pin" || !strings.Contains(strings.ToLower(rule.Reason), says) {
			t.Errorf("%q: %v, want %q", pin, err, says)
		}
		if pin != "" && pin != "1234" && strings.Contains(fmt.Sprint(err), pin) {
			t.Errorf("%q is quoted in %q", pin, err)
		}
	}
}

// Of ten thousand four-digit PINs, 10 are all the same, 10 count up and 10 count
// down.
func TestCheckPINCounts(t *testing.T) {
	refused := 0
	for i := range 10000 {
		if CheckPIN(fmt.Sprintf("%04d", i)) != nil {
			refused++
		}
	}
	if refused != 30 {
		t.Errorf("%d PINs of four digits are refused, want 30", refused)
	}
}

func TestSetPINRefusesEasyOnes(t *testing.T) {
	f := newFixture(t)
	var rule *RuleError
	if err := f.SetPIN(t.Context(), "ana", "1234"); !errors.As(err, &rule) {
		t.Errorf("1234: %v", err)
	}
	for _, person := range []string{"", strings.Repeat("x", 257)} {
		if err := f.SetPIN(t.Context(), person, "4071"); !errors.Is(err, ErrConfig) {
			t.Errorf("person of %d bytes: %v", len(person), err)
		}
	}
	if f.computations() != 0 {
		t.Error("something refused was computed")
	}
	f.signIn("ana", anasPIN, "wall")
}
