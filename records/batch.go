package records

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
)

// Kinds of batch documents, each by lot code.
const (
	KindBatch     = "batch" // index "instrument": instrument, start
	KindPull      = "pull"  // index "instrument": instrument, time
	KindColdWater = "cold_water"
	KindBatchEnd  = "batch_end"
	KindBatchVoid = "batch_void"
	// KindReader holds who read a cook, by lot code and person.
	KindReader = "reader"
)

var (
	_ = register(validateBatchStart, func(e Entry, m *kb.BatchStart) (Projection, error) {
		r, err := row(e, KindBatch, m.GetLotCode(), e.GetProductionDay(), m,
			Key{"instrument", JoinKey(m.GetInstrumentId(), TimeKey(m.GetStartedAt().AsTime()))})
		return rows(r), err
	})
	_ = register(validateReadings, projectReadings)
	_ = register(validatePull, func(e Entry, m *kb.Pull) (Projection, error) {
		r, err := row(e, KindPull, m.GetLotCode(), e.GetProductionDay(), m)
		return rows(r), err
	})
	_ = register(func(m *kb.ColdWaterTest) error {
		if err := name("lot_code", m.GetLotCode(), 40); err != nil {
			return err
		}
		if err := validTime("at", m.GetAt()); err != nil {
			return err
		}
		return text("stage", m.GetStage(), 1, 40)
	}, func(e Entry, m *kb.ColdWaterTest) (Projection, error) {
		r, err := row(e, KindColdWater, m.GetLotCode(), e.GetProductionDay(), m)
		return rows(r), err
	})
	_ = register(func(m *kb.BatchEnd) error {
		if err := name("lot_code", m.GetLotCode(), 40); err != nil {
			return err
		}
		if err := validTime("at", m.GetAt()); err != nil {
			return err
		}
		if err := between("yield_kg", m.GetYieldKg(), 0, 100_000); err != nil {
			return err
		}
		return text("note", m.GetNote(), 0, 500)
	}, func(e Entry, m *kb.BatchEnd) (Projection, error) {
		r, err := row(e, KindBatchEnd, m.GetLotCode(), e.GetProductionDay(), m)
		return rows(r), err
	})
	_ = register(func(m *kb.BatchVoid) error {
		if err := name("lot_code", m.GetLotCode(), 40); err != nil {
			return err
		}
		return text("reason", m.GetReason(), 1, 500)
	}, func(e Entry, m *kb.BatchVoid) (Projection, error) {
		r, err := row(e, KindBatchVoid, m.GetLotCode(), e.GetProductionDay(), m)
		return rows(r), err
	})
)

func validateBatchStart(m *kb.BatchStart) error {
	if err := name("lot_code", m.GetLotCode(), 40); err != nil {
		return err
	}
	if err := name("formula_id", m.GetFormulaId(), 24); err != nil {
		return err
	}
	if err := name("instrument_id", m.GetInstrumentId(), 24); err != nil {
		return err
	}
	if err := validTime("started_at", m.GetStartedAt()); err != nil {
		return err
	}
	if err := between("solids_kg", m.GetSolidsKg(), 0, 100_000); err != nil {
		return err
	}
	if err := text("vessel", m.GetVessel(), 0, 40); err != nil {
		return err
	}
	return text("note", m.GetNote(), 0, 500)
}

// MaxRun is the most readings that one entry carries.
const MaxRun = 1000

func validateReadings(m *kb.Readings) error {
	if err := name("lot_code", m.GetLotCode(), 40); err != nil {
		return err
	}
	if err := name("instrument_id", m.GetInstrumentId(), 24); err != nil {
		return err
	}
	if m.GetSeries() == kb.SeriesKind_SERIES_KIND_UNSPECIFIED {
		return invalid("series", "cook or cooling", "is missing")
	}
	if m.GetUnit() == kb.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED {
		return invalid("unit", "degC or degF", "is missing")
	}
	if err := validTime("first_at", m.GetFirstAt()); err != nil {
		return err
	}
	n := len(m.GetMicro())
	if n == 0 || n > MaxRun {
		return invalid("micro", fmt.Sprintf("send 1 to %d readings at a time", MaxRun), "%d readings", n)
	}
	if len(m.GetAfterMs()) != n {
		return invalid("after_ms", "one for each reading", "%d times for %d readings", len(m.GetAfterMs()), n)
	}
	if d := len(m.GetDecimals()); d != 1 && d != n {
		return invalid("decimals", "one for each reading, or one for all", "%d figures for %d readings", d, n)
	}
	for i := range n {
		if i > 0 && m.GetAfterMs()[i] < m.GetAfterMs()[i-1] {
			return invalid(fmt.Sprintf("after_ms[%d]", i), "send readings in order of time", "goes back in time")
		}
		if err := checkDecimal(fmt.Sprintf("micro[%d]", i), m.GetMicro()[i], runDecimals(m, i)); err != nil {
			return err
		}
	}
	return nil
}

func runDecimals(m *kb.Readings, i int) uint32 {
	if len(m.GetDecimals()) == 1 {
		return m.GetDecimals()[0]
	}
	return m.GetDecimals()[i]
}

