package reports

import (
	"strings"

	kb "kettlebook/proto/kettlebook/v1"
)

// richDay is a day on which everything that a log can print happens at least once.
func richDay() *kb.DayContent {
	c := plainDay(1)
	c.Site.Invented = true
	c.Site.OnePerson = true
	c.People = append(c.People,
		&kb.Person{Initials: "ŁW", PrintedName: "Łucja Wójcik-Żółtowska", Roles: []kb.Role{kb.Role_ROLE_COOK}},
		&kb.Person{Initials: "ΕΠ", PrintedName: "Ελένη Παπαδοπούλου", Roles: []kb.Role{kb.Role_ROLE_COOK, kb.Role_ROLE_ADMINISTRATOR}},
		&kb.Person{Initials: "ДК", PrintedName: "Дарья Кузнецова"})
	c.Instruments = append(c.Instruments, failedF(), notBelieved(), provisional(), missedCheck(), reference())
	c.Pressures = append(c.Pressures, &kb.PressureUsed{PressureHpa: dec(1_013_200_000, 1), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED, At: hm(9, 0), Questioned: true})
	c.Batches = append(c.Batches, notMetF(), cannotBeShown(), uncorrected(), contradiction(), sauce(), openBatch(), voided())
	c.Deviations = richDeviations()
	c.LookBacks = []*kb.LookBack{{
		CheckId: "c-K-2", InstrumentId: "K-2", At: hm(5, 20), WindowTo: hm(17, 0),
		Items: []*kb.LookBackItem{
			{LotCode: "SW-0508-03", At: hm(-50, 10), Reading: fahrenheitRead(2431), BeforeMicroC: ptr[int64](117_100_000), FoundMicroC: ptr[int64](115_980_000), Result: kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN},
			{LotCode: "SW-0510-01", Cooling: true, At: hm(-14, 10), Reading: fahrenheitRead(700), FoundMicroC: ptr[int64](20_010_000), Result: kb.LimitResult_LIMIT_RESULT_MET},
			{LotCode: "SW-0511-02", At: hm(8, 20), Reading: fahrenheitRead(2466), BeforeMicroC: ptr[int64](119_220_000), FoundMicroC: ptr[int64](118_050_000), Result: kb.LimitResult_LIMIT_RESULT_NOT_MET, AfterFailure: true},
		},
	}}
	c.Marked = []*kb.MarkedRecord{
		{Kind: kb.MarkKind_MARK_KIND_LATE, What: "cold-water test of SW-0511-03", At: hm(9, 16), RecordedAt: hm(11, 40), Initials: "ŁW"},
		{Kind: kb.MarkKind_MARK_KIND_QUEUED, What: "12 readings of SW-0511-04, tablet wall-2", At: hm(10, 2), RecordedAt: hm(10, 49), Initials: "ΕΠ"},
		{Kind: kb.MarkKind_MARK_KIND_AMENDED, What: "reading 388.0 of check K-1", At: hm(5, 0), RecordedAt: hm(5, 30), Initials: "ÅØ", Struck: "2.0 °C", Now: "0.2 °C", Reason: "read the wrong line of the display"},
		{Kind: kb.MarkKind_MARK_KIND_AHEAD, What: "pull of SW-0511-05", At: hm(11, 0), RecordedAt: hm(10, 52), Initials: "ДК"},
		{Kind: kb.MarkKind_MARK_KIND_QUESTIONED, What: "pressure 1013.2 hPa", At: hm(9, 0), RecordedAt: hm(9, 0), Initials: "ŁW"},
	}
	c.Sheets = []*kb.SheetDay{{Sheet: "checks.csv", Rows: 11, Paper: "Morning checks, green pad"}, {Sheet: "cooling.csv", Rows: 1}}
	return c
}

