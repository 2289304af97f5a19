package reports

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	kb "kettlebook/proto/kettlebook/v1"
)

func TestFiguresRoundHalfEven(t *testing.T) {
	for _, c := range []struct {
		micro  int64
		digits int
		want   string
	}{
		{0, 0, "0"}, {500_000, 0, "0"}, {1_500_000, 0, "2"}, {-1_500_000, 0, "-2"}, {-400_000, 0, "0"}, {125_000, 2, "0.12"}, {135_000, 2, "0.14"},
		{999_999, 3, "1.000"}, {-50, 3, "0.000"}, {94_983_000, 3, "94.983"}, {math.MinInt64, 6, "-9223372036854.775808"}, {7, 6, "0.000007"},
	} {
		if got := fixed(c.micro, c.digits); got != c.want {
			t.Errorf("fixed(%d, %d) = %q, want %q", c.micro, c.digits, got, c.want)
		}
	}
}

// Every printed figure stands within half a unit of its last digit of the exact value, by math/big.
func TestFiguresAgreeWithRationals(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 8))
	for range 5000 {
		micro, digits := r.Int64N(2_000_000_000)-1_000_000_000, r.IntN(7)
		printed, ok := new(big.Rat).SetString(fixed(micro, digits))
		if !ok {
			t.Fatalf("%q is no number", fixed(micro, digits))
		}
		off := new(big.Rat).Sub(printed, big.NewRat(micro, 1_000_000))
		if half := big.NewRat(1, 2*pow10[digits]); off.Abs(off).Cmp(half) > 0 {
			t.Errorf("fixed(%d, %d) = %s", micro, digits, printed.FloatString(7))
		}
		whole, _ := new(big.Rat).SetString(exact(micro, digits))
		if whole.Cmp(big.NewRat(micro, 1_000_000)) != 0 {
			t.Errorf("exact(%d, %d) = %s", micro, digits, exact(micro, digits))
		}
		// A thousandth of a degC is 0.0018 degF: nothing is lost on the way.
		milli := micro / 1000 * 1000
		want := new(big.Rat).Add(new(big.Rat).Mul(big.NewRat(milli, 1_000_000), big.NewRat(9, 5)), big.NewRat(32, 1))
		if big.NewRat(toF(milli), 1_000_000).Cmp(want) != 0 {
			t.Errorf("toF(%d) = %d", milli, toF(milli))
		}
		if back := toMicroC(toF(milli), kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT); back != milli {
			t.Errorf("%d came back from degF as %d", milli, back)
		}
	}
}

func TestReadingsKeepTheirDigits(t *testing.T) {
	f := kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT
	for _, c := range []struct {
		in   *kb.Temperature
		want string
	}{
		{&kb.Temperature{Micro: 205_400_000, Decimals: 1, Unit: f}, "205.4 °F"},
		{&kb.Temperature{Micro: 205_400_000, Decimals: 3, Unit: f}, "205.400 °F"},
		{&kb.Temperature{Micro: 212_000_000, Unit: f}, "212 °F"},
		// More digits than said are printed rather than lost.
		{&kb.Temperature{Micro: 205_440_000, Decimals: 1, Unit: f}, "205.44 °F"},
		{nil, "not read"},
	} {
		if got := asRead(c.in); got != c.want {
			t.Errorf("asRead = %q, want %q", got, c.want)
		}
	}
}

func TestDurations(t *testing.T) {
	for seconds, want := range map[int64]string{0: "0 min", 59: "0 min 59 s", 60: "1 min", 7200: "2 h 00 min", 7261: "2 h 01 min 01 s", -90: "-1 min 30 s"} {
		if got := minutes(seconds); got != want {
			t.Errorf("minutes(%d) = %q, want %q", seconds, got, want)
		}
	}
}
