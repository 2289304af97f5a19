package records

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
)

// DayFacts is what is known of one production day.
type DayFacts struct {
	// Settings in force on the day.
	Settings Settings
	// Day is the production day, YYYY-MM-DD.
	Day string
	// Instruments are those in the register by the end of the day, and those
	// used on it, as they were then.
	Instruments []InstrumentFactsOfDay
	// Pressures were read on the day.
	Pressures []PressureDoc
	// Batches are those that started on the day.
	Batches []BatchFactsOfDay
	// Deviations have their cause on the day or before it.
	Deviations []Doc[*kb.Deviation]
	// Actions answer them, up to the end of the day.
	Actions []Doc[*kb.CorrectiveAction]
	// LookBacks are the parts of the day.
	LookBacks []Doc[*kb.LookBack]
	// Amendments of records of the day, each with what stood before it.
	Amendments []AmendmentOfDay
	// Entries are the entries of the day that people made, for marks and makers.
	Entries []EntryOfDay
	// SheetRows counts rows of the day by sheet; Papers names the papers.
	SheetRows map[string]uint32
	Papers    map[string]string
	// People is the register, by initials, as it was.
	People map[string]*kb.Person
}

// InstrumentFactsOfDay is one instrument on a day.
type InstrumentFactsOfDay struct {
	// Instrument is its register entry.
	Instrument *kb.Instrument
	// Checks of the day.
	Checks []CheckOfDay
	// Standing is the latest check at or before the end of the day.
	Standing Doc[*kb.CheckAssessment]
	// Comparison is the latest believed comparison at or before the end of the day.
	Comparison PointDoc
}

// CheckOfDay is a check with its assessment.
type CheckOfDay struct {
	// Check as claimed; Assessment as concluded.
	Check      Doc[*kb.Check]
	Assessment Doc[*kb.CheckAssessment]
}

// BatchFactsOfDay is a batch with everything hung on it.
type BatchFactsOfDay struct {
	// BatchFacts are the batch and what hangs on it.
	BatchFacts
	// Cook and Cooling are its readings.
	Cook, Cooling []RunReading
	// PullResult and CoolingResult are what the rules concluded.
	PullResult    Doc[*kb.PullAssessment]
	CoolingResult Doc[*kb.CoolingAssessment]
	// Disposition is the decision on it.
	Disposition Doc[*kb.Disposition]
}

// AmendmentOfDay is an amendment with the record before and after it.
type AmendmentOfDay struct {
	// Amendment is the amendment.
	Amendment Doc[*kb.Amendment]
	// Before and After are the record as it stood and as it stands.
	Before, After proto.Message
}

// EntryOfDay is an entry of the day as far as marks and makers need it.
type EntryOfDay struct {
	// What it is, in words.
	What string
	// Meta is what its envelope said.
	Meta *kb.Document
	// Questioned says, in words, what is implausible about it; empty when nothing is.
	Questioned string
	// Last is when the last of it happened; an entry is late counted from then.
	Last time.Time
	// Made says that it is the work itself, not a decision or an answer about it.
	Made bool
}

// ContentJSON serialises a day's content: protojson, compacted once. These
// bytes are hashed, kept, attached and exported.
func ContentJSON(c *kb.DayContent) ([]byte, [sha256.Size]byte, error) {
	b, err := CompactJSON(c)
	return b, sha256.Sum256(b), err
}

// CompactJSON is protojson without its unstable spacing.
func CompactJSON(m proto.Message) ([]byte, error) {
	b, err := protojson.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("records: %w", err)
	}
	var out bytes.Buffer
	if err := json.Compact(&out, b); err != nil {
		return nil, fmt.Errorf("records: %w", err)
	}
	return out.Bytes(), nil
}