// richLog is a re-issue of richDay with every notice a page can carry.
func richLog(log *kb.DayLog) *kb.DayLog {
	log.Issue = 2
	log.Changes = []string{"Added: cold-water test of SW-0511-03, entered 11:40 by ŁW.", "Struck: reading 388.0 of check K-1, 2.0 °C; now 0.2 °C."}
	log.Review, log.Reviewer, log.ReviewedAt = nil, nil, nil
	log.SteppedClock = true
	log.Restored = []string{"continued under kettlebook.example/saltholm/2 from entry 301; 4 entries signed for under the old origin are lost; disk replaced, HV."}
	log.SheetsEntered = []string{"checks.csv: entered 2026-05-11 18:02 to 18:09 by HV", "cooling.csv: entered 2026-05-11 18:10 by HV"}
	return log
}

func failedF() *kb.InstrumentDay {
	in := &kb.InstrumentDay{
		Instrument: &kb.Instrument{InstrumentId: "K-2", Description: "thermocouple on the copper kettle", Construction: kb.Construction_CONSTRUCTION_THERMOCOUPLE,
			Scale: kb.Scale_SCALE_FAHRENHEIT, Division: dec(100_000, 1), Serial: "607-TC"},
		Lots: []string{"SW-0511-02"}, Standing: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, StandingAt: hm(17, 0),
		LastComparisonAt: hm(-20, 0), LastComparisonMicroC: 150_210_000,
	}
	in.Checks = []*kb.CheckDay{{
		By: &kb.Signature{Initials: "ŁW", At: hm(5, 20), Transcribed: true},
		Assessment: &kb.CheckAssessment{CheckId: "c-K-2", InstrumentId: "K-2", At: hm(5, 20), AsFound: kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE,
			Replaces: ptr[int64](371),
			Points: []*kb.PointResult{
				{Point: &kb.CheckPoint{At: hm(5, 20), Kind: kb.PointKind_POINT_KIND_ICE, Reading: fahrenheitRead(334), Note: "cubes ran out"}, Struck: fahrenheitRead(344),
					ErrorMicro: 1_400_000, ToleranceMicro: 2_000_000, UMicroC: 510_000, Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE},
				{Point: &kb.CheckPoint{At: hm(5, 24), Kind: kb.PointKind_POINT_KIND_BOILING, Reading: fahrenheitRead(2108),
					PressureHpa: dec(1_014_300_000, 1), PressureKind: kb.PressureKind_PRESSURE_KIND_ALTIMETER},
					ExpectedMicroC: 97_944_000, ErrorMicro: 2_500_800, ToleranceMicro: 2_000_000, UMicroC: 260_000, Result: kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE,
					Pressure: &kb.PressureUsed{PressureHpa: dec(942_000_000, 1), Kind: kb.PressureKind_PRESSURE_KIND_ALTIMETER, At: hm(5, 24)}},
				{Point: &kb.CheckPoint{At: hm(5, 40), Kind: kb.PointKind_POINT_KIND_COMPARISON, Reading: fahrenheitRead(3045), ReferenceId: "REF-9",
					ReferenceReading: &kb.Temperature{Micro: 150_210_000, Decimals: 2, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS}},
					ExpectedMicroC: 150_210_000, ErrorMicro: 2_122_000, ToleranceMicro: 2_000_000, UMicroC: 300_000, Result: kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE},
			}},
	}, {
		By: by("ΕΠ", hm(17, 0)), Adjustment: "offset turned down by 2.0 °F on the instrument",
		Assessment: &kb.CheckAssessment{CheckId: "c-K-2b", InstrumentId: "K-2", At: hm(17, 0), AsFound: kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE,
			AsLeft: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, Adjusted: true, MayBeUsed: true,
			Points: []*kb.PointResult{
				{Point: &kb.CheckPoint{At: hm(17, 0), Kind: kb.PointKind_POINT_KIND_ICE, Reading: fahrenheitRead(341), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED},
					ErrorMicro: 2_100_000, ToleranceMicro: 2_000_000, UMicroC: 120_000, Result: kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE},
				{Point: &kb.CheckPoint{At: hm(17, 20), Kind: kb.PointKind_POINT_KIND_ICE, Reading: fahrenheitRead(321), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED, Phase: kb.CheckPhase_CHECK_PHASE_AS_LEFT},
					ErrorMicro: 100_000, ToleranceMicro: 2_000_000, UMicroC: 120_000, Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE},
			}},
	}}
	return in
}

