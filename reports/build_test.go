package reports

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
)

// The kitchens of these tests are invented; their figures are made to be printed, not judged:
// what the rules make of readings is tested where the rules are.

const testDay = "2026-05-11"

// dayStart is 04:00 in a kitchen two hours ahead of UTC.
var dayStart = time.Date(2026, 5, 11, 2, 0, 0, 0, time.UTC)

// hm is a time of the kitchen's day.
func hm(hour, minute int) *timestamppb.Timestamp {
	return timestamppb.New(dayStart.Add(time.Duration(hour-4)*time.Hour + time.Duration(minute)*time.Minute))
}

func dec(micro int64, digits uint32) *kb.Decimal { return &kb.Decimal{Micro: micro, Decimals: digits} }

func celsiusRead(tenths int64) *kb.Temperature {
	return &kb.Temperature{Micro: tenths * 100_000, Decimals: 1, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS}
}

func fahrenheitRead(tenths int64) *kb.Temperature {
	return &kb.Temperature{Micro: tenths * 100_000, Decimals: 1, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT}
}

func ptr[T any](v T) *T { return &v }

func by(initials string, at *timestamppb.Timestamp) *kb.Signature {
	return &kb.Signature{Initials: initials, At: at}
}

// sealLog wraps a content into a log whose other fields are plain.
func sealLog(t testing.TB, content *kb.DayContent) *kb.DayLog {
	t.Helper()
	loose, err := protojson.Marshal(content)
	if err != nil {
		t.Fatal(err)
	}
	// protojson's own spacing differs from build to build.
	var compact bytes.Buffer
	if err := json.Compact(&compact, loose); err != nil {
		t.Fatal(err)
	}
	raw := compact.Bytes()
	sum := sha256.Sum256(raw)
	return &kb.DayLog{
		Content: raw, ContentSha256: sum[:], Serial: 7, Issue: 1,
		Review: &kb.DayReview{ProductionDay: testDay, LedgerSize: 412, ContentSha256: sum[:],
			Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED, Remark: "Held lots seen on the shelf."},
		Reviewer:   &kb.Person{Initials: "HV", PrintedName: "Hanne Vestergård", Roles: []kb.Role{kb.Role_ROLE_REVIEWER}},
		ReviewedAt: hm(19, 5),
		SealedAt:   hm(19, 6),
		Checkpoint: "kettlebook.example/saltholm/1\n413\nq0nE5o7oVSTZyRYuPyWuMUtkS1vYc6VQp2mIqYgRr5A=\n\n" +
			"— kettlebook.example/saltholm/1 3qk1cT5m0Q9c0kJ7b2c7bZQf6j5VvG8v2bq0m1l7n8k9s0d1f2g3h4j5k6l7z8x9c0v1b2n3m4q5w6e7r8t9y0=\n",
		VerifierKey:     "kettlebook.example/saltholm/1+de9a3571+AQk2l3m4n5o6p7q8r9s0t1u2v3w4x5y6z7A8B9C0D1E2",
		SealFingerprint: strings.Repeat("ab12cd34 ", 8),
		CaFingerprint:   strings.Repeat("56ef7890 ", 8),
		CauseSequence:   412,
		Previous: []*kb.LogReference{{Serial: 6, ProductionDay: "2026-05-10", FileName: "log-2026-05-10.pdf",
			PdfSha256: sum[:], LedgerSize: 377}},
		SoftwareVersion: "kettlebook 0.1.0-test",
	}
}

func saltholm() *kb.Site {
	return &kb.Site{
		Name: "Saltholm Sweet Works", Address: "3 Quay Row, Saltholm", ElevationM: dec(612_000_000, 0), Zone: "Europe/Copenhagen",
		DayStartsMin: 240, Profile: kb.RuleProfile_RULE_PROFILE_EU_852,
	}
}

