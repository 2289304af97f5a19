package thermometry_test

import (
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

const degree = 1_000_000

// ILAC-G8:09/2019 and JCGM 106:2012: tolerance 1, U 0.25, hence an acceptance
// limit of 0.75.
func TestJudgeError(t *testing.T) {
	for _, c := range []struct {
		errorMicroC                  int64
		outcome                      Outcome
		simple, guarded, provisional ErrorVerdict
	}{
		{0, Pass, InTolerance, InTolerance, ProvisionallyIn},
		{750_000, Pass, InTolerance, InTolerance, ProvisionallyIn},
		{-750_000, Pass, InTolerance, InTolerance, ProvisionallyIn},
		{750_001, ConditionalPass, InTolerance, ErrorCannotBeShown, ErrorCannotBeShown},
		{1_000_000, ConditionalPass, InTolerance, ErrorCannotBeShown, ErrorCannotBeShown},
		{1_000_001, ConditionalFail, OutOfTolerance, ErrorCannotBeShown, ErrorCannotBeShown},
		{-1_250_000, ConditionalFail, OutOfTolerance, ErrorCannotBeShown, ErrorCannotBeShown},
		{1_250_001, Fail, OutOfTolerance, OutOfTolerance, OutOfTolerance},
		{math.MinInt64, Fail, OutOfTolerance, OutOfTolerance, OutOfTolerance},
	} {
		for rule, want := range map[Rule]ErrorVerdict{RuleSimple: c.simple, RuleGuarded: c.guarded, RuleProvisional: c.provisional} {
			got := JudgeError(c.errorMicroC, degree, 250_000, rule)
			if got.Verdict != want || got.Outcome != c.outcome {
				t.Errorf("error %d, rule %d: %v, %v; want %v, %v", c.errorMicroC, rule, got.Verdict, got.Outcome, want, c.outcome)
			}
		}
	}
	for verdict, want := range map[ErrorVerdict]ErrorVerdict{
		InTolerance: ErrorCannotBeShown, ProvisionallyIn: ErrorCannotBeShown, OutOfTolerance: OutOfTolerance,
	} {
		if got := verdict.UnderExpiredReference(); got != want {
			t.Errorf("%v under an expired reference: %v", verdict, got)
		}
	}
}

func TestNotBelieved(t *testing.T) {
	for _, c := range []struct {
		name                                             string
		reading, expected, division, tolerance, expanded int64
		want                                             bool
	}{
		{"212 degF where water boils at 94.9", 100 * degree, 94_912_000, 1_111_111, 1_111_111, 700_000, true},
		{"one division above", 101_111_111, 94_912_000, 1_111_111, 1_111_111, 700_000, true},
		{"beyond one division", 101_111_112, 94_912_000, 1_111_111, 1_111_111, 700_000, false},
		{"at sea level", 100 * degree, 99_974_000, degree, degree, 100_000, false},
		{"within tolerance and U of it", 100 * degree, 98_900_000, degree, degree, 100_000, false},
		{"just beyond", 100 * degree, 98_899_999, degree, degree, 100_000, true},
		{"a good reading near the figure", 99 * degree, 98_500_000, degree, degree, 300_000, false},
		{"high reading at sea level", 101 * degree, 99_600_000, degree, degree, 300_000, false},
	} {
		if got := NotBelieved(c.reading, c.expected, c.division, c.tolerance, c.expanded); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	if !GrossOnly(degree, degree) || GrossOnly(degree/2, degree) {
		t.Error("a division at or above the tolerance can show only gross error")
	}
}

func TestJudgeLimit(t *testing.T) {
	const low, high, u = 118 * degree, 120 * degree, 300_000
	for _, c := range []struct {
		name                             string
		corrected, low, high             int64
		guarded, extrapolated, asReadMet bool
		want                             LimitVerdict
	}{
		{"on the boundary, simple", low, low, high, false, false, true, Met},
		{"below, simple", low - 1, low, high, false, false, true, NotMet},
		{"above, simple", high + 1, low, high, false, false, true, NotMet},
		{"minimum guarded: U to spare", low + u, low, NoHighMicroC, true, false, true, Met},
		{"minimum guarded: not quite", low + u - 1, low, NoHighMicroC, true, false, true, LimitCannotBeShown},
		{"minimum guarded: short by U", low - u, low, NoHighMicroC, true, false, false, LimitCannotBeShown},
		{"minimum guarded: short by more", low - u - 1, low, NoHighMicroC, true, false, false, NotMet},
		{"maximum guarded: U to spare", high - u, NoLowMicroC, high, true, false, true, Met},
		{"maximum guarded: beyond by more", high + u + 1, NoLowMicroC, high, true, false, true, NotMet},
		{"extrapolated into met", low + degree, low, high, false, true, false, LimitCannotBeShown},
		{"extrapolated, met as read", low + degree, low, high, false, true, true, Met},
		{"extrapolation takes a met away", low - 1, low, high, false, true, true, NotMet},
		{"no bound at all", 0, NoLowMicroC, NoHighMicroC, true, false, true, Met},
		{"extremes do not wrap", math.MaxInt64, low, high, true, false, true, NotMet},
		{"extremes do not wrap below", math.MinInt64, low, high, true, false, true, NotMet},
	} {
		if got := JudgeLimit(c.corrected, c.low, c.high, u, c.guarded, c.extrapolated, c.asReadMet); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

func TestRounding(t *testing.T) {
	for tempC, want := range map[float64]MicroC{
		99.9743: 99_974_000, 0.0005: 0, 0.0015: 2000, 0.0025: 2000, -0.0005: 0, -0.0015: -2000, 94.9124999: 94_912_000,
	} {
		if got, err := RoundMilliHalfEven(tempC); err != nil || got != want {
			t.Errorf("RoundMilliHalfEven(%v) = %d, %v", tempC, got, err)
		}
	}
	for u, want := range map[float64]MicroC{0.07: 70_000, 0.0700001: 80_000, 0: 0, 0.29: 290_000, 1.231: 1_240_000} {
		if got, err := RoundUpCentiC(u); err != nil || got != want {
			t.Errorf("RoundUpCentiC(%v) = %d, %v", u, got, err)
		}
	}
	for microF, want := range map[int64]MicroC{212 * degree: 100 * degree, 32 * degree: 0, 205_400_000: 96_333_333, -40 * degree: -40 * degree, 31_999_999: -1} {
		if got, err := MicroFromMicroF(microF); err != nil || got != want {
			t.Errorf("MicroFromMicroF(%d) = %d, %v", microF, got, err)
		}
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 2e6} {
		if _, err := RoundMilliHalfEven(bad); err == nil {
			t.Errorf("RoundMilliHalfEven(%v) taken", bad)
		}
		if _, err := RoundUpCentiC(bad); err == nil {
			t.Errorf("RoundUpCentiC(%v) taken", bad)
		}
	}
	if got := MicroC(94_912_000).String(); got != "94.912" {
		t.Errorf("String: %s", got)
	}
}
