package records

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"

	kb "kettlebook/proto/kettlebook/v1"
)

// One is one unit in millionths.
const One = int64(1_000_000)

// maxMicro bounds every decimal: a billion units, far beyond any kitchen, and
// small enough that nine times it does not overflow.
const maxMicro = 1_000_000_000 * One

// ParseDecimal reads a plain decimal such as 205.4 or -0.50 and keeps its
// digits: at most 6 after the point. NaN, infinities, exponents, thousands
// separators and blanks are refused.
func ParseDecimal(s string) (*kb.Decimal, error) {
	t := strings.TrimPrefix(s, "-")
	whole, frac, point := strings.Cut(t, ".")
	if whole == "" || point && frac == "" || len(whole) > 9 || !digits(whole) || !digits(frac) {
		return nil, invalid("", "write it in plain digits, for example 205.4", "%q is not a number", s)
	}
	if len(frac) > 6 {
		return nil, invalid("", "at most 6 digits after the point", "%q has %d digits after the point", s, len(frac))
	}
	v, err := strconv.ParseInt(whole+frac+strings.Repeat("0", 6-len(frac)), 10, 64)
	if err != nil {
		return nil, invalid("", "write it in plain digits, for example 205.4", "%q is not a number", s)
	}
	if t != s {
		v = -v
	}
	return &kb.Decimal{Micro: v, Decimals: uint32(len(frac))}, nil
}

func digits(s string) bool {
	for _, r := range s {
		if r < '0' || r > '9' {
			return false
		}
	}
	return true
}

// FormatMicro writes millionths with so many digits after the point, exactly
// as kept: it never rounds away a digit that is there.
func FormatMicro(micro int64, decimals uint32) string {
	sign := ""
	if micro < 0 {
		sign, micro = "-", -micro
	}
	frac := fmt.Sprintf("%06d", micro%One)
	d := int(min(decimals, 6))
	for d < 6 && strings.Trim(frac[d:], "0") != "" {
		d++
	}
	s := sign + strconv.FormatInt(micro/One, 10)
	if d > 0 {
		s += "." + frac[:d]
	}
	return s
}

// FormatDecimal writes a decimal with its own digits; empty when absent.
func FormatDecimal(d *kb.Decimal) string {
	if d == nil {
		return ""
	}
	return FormatMicro(d.Micro, d.Decimals)
}

// ParseTemperature reads a value and a unit (C, F, degC, degF).
func ParseTemperature(value, unit string) (*kb.Temperature, error) {
	u, err := ParseUnit(unit)
	if err != nil {
		return nil, Within("unit", err)
	}
	d, err := ParseDecimal(value)
	if err != nil {
		return nil, err
	}
	return &kb.Temperature{Micro: d.Micro, Decimals: d.Decimals, Unit: u}, nil
}

// ParseUnit reads C, F, degC or degF.
func ParseUnit(unit string) (kb.TemperatureUnit, error) {
	switch unit {
	case "C", "degC":
		return kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, nil
	case "F", "degF":
		return kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT, nil
	}
	return 0, invalid("", "C or F", "%q is not a unit of temperature", unit)
}

// UnitSymbol gives degC or degF.
func UnitSymbol(u kb.TemperatureUnit) string {
	switch u {
	case kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS:
		return "degC"
	case kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT:
		return "degF"
	}
	return "deg?"
}

// FormatTemperature writes a temperature as read: 205.4 degF.
func FormatTemperature(t *kb.Temperature) string {
	if t == nil {
		return ""
	}
	return FormatMicro(t.Micro, t.Decimals) + " " + UnitSymbol(t.Unit)
}

// CelsiusMicro gives a temperature in millionths of a degC; from Fahrenheit by
// exact 5/9, rounded half-even to the millionth.
func CelsiusMicro(t *kb.Temperature) int64 {
	if t.GetUnit() == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return mulDivHalfEven(t.GetMicro()-32*One, 5, 9)
	}
	return t.GetMicro()
}

// CelsiusF gives a temperature in degC as a float, for the sciences.
func CelsiusF(t *kb.Temperature) float64 { return float64(CelsiusMicro(t)) / float64(One) }

// InUnitMicro gives millionths of a degC as millionths of a degree of a unit;
// exact for values rounded to 0.001 degC.
func InUnitMicro(celsiusMicro int64, unit kb.TemperatureUnit) int64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return mulDivHalfEven(celsiusMicro, 9, 5) + 32*One
	}
	return celsiusMicro
}

// SpanInUnitMicro gives a difference in millionths of a degC as millionths of
// a degree of a unit.
func SpanInUnitMicro(celsiusMicro int64, unit kb.TemperatureUnit) int64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return mulDivHalfEven(celsiusMicro, 9, 5)
	}
	return celsiusMicro
}

// SpanCelsiusMicro gives a difference in millionths of a degree of a unit as
// millionths of a degC, rounded half-even.
func SpanCelsiusMicro(micro int64, unit kb.TemperatureUnit) int64 {
	if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		return mulDivHalfEven(micro, 5, 9)
	}
	return micro
}

// mulDivHalfEven gives v*num/den rounded half to even.
func mulDivHalfEven(v, num, den int64) int64 {
	q, r := new(big.Int).QuoRem(new(big.Int).Mul(big.NewInt(v), big.NewInt(num)), big.NewInt(den), new(big.Int))
	out, rem := q.Int64(), r.Int64()
	twice := 2 * abs(rem)
	if twice > den || twice == den && out%2 != 0 {
		if v < 0 {
			return out - 1
		}
		return out + 1
	}
	return out
}

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// roundMicro rounds half-even to a multiple of step millionths.
func roundMicro(v, step int64) int64 { return mulDivHalfEven(v, 1, step) * step }

// checkDecimal refuses decimals that no one can have written.
func checkDecimal(field string, micro int64, decimals uint32) error {
	if decimals > 6 {
		return invalid(field, "give 0 to 6", "claims %d digits after the point", decimals)
	}
	if micro > maxMicro || micro < -maxMicro {
		return invalid(field, "check the digits", "the number is too large")
	}
	step := One
	for range decimals {
		step /= 10
	}
	if micro%step != 0 {
		return invalid(field, "give as many decimals as the value has", "%s has more digits after the point than the %d it claims", FormatMicro(micro, 0), decimals)
	}
	return nil
}
