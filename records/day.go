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
	// LookBacks are of checks up to the end of the day.
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
	slices.SortStableFunc(f.Batches, func(a, b BatchFactsOfDay) int {
		return cmp.Or(a.Batch.At().Compare(b.Batch.At()), cmp.Compare(a.Batch.Record.GetLotCode(), b.Batch.Record.GetLotCode()))
	})
	for _, b := range f.Batches {
		bd := b.Day()
		c.Batches = append(c.Batches, bd)
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
	slices.SortFunc(f.Instruments, func(a, b InstrumentFactsOfDay) int {
		return cmp.Compare(a.Instrument.GetInstrumentId(), b.Instrument.GetInstrumentId())
	})
	for _, i := range f.Instruments {
		c.Instruments = append(c.Instruments, i.day(lots[i.Instrument.GetInstrumentId()], production))
	}
	if err := f.pressures(c); err != nil {
		return nil, err
	}
	f.deviations(c)
	f.lookBacks(c, to)
	f.marks(c, to)
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
	sorted := slices.Clone(readings)
	slices.SortStableFunc(sorted, func(a, b RunReading) int {
		return cmp.Or(cmp.Compare(a.Instrument, b.Instrument), cmp.Compare(a.Value.GetUnit(), b.Value.GetUnit()), a.At.Compare(b.At))
	})
	var out []*kb.Curve
	for _, r := range sorted {
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
	slices.SortStableFunc(i.Checks, func(a, b CheckOfDay) int {
		return cmp.Or(a.Check.At().Compare(b.Check.At()), cmp.Compare(a.Check.Record.GetCheckId(), b.Check.Record.GetCheckId()))
	})
	for _, c := range i.Checks {
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
	sorted := slices.Clone(f.Pressures)
	slices.SortStableFunc(sorted, func(a, b PressureDoc) int {
		return cmp.Or(a.Record.GetAt().AsTime().Compare(b.Record.GetAt().AsTime()), cmp.Compare(a.Record.GetPressureHpa().GetMicro(), b.Record.GetPressureHpa().GetMicro()))
	})
	for _, p := range sorted {
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
	sorted := slices.Clone(f.Deviations)
	slices.SortStableFunc(sorted, func(a, b Doc[*kb.Deviation]) int {
		return cmp.Or(a.Record.GetAt().AsTime().Compare(b.Record.GetAt().AsTime()), cmp.Compare(a.Record.GetDeviationId(), b.Record.GetDeviationId()))
	})
	for _, d := range sorted {
		out := &kb.DeviationDay{Deviation: d.Record, CauseDay: d.Meta.GetProductionDay(), Open: true}
		today := false
		for _, a := range f.Actions {
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
		}
		// An earlier deviation is listed while it stays open and on the day it is answered.
		if out.CauseDay != f.Day && (d.Record.GetWithdrawn() || !out.Open && !today || d.Record.GetClass() == kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS) {
			continue
		}
		c.Deviations = append(c.Deviations, out)
	}
}

// lookBacks lists those of the day's failed checks, and what earlier ones
// still gather on this day; readings of later days are left to their days.
func (f DayFacts) lookBacks(c *kb.DayContent, to time.Time) {
	sorted := slices.Clone(f.LookBacks)
	slices.SortStableFunc(sorted, func(a, b Doc[*kb.LookBack]) int {
		return cmp.Or(a.Record.GetAt().AsTime().Compare(b.Record.GetAt().AsTime()), cmp.Compare(a.Record.GetCheckId(), b.Record.GetCheckId()))
	})
	for _, d := range sorted {
		l := quiet(d.Record)
		today := d.Meta.GetProductionDay() == f.Day
		var items []*kb.LookBackItem
		for _, i := range l.GetItems() {
			if !i.GetAt().AsTime().Before(to) {
				continue
			}
			if today || f.Settings.Day(i.GetAt().AsTime()) == f.Day {
				items = append(items, i)
			}
		}
		l.Items = items
		if l.GetWindowTo() != nil && !l.GetWindowTo().AsTime().Before(to) {
			l.WindowTo = nil
		}
		if today || len(items) > 0 {
			c.LookBacks = append(c.LookBacks, l)
		}
	}
}

// Makers lists the initials of everyone who made records of the day.
func (f DayFacts) Makers() []string {
	var out []string
	for _, e := range f.Entries {
		if p := e.Meta.GetPerson(); e.Made && p != "" && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	slices.Sort(out)
	return out
}

func (f DayFacts) marks(c *kb.DayContent, to time.Time) {
	for _, e := range f.Entries {
		occurred, recorded := e.Meta.GetOccurredAt(), e.Meta.GetRecordedAt()
		m := &kb.MarkedRecord{What: e.What, At: occurred, RecordedAt: recorded, Initials: e.Meta.GetPerson()}
		transcribed := e.Meta.GetTranscribedBy() != "" || e.Meta.GetSheet() != ""
		if transcribed {
			m.RecordedAt = nil // printed once, with its sheet
		}
		switch {
		case occurred.AsTime().After(recorded.AsTime().Add(time.Minute)):
			m.Kind = kb.MarkKind_MARK_KIND_AHEAD
		case transcribed:
		case e.Meta.GetQueued():
			m.Kind = kb.MarkKind_MARK_KIND_QUEUED
		case f.Settings.IsLate(e.Last, recorded.AsTime()):
			m.Kind = kb.MarkKind_MARK_KIND_LATE
		}
		if m.Kind != kb.MarkKind_MARK_KIND_UNSPECIFIED {
			c.Marked = append(c.Marked, m)
		}
		if e.Questioned != "" {
			q := clone(m)
			q.Kind, q.What = kb.MarkKind_MARK_KIND_QUESTIONED, e.What+": "+e.Questioned
			c.Marked = append(c.Marked, q)
		}
	}
	for _, a := range f.Amendments {
		struck, now := Changes(a.Before, a.After, f.Settings)
		c.Marked = append(c.Marked, &kb.MarkedRecord{
			Kind: kb.MarkKind_MARK_KIND_AMENDED, What: What(a.After), At: a.Amendment.Meta.GetOccurredAt(), RecordedAt: a.Amendment.Meta.GetRecordedAt(),
			Initials: a.Amendment.Meta.GetPerson(), Struck: struck, Now: now, Reason: a.Amendment.Record.GetReason(),
		})
	}
	slices.SortStableFunc(c.Marked, func(a, b *kb.MarkedRecord) int {
		return cmp.Or(a.GetAt().AsTime().Compare(b.GetAt().AsTime()), cmp.Compare(a.GetKind(), b.GetKind()), cmp.Compare(a.GetWhat(), b.GetWhat()), a.GetRecordedAt().AsTime().Compare(b.GetRecordedAt().AsTime()))
	})
}

// named lists all initials that the content mentions.
func (f DayFacts) named(c *kb.DayContent) []string {
	set := map[string]bool{}
	for _, i := range f.Makers() {
		set[i] = true
	}
	for _, i := range c.GetInstruments() {
		for _, ch := range i.GetChecks() {
			set[ch.GetBy().GetInitials()] = true
		}
	}
	for _, b := range c.GetBatches() {
		set[b.GetBy().GetInitials()] = true
		set[b.GetDispositionBy().GetInitials()] = true
	}
	for _, d := range c.GetDeviations() {
		for _, by := range d.GetActionsBy() {
			set[by.GetInitials()] = true
		}
	}
	for _, m := range c.GetMarked() {
		set[m.GetInitials()] = true
	}
	delete(set, "")
	var out []string
	for i := range set {
		out = append(out, i)
	}
	slices.Sort(out)
	return out
}

// DayEntry describes an entry for marks and makers. b is the batch it hangs
// on, when it does.
func DayEntry(s Settings, m proto.Message, meta *kb.Document, b *kb.BatchStart) EntryOfDay {
	e := EntryOfDay{What: What(m), Meta: meta, Made: true, Last: meta.GetOccurredAt().AsTime()}
	switch t := m.(type) {
	case *kb.Check:
		e.Last = t.GetPoints()[len(t.GetPoints())-1].GetAt().AsTime()
	case *kb.Disposition, *kb.CorrectiveAction, *kb.Deviation:
		e.Made = false
	case *kb.KitchenPressure:
		if _, used, err := s.pressureOf(t.GetPressureHpa(), t.GetKind(), t.GetAt()); err == nil && used.GetQuestioned() {
			e.Questioned = fmt.Sprintf("%s hPa does not fit an elevation of %s m; a sea-level figure? It was not used", FormatDecimal(t.GetPressureHpa()), FormatDecimal(s.Site.GetElevationM()))
		}
	case *kb.Readings:
		e.Last = t.GetFirstAt().AsTime().Add(time.Duration(t.GetAfterMs()[len(t.GetAfterMs())-1]) * time.Millisecond)
		if b != nil && t.GetFirstAt().AsTime().Before(b.GetStartedAt().AsTime()) {
			e.Questioned = "read before the batch began"
		}
	case *kb.Pull:
		if b != nil && t.GetAt().AsTime().Before(b.GetStartedAt().AsTime()) {
			e.Questioned = "pulled before the batch began"
		}
	case *kb.ColdWaterTest:
		if b != nil && t.GetAt().AsTime().Before(b.GetStartedAt().AsTime()) {
			e.Questioned = "tested before the batch began"
		}
	}
	return e
}

// Meta gives what an entry's envelope said, as documents keep it.
func (e Entry) Meta() *kb.Document {
	return &kb.Document{
		Sequence: e.GetSequence(), OccurredAt: e.GetOccurredAt(), RecordedAt: e.GetRecordedAt(), ProductionDay: e.GetProductionDay(),
		Person: e.GetPerson(), KnownBy: e.GetKnownBy(), TranscribedBy: e.GetTranscribedBy(), Queued: e.GetQueued(), Sheet: e.GetSheet(), Amends: e.Amends,
	}
}