// BuildDay puts a day's content together. It holds no ledger position, no
// review and nothing of other days but what is still open, so that the same
// records give the same content whatever order they came in.
func BuildDay(f DayFacts) (*kb.DayContent, error) {
	from, to, err := f.Settings.Bounds(f.Day)
	if err != nil {
		return nil, err
	}
	_, offset := from.In(f.Settings.Location()).Zone()
	c := &kb.DayContent{
		ProductionDay: f.Day, Site: f.Settings.Site, From: timestamppb.New(from), To: timestamppb.New(to), UtcOffsetS: int32(offset), RulesVersion: RulesVersion,
	}
	lots := map[string][]string{}
	for _, b := range slices.SortedFunc(slices.Values(f.Batches), func(a, b BatchFactsOfDay) int {
		return cmp.Or(RecordTime(a.Batch.Record).Compare(RecordTime(b.Batch.Record)), cmp.Compare(a.Batch.Record.GetLotCode(), b.Batch.Record.GetLotCode()))
	}) {
		c.Batches = append(c.Batches, b.Day())
		for _, id := range b.instruments() {
			lots[id] = append(lots[id], b.Batch.Record.GetLotCode())
		}
	}
	production := len(f.Batches) > 0
	for _, i := range f.Instruments {
		if len(i.Checks) > 0 {
			production = true
		}
	}
	for _, i := range slices.SortedFunc(slices.Values(f.Instruments), func(a, b InstrumentFactsOfDay) int {
		return cmp.Compare(a.Instrument.GetInstrumentId(), b.Instrument.GetInstrumentId())
	}) {
		c.Instruments = append(c.Instruments, i.day(lots[i.Instrument.GetInstrumentId()], production))
	}
	if err := f.pressures(c); err != nil {
		return nil, err
	}
	f.deviations(c)
	f.lookBacks(c)
	f.marks(c)
	for _, name := range slices.Sorted(maps.Keys(f.SheetRows)) {
		c.Sheets = append(c.Sheets, &kb.SheetDay{Sheet: name, Rows: f.SheetRows[name], Paper: f.Papers[name]})
	}
	for _, initials := range f.named(c) {
		if p := f.People[initials]; p != nil {
			c.People = append(c.People, p)
		}
	}
	return c, nil
}

func (b BatchFactsOfDay) instruments() []string {
	out := []string{b.Batch.Record.GetInstrumentId()}
	for _, r := range append(slices.Clone(b.Cook), b.Cooling...) {
		if !slices.Contains(out, r.Instrument) {
			out = append(out, r.Instrument)
		}
	}
	return out
}

// Day gives the batch as its day shows it.
func (b BatchFactsOfDay) Day() *kb.BatchDay {
	out := &kb.BatchDay{Start: b.Batch.Record, Formula: b.Formula.Record, By: b.Batch.Signature(), Cook: curves(b.Cook), Cooling: curves(b.Cooling)}
	if n := b.Batch.Record.GetNote(); n != "" {
		out.Notes = append(out.Notes, n)
	}
	if b.End.Has() {
		out.EndedAt, out.YieldKg = b.End.Record.GetAt(), b.End.Record.GetYieldKg()
		if n := b.End.Record.GetNote(); n != "" {
			out.Notes = append(out.Notes, n)
		}
	}
	if b.PullResult.Has() {
		out.Pull = quiet(b.PullResult.Record)
	}
	if b.CoolingResult.Has() {
		out.CoolingResult = quiet(b.CoolingResult.Record)
	}
	out.CoolingMissing = b.Formula.Record.GetCoolingRequired() && b.Pull.Has() && len(b.Cooling) == 0 && !b.Void.Has()
	if b.Disposition.Has() {
		out.Disposition, out.DispositionBy = b.Disposition.Record, b.Disposition.Signature()
	}
	if b.Void.Has() {
		out.VoidReason = b.Void.Record.GetReason()
	}
	return out
}

// quiet leaves the numbers of entries out of a conclusion.
func quiet[M proto.Message](m M) M { return withoutNumbers(m).(M) }

func curves(readings []RunReading) []*kb.Curve {
	var out []*kb.Curve
	for _, r := range slices.SortedFunc(slices.Values(readings), func(a, b RunReading) int {
		return cmp.Or(cmp.Compare(a.Instrument, b.Instrument), cmp.Compare(a.Value.GetUnit(), b.Value.GetUnit()), a.At.Compare(b.At),
			cmp.Compare(a.Value.GetMicro(), b.Value.GetMicro()), cmp.Compare(a.Value.GetDecimals(), b.Value.GetDecimals()))
	}) {
		if n := len(out); n == 0 || out[n-1].GetInstrumentId() != r.Instrument || out[n-1].GetUnit() != r.Value.GetUnit() {
			out = append(out, &kb.Curve{InstrumentId: r.Instrument, Unit: r.Value.GetUnit(), FirstAt: timestamppb.New(r.At)})
		}
		c := out[len(out)-1]
		c.Samples = append(c.Samples, &kb.Sample{AfterMs: r.At.Sub(c.GetFirstAt().AsTime()).Milliseconds(), Micro: r.Value.GetMicro(), Decimals: r.Value.GetDecimals()})
	}
	return out
}

