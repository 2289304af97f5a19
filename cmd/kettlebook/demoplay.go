package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/clock"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// demoPlay plays the people of the invented kitchen: each signs in and speaks
// to the service as a tablet would.
type demoPlay struct {
	ctx      context.Context
	clock    *clock.Stepping
	dial     func() (*client.Client, error)
	midnight time.Time
	day      string
	progress func(string)
	tablets  map[string]*tablet
}

func (d *demoPlay) close() {
	for _, t := range d.tablets {
		_ = t.client.Close()
	}
}

// at sets the clock to a time of the day and gives it.
func (d *demoPlay) at(hour, minute int) time.Time {
	t := time.Date(d.midnight.Year(), d.midnight.Month(), d.midnight.Day(), hour, minute, 0, 0, d.midnight.Location())
	if t.After(d.clock.Now()) {
		d.clock.Set(t)
	}
	return t
}

// sessionKept is how long a tablet's session is used again: less than the
// idle time after which the service ends it.
const sessionKept = 25 * time.Minute

// tablet is a person's open session.
type tablet struct {
	client *client.Client
	used   time.Time
}

// as gives the tablet of a person, signed in.
func (d *demoPlay) as(initials string) (*client.Client, error) {
	now := d.clock.Now()
	if t := d.tablets[initials]; t != nil && now.Sub(t.used) < sessionKept {
		t.used = now
		return t.client, nil
	}
	c, err := d.dial()
	if err != nil {
		return nil, err
	}
	if d.tablets == nil {
		d.tablets = map[string]*tablet{}
	}
	if old := d.tablets[initials]; old != nil {
		_ = old.client.Close()
	}
	d.tablets[initials] = &tablet{c, now}
	for _, p := range demoPeople {
		if p.person.GetInitials() == initials {
			_, err = c.SignIn(d.ctx, initials, p.pin, "wall tablet")
			return c, err
		}
	}
	return nil, fmt.Errorf("nobody has the initials %s", initials)
}

// shown is what an instrument of the demo shows at a true temperature: its
// error, then its step. The errors are invented.
func shown(instrument string, tempC float64, drift float64) *kb.Temperature {
	var unit kb.TemperatureUnit
	value, stepMicro, decimals := tempC, int64(100_000), uint32(1)
	switch instrument {
	case "K-1":
		value += 0.2 + 0.0008*tempC
		unit = kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS
	case "K-2":
		value = (value+0.3+0.002*tempC+drift)*9/5 + 32
		unit = kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT
	case "K-3":
		value -= 0.3
		unit, stepMicro = kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS, 500_000
	}
	micro := int64(math.Round(value*1e6/float64(stepMicro))) * stepMicro
	return &kb.Temperature{Micro: micro, Decimals: decimals, Unit: unit}
}

// check records a check with an ice and a boiling point, and a comparison
// when compareC is above 0.
func (d *demoPlay) check(by, instrument string, hour, minute int, pressureHPa string, compareC, drift float64) (*sv.RecordCheckResponse, error) {
	d.at(hour, minute)
	c, err := d.as(by)
	if err != nil {
		return nil, err
	}
	m := &kb.Check{CheckId: uuid.NewString(), InstrumentId: instrument}
	m.Points = append(m.Points, &kb.CheckPoint{At: timestamppb.New(d.at(hour, minute)), Kind: kb.PointKind_POINT_KIND_ICE, Reading: shown(instrument, 0, drift), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED})
	p := &kb.CheckPoint{At: timestamppb.New(d.at(hour, minute+4)), Kind: kb.PointKind_POINT_KIND_BOILING}
	hPa := float64(dec("944.2").GetMicro()) / 1e6
	if pressureHPa != "" {
		p.PressureHpa, p.PressureKind = dec(pressureHPa), kb.PressureKind_PRESSURE_KIND_MEASURED
		hPa = float64(p.GetPressureHpa().GetMicro()) / 1e6
	}
	boils, err := thermometry.BoilingPointC(hPa)
	if err != nil {
		return nil, err
	}
	p.Reading = shown(instrument, boils, drift)
	m.Points = append(m.Points, p)
	if compareC > 0 {
		m.Points = append(m.Points, &kb.CheckPoint{At: timestamppb.New(d.at(hour, minute+10)), Kind: kb.PointKind_POINT_KIND_COMPARISON, Reading: shown(instrument, compareC, drift),
			ReferenceId: "R-1", ReferenceReading: celsius(fmt.Sprintf("%.2f", compareC+0.02)), Note: "oil bath"})
	}
	d.progress(".")
	return c.Check.RecordCheck(d.ctx, &sv.RecordCheckRequest{RequestId: uuid.NewString(), Check: m})
}

