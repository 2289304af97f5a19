package records_test

import (
	"bytes"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/anypb"

	kb "kettlebook/proto/kettlebook/v1"
)

func batchStart(lot, at string) *kb.BatchStart {
	return &kb.BatchStart{LotCode: lot, FormulaId: "F-FON", InstrumentId: "TH-01", StartedAt: ts(at), SolidsKg: dec("4.50"), Vessel: "copper pan"}
}

// run is a run of cook readings in degC, a minute apart.
func run(lot, first string, readings ...string) *kb.Readings {
	m := &kb.Readings{LotCode: lot, Series: kb.SeriesKind_SERIES_KIND_COOK, InstrumentId: "TH-01", Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, FirstAt: ts(first)}
	for i, r := range readings {
		d := dec(r)
		m.AfterMs = append(m.AfterMs, uint32(i)*60_000)
		m.Micro = append(m.Micro, d.GetMicro())
		m.Decimals = append(m.Decimals, d.GetDecimals())
	}
	return m
}

// limitOf is a limit from a book, at standard pressure when it is a solids
// content; an empty bound is open.
func limitOf(name string, class kb.LimitClass, basis kb.LimitBasis, low, high string) *kb.Limit {
	l := &kb.Limit{Name: name, Class: class, Basis: basis, Low: deg(low), High: deg(high)}
	if basis == basisSolids {
		l.EstablishedAt, l.EstablishedOn = kb.EstablishedAt_ESTABLISHED_AT_STANDARD, kb.EstablishedOn_ESTABLISHED_ON_BOOK
	}
	return l
}

// formula is a fondant cooked to limits.
func formula(limits ...*kb.Limit) *kb.Formula {
	return &kb.Formula{FormulaId: "F-FON", Version: 1, Name: "Fondant", Allergens: []string{"milk"}, WaterFraction: dec("0.25"), Limits: limits}
}

// soundRecords is one sound record of every kind.
func soundRecords(t testing.TB) map[protoreflect.FullName]proto.Message {
	t.Helper()
	pull := &kb.Pull{LotCode: "L-1", At: ts("2026-03-02 07:40"), Reading: deg("110.5 C"), HighestAfter: deg("111.0 C")}
	replaced, err := anypb.New(pull)
	if err != nil {
		t.Fatal(err)
	}
	point := &kb.PointResult{Point: boilingPoint("2026-03-02 06:05", "95.2 C", "843.1"), ExpectedMicroC: 94_902_000, Result: checkIn}
	hash := bytes.Repeat([]byte{7}, 32)
	out := map[protoreflect.FullName]proto.Message{}
	for _, m := range []proto.Message{
		site("1480"),
		&kb.Person{Initials: "AB", PrintedName: "Anna Berg", Roles: []kb.Role{kb.Role_ROLE_COOK}},
		thermometer("TH-01", scaleC, "0.1"),
		&kb.Check{CheckId: "c-1", InstrumentId: "TH-01", Points: []*kb.CheckPoint{icePoint("2026-03-02 06:00", "0.2 C"), boilingPoint("2026-03-02 06:05", "95.2 C", "843.1")}},
		&kb.KitchenPressure{At: ts("2026-03-02 06:00"), PressureHpa: dec("843.1"), Kind: readHere},
		formula(limitOf("cook", classCritical, basisSolids, "114 C", "116 C")),
		&kb.FormulaApproval{FormulaId: "F-FON", Version: 1},
		batchStart("L-1", "2026-03-02 07:00"),
		run("L-1", "2026-03-02 07:05", "99.8", "103.40"),
		pull,
		&kb.ColdWaterTest{LotCode: "L-1", At: ts("2026-03-02 07:41"), Stage: "soft ball"},
		&kb.BatchEnd{LotCode: "L-1", At: ts("2026-03-02 08:00"), YieldKg: dec("5.1")},
		&kb.BatchVoid{LotCode: "L-1", Reason: "opened twice"},
		&kb.Deviation{DeviationId: "by-hand/1", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, LotCode: "L-1", At: ts("2026-03-02 07:41"), What: "The pan was knocked."},
		&kb.CorrectiveAction{DeviationId: "by-hand/1", At: ts("2026-03-02 07:45"), Text: "Pan replaced."},
		&kb.Disposition{LotCode: "L-1", At: ts("2026-03-02 09:00"), Kind: kb.DispositionKind_DISPOSITION_KIND_HOLD, Reason: "awaits the supervisor"},
		&kb.Amendment{TargetSequence: 12, Replacement: replaced, Reason: "misread"},
		&kb.DayReview{ProductionDay: "2026-03-02", ContentSha256: hash, Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED},
		&kb.DaySeal{ProductionDay: "2026-03-02", ContentSha256: hash},
		&kb.LogSealed{Serial: 1, ProductionDay: "2026-03-02", Issue: 1, FileName: "log-2026-03-02.pdf", CauseSequence: 3},
		&kb.SheetTaken{Sheet: "checks.csv", RowsSha256: hash, Rows: 1, ProductionDays: []string{"2026-03-02"}, RowsTaken: []*kb.SheetRowTaken{{RowId: "row-1", ContentSha256: hash, ProductionDay: "2026-03-02"}}},
		&kb.LedgerRestored{OldCheckpoint: "old", RestoredSize: 3, LostEntries: 2, NewOrigin: "new/2", Reason: "the disk broke"},
		&kb.CheckAssessment{CheckId: "c-1", InstrumentId: "TH-01", At: ts("2026-03-02 06:00"), Points: []*kb.PointResult{point}, AsFound: checkIn},
		&kb.PullAssessment{LotCode: "L-1", InstrumentId: "TH-01", At: ts("2026-03-02 07:40")},
		&kb.CoolingAssessment{LotCode: "L-1"},
		&kb.LookBack{CheckId: "c-1", InstrumentId: "TH-01", At: ts("2026-03-02 06:00")},
	} {
		out[m.ProtoReflect().Descriptor().FullName()] = m
	}
	return out
}
