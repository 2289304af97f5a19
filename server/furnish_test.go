package server_test

import (
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/timestamppb"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/clock"
)

var insecureCreds = grpc.WithTransportCredentials(insecure.NewCredentials())

var ctx = context.Background()

// The people of the test's kitchen, all invented, by initials. Each PIN is of no
// use elsewhere.
const (
	anna  = "AK"  // cook
	bo    = "BO"  // cook
	rita  = "RR"  // reviewer
	adele = "ADM" // administrator
	ines  = "INS" // inspector
)

var pins = map[string]string{anna: "4071", bo: "4072", rita: "5073", adele: "6074", ines: "7075"}

var roles = map[string]kb.Role{
	anna: kb.Role_ROLE_COOK, bo: kb.Role_ROLE_COOK, rita: kb.Role_ROLE_REVIEWER, adele: kb.Role_ROLE_ADMINISTRATOR, ines: kb.Role_ROLE_INSPECTOR,
}

// site is the kitchen of most tests: 1,480 m up, on UTC, days from 04:00.
func site() *kb.Site {
	return &kb.Site{Name: "Invented Test Kitchen", ElevationM: dec("1480"), DayStartsMin: 240}
}

// template is a folder with a furnished kitchen, made once and copied.
var template struct {
	once sync.Once
	dir  string
	ids  int
}

// TestMain removes the template in the end.
func TestMain(m *testing.M) {
	code := m.Run()
	if template.dir != "" {
		_ = os.RemoveAll(template.dir)
	}
	os.Exit(code)
}

// furnished starts a kitchen with settings, people with PINs, instruments and
// formulas.
func furnished(t testing.TB, changes ...change) *kitchen {
	t.Helper()
	template.once.Do(func() {
		k := openKitchen(t)
		k.furnish(site())
		k.stop()
		dir, err := os.MkdirTemp("", "kettlebook-server-test")
		if err == nil {
			err = copyFolder(k.dir, dir)
		}
		if err != nil {
			t.Fatal(err)
		}
		template.dir, template.ids = dir, k.ids
	})
	k := &kitchen{t: t, dir: t.TempDir(), clock: clock.NewStepping(morning), log: new(lockedBuffer), people: map[string]*client.Client{}, ids: template.ids}
	if err := copyFolder(template.dir, k.dir); err != nil {
		t.Fatal(err)
	}
	k.start(changes...)
	t.Cleanup(func() { k.stop() })
	return k
}

func (k *kitchen) furnish(s *kb.Site) {
	k.t.Helper()
	must(k.t)(k.op.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: k.id(), Site: s}))
	for _, who := range []string{anna, bo, rita, adele, ines} {
		must(k.t)(k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: who, PrintedName: "Invented " + who, Roles: []kb.Role{roles[who]}}}))
		must(k.t)(k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: who, NewPin: pins[who]}))
	}
	for _, i := range []*kb.Instrument{
		{InstrumentId: "C1", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("0.1"), Tolerance: dec("1")},
		{InstrumentId: "C2", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("0.1"), Tolerance: dec("1")},
		{InstrumentId: "F1", Scale: kb.Scale_SCALE_FAHRENHEIT, Division: dec("2"), Tolerance: dec("2")},
		{InstrumentId: "REF", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("0.01"), Tolerance: dec("0.2"), Reference: true},
	} {
		must(k.t)(k.op.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: k.id(), Instrument: i}))
	}
	for _, f := range []*kb.Formula{
		{FormulaId: "FON", Version: 1, Name: "fondant", Limits: []*kb.Limit{{
			Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_OPERATING, Basis: kb.LimitBasis_LIMIT_BASIS_SOLIDS, Low: tc("114"), High: tc("118"),
			EstablishedAt: kb.EstablishedAt_ESTABLISHED_AT_STANDARD, EstablishedOn: kb.EstablishedOn_ESTABLISHED_ON_BOOK,
		}}},
		{FormulaId: "SAU", Version: 1, Name: "sauce", CoolingRequired: true, Limits: []*kb.Limit{{
			Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_CRITICAL, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("170"), High: tc("176"),
		}}},
		{FormulaId: "TOF", Version: 1, Name: "toffee", Limits: []*kb.Limit{{
			Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_OPERATING, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("140"), High: tc("146"),
		}}},
	} {
		must(k.t)(k.op.Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: k.id(), Formula: f}))
		must(k.t)(k.op.Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: k.id(), Approval: &kb.FormulaApproval{FormulaId: f.GetFormulaId(), Version: 1}}))
	}
}

// as gives the client of a person, signed in.
func (k *kitchen) as(initials string) *client.Client {
	k.t.Helper()
	if c := k.people[initials]; c != nil {
		if _, err := c.Session.WhoAmI(ctx, &sv.WhoAmIRequest{}); err == nil {
			return c
		}
		_ = c.Close()
	}
	c := k.dial("")
	must(k.t)(c.SignIn(ctx, initials, pins[initials], "tablet of "+initials))
	k.people[initials] = c
	return c
}