// demoCook is one cook of the demo.
type demoCook struct {
	by, lot, formula, instrument string
	hour, minute                 int
	pressureHPa, targetC, solids float64
	stage, note                  string
	drift                        float64
	typedAfter                   time.Duration // readings kept on paper and typed in so long after the pull
}

// cook plays a cook from start to yield: readings every half minute from syrup
// physics, streamed as a probe would, the pull, the cold-water test, the end.
func (d *demoPlay) cook(k demoCook) (pulled time.Time, err error) {
	start := d.at(k.hour, k.minute)
	c, err := d.as(k.by)
	if err != nil {
		return pulled, err
	}
	if _, err = c.Batch.StartBatch(d.ctx, &sv.StartBatchRequest{RequestId: uuid.NewString(), Batch: &kb.BatchStart{
		LotCode: k.lot, FormulaId: k.formula, InstrumentId: k.instrument, StartedAt: timestamppb.New(start), SolidsKg: dec(fmt.Sprintf("%.1f", k.solids)), Vessel: "copper pan 2"}}); err != nil {
		return pulled, err
	}
	temps, err := simulate(k.pressureHPa, k.targetC)
	if err != nil {
		return pulled, err
	}
	run := &kb.Readings{LotCode: k.lot, Series: kb.SeriesKind_SERIES_KIND_COOK, InstrumentId: k.instrument, FirstAt: timestamppb.New(start.Add(30 * time.Second))}
	for i, t := range temps {
		r := shown(k.instrument, t, k.drift)
		run.Unit = r.GetUnit()
		run.AfterMs = append(run.AfterMs, uint32(i*30_000))
		run.Micro = append(run.Micro, r.GetMicro())
		run.Decimals = append(run.Decimals, r.GetDecimals())
	}
	pulled = start.Add(time.Duration(len(temps)) * 30 * time.Second)
	d.clock.Set(pulled.Add(k.typedAfter))
	if c, err = d.as(k.by); err != nil {
		return pulled, err
	}
	if err := streamRun(d.ctx, c, run); err != nil {
		return pulled, err
	}
	if _, err = c.Batch.RecordPull(d.ctx, &sv.RecordPullRequest{RequestId: uuid.NewString(), Pull: &kb.Pull{LotCode: k.lot, At: timestamppb.New(pulled),
		Reading: shown(k.instrument, temps[len(temps)-1], k.drift), HighestAfter: shown(k.instrument, temps[len(temps)-1]+0.6, k.drift)}}); err != nil {
		return pulled, err
	}
	if _, err = c.Batch.RecordColdWaterTest(d.ctx, &sv.RecordColdWaterTestRequest{RequestId: uuid.NewString(), Test: &kb.ColdWaterTest{LotCode: k.lot, At: timestamppb.New(pulled), Stage: k.stage}}); err != nil {
		return pulled, err
	}
	end := pulled.Add(8 * time.Minute)
	if end.After(d.clock.Now()) {
		d.clock.Set(end)
	}
	_, err = c.Batch.EndBatch(d.ctx, &sv.EndBatchRequest{RequestId: uuid.NewString(), End: &kb.BatchEnd{LotCode: k.lot, At: timestamppb.New(end), YieldKg: dec(fmt.Sprintf("%.2f", k.solids*1.09)), Note: k.note}})
	d.progress(".")
	return pulled, err
}