// RunReading is one reading of a run.
type RunReading struct {
	// At is when it was read.
	At time.Time
	// Value is what was read.
	Value *kb.Temperature
	// Instrument is what it was read on.
	Instrument string
}

// RunReadings lists the readings of a run in order of time.
func RunReadings(m *kb.Readings) []RunReading {
	out := make([]RunReading, len(m.GetMicro()))
	for i := range out {
		out[i] = RunReading{
			At:         m.GetFirstAt().AsTime().Add(time.Duration(m.GetAfterMs()[i]) * time.Millisecond),
			Value:      &kb.Temperature{Micro: m.GetMicro()[i], Decimals: runDecimals(m, i), Unit: m.GetUnit()},
			Instrument: m.GetInstrumentId(),
		}
	}
	return out
}

// SeriesKey names the series of a batch that readings belong to.
func SeriesKey(lot string, series kb.SeriesKind) string {
	if series == kb.SeriesKind_SERIES_KIND_COOLING {
		return JoinKey("cooling", lot)
	}
	return JoinKey("cook", lot)
}

func projectReadings(e Entry, m *kb.Readings) (Projection, error) {
	if len(m.GetAfterMs()) == 0 {
		return Projection{}, fmt.Errorf("%w: entry %d: a run without readings", ErrMalformed, e.GetSequence())
	}
	b, err := body(m)
	if err != nil {
		return Projection{}, err
	}
	last := m.GetAfterMs()[len(m.GetAfterMs())-1]
	p := Projection{Runs: []Run{{
		Sequence: e.GetSequence(), Series: SeriesKey(m.GetLotCode(), m.GetSeries()), Instrument: m.GetInstrumentId(),
		FirstAt: m.GetFirstAt().AsTime(), LastAt: m.GetFirstAt().AsTime().Add(time.Duration(last) * time.Millisecond),
		Count: len(m.GetMicro()), Body: b,
	}}}
	// Who struck a reading did not read it.
	if e.GetPerson() != "" && e.Amends == 0 && m.GetSeries() == kb.SeriesKind_SERIES_KIND_COOK {
		r, err := row(e, KindReader, JoinKey(m.GetLotCode(), e.GetPerson()), "", &kb.Readings{LotCode: m.GetLotCode()})
		if err != nil {
			return Projection{}, err
		}
		p.Rows = append(p.Rows, r)
	}
	return p, nil
}

func validatePull(m *kb.Pull) error {
	if err := name("lot_code", m.GetLotCode(), 40); err != nil {
		return err
	}
	if err := validTime("at", m.GetAt()); err != nil {
		return err
	}
	for _, t := range []struct {
		field string
		t     *kb.Temperature
	}{{"reading", m.GetReading()}, {"highest_after", m.GetHighestAfter()}} {
		if t.t != nil {
			if err := checkTemperature(t.field, t.t); err != nil {
				return err
			}
		}
	}
	return nil
}

// BatchFacts is what is known when something is done to a batch.
type BatchFacts struct {
	// Settings of the site.
	Settings Settings
	// Batch is the batch, if it exists; the others are what hangs on it.
	Batch Doc[*kb.BatchStart]
	Pull  Doc[*kb.Pull]
	Cold  Doc[*kb.ColdWaterTest]
	End   Doc[*kb.BatchEnd]
	Void  Doc[*kb.BatchVoid]
	// Formula is the latest approved version, or the one asked for.
	Formula Doc[*kb.Formula]
	// Approved says that it may be used.
	Approved bool
	// Instrument is the instrument named.
	Instrument Doc[*kb.Instrument]
}

// DecideBatchStart opens a batch. A lot code is given once, for ever.
func DecideBatchStart(f BatchFacts, act Act, m *kb.BatchStart) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	at := m.GetStartedAt().AsTime()
	if err := CheckAhead("started_at", at, act.RecordedAt); err != nil {
		return nil, err
	}
	if f.Batch.Has() {
		return nil, refuse(ErrExists, "lot_code", "give the batch a lot code of its own", "lot code %s was used at %s", m.GetLotCode(), f.Batch.At().Format(time.RFC3339))
	}
	if !f.Formula.Has() {
		return nil, refuse(ErrUnknownReference, "formula_id", "enter the formula first", "formula %s is not known", m.GetFormulaId())
	}
	if !f.Approved {
		return nil, refuse(ErrState, "version", "have it approved first", "version %d of %s is not approved", f.Formula.Record.GetVersion(), m.GetFormulaId())
	}
	if err := knownInstrument("instrument_id", m.GetInstrumentId(), f.Instrument); err != nil {
		return nil, err
	}
	c := clone(m)
	c.Version = f.Formula.Record.GetVersion()
	return []Draft{{Act: act, OccurredAt: at, Day: f.Settings.Day(at), Payload: c}}, nil
}

func knownInstrument(field, id string, d Doc[*kb.Instrument]) error {
	if !d.Has() {
		return refuse(ErrUnknownReference, field, "enter the instrument in the register first", "instrument %s is not known", id)
	}
	return nil
}