func notBelieved() *kb.InstrumentDay {
	return &kb.InstrumentDay{
		Instrument: &kb.Instrument{InstrumentId: "K-3", Description: "glass sugar thermometer in a cage", Construction: kb.Construction_CONSTRUCTION_GLASS,
			Scale: kb.Scale_SCALE_FAHRENHEIT, Division: dec(2_000_000, 0), ReadTo: dec(1_000_000, 0), Serial: "920511"},
		Lots: []string{"SW-0511-03"}, Standing: kb.CheckResult_CHECK_RESULT_NOT_BELIEVED, StandingAt: hm(5, 50),
		Checks: []*kb.CheckDay{{By: by("ДК", hm(5, 50)),
			Assessment: &kb.CheckAssessment{CheckId: "c-K-3", InstrumentId: "K-3", At: hm(5, 50), AsFound: kb.CheckResult_CHECK_RESULT_NOT_BELIEVED,
				Points: []*kb.PointResult{{Point: &kb.CheckPoint{At: hm(5, 50), Kind: kb.PointKind_POINT_KIND_BOILING, RollingBoilSeen: false,
					Reading: &kb.Temperature{Micro: 212_000_000, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT}},
					ExpectedMicroC: 97_932_000, ErrorMicro: 3_722_400, ToleranceMicro: 2_000_000, UMicroC: 640_000, GrossOnly: true,
					Result: kb.CheckResult_CHECK_RESULT_NOT_BELIEVED, Pressure: measured(hm(5, 50))}}}}},
	}
}

func provisional() *kb.InstrumentDay {
	in := plainInstrument("K-4")
	in.Instrument.Construction = kb.Construction_CONSTRUCTION_BIMETAL
	in.Instrument.Division = dec(1_000_000, 0)
	in.Instrument.Scale = kb.Scale_SCALE_DUAL
	a := in.Checks[0].Assessment
	a.AsFound = kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN
	a.Points[1].Result = kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN
	a.Points[1].Pressure = &kb.PressureUsed{PressureHpa: dec(941_900_000, 1), Kind: kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE}
	a.Points[1].Point.PressureHpa, a.Points[1].Point.PressureKind = nil, 0
	a.Points[1].ExpectedMicroC, a.Points[1].ErrorMicro, a.Points[1].Terms = 97_941_000, 259_000, nil
	a.Points[0].Result = kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN
	in.Standing = kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN
	in.Lots = []string{"SW-0511-05"}
	return in
}

func missedCheck() *kb.InstrumentDay {
	in := plainInstrument("K-5")
	in.Checks = nil
	in.MissedCheck = true
	in.Lots = []string{"SW-0511-04", "SW-0511-06"}
	in.StandingAt = hm(-43, 0)
	return in
}

func reference() *kb.InstrumentDay {
	return &kb.InstrumentDay{Instrument: &kb.Instrument{InstrumentId: "REF-9", Description: "reference platinum probe", Construction: kb.Construction_CONSTRUCTION_RESISTANCE,
		Scale: kb.Scale_SCALE_CELSIUS, Division: dec(10_000, 2), Tolerance: dec(200_000, 1), Serial: "033393", Reference: true,
		Certificate: "CAL/26-118", CertificateUC: dec(40_000, 2), CertificateCorrectionC: dec(-20_000, 2), CertificateDue: "2027-01-31"}}
}

