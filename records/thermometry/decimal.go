package thermometry

import (
	"math"
	"strconv"
)

// MicroC is a temperature, or a difference of two, in millionths of a degC.
// Verdicts compare these integers, never floating-point numbers.
type MicroC int64

const (
	// NoLowMicroC says that a limit has no lower bound.
	NoLowMicroC int64 = math.MinInt64
	// NoHighMicroC says that a limit has no upper bound.
	NoHighMicroC int64 = math.MaxInt64

	microPerC = 1_000_000
	milli     = 1_000  // 0.001 degC in millionths
	centi     = 10_000 // 0.01 degC in millionths

	// largestC bounds what is turned into a decimal; no thermometer comes near.
	largestC = 1e6
)

// C is the value in degC, for arithmetic and charts; verdicts do not use it.
func (m MicroC) C() float64 { return float64(m) / microPerC }

// String prints the value in degC with as many decimals as it needs, at least
// none and at most six.
func (m MicroC) String() string {
	return strconv.FormatFloat(m.C(), 'f', -1, 64)
}

// RoundMilliHalfEven rounds a computed temperature in degC once, half to even,
// to 0.001 degC. That decimal is what is stored, printed and judged. Range
// -1e6 to 1e6 degC; otherwise an InputError.
func RoundMilliHalfEven(tempC float64) (MicroC, error) {
	if err := within("tempC", tempC, -largestC, largestC); err != nil {
		return 0, err
	}
	return MicroC(math.RoundToEven(tempC*1000)) * milli, nil
}

// RoundUpCentiC rounds an expanded uncertainty in degC up to the next 0.01
// degC; a value that is a hundredth but for the dust of binary arithmetic (less
// than 1e-9 of a hundredth) stays. Range 0 to 1e6 degC; otherwise an InputError.
func RoundUpCentiC(uncertaintyC float64) (MicroC, error) {
	if err := within("uncertaintyC", uncertaintyC, 0, largestC); err != nil {
		return 0, err
	}
	const dust = 1e-9
	return MicroC(math.Ceil(uncertaintyC*100-dust)) * centi, nil
}

// MicroFromC turns a temperature in degC into millionths, to the nearest.
// Range -1e6 to 1e6 degC; otherwise an InputError.
func MicroFromC(tempC float64) (MicroC, error) {
	if err := within("tempC", tempC, -largestC, largestC); err != nil {
		return 0, err
	}
	return MicroC(math.RoundToEven(tempC * microPerC)), nil
}

// MicroFromMicroF turns a reading in millionths of a degF into millionths of a
// degC by the exact (F - 32) * 5 / 9, the rest rounded half to even (at most
// half a millionth of a degree). Range +-1e6 degF; otherwise an InputError.
func MicroFromMicroF(microF int64) (MicroC, error) {
	if err := within("microF", float64(microF), -largestC*microPerC, largestC*microPerC); err != nil {
		return 0, err
	}
	return MicroC(divideHalfEven((microF-32*microPerC)*5, 9)), nil
}

// divideHalfEven is numerator/divisor rounded half to even, divisor positive.
func divideHalfEven(numerator, divisor int64) int64 {
	quotient, rest := numerator/divisor, numerator%divisor
	if rest < 0 {
		quotient, rest = quotient-1, rest+divisor
	}
	switch twice := 2 * rest; {
	case twice > divisor, twice == divisor && quotient&1 == 1:
		quotient++
	}
	return quotient
}