// open refuses what hangs on a batch that is not there or was voided.
func (f BatchFacts) open(lot string) error {
	if !f.Batch.Has() {
		return refuse(ErrUnknownReference, "lot_code", "open the batch first", "batch %s is not known", lot)
	}
	if f.Void.Has() {
		return refuse(ErrState, "lot_code", "use the batch that was meant", "batch %s was voided", lot)
	}
	return nil
}

// hung makes a draft of something that hangs on a batch: it belongs to the
// day on which the batch started.
func (f BatchFacts) hung(act Act, at time.Time, m message) []Draft {
	return []Draft{{Act: act, OccurredAt: at, Day: f.Batch.Meta.GetProductionDay(), Payload: m}}
}

// DecideReadings keeps a run of readings. What no instrument can have shown
// is refused; what is only unlikely is kept.
func DecideReadings(f BatchFacts, act Act, m *kb.Readings) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if err := f.open(m.GetLotCode()); err != nil {
		return nil, err
	}
	if err := knownInstrument("instrument_id", m.GetInstrumentId(), f.Instrument); err != nil {
		return nil, err
	}
	if err := checkRun(f.Instrument.Record, m); err != nil {
		return nil, err
	}
	if err := CheckAhead("first_at", lastMoment(m), act.RecordedAt); err != nil {
		return nil, err
	}
	return f.hung(act, m.GetFirstAt().AsTime(), m), nil
}

// checkRun refuses readings that the instrument cannot have shown.
func checkRun(i *kb.Instrument, m *kb.Readings) error {
	for n, r := range RunReadings(m) {
		if err := CheckReading(fmt.Sprintf("micro[%d]", n), i, r.Value); err != nil {
			return err
		}
	}
	return nil
}

// DecidePull stamps the moment the pan left the heat.
func DecidePull(f BatchFacts, act Act, m *kb.Pull) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if err := f.open(m.GetLotCode()); err != nil {
		return nil, err
	}
	if f.Pull.Has() {
		return nil, refuse(ErrState, "lot_code", "amend the pull that is there", "batch %s was pulled at %s", m.GetLotCode(), f.Pull.At().Format(time.RFC3339))
	}
	if err := CheckAhead("at", m.GetAt().AsTime(), act.RecordedAt); err != nil {
		return nil, err
	}
	if err := checkPull(f.Instrument.Record, m); err != nil {
		return nil, err
	}
	return f.hung(act, m.GetAt().AsTime(), m), nil
}

// checkPull refuses what the instrument cannot have shown at a pull.
func checkPull(i *kb.Instrument, m *kb.Pull) error {
	for _, t := range []struct {
		field string
		t     *kb.Temperature
	}{{"reading", m.GetReading()}, {"highest_after", m.GetHighestAfter()}} {
		if t.t == nil {
			continue
		}
		if err := CheckReading(t.field, i, t.t); err != nil {
			return err
		}
	}
	return nil
}

// DecideColdWater keeps what the cold-water test said.
func DecideColdWater(f BatchFacts, act Act, m *kb.ColdWaterTest) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if err := f.open(m.GetLotCode()); err != nil {
		return nil, err
	}
	if err := CheckAhead("at", m.GetAt().AsTime(), act.RecordedAt); err != nil {
		return nil, err
	}
	if err := checkStage(m.GetStage()); err != nil {
		return nil, err
	}
	return f.hung(act, m.GetAt().AsTime(), m), nil
}

// DecideBatchEnd closes a batch.
func DecideBatchEnd(f BatchFacts, act Act, m *kb.BatchEnd) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if err := f.open(m.GetLotCode()); err != nil {
		return nil, err
	}
	if f.End.Has() {
		return nil, refuse(ErrState, "lot_code", "amend the end that is there", "batch %s ended at %s", m.GetLotCode(), f.End.At().Format(time.RFC3339))
	}
	if err := CheckAhead("at", m.GetAt().AsTime(), act.RecordedAt); err != nil {
		return nil, err
	}
	if err := f.checkEnd(m); err != nil {
		return nil, err
	}
	return f.hung(act, m.GetAt().AsTime(), m), nil
}

func (f BatchFacts) checkEnd(m *kb.BatchEnd) error {
	if began := f.Batch.Record.GetStartedAt().AsTime(); m.GetAt().AsTime().Before(began) {
		return invalid("at", "check the time", "a batch cannot end before it began (%s)", began.Format(time.RFC3339))
	}
	return nil
}

// DecideBatchVoid marks a batch opened by mistake; it stays readable.
func DecideBatchVoid(f BatchFacts, act Act, m *kb.BatchVoid) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if err := f.open(m.GetLotCode()); err != nil {
		return nil, err
	}
	return f.hung(act, act.RecordedAt, m), nil
}

// ReadRun reads the stored bytes of a run. The error wraps ErrMalformed.
func ReadRun(stored []byte) ([]RunReading, error) {
	m := new(kb.Readings)
	if err := proto.Unmarshal(stored, m); err != nil {
		return nil, fmt.Errorf("%w: %v", ErrMalformed, err)
	}
	return RunReadings(m), nil
}