func notMetF() *kb.BatchDay {
	b := plainBatch("SW-0511-02", "K-2", 8, 4)
	b.Cook[0].Unit = kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT
	for _, s := range b.Cook[0].Samples {
		s.Micro = s.Micro/5*9 + 32_000_000
	}
	b.Pull.Pull = &kb.Correction{Reading: fahrenheitRead(2473), CorrectedMicroC: ptr[int64](118_100_000), ErrorMicroC: 1_515_161, UMicroC: 420_000, Form: "line",
		Points: []*kb.PointUsed{
			{CheckId: "c-K-2", At: hm(5, 20), Kind: kb.PointKind_POINT_KIND_ICE, ErrorMicroC: 777_778, Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE},
			{CheckId: "c-K-2", At: hm(5, 24), Kind: kb.PointKind_POINT_KIND_BOILING, TrueMicroC: 97_944_000, ErrorMicroC: 1_389_333, Result: kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE},
		}}
	b.Pull.HighestAfter = &kb.Correction{Reading: fahrenheitRead(2488), CorrectedMicroC: ptr[int64](118_920_000), ErrorMicroC: 1_520_332, UMicroC: 420_000, Form: "line", Misfit: true, Points: b.Pull.Pull.Points}
	b.Pull.Limits[0].Result = kb.LimitResult_LIMIT_RESULT_NOT_MET
	b.Pull.Limits = append(b.Pull.Limits, &kb.LimitAssessment{
		Limit: &kb.Limit{Name: "kill step", Class: kb.LimitClass_LIMIT_CLASS_CRITICAL, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: celsiusRead(1100),
			Binds: kb.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER, Reason: "hazard table, row 4"},
		LowMicroC: ptr[int64](110_000_000), UMicroC: 420_000, Guarded: true, Result: kb.LimitResult_LIMIT_RESULT_MET, AsRead: kb.LimitResult_LIMIT_RESULT_MET})
	b.Pull.Flags = []kb.UseFlag{kb.UseFlag_USE_FLAG_FAILED, kb.UseFlag_USE_FLAG_MISFIT}
	b.Disposition = &kb.Disposition{At: hm(16, 0), Kind: kb.DispositionKind_DISPOSITION_KIND_REWORK, Reason: "above the mark; goes into brittle base"}
	b.By.Transcribed = true
	b.Pull.Replaces = ptr[int64](380)
	return b
}

func cannotBeShown() *kb.BatchDay {
	b := plainBatch("SW-0511-03", "K-3", 9, 0)
	b.Formula.Allergens = nil
	b.Pull.Pull = &kb.Correction{Reading: celsiusRead(1170), Form: "none"}
	b.Pull.Limits[0].Result = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
	b.Pull.Limits[0].Why = "the boiling point of the last check is not believed, so nothing corrects the reading"
	b.Pull.Limits[0].BeyondData = true
	b.Pull.Flags = []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_BELIEVED, kb.UseFlag_USE_FLAG_NO_CORRECTION}
	b.Disposition = &kb.Disposition{At: hm(16, 5), Kind: kb.DispositionKind_DISPOSITION_KIND_HOLD, Reason: "until the thermometer is proven"}
	return b
}

func uncorrected() *kb.BatchDay {
	b := plainBatch("SW-0511-04", "K-5", 10, 0)
	b.Pull.Flags = []kb.UseFlag{kb.UseFlag_USE_FLAG_NOT_CHECKED}
	b.Pull.Pressure.Old, b.Pull.Pressure.AgeMin = true, 312
	b.Notes = []string{strings.Repeat("A note that is long enough to wrap over several lines, because somebody had a lot to say about the stirring. ", 4), "Second remark: sauce à la crème 🍬, 東京, עברית, 1\u20442 pan\u202Ereversed"}
	b.Disposition = nil
	return b
}

