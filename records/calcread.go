package records

import (
	"fmt"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/thermometry"
)

// DialRead is what a reading on a dial means.
type DialRead struct {
	// Corrected is the corrected value with its uncertainty, degC.
	thermometry.Corrected
	// Misfit: points disagree with the curve. Form is the curve's, in words.
	Misfit bool
	Form   string
	// Points are what the check points showed.
	Points []PointShown
	// Budget is behind the uncertainty.
	Budget thermometry.Budget
	// Help is what would help most, best first.
	Help []thermometry.Advice
	// Stage is the stage at this pressure; empty without air. SoftEdge: published
	// tables disagree there.
	Stage    string
	SoftEdge bool
	// Limit is the verdict; nil without a limit.
	Limit *LimitShown
	// Air is the pressure it follows from; nil without air.
	Air *AirUsed
	Worked
}

// LimitShown is how a reading stands against a limit.
type LimitShown struct {
	// LowC and HighC are its bounds here, rounded to 0.01 degC, UC the expanded
	// uncertainty (k = 2) of corrected minus limit, rounded up to 0.01 degC.
	LowC, HighC *float64
	UC          float64
	// Guarded: judged with a guard band of UC.
	Guarded bool
	// Result is the verdict, AsRead what it would be on the reading as read.
	Result, AsRead kb.LimitResult
	// BeyondData: a bound lies beyond the sucrose data.
	BeyondData bool
}

// ReadDial says what a reading on a dial means: corrected value, budget, what
// would help most, the stage when air is given, the verdict when a limit is.
// Errors: ErrInvalid.
func ReadDial(d Dial, reading float64, a *Air, l *CookLimit) (DialRead, error) {
	var out DialRead
	var k *known
	if a != nil {
		got, err := a.work("air")
		if err != nil {
			return out, err
		}
		k = &got
		out.Air = &k.used
		out.also(k.Worked)
	}
	if l != nil && k == nil {
		return out, invalid("air", "give the air of the kitchen: a limit is judged where it stands today", "is missing")
	}
	if err := d.check("dial"); err != nil {
		return out, err
	}
	low, high := or(d.RangeLow, onScale(-100, d.Unit)), or(d.RangeHigh, onScale(500, d.Unit))
	if err := finiteIn("reading", reading, low, high, "degrees of the scale"); err != nil {
		return out, err
	}
	readingC := celsius(reading, d.Unit)
	useC := readingC
	if d.Error != nil {
		useC -= spanC(*d.Error, d.Unit) // where the error was found, it is read as this
	}
	j, err := d.judge("dial", k, useC)
	if err != nil {
		return out, err
	}
	out.also(j.Worked)
	curve := j.judge.Curve()
	out.Corrected = j.judge.Correct(readingC)
	out.Misfit, out.Form, out.Points, out.Budget = curve.Misfit, curve.Form.String(), j.shown, j.judge.Budget(readingC)
	if out.Extrapolated {
		out.note("The reading lies beyond the check points (%.4g to %.4g degC): the correction is extrapolated.", curve.LowC, curve.HighC)
	}
	var bound *thermometry.Bound
	if l != nil {
		moved, err := l.move("limit", *k)
		if err != nil {
			return out, err
		}
		out.also(moved.Worked)
		if out.Limit, bound, err = j.against(readingC, out.Corrected, *l, moved); err != nil {
			return out, refused("limit", err)
		}
		out.source(srcVerdict)
	}
	if _, out.Help, err = thermometry.WhatWouldHelp(j.points, j.opt, j.cook, readingC, bound); err != nil {
		return out, refused("dial", err)
	}
	if k == nil {
		out.note("Without the air pressure no stage is told.")
		return out, nil
	}
	place, err := syrup.StageAt(out.CorrectedC, k.pressure.HPa)
	if err != nil {
		return out, refused("reading", err)
	}
	out.Stage, out.SoftEdge = place.Label, place.SoftEdge
	out.source(srcStages, srcSyrup, srcWater)
	return out, nil
}

// against judges a corrected reading against a limit, and gives the bound that
// is the less certain of the two.
func (j judged) against(readingC float64, got thermometry.Corrected, l CookLimit, moved MovedLimit) (*LimitShown, *thermometry.Bound, error) {
	out := &LimitShown{Guarded: l.guarded(), BeyondData: moved.beyond()}
	low, high, err := moved.microBounds()
	if err != nil {
		return nil, nil, err
	}
	expanded := 0.0
	var least *thermometry.Bound
	w := moved.window()
	for _, end := range []struct {
		bound *thermometry.Bound
		micro int64
		out   **float64
	}{{w.Low, low, &out.LowC}, {w.High, high, &out.HighC}} {
		if end.bound == nil {
			continue
		}
		*end.out = ptr(thermometry.MicroC(end.micro).C())
		if u := j.judge.Against(readingC, *end.bound).ExpandedC; u > expanded || least == nil {
			expanded, least = u, end.bound
		}
	}
	u, err := thermometry.RoundUpCentiC(expanded)
	if err != nil {
		return nil, nil, err
	}
	corrected, err := centiMicro(got.CorrectedC)
	if err != nil {
		return nil, nil, err
	}
	reading, err := thermometry.MicroFromC(readingC)
	if err != nil {
		return nil, nil, err
	}
	out.UC = u.C()
	asRead := thermometry.AsReadMet(int64(reading), low, high)
	out.AsRead = metOrNot(asRead)
	out.Result = limitResults[thermometry.JudgeLimit(corrected, low, high, int64(u), out.Guarded, got.Extrapolated, asRead)]
	if l.Class == kb.LimitClass_LIMIT_CLASS_CRITICAL && out.Result == kb.LimitResult_LIMIT_RESULT_MET && j.provisionalOnly() {
		out.Result = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
	}
	return out, least, nil
}

// indexed is the path of one of a list.
func indexed(field string, i int) string { return fmt.Sprintf("%s[%d]", field, i) }
