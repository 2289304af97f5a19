package thermometry

import "math"

// Rule is how an error is judged against a tolerance.
type Rule int

// The rules.
const (
	// RuleSimple is simple acceptance: the boundary counts as in, the
	// uncertainty is not used (JCGM 106:2012, shared risk).
	RuleSimple Rule = iota
	// RuleGuarded is guarded acceptance with w = U (JCGM 106:2012; ILAC-G8).
	RuleGuarded
	// RuleProvisional is for a point whose pressure was assumed: provisionally
	// in only if |error| <= tolerance - U, out only if |error| > tolerance + U.
	RuleProvisional
)

// ErrorVerdict is the result of one check point.
type ErrorVerdict int

// The results of a check point.
const (
	// ErrorUnknown is the zero value.
	ErrorUnknown ErrorVerdict = iota
	// InTolerance: the error is within the tolerance by the rule.
	InTolerance
	// OutOfTolerance: the error is beyond the tolerance by the rule.
	OutOfTolerance
	// ProvisionallyIn: in, under an assumed pressure.
	ProvisionallyIn
	// ErrorCannotBeShown: the uncertainty is too large for either.
	ErrorCannotBeShown
	// ErrorNotBelieved: water cannot have boiled at that reading here; see
	// NotBelieved. JudgeError never gives it.
	ErrorNotBelieved
)

// String is the result in words, as printed.
func (v ErrorVerdict) String() string {
	switch v {
	case InTolerance:
		return "in tolerance"
	case OutOfTolerance:
		return "out of tolerance"
	case ProvisionallyIn:
		return "provisionally in"
	case ErrorCannotBeShown:
		return "cannot be shown"
	case ErrorNotBelieved:
		return "not believed"
	}
	return "unknown"
}

// UnderExpiredReference is the result when the reference's certificate was past
// its due date: it cannot support a pass, so in becomes cannot be shown.
func (v ErrorVerdict) UnderExpiredReference() ErrorVerdict {
	if v == InTolerance || v == ProvisionallyIn {
		return ErrorCannotBeShown
	}
	return v
}

// Outcome is where an error lies against tolerance and guard band: the four
// non-binary outcomes of ILAC-G8:09/2019, with w = U.
type Outcome int

// The outcomes.
const (
	// Pass: |error| <= tolerance - U.
	Pass Outcome = iota
	// ConditionalPass: within the tolerance, nearer than U to it.
	ConditionalPass
	// ConditionalFail: beyond the tolerance by U at most.
	ConditionalFail
	// Fail: |error| > tolerance + U.
	Fail
)

// String is the outcome in words, as printed.
func (o Outcome) String() string {
	switch o {
	case ConditionalPass:
		return "conditional pass"
	case ConditionalFail:
		return "conditional fail"
	case Fail:
		return "fail"
	}
	return "pass"
}

// ErrorJudgement is how a check point came out.
type ErrorJudgement struct {
	// Verdict is the result by the rule.
	Verdict ErrorVerdict
	// Outcome is the non-binary outcome, whatever the rule.
	Outcome Outcome
}

// JudgeError judges the error of a check point: error, tolerance and expanded
// uncertainty in millionths of a degC; only the sizes of tolerance and
// uncertainty count. Under RuleGuarded and RuleProvisional both conditional
// outcomes are "cannot be shown".
func JudgeError(errorMicroC, toleranceMicroC, uMicroC int64, rule Rule) ErrorJudgement {
	size, tolerance, u := magnitude(errorMicroC), magnitude(toleranceMicroC), magnitude(uMicroC)
	var j ErrorJudgement
	switch {
	case size <= tolerance-u:
		j.Outcome = Pass
	case size <= tolerance:
		j.Outcome = ConditionalPass
	case size <= saturatingAdd(tolerance, u):
		j.Outcome = ConditionalFail
	default:
		j.Outcome = Fail
	}
	switch {
	case rule == RuleSimple && j.Outcome <= ConditionalPass, rule == RuleGuarded && j.Outcome == Pass:
		j.Verdict = InTolerance
	case rule == RuleSimple, j.Outcome == Fail:
		j.Verdict = OutOfTolerance
	case rule == RuleProvisional && j.Outcome == Pass:
		j.Verdict = ProvisionallyIn
	default:
		j.Verdict = ErrorCannotBeShown
	}
	return j
}