func contradiction() *kb.BatchDay {
	b := plainBatch("SW-0511-05", "K-4", 11, 0)
	b.Pull.ColdWaterStage = "soft crack"
	b.Pull.Flags = []kb.UseFlag{kb.UseFlag_USE_FLAG_PROVISIONAL, kb.UseFlag_USE_FLAG_CONTRADICTION}
	b.Disposition = &kb.Disposition{At: hm(16, 5), Kind: kb.DispositionKind_DISPOSITION_KIND_DISCARD, Reason: "two witnesses disagree"}
	b.Cook = append(b.Cook, cookCurve("K-1", b.Start.StartedAt, 10))
	return b
}

func sauce() *kb.BatchDay {
	b := plainBatch("SW-0511-06", "K-5", 8, 30)
	b.Formula.Name, b.Formula.CoolingRequired = "salted caramel sauce", true
	cool := &kb.Curve{InstrumentId: "K-1", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, FirstAt: hm(9, 30)}
	for i, tenths := range []int64{622, 510, 419, 346, 286, 238, 199, 167, 141, 120, 103} {
		cool.Samples = append(cool.Samples, &kb.Sample{AfterMs: int64(i) * 1_800_000, Micro: tenths * 100_000, Decimals: 1})
	}
	b.Cooling = []*kb.Curve{cool}
	b.CoolingResult = &kb.CoolingAssessment{LotCode: "SW-0511-06", InstrumentIds: []string{"K-1"}, FirstAt: hm(9, 30), LastAt: hm(14, 30), Readings: 11, Running: true, UMicroC: 260_000,
		Legs: []*kb.CoolingLeg{
			{TargetMicroC: 21_000_000, AllowedMin: 120, LongestS: ptr[int64](10_800), ShortestS: ptr[int64](7_200), LikelyS: ptr[int64](9_434), Result: kb.LimitResult_LIMIT_RESULT_NOT_MET},
			{TargetMicroC: 5_000_000, AllowedMin: 360, Result: kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN},
		}}
	return b
}

func openBatch() *kb.BatchDay {
	b := plainBatch("SW-0511-07", "K-1", 12, 0)
	b.Pull, b.EndedAt, b.YieldKg, b.Disposition, b.Start.SolidsKg = nil, nil, nil, nil, nil
	b.Formula.CoolingRequired, b.CoolingMissing = true, true
	return b
}

func voided() *kb.BatchDay {
	b := openBatch()
	b.Start.LotCode, b.CoolingMissing, b.Cook, b.VoidReason = "SW-0511-08", false, nil, "opened twice"
	return b
}

func richDeviations() []*kb.DeviationDay {
	return []*kb.DeviationDay{
		{Deviation: &kb.Deviation{DeviationId: "d1", Class: kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY, LotCode: "SW-0511-06", At: hm(12, 9), What: "57 to 21 °C took longer than 2 h."},
			CauseDay: testDay, Actions: []*kb.CorrectiveAction{{At: hm(12, 30), Text: "Batch held; ice bath made part of the sauce station."}}, ActionsBy: []*kb.Signature{by("HV", hm(12, 30))}},
		{Deviation: &kb.Deviation{DeviationId: "d2", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, LotCode: "SW-0511-02", At: hm(8, 20), What: "Cook above its limit as moved."}, CauseDay: testDay, Open: true},
		{Deviation: &kb.Deviation{DeviationId: "d3", Class: kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT, InstrumentId: "K-2", At: hm(5, 20), What: "Out of tolerance at 98.0 and 150.2 °C."}, CauseDay: testDay, Open: true},
		{Deviation: &kb.Deviation{DeviationId: "d4", Class: kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT, InstrumentId: "K-3", At: hm(-50, 20), What: "Check not believed."}, CauseDay: "2026-05-08", Open: true},
		{Deviation: &kb.Deviation{DeviationId: "d5", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, LotCode: "SW-0511-01", At: hm(7, 16), What: "Cook below its limit.", Withdrawn: true}, CauseDay: testDay},
		{Deviation: &kb.Deviation{DeviationId: "d6", Class: kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS, LotCode: "SW-0511-05", At: hm(11, 16), What: "Colour mark passed by one shade."}, CauseDay: testDay, Open: true},
	}
}
