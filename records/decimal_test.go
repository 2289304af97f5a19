package records_test

import (
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// What was written down comes back digit for digit.
func TestDecimalKeepsItsDigits(t *testing.T) {
	for _, c := range []struct {
		written string
		micro   int64
		digits  uint32
	}{
		{"205.4", 205_400_000, 1}, {"205.40", 205_400_000, 2}, {"205", 205_000_000, 0}, {"-0.5", -500_000, 1}, {"-0.50", -500_000, 2},
		{"0", 0, 0}, {"0.0", 0, 1}, {"0.000001", 1, 6}, {"-0.000001", -1, 6}, {"999999999.999999", 999_999_999_999_999, 6},
	} {
		d, err := ParseDecimal(c.written)
		if err != nil || d.GetMicro() != c.micro || d.GetDecimals() != c.digits || FormatDecimal(d) != c.written {
			t.Errorf("%s: %v, %v, written again %q", c.written, d, err, FormatDecimal(d))
		}
	}
	if got := FormatTemperature(deg("205.40 F")); got != "205.40 degF" {
		t.Errorf("205.40 degF comes back as %s", got)
	}
	// A figure with more digits than it claims loses none of them.
	if got := FormatMicro(205_440_000, 1); got != "205.44" {
		t.Errorf("205.44 with one digit claimed is written %s", got)
	}
	if FormatDecimal(nil) != "" || FormatTemperature(nil) != "" || FormatTemperature(&kb.Temperature{}) != "0 deg?" {
		t.Error("what is absent is written as if it were there")
	}
}

func TestDecimalRefusals(t *testing.T) {
	for _, s := range []string{
		"", " ", "-", ".", ".5", "5.", "+1", "--1", "- 1", " 1", "1 ", "1,5", "1,000", "1e3", "1E3", "0x10", "NaN", "nan", "Inf", "+Inf", "-inf", "Infinity",
		"1.2.3", "1_000", "1234567890", "½", "٣", "1.٣", "205.4F", "205.4°",
	} {
		d, err := ParseDecimal(s)
		if !errors.Is(err, ErrInvalid) {
			t.Errorf("%q is read as %v", s, d)
		}
	}
	_, err := ParseDecimal("205.4000000")
	refused(t, err, ErrInvalid, `"205.4000000" has 7 digits after the point (at most 6 digits after the point)`)
	_, err = ParseDecimal("205,4")
	refused(t, err, ErrInvalid, `"205,4" is not a number (write it in plain digits, for example 205.4)`)
	_, err = ParseTemperature("205.4", "K")
	refused(t, err, ErrInvalid, `unit: "K" is not a unit of temperature (C or F)`)
	for _, u := range []string{"C", "degC", "F", "degF"} {
		if _, err := ParseTemperature("1", u); err != nil {
			t.Errorf("unit %s: %v", u, err)
		}
	}
}

// The scales: 0 degC is 32 degF, 100 degC is 212 degF, -40 is the same on both
// (fixed points of the scales' definition); one degF is 5/9 degC.
func TestCelsiusAndFahrenheit(t *testing.T) {
	for _, c := range []struct{ celsius, fahrenheit string }{
		{"0 C", "32 F"}, {"100 C", "212 F"}, {"-40 C", "-40 F"}, {"37 C", "98.6 F"}, {"95.2 C", "203.36 F"}, {"114.555555 C", "238.199999 F"},
	} {
		inC, inF := deg(c.celsius), deg(c.fahrenheit)
		if got := InUnitMicro(CelsiusMicro(inC), inF.GetUnit()); got != inF.GetMicro() {
			t.Errorf("%s is %s degF, not %s", c.celsius, FormatMicro(got, 0), c.fahrenheit)
		}
		if got := CelsiusMicro(inF); got != inC.GetMicro() {
			t.Errorf("%s is %s degC, not %s", c.fahrenheit, FormatMicro(got, 0), c.celsius)
		}
	}
	// 1 degF = 0.5555555... degC; 2 degF = 1.111111 1...
	if got := SpanCelsiusMicro(2*One, kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT); got != 1_111_111 {
		t.Errorf("2 degF apart are %d millionths of a degC", got)
	}
	if got := SpanInUnitMicro(One, kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT); got != 1_800_000 {
		t.Errorf("1 degC apart are %d millionths of a degF", got)
	}
	if CelsiusF(deg("212 F")) != 100 {
		t.Error("212 degF is not 100 degC")
	}
}

// Conversion is exact 5/9 rounded half to even at the millionth: compared with
// rational arithmetic (math/big).
func TestConversionAgainstRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		micro := rapid.Int64Range(-1_000_000_000, 1_000_000_000_000).Draw(t, "micro")
		got := CelsiusMicro(&kb.Temperature{Micro: micro, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT})
		want := halfEven(big.NewRat((micro-32_000_000)*5, 9))
		if got != want {
			t.Fatalf("%d millionths of a degF: %d, want %d", micro, got, want)
		}
		// Whole thousandths of a degC survive the way there and back.
		milli := rapid.Int64Range(-100_000, 500_000).Draw(t, "milli") * 1000
		f := InUnitMicro(milli, kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT)
		if back := CelsiusMicro(&kb.Temperature{Micro: f, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT}); back != milli {
			t.Fatalf("%d comes back as %d", milli, back)
		}
	})
}

