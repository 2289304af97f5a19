// Package thermometry is the arithmetic of checking and correcting kitchen
// thermometers: where water boils here, what an instrument's error is and how
// well it is known, what a reading means, and what can be said against a limit.
// Pure functions over plain numbers; units are in the names; NaN, infinite and
// out-of-range inputs come back as an InputError that wraps one of the sentinels
// (ErrNotFinite, ErrOutOfRange, ErrInconsistent, ErrNoPoints, ErrTooFew).
//
// Water and air: BoilingPointC, SaturationPressureHPa, BoilingSlopeCPerHPa;
// StandardPressureHPa, StationPressureHPa, OutOfFamily, ProbablySeaLevel;
// Pressure from MeasuredPressure, AltimeterPressure or AssumedPressure.
//
// Decimals: MicroC (millionths of a degC), RoundMilliHalfEven, RoundUpCentiC,
// MicroFromC, MicroFromMicroF, NoLowMicroC, NoHighMicroC.
//
// Uncertainty: Term, Budget (Combined, Expanded), Shape, SharedInput,
// ReadingTerm, WeatherTerm, StemDepthTerm; StemCorrectionC for an emergent
// column; SensorTolerances for makers' classes.
//
// Check points: Point from IcePoint, BoilingPoint, ComparisonPoint.
//
// Correction: FitCurve gives a Curve; Curve.At gives an Estimate, Curve.Budget
// its terms. NewCorrector prepares the judge of one instrument:
// Corrector.Correct, ReadingFor, Budget, and Against, which gives the
// uncertainty of the difference to a Bound with shared inputs shared.
// WhatWouldHelp says what would make it smaller. FitForLimit says before the pan
// goes on whether a limit can be shown and which mark to look for; BestForLimit
// picks from the rack; CompareRack names the odd one in a common bath.
//
// Verdicts, in decimals: JudgeError, NotBelieved, GrossOnly, JudgeLimit,
// AsReadMet.
//
// Time: FitLine; FitDrift, Segments, ErrorCharts, IndividualsChart, EWMAChart,
// CusumChart, ThreeMonthsRunning.
//
// How honest the uncertainties are is measured on invented kitchens of known
// truth: go test -run TestHonestUncertainty -v prints how many corrected pulls
// lie within U, and U against that of someone who knows those kitchens. The cost
// of a corrected value: go test -run Alloc -bench .
package thermometry