func emptyContent() *kb.DayContent {
	return &kb.DayContent{
		ProductionDay: testDay, Site: saltholm(),
		From: timestamppb.New(dayStart), To: timestamppb.New(dayStart.Add(24 * time.Hour)), UtcOffsetS: 7200,
		RulesVersion: "2026.1",
		People:       []*kb.Person{{Initials: "HV", PrintedName: "Hanne Vestergård", Roles: []kb.Role{kb.Role_ROLE_REVIEWER}}},
	}
}

func measured(at *timestamppb.Timestamp) *kb.PressureUsed {
	return &kb.PressureUsed{PressureHpa: dec(941_600_000, 1), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED, At: at}
}

// Boiling points in these tests are IAPWS-IF97 saturation temperatures by Debian's python3-iapws:
// 941.6 hPa 97.932 °C, 941.9 hPa 97.941 °C, 942.0 hPa 97.944 °C.

// goodCheck is an ice and a boiling point in degC, both in tolerance.
func goodCheck(id string, hour int) *kb.CheckDay {
	return &kb.CheckDay{
		By: by("ÅØ", hm(hour, 0)),
		Assessment: &kb.CheckAssessment{
			CheckId: "c-" + id, InstrumentId: id, At: hm(hour, 0), MayBeUsed: true, AsFound: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE,
			Points: []*kb.PointResult{
				{Point: &kb.CheckPoint{At: hm(hour, 0), Kind: kb.PointKind_POINT_KIND_ICE, Reading: celsiusRead(2), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED},
					ErrorMicro: 200_000, ToleranceMicro: 1_000_000, UMicroC: 120_000, Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE},
				{Point: &kb.CheckPoint{At: hm(hour, 4), Kind: kb.PointKind_POINT_KIND_BOILING, Reading: celsiusRead(982),
					PressureHpa: dec(941_600_000, 1), PressureKind: kb.PressureKind_PRESSURE_KIND_MEASURED},
					ExpectedMicroC: 97_932_000, ErrorMicro: 268_000, ToleranceMicro: 1_000_000, UMicroC: 260_000,
					Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, Pressure: measured(hm(hour, 4)),
					Terms: []*kb.UncertaintyTerm{
						{Name: "barometer", StandardMicroC: -56_000, Shared: 1}, {Name: "superheat", StandardMicroC: 100_000, Shape: 2},
						{Name: "division", StandardMicroC: 29_000, Shape: 1}, {Name: "repeat", StandardMicroC: 50_000}}},
			},
		},
	}
}

func plainInstrument(id string) *kb.InstrumentDay {
	return &kb.InstrumentDay{
		Instrument: &kb.Instrument{InstrumentId: id, Description: "probe at kettle " + id, Construction: kb.Construction_CONSTRUCTION_THERMISTOR,
			Scale: kb.Scale_SCALE_CELSIUS, Division: dec(100_000, 1), Serial: "S-" + id},
		Checks: []*kb.CheckDay{goodCheck(id, 5)}, Standing: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, StandingAt: hm(5, 0),
	}
}

func caramel() *kb.Formula {
	return &kb.Formula{FormulaId: "F-CC", Version: 3, Name: "cream caramel squares", Allergens: []string{"milk", "soya"},
		Limits: []*kb.Limit{solidsLimit()}}
}

func solidsLimit() *kb.Limit {
	return &kb.Limit{Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_OPERATING, Basis: kb.LimitBasis_LIMIT_BASIS_SOLIDS,
		Low: celsiusRead(1180), High: celsiusRead(1200), EstablishedAt: kb.EstablishedAt_ESTABLISHED_AT_STANDARD,
		EstablishedOn: kb.EstablishedOn_ESTABLISHED_ON_BOOK, Binds: kb.LimitBinds_LIMIT_BINDS_PULL}
}

