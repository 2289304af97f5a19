package reports

import (
	"fmt"
	"strconv"
	"strings"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// pow10 holds the powers of ten that millionths need.
var pow10 = [...]int64{1, 10, 100, 1000, 10000, 100000, 1000000}

// fixed prints millionths with so many digits after the point (0 to 6), rounded half-even.
func fixed(micro int64, digits int) string {
	digits = min(max(digits, 0), 6)
	unit := pow10[6-digits]
	negative := micro < 0
	// Unsigned arithmetic, so that even the smallest int64 has a magnitude.
	mag := uint64(micro)
	if negative {
		mag = -mag
	}
	q, r := mag/uint64(unit), mag%uint64(unit)
	if twice := 2 * r; twice > uint64(unit) || (twice == uint64(unit) && q%2 == 1) {
		q++
	}
	scale := uint64(pow10[digits])
	text := strconv.FormatUint(q/scale, 10)
	if digits > 0 {
		text += "." + fmt.Sprintf("%0*d", digits, q%scale)
	}
	if negative && q > 0 {
		text = "-" + text
	}
	return text
}

// exact prints millionths with every digit they have, and at least so many after the point.
func exact(micro int64, least int) string {
	digits := 6
	for digits > least && micro%pow10[7-digits] == 0 {
		digits--
	}
	return fixed(micro, digits)
}

// signed puts a plus sign before what is not negative.
func signed(text string) string {
	if strings.HasPrefix(text, "-") {
		return text
	}
	return "+" + text
}

// asWritten prints a number with the digits it was written with.
func asWritten(d *kettlebookv1.Decimal) string {
	if d == nil {
		return "not given"
	}
	return exact(d.GetMicro(), int(min(d.GetDecimals(), 6)))
}

// degrees is the sign of a scale.
func degrees(u kettlebookv1.TemperatureUnit) string {
	switch u {
	case kettlebookv1.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS:
		return "°C"
	case kettlebookv1.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT:
		return "°F"
	default:
		return "° (scale not given)"
	}
}

// isF reports whether a scale is Fahrenheit.
func isF(u kettlebookv1.TemperatureUnit) bool {
	return u == kettlebookv1.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT
}

// asRead prints a temperature with its digits and scale as read.
func asRead(t *kettlebookv1.Temperature) string {
	if t == nil {
		return "not read"
	}
	return exact(t.GetMicro(), int(min(t.GetDecimals(), 6))) + " " + degrees(t.GetUnit())
}

// toF brings millionths of a degC to millionths of a degF; whole thousandths come out exactly.
func toF(microC int64) int64 { return microC/5*9 + microC%5*9/5 + 32_000_000 }

// toFSpan brings a difference in millionths of a degC to degF.
func toFSpan(microC int64) int64 { return microC/5*9 + microC%5*9/5 }

// celsius prints millionths of a degC with so many digits.
func celsius(microC int64, digits int) string { return fixed(microC, digits) + " °C" }

// minutes prints a number of seconds as hours and minutes, with seconds only when there are any.
func minutes(seconds int64) string {
	sign := ""
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	h, m, s := seconds/3600, seconds/60%60, seconds%60
	switch {
	case h == 0 && s == 0:
		return fmt.Sprintf("%s%d min", sign, m)
	case h == 0:
		return fmt.Sprintf("%s%d min %02d s", sign, m, s)
	case s == 0:
		return fmt.Sprintf("%s%d h %02d min", sign, h, m)
	default:
		return fmt.Sprintf("%s%d h %02d min %02d s", sign, h, m, s)
	}
}

// counted prints a number with its noun: "1 batch", "3 batches".
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// list joins names with commas.
func list(names []string) string { return strings.Join(names, ", ") }

// hexGroups prints bytes as hexadecimal in groups of eight digits, which people can compare by eye.
func hexGroups(b []byte) string {
	if len(b) == 0 {
		return "none"
	}
	text := fmt.Sprintf("%x", b)
	var groups []string
	for len(text) > 8 {
		groups = append(groups, text[:8])
		text = text[8:]
	}
	return strings.Join(append(groups, text), " ")
}