func streamRun(ctx context.Context, c *client.Client, run *kb.Readings) error {
	s, err := c.Batch.StreamReadings(ctx)
	if err != nil {
		return err
	}
	if err := s.Send(&sv.StreamReadingsRequest{RequestId: uuid.NewString(), Readings: run}); err != nil {
		return err
	}
	if err := s.CloseSend(); err != nil {
		return err
	}
	for {
		_, err := s.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// simulate gives true temperatures every half minute: warming up, then
// boiling while water leaves at a steady rate, until the target is reached.
func simulate(pressureHPa, targetC float64) ([]float64, error) {
	s, err := sugar.New(sugar.Water{PressureHPa: thermometry.SaturationPressureHPa, BoilingC: thermometry.BoilingPointC})
	if err != nil {
		return nil, err
	}
	var out []float64
	solids, water, t := 70.0, 30.0, 24.0
	for len(out) < 28 {
		boils, err := s.BoilingC(min(100*solids/(solids+water), sugar.MaxSolidsPct), pressureHPa)
		if err != nil {
			return nil, err
		}
		switch {
		case t < boils-12:
			t += 12
		case 100*solids/(solids+water) < sugar.MaxSolidsPct-0.3:
			t, water = boils, max(water-1.55, 1.2)
		default:
			t += 5
		}
		if t >= targetC {
			return append(out, targetC), nil
		}
		out = append(out, t)
	}
	return append(out, targetC), nil
}

// cool plays a cooling series, a reading every twenty minutes, falling towards
// the room (or the blast chiller) by Newton's law.
func (d *demoPlay) cool(by, lot string, from time.Time, startC, roomC, perHour float64, until time.Duration) error {
	for after := time.Duration(0); after <= until; after += 20 * time.Minute {
		at := from.Add(after)
		if at.After(d.clock.Now()) {
			d.clock.Set(at)
		}
		c, err := d.as(by)
		if err != nil {
			return err
		}
		r := shown("K-1", roomC+(startC-roomC)*math.Exp(-perHour*after.Hours()), 0)
		if _, err := c.Batch.AddReadings(d.ctx, &sv.AddReadingsRequest{RequestId: uuid.NewString(), Readings: &kb.Readings{LotCode: lot, Series: kb.SeriesKind_SERIES_KIND_COOLING,
			InstrumentId: "K-1", Unit: r.GetUnit(), FirstAt: timestamppb.New(at), AfterMs: []uint32{0}, Micro: []int64{r.GetMicro()}, Decimals: []uint32{r.GetDecimals()}}}); err != nil {
			return err
		}
	}
	d.progress(".")
	return nil
}

// review signs the day next morning, and gives the name of the log.
func (d *demoPlay) review() (string, error) {
	d.clock.Set(time.Date(d.midnight.Year(), d.midnight.Month(), d.midnight.Day()+1, 4, 20, 0, 0, d.midnight.Location()))
	who := demoPeople[0]
	c, err := d.as(who.person.GetInitials())
	if err != nil {
		return "", err
	}
	day, err := c.Day.GetDay(d.ctx, &sv.GetDayRequest{ProductionDay: d.day})
	if err != nil {
		return "", err
	}
	meaning := kb.SigningMeaning_SIGNING_MEANING_REVIEWED
	token, err := c.Session.ConfirmSigning(d.ctx, &sv.ConfirmSigningRequest{Pin: who.pin, Meaning: meaning, ContentSha256: day.GetContentSha256()})
	if err != nil {
		return "", err
	}
	r, err := c.Day.ReviewDay(d.ctx, &sv.ReviewDayRequest{RequestId: uuid.NewString(), SigningToken: token.GetSigningToken(), Review: &kb.DayReview{
		ProductionDay: d.day, LedgerSize: day.GetLedgerSize(), ContentSha256: day.GetContentSha256(), Meaning: meaning}})
	return r.GetLog().GetFileName(), err
}

// answer records what was done about a deviation.
func (d *demoPlay) answer(by, deviation, text string) error {
	c, err := d.as(by)
	if err != nil {
		return err
	}
	_, err = c.Deviation.RecordAction(d.ctx, &sv.RecordActionRequest{RequestId: uuid.NewString(), Action: &kb.CorrectiveAction{DeviationId: deviation, At: timestamppb.New(d.clock.Now()), Text: text}})
	return err
}

// decide records a decision on a batch.
func (d *demoPlay) decide(lot string, kind kb.DispositionKind, reason string) error {
	c, err := d.as(demoPeople[0].person.GetInitials())
	if err != nil {
		return err
	}
	_, err = c.Deviation.RecordDisposition(d.ctx, &sv.RecordDispositionRequest{RequestId: uuid.NewString(), Disposition: &kb.Disposition{LotCode: lot, At: timestamppb.New(d.clock.Now()), Kind: kind, Reason: reason}})
	return err
}

// amend strikes one reading of a check through.
func (d *demoPlay) amend(by string, sequence int64, point uint32, value *kb.Temperature, reason string) error {
	c, err := d.as(by)
	if err != nil {
		return err
	}
	_, err = c.Deviation.Amend(d.ctx, &sv.AmendRequest{RequestId: uuid.NewString(), Amendment: &kb.Amendment{TargetSequence: sequence, TargetIndex: point, Value: value, Reason: reason}})
	return err
}
