package records_test

import (
	"errors"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// The tests of this package have one form: given what is known, when
// something is asked, then these entries or this error. The values below are
// those that most of them begin with.

// when reads a moment in UTC: 2026-03-02 07:15, seconds if they matter.
func when(s string) time.Time {
	for _, layout := range []string{"2006-01-02 15:04", time.DateTime, "2006-01-02 15:04:05.999999999"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t
		}
	}
	panic("no moment: " + s)
}

func ts(s string) *timestamppb.Timestamp { return timestamppb.New(when(s)) }

// dec reads a decimal, deg a temperature such as "205.4 F"; empty is none.
func dec(s string) *kb.Decimal {
	if s == "" {
		return nil
	}
	d, err := ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

func deg(s string) *kb.Temperature {
	if s == "" {
		return nil
	}
	value, unit, _ := strings.Cut(s, " ")
	t, err := ParseTemperature(value, unit)
	if err != nil {
		panic(err)
	}
	return t
}

// micro is a decimal in millionths.
func micro(s string) int64 { return dec(s).GetMicro() }

const (
	readHere         = kb.PressureKind_PRESSURE_KIND_MEASURED
	reducedToSea     = kb.PressureKind_PRESSURE_KIND_ALTIMETER
	unread           = kb.PressureKind_PRESSURE_KIND_STANDARD_ATMOSPHERE
	checkIn          = kb.CheckResult_CHECK_RESULT_IN_TOLERANCE
	checkOut         = kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE
	checkProvisional = kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN
	checkUnshown     = kb.CheckResult_CHECK_RESULT_CANNOT_BE_SHOWN
	checkUnbelieved  = kb.CheckResult_CHECK_RESULT_NOT_BELIEVED
	checkUnjudged    = kb.CheckResult_CHECK_RESULT_UNSPECIFIED
	limitMet         = kb.LimitResult_LIMIT_RESULT_MET
	limitMissed      = kb.LimitResult_LIMIT_RESULT_NOT_MET
	limitUnshown     = kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
	limitUnread      = kb.LimitResult_LIMIT_RESULT_NO_READING
	classCritical    = kb.LimitClass_LIMIT_CLASS_CRITICAL
	classOperating   = kb.LimitClass_LIMIT_CLASS_OPERATING
	classQuality     = kb.LimitClass_LIMIT_CLASS_QUALITY
	basisSolids      = kb.LimitBasis_LIMIT_BASIS_SOLIDS
	basisTemperature = kb.LimitBasis_LIMIT_BASIS_TEMPERATURE
	scaleC           = kb.Scale_SCALE_CELSIUS
	scaleF           = kb.Scale_SCALE_FAHRENHEIT
	scaleDual        = kb.Scale_SCALE_DUAL
)

// act is what a person does; it is taken in the evening of the first day.
func act(person string) Act {
	return Act{
		Site: 1, Person: person, KnownBy: kb.KnownBy_KNOWN_BY_PIN_SESSION, Tablet: "wall", RequestID: "request-" + person,
		RecordedAt: when("2026-03-02 22:00"), SoftwareVersion: "test",
	}
}

// site is a kitchen at an elevation in metres whose clock shows UTC and whose
// production day starts at 04:00.
func site(elevationM string) *kb.Site {
	return &kb.Site{Name: "Quayside Sweets", ElevationM: dec(elevationM), DayStartsMin: 240}
}

func settings(elevationM string) Settings { return settingsOf(site(elevationM)) }

func settingsOf(m *kb.Site) Settings {
	s, err := NewSettings(m)
	if err != nil {
		panic(err)
	}
	return s
}

// thermometer is an instrument with a name, a scale and a division.
func thermometer(id string, scale kb.Scale, division string) *kb.Instrument {
	return &kb.Instrument{InstrumentId: id, Scale: scale, Division: dec(division), Construction: kb.Construction_CONSTRUCTION_RESISTANCE}
}

// docOf is a record as it is looked up, written under a sequence number when
// it happened.
func docOf[M proto.Message](m M, sequence int64, day, at string) Doc[M] {
	return Doc[M]{Record: m, Meta: &kb.Document{Sequence: sequence, ProductionDay: day, OccurredAt: ts(at), RecordedAt: ts(at), Person: "AB"}}
}

// docHere is a record of which only that it exists matters.
func docHere[M proto.Message](m M) Doc[M] { return docOf(m, 1, "2026-03-02", "2026-03-02 06:00") }

// points of checks.
func icePoint(at, reading string) *kb.CheckPoint {
	return &kb.CheckPoint{At: ts(at), Kind: kb.PointKind_POINT_KIND_ICE, Reading: deg(reading), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED}
}

func boilingPoint(at, reading, hPa string) *kb.CheckPoint {
	p := &kb.CheckPoint{At: ts(at), Kind: kb.PointKind_POINT_KIND_BOILING, Reading: deg(reading), PressureHpa: dec(hPa)}
	if hPa != "" {
		p.PressureKind = readHere
	}
	return p
}

func comparisonPoint(at, reading, reference string) *kb.CheckPoint {
	return &kb.CheckPoint{At: ts(at), Kind: kb.PointKind_POINT_KIND_COMPARISON, Reading: deg(reading), ReferenceId: "REF-1", ReferenceReading: deg(reference)}
}

func asLeftOf(p *kb.CheckPoint) *kb.CheckPoint {
	p.Phase = kb.CheckPhase_CHECK_PHASE_AS_LEFT
	return p
}

func proven(p *kb.CheckPoint) *kb.CheckPoint {
	p.RollingBoilSeen = true
	return p
}

// referenceProbe is a calibrated instrument with a certificate.
func referenceProbe() *kb.Instrument {
	m := thermometer("REF-1", scaleC, "0.01")
	m.Reference, m.Certificate, m.CertificateUC, m.CertificateDue = true, "C-100", dec("0.05"), "2026-12-31"
	return m
}

func referenceDocs() map[string]Doc[*kb.Instrument] {
	return map[string]Doc[*kb.Instrument]{"REF-1": docHere(referenceProbe())}
}

// tester is a test, or a property under test.
type tester interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// decided checks that a command decided and gives its entries.
func decided(t tester, drafts []Draft, err error) []Draft {
	t.Helper()
	if err != nil {
		t.Fatalf("refused: %v", err)
	}
	return drafts
}

// only gives the one record of a kind among the entries.
func only[M proto.Message](t tester, drafts []Draft) M {
	t.Helper()
	var found []M
	for _, d := range drafts {
		if m, ok := d.Payload.(M); ok {
			found = append(found, m)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d entries of kind %T among %d, want one", len(found), *new(M), len(drafts))
	}
	return found[0]
}

// refused checks that a command was refused, with a sentinel and the whole
// sentence that a person reads.
func refused(t tester, err, kind error, sentence string) {
	t.Helper()
	if !errors.Is(err, kind) || err == nil || err.Error() != sentence {
		t.Errorf("error %q, want %q (%v)", err, sentence, kind)
	}
}

// sameMessage checks that two messages are the same.
func sameMessage(t tester, got, want proto.Message) {
	t.Helper()
	if !proto.Equal(got, want) {
		t.Errorf("got %v\nwant %v", got, want)
	}
}

// inAny packs a record as an amendment carries it.
func inAny(t tester, m proto.Message) *anypb.Any {
	t.Helper()
	a, err := anypb.New(m)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return a
}