// must fails the test on an error; it is called as must(t)(f()).
func must(t testing.TB) func(any, error) {
	return func(_ any, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
}

// want checks an error's kind and the field it names.
func want(t testing.TB, err error, kind error, field string) {
	t.Helper()
	if !errors.Is(err, kind) {
		t.Fatalf("error %v, want one that is %v", err, kind)
	}
	var fe *records.FieldError
	if !errors.As(err, &fe) || fe.Field != field {
		t.Fatalf("error %v names field %q, want %q", err, fe.Field, field)
	}
}

func dec(s string) *kb.Decimal {
	d, err := records.ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

func temperature(s, unit string) *kb.Temperature {
	t, err := records.ParseTemperature(s, unit)
	if err != nil {
		panic(err)
	}
	return t
}

func tc(s string) *kb.Temperature { return temperature(s, "C") }
func tf(s string) *kb.Temperature { return temperature(s, "F") }

// ts gives a moment as the messages hold it.
func ts(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// at gives a moment of the test's first day; days later by d.
func at(d, hour, minute int) time.Time { return time.Date(2026, 3, 2+d, hour, minute, 0, 0, time.UTC) }

const (
	monday    = "2026-03-02"
	tuesday   = "2026-03-03"
	wednesday = "2026-03-04"
)

func ice(at time.Time, reading string) *kb.CheckPoint {
	return &kb.CheckPoint{At: ts(at), Kind: kb.PointKind_POINT_KIND_ICE, Reading: tc(reading), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED}
}

// boil is a boiling point; pressure "" when nobody read the barometer.
func boil(at time.Time, reading, pressure string) *kb.CheckPoint {
	p := &kb.CheckPoint{At: ts(at), Kind: kb.PointKind_POINT_KIND_BOILING, Reading: tc(reading)}
	if pressure != "" {
		p.PressureHpa, p.PressureKind = dec(pressure), kb.PressureKind_PRESSURE_KIND_MEASURED
	}
	return p
}

func compared(at time.Time, reading, reference string) *kb.CheckPoint {
	return &kb.CheckPoint{At: ts(at), Kind: kb.PointKind_POINT_KIND_COMPARISON, Reading: tc(reading), ReferenceId: "REF", ReferenceReading: tc(reference)}
}

func left(p *kb.CheckPoint) *kb.CheckPoint {
	p.Phase = kb.CheckPhase_CHECK_PHASE_AS_LEFT
	return p
}

// check records a check by a cook and gives the answer.
func (k *kitchen) check(who, name, instrument string, points ...*kb.CheckPoint) *sv.RecordCheckResponse {
	k.t.Helper()
	m := &kb.Check{CheckId: name, InstrumentId: instrument, Points: points}
	for _, p := range points {
		if p.GetPhase() == kb.CheckPhase_CHECK_PHASE_AS_LEFT {
			m.Adjusted, m.Adjustment = true, "screw turned"
		}
	}
	r, err := k.as(who).Check.RecordCheck(ctx, &sv.RecordCheckRequest{RequestId: k.id(), Check: m})
	if err != nil {
		k.t.Fatal(err)
	}
	return r
}

// cook opens a batch, reads it every 30 s up to the pull, pulls and ends it.
// The pull shows the last reading given.
func (k *kitchen) cook(who, lot, formula, instrument string, start time.Time, readings ...string) *sv.RecordPullResponse {
	k.t.Helper()
	c := k.as(who)
	must(k.t)(c.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: lot, FormulaId: formula, InstrumentId: instrument, StartedAt: ts(start)}}))
	must(k.t)(c.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run(lot, instrument, kb.SeriesKind_SERIES_KIND_COOK, start.Add(time.Minute), 30*time.Second, readings...)}))
	pulled := start.Add(time.Minute + time.Duration(len(readings)-1)*30*time.Second + 10*time.Second)
	r, err := c.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: lot, At: ts(pulled)}})
	if err != nil {
		k.t.Fatal(err)
	}
	must(k.t)(c.Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: k.id(), End: &kb.BatchEnd{LotCode: lot, At: ts(pulled), YieldKg: dec("6.2")}}))
	return r
}

// run is a run of readings, one every step.
func run(lot, instrument string, series kb.SeriesKind, first time.Time, step time.Duration, readings ...string) *kb.Readings {
	m := &kb.Readings{LotCode: lot, Series: series, InstrumentId: instrument, FirstAt: ts(first)}
	for i, r := range readings {
		v := tc(r)
		m.Unit = v.GetUnit()
		m.AfterMs, m.Micro, m.Decimals = append(m.AfterMs, uint32(time.Duration(i)*step/time.Millisecond)), append(m.Micro, v.GetMicro()), append(m.Decimals, v.GetDecimals())
	}
	return m
}

// review signs a day as it stands now.
func (k *kitchen) review(who, day string) (*sv.ReviewDayResponse, error) {
	k.t.Helper()
	_, shown := k.day(day)
	return k.reviewShown(who, day, shown)
}

// reviewShown signs what was shown.
func (k *kitchen) reviewShown(who, day string, shown *sv.GetDayResponse) (*sv.ReviewDayResponse, error) {
	k.t.Helper()
	return k.as(who).Day.ReviewDay(ctx, k.signed(who, day, shown))
}

// signed makes a review request with a fresh signing token.
func (k *kitchen) signed(who, day string, shown *sv.GetDayResponse) *sv.ReviewDayRequest {
	k.t.Helper()
	token, err := k.as(who).Session.ConfirmSigning(ctx, &sv.ConfirmSigningRequest{Pin: pins[who], Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED, ContentSha256: shown.GetContentSha256()})
	if err != nil {
		k.t.Fatal(err)
	}
	return &sv.ReviewDayRequest{RequestId: k.id(), SigningToken: token.GetSigningToken(), Review: &kb.DayReview{
		ProductionDay: day, LedgerSize: shown.GetLedgerSize(), ContentSha256: shown.GetContentSha256(), Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED,
	}}
}