// GrossOnly reports whether an instrument with this division "can show only
// gross error": the division is the tolerance or more. Same unit for both.
func GrossOnly(divisionMicroC, toleranceMicroC int64) bool {
	return magnitude(divisionMicroC) >= magnitude(toleranceMicroC)
}

// seaLevelBoilingMicroC is the sea-level figure: 212 degF is exactly 100 degC.
const seaLevelBoilingMicroC = 100 * microPerC

// NotBelieved reports whether a boiling reading is a figure from a book rather
// than from a pan: it lies within one division of 212 degF (exactly 100 degC,
// so the scale does not matter), while the expected boiling point lies farther
// than tolerance + U from that figure and from the reading. All in millionths of
// a degC.
func NotBelieved(readingMicroC, expectedMicroC, divisionMicroC, toleranceMicroC, uMicroC int64) bool {
	allowed := saturatingAdd(magnitude(toleranceMicroC), magnitude(uMicroC))
	return distance(readingMicroC, seaLevelBoilingMicroC) <= magnitude(divisionMicroC) &&
		distance(expectedMicroC, seaLevelBoilingMicroC) > allowed &&
		distance(expectedMicroC, readingMicroC) > allowed
}

// LimitVerdict is how a corrected reading stands against a limit.
type LimitVerdict int

// The verdicts on a limit.
const (
	// LimitUnknown is the zero value.
	LimitUnknown LimitVerdict = iota
	// Met: inside, by the rule.
	Met
	// NotMet: outside, by the rule.
	NotMet
	// LimitCannotBeShown: the uncertainty is too large, or only an extrapolated
	// correction would make it met.
	LimitCannotBeShown
)

// String is the verdict in words, as printed.
func (v LimitVerdict) String() string {
	switch v {
	case Met:
		return "met"
	case NotMet:
		return "not met"
	case LimitCannotBeShown:
		return "cannot be shown"
	}
	return "unknown"
}

// JudgeLimit judges a corrected reading against a limit, in millionths of a
// degC; low is NoLowMicroC or high is NoHighMicroC where a bound is absent. By
// simple acceptance the boundary counts as met. Guarded, a limit is met only
// with U to spare on the acceptable side (corrected - U >= low, corrected + U <=
// high) and not met only beyond a bound by more than U. uMicroC is the expanded
// uncertainty of the difference corrected minus limit. An extrapolated
// correction never turns a reading that missed as read into met.
func JudgeLimit(correctedMicroC, lowMicroC, highMicroC, uMicroC int64, guarded, extrapolated, asReadMet bool) LimitVerdict {
	var guard int64
	if guarded {
		guard = magnitude(uMicroC)
	}
	verdict := LimitCannotBeShown
	switch {
	case clears(correctedMicroC, lowMicroC, highMicroC, guard):
		verdict = Met
	case !clears(correctedMicroC, lowMicroC, highMicroC, -guard):
		verdict = NotMet
	}
	if verdict == Met && extrapolated && !asReadMet {
		return LimitCannotBeShown
	}
	return verdict
}

// AsReadMet reports whether a reading lies within a limit as read, by simple
// acceptance. In millionths of a degC, absent bounds as for JudgeLimit.
func AsReadMet(readingMicroC, lowMicroC, highMicroC int64) bool {
	return clears(readingMicroC, lowMicroC, highMicroC, 0)
}

// clears reports whether a value lies inside both bounds with guard to spare.
func clears(value, low, high, guard int64) bool {
	return (low == NoLowMicroC || saturatingAdd(value, -guard) >= low) &&
		(high == NoHighMicroC || saturatingAdd(value, guard) <= high)
}

// magnitude is |v|; the one value without a positive twin gives the largest.
func magnitude(v int64) int64 {
	switch {
	case v == math.MinInt64:
		return math.MaxInt64
	case v < 0:
		return -v
	}
	return v
}

func distance(a, b int64) int64 {
	if b == math.MinInt64 {
		return math.MaxInt64
	}
	return magnitude(saturatingAdd(a, -b))
}

func saturatingAdd(a, b int64) int64 {
	switch sum := a + b; {
	case a > 0 && b > 0 && sum < 0:
		return math.MaxInt64
	case a < 0 && b < 0 && sum >= 0:
		return math.MinInt64
	default:
		return sum
	}
}