// cookCurve is a cook of so many minutes with a reading every half minute, in tenths of a degC.
func cookCurve(instrument string, start *timestamppb.Timestamp, minutes int) *kb.Curve {
	c := &kb.Curve{InstrumentId: instrument, Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, FirstAt: start}
	n := minutes * 2
	for i := 0; i <= n; i++ {
		x := float64(i) / float64(n)
		deg := 30 + 68*math.Min(1, x*3.2)
		if x > 0.32 {
			deg = 98 + 19.2*math.Pow((x-0.32)/0.68, 2.4)
		}
		c.Samples = append(c.Samples, &kb.Sample{AfterMs: int64(i) * 30_000, Micro: int64(math.Round(deg*10)) * 100_000, Decimals: 1})
	}
	return c
}

// plainBatch is a batch that meets its limit, measured with a checked instrument.
func plainBatch(lot, instrument string, hour, minute int) *kb.BatchDay {
	start, pulled := hm(hour, minute), hm(hour, minute+16)
	return &kb.BatchDay{
		Start:   &kb.BatchStart{LotCode: lot, FormulaId: "F-CC", Version: 3, InstrumentId: instrument, StartedAt: start, SolidsKg: dec(11_200_000, 1)},
		Formula: caramel(), By: by("ÅØ", start), EndedAt: pulled, YieldKg: dec(12_440_000, 2),
		Cook: []*kb.Curve{cookCurve(instrument, start, 16)},
		Pull: &kb.PullAssessment{
			LotCode: lot, InstrumentId: instrument, At: pulled,
			Pull: &kb.Correction{Reading: celsiusRead(1172), CorrectedMicroC: ptr[int64](116_970_000), ErrorMicroC: 234_000, UMicroC: 310_000,
				Extrapolated: true, Form: "mean offset",
				Points: []*kb.PointUsed{
					{CheckId: "c-" + instrument, At: hm(5, 0), Kind: kb.PointKind_POINT_KIND_ICE, ErrorMicroC: 200_000, Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE},
					{CheckId: "c-" + instrument, At: hm(5, 4), Kind: kb.PointKind_POINT_KIND_BOILING, TrueMicroC: 97_932_000, ErrorMicroC: 268_000, Result: kb.CheckResult_CHECK_RESULT_IN_TOLERANCE},
				}},
			Limits: []*kb.LimitAssessment{{Limit: solidsLimit(), LowMicroC: ptr[int64](115_860_000), HighMicroC: ptr[int64](117_850_000),
				UMicroC: 320_000, Result: kb.LimitResult_LIMIT_RESULT_MET, AsRead: kb.LimitResult_LIMIT_RESULT_MET}},
			Pressure: &kb.PressureUsed{PressureHpa: dec(941_600_000, 1), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED, At: hm(5, 4), AgeMin: int32(60*(hour-5) + minute + 12)},
			Stage:    "firm ball", ColdWaterStage: "firm ball", CheckId: "c-" + instrument, CheckAt: hm(5, 0),
		},
		Disposition:   &kb.Disposition{LotCode: lot, At: hm(18, 30), Kind: kb.DispositionKind_DISPOSITION_KIND_RELEASE, Reason: "limits met"},
		DispositionBy: by("HV", hm(18, 30)),
	}
}

// plainDay is a day on which nothing is unusual.
func plainDay(batches int) *kb.DayContent {
	c := emptyContent()
	c.People = append([]*kb.Person{{Initials: "ÅØ", PrintedName: "Åse Østerbro", Roles: []kb.Role{kb.Role_ROLE_COOK}}}, c.People...)
	in := plainInstrument("K-1")
	c.Instruments = []*kb.InstrumentDay{in}
	c.Pressures = []*kb.PressureUsed{measured(hm(5, 4))}
	for i := range batches {
		lot := fmt.Sprintf("SW-0511-%02d", i+1)
		in.Lots = append(in.Lots, lot)
		c.Batches = append(c.Batches, plainBatch(lot, "K-1", 7+i/5, (i%5)*12))
	}
	return c
}

// sealed draws a log and fails the test when that is refused.
func drawn(t testing.TB, log *kb.DayLog) []byte {
	t.Helper()
	pdf, err := DayLog(log)
	if err != nil {
		t.Fatal(err)
	}
	return pdf
}