// Half goes to the even neighbour (IEEE 754, round to nearest, ties to even).
func TestHalfToEven(t *testing.T) {
	for _, c := range []struct{ v, want int64 }{
		{4_999, 0}, {5_000, 0}, {5_001, 10_000}, {14_999, 10_000}, {15_000, 20_000}, {25_000, 20_000}, {-5_000, 0}, {-15_000, -20_000}, {-15_001, -20_000}, {-14_999, -10_000},
		{999_999_999_995_000, 1_000_000_000_000_000}, {-999_999_999_985_000, -999_999_999_980_000},
	} {
		if got := RoundMicro(c.v, 10_000); got != c.want {
			t.Errorf("%d to 10000: %d, want %d", c.v, got, c.want)
		}
	}
}

func halfEven(r *big.Rat) int64 {
	floor := new(big.Int).Div(r.Num(), r.Denom()) // Euclidean: floor for a positive denominator
	rest := new(big.Rat).Sub(r, new(big.Rat).SetInt(floor))
	n := floor.Int64()
	switch c := rest.Cmp(big.NewRat(1, 2)); {
	case c > 0, c == 0 && n%2 != 0:
		return n + 1
	}
	return n
}

func TestDecimalProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.IntRange(0, 6).Draw(t, "digits")
		step := int64(math.Pow10(6 - digits))
		micro := rapid.Int64Range(-999_999_999_999_999/step, 999_999_999_999_999/step).Draw(t, "steps") * step
		s := FormatMicro(micro, uint32(digits))
		d, err := ParseDecimal(s)
		if err != nil || d.GetMicro() != micro || d.GetDecimals() != uint32(digits) {
			t.Fatalf("%d with %d digits is written %s and read as %v, %v", micro, digits, s, d, err)
		}
	})
}

func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"205.4", "-0.50", "1e3", "NaN", "999999999.999999", "", "-", "0.0000001"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDecimal(s)
		if err != nil {
			if !errors.Is(err, ErrInvalid) {
				t.Fatalf("%q: %v is no refusal", s, err)
			}
			return
		}
		// What is taken is what it says, but for leading zeros and the sign of nothing.
		back := FormatDecimal(d)
		if trim(back) != trim(s) {
			t.Fatalf("%q comes back as %q", s, back)
		}
	})
}

func trim(s string) string {
	sign := ""
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") != "" {
		sign = "-"
	}
	s = strings.TrimLeft(strings.TrimPrefix(s, "-"), "0")
	if s == "" || strings.HasPrefix(s, ".") {
		s = "0" + s
	}
	return sign + s
}