func (i InstrumentFactsOfDay) day(lots []string, production bool) *kb.InstrumentDay {
	out := &kb.InstrumentDay{Instrument: i.Instrument, Lots: lots}
	for _, c := range slices.SortedFunc(slices.Values(i.Checks), func(a, b CheckOfDay) int {
		return cmp.Or(RecordTime(a.Check.Record).Compare(RecordTime(b.Check.Record)), cmp.Compare(a.Check.Record.GetCheckId(), b.Check.Record.GetCheckId()))
	}) {
		out.Checks = append(out.Checks, &kb.CheckDay{Assessment: quiet(c.Assessment.Record), By: c.Check.Signature(), Adjustment: c.Check.Record.GetAdjustment()})
	}
	out.MissedCheck = production && len(i.Checks) == 0 && !i.Instrument.GetReference() && (!i.Instrument.GetRetired() || len(lots) > 0)
	if i.Standing.Has() {
		out.Standing, out.StandingAt = Standing(i.Standing.Record), i.Standing.Record.GetAt()
	}
	if i.Comparison.Has() {
		p := pointOf(i.Comparison)
		out.LastComparisonAt, out.LastComparisonMicroC = p.GetPoint().GetAt(), p.GetExpectedMicroC()
	}
	return out
}

func (f DayFacts) pressures(c *kb.DayContent) error {
	for _, p := range slices.SortedFunc(slices.Values(f.Pressures), func(a, b PressureDoc) int {
		x, y := a.Record, b.Record
		return cmp.Or(x.GetAt().AsTime().Compare(y.GetAt().AsTime()), cmp.Compare(x.GetKind(), y.GetKind()),
			cmp.Compare(x.GetPressureHpa().GetMicro(), y.GetPressureHpa().GetMicro()), cmp.Compare(x.GetPressureHpa().GetDecimals(), y.GetPressureHpa().GetDecimals()))
	}) {
		_, used, err := f.Settings.pressureOf(p.Record.GetPressureHpa(), p.Record.GetKind(), p.Record.GetAt())
		if err != nil {
			return err
		}
		if used.GetQuestioned() {
			used.PressureHpa, used.Kind = p.Record.GetPressureHpa(), p.Record.GetKind()
		}
		if n := len(c.Pressures); n > 0 && proto.Equal(c.Pressures[n-1], used) {
			continue
		}
		c.Pressures = append(c.Pressures, used)
	}
	return nil
}

func (f DayFacts) deviations(c *kb.DayContent) {
	actions := slices.SortedFunc(slices.Values(f.Actions), func(a, b Doc[*kb.CorrectiveAction]) int {
		return cmp.Or(a.Record.GetAt().AsTime().Compare(b.Record.GetAt().AsTime()), cmp.Compare(a.Meta.GetPerson(), b.Meta.GetPerson()), cmp.Compare(a.Record.GetText(), b.Record.GetText()))
	})
	for _, d := range slices.SortedFunc(slices.Values(f.Deviations), func(a, b Doc[*kb.Deviation]) int {
		return cmp.Or(a.Record.GetAt().AsTime().Compare(b.Record.GetAt().AsTime()), cmp.Compare(a.Record.GetDeviationId(), b.Record.GetDeviationId()))
	}) {
		out := &kb.DeviationDay{Deviation: d.Record, CauseDay: d.Meta.GetProductionDay(), Open: true}
		today := false
		for _, a := range actions {
			if a.Record.GetDeviationId() != d.Record.GetDeviationId() {
				continue
			}
			out.Open = false
			if a.Meta.GetProductionDay() == f.Day {
				today = true
			}
			out.Actions = append(out.Actions, a.Record)
			out.ActionsBy = append(out.ActionsBy, a.Signature())
		}
		if d.Record.GetWithdrawn() {
			out.Open = false
			// Of paper that was copied out of order, what a sheet opened and the
			// next one took back was never the case; the ledger keeps both.
			if d.Meta.GetSheet() != "" && len(out.Actions) == 0 {
				continue
			}
		}
		// An earlier deviation is listed while it stays open and on the day it is answered.
		if out.CauseDay != f.Day && (d.Record.GetWithdrawn() || !out.Open && !today || d.Record.GetClass() == kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS) {
			continue
		}
		c.Deviations = append(c.Deviations, out)
	}
}

// lookBacks lists those of the day's failed checks, and what those of earlier
// days went on gathering on this day.
func (f DayFacts) lookBacks(c *kb.DayContent) {
	for _, d := range slices.SortedFunc(slices.Values(f.LookBacks), func(a, b Doc[*kb.LookBack]) int {
		return cmp.Or(a.Record.GetAt().AsTime().Compare(b.Record.GetAt().AsTime()), cmp.Compare(a.Record.GetCheckId(), b.Record.GetCheckId()))
	}) {
		if f.Settings.Day(d.Record.GetAt().AsTime()) == f.Day || len(d.Record.GetItems()) > 0 {
			c.LookBacks = append(c.LookBacks, quiet(d.Record))
		}
	}
}
