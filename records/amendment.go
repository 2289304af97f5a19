package records

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	kb "kettlebook/proto/kettlebook/v1"
)

// KindAmendment holds amendments by sequence number; index "target": number
// of the entry struck, index "at" by time.
const KindAmendment = "amendment"

var _ = register(func(m *kb.Amendment) error {
	if m.GetTargetSequence() <= 0 {
		return invalid("target_sequence", "name the entry struck", "is missing")
	}
	if (m.GetValue() == nil) == (m.GetReplacement() == nil) {
		return invalid("value", "give a new value, or the whole entry as it should have been", "one of value and replacement is needed")
	}
	return text("reason", m.GetReason(), 1, 500)
}, projectAmendment)

func projectAmendment(e Entry, m *kb.Amendment) (Projection, error) {
	r, err := row(e, KindAmendment, SequenceKey(e.GetSequence()), e.GetProductionDay(), m, Key{"target", SequenceKey(m.GetTargetSequence())})
	if err != nil {
		return Projection{}, err
	}
	replaced, err := m.GetReplacement().UnmarshalNew()
	if err != nil {
		return Projection{}, fmt.Errorf("%w: entry %d: %v", ErrMalformed, e.GetSequence(), err)
	}
	p, err := nounsProject(Entry{Envelope: e.Envelope, Message: replaced, Amends: m.GetTargetSequence()})
	if err != nil {
		return Projection{}, err
	}
	for i := range p.Runs {
		p.Runs[i].Sequence = m.GetTargetSequence()
	}
	p.Rows = append(p.Rows, r)
	return p, nil
}

// nounsProject is Project, taken through a variable so that the table of
// nouns and the amendment's own row in it do not depend on each other.
var nounsProject func(Entry) (Projection, error)

func init() { nounsProject = Project }

// SequenceKey is a sequence number as text that sorts in order.
func SequenceKey(n int64) string { return fmt.Sprintf("%016d", n) }

// amendable are the kinds of record that an amendment may strike.
func amendable(m proto.Message) bool {
	switch m.(type) {
	case *kb.Check, *kb.KitchenPressure, *kb.BatchStart, *kb.Readings, *kb.Pull, *kb.ColdWaterTest, *kb.BatchEnd:
		return true
	}
	return false
}

// AmendFacts is what is known when an entry is amended.
type AmendFacts struct {
	// Settings of the site.
	Settings Settings
	// Target is the entry as first written; found is false when there is none.
	Target Entry
	// Found says that there is such an entry.
	Found bool
	// Current is the record as amended so far; the target's own when never amended.
	Current proto.Message
	// Batch and Instrument are those the record speaks of.
	Batch      BatchFacts
	Instrument Doc[*kb.Instrument]
	// References are the instruments that the new record compares with, by name.
	References map[string]Doc[*kb.Instrument]
}

// Replacement gives the whole record as it will stand after an amendment of
// one value, or as given. Names and the kind of record stay.
func Replacement(f AmendFacts, m *kb.Amendment) (proto.Message, error) {
	if !f.Found {
		return nil, refuse(ErrUnknownReference, "target_sequence", "look the entry up", "there is no entry %d", m.GetTargetSequence())
	}
	if !amendable(f.Target.Message) {
		return nil, refuse(ErrState, "target_sequence", "write a new entry", "entry %d (%s) cannot be amended", m.GetTargetSequence(), f.Target.Message.ProtoReflect().Descriptor().Name())
	}
	if m.GetReplacement() != nil {
		r, err := m.GetReplacement().UnmarshalNew()
		if err != nil {
			return nil, invalid("replacement", "send a record of this version", "cannot be read")
		}
		if r.ProtoReflect().Descriptor() != f.Target.Message.ProtoReflect().Descriptor() {
			return nil, invalid("replacement", "the same kind as the struck entry", "is another kind of record")
		}
		if RecordName(r) != RecordName(f.Target.Message) {
			return nil, invalid("replacement", "keep the name; void the batch or write a new check instead", "an amendment cannot rename %q to %q", RecordName(f.Target.Message), RecordName(r))
		}
		if b, ok := r.(*kb.BatchStart); ok {
			if first := f.Target.Message.(*kb.BatchStart); b.GetVersion() == 0 && b.GetFormulaId() == first.GetFormulaId() {
				b.Version = first.GetVersion() // the client left it to the rules at the start too
			}
		}
		return r, nil
	}
	return withValue(f.Current, m)
}

// withValue gives a record with one of its values replaced.
func withValue(current proto.Message, m *kb.Amendment) (proto.Message, error) {
	r := proto.Clone(current)
	i := int(m.GetTargetIndex())
	switch t := r.(type) {
	case *kb.Check:
		if i >= len(t.GetPoints()) {
			return nil, invalid("target_index", fmt.Sprintf("points are counted from 0 to %d", len(t.GetPoints())-1), "there is no point %d", i)
		}
		t.Points[i].Reading = m.GetValue()
	case *kb.Readings:
		if i >= len(t.GetMicro()) {
			return nil, invalid("target_index", fmt.Sprintf("readings are counted from 0 to %d", len(t.GetMicro())-1), "there is no reading %d", i)
		}
		if t.GetUnit() != m.GetValue().GetUnit() {
			return nil, invalid("value.unit", "replace the whole run", "the run was read in %s", UnitSymbol(t.GetUnit()))
		}
		if len(t.GetDecimals()) == 1 && len(t.GetMicro()) > 1 {
			d := t.GetDecimals()[0]
			t.Decimals = make([]uint32, len(t.GetMicro()))
			for j := range t.Decimals {
				t.Decimals[j] = d
			}
		}
		t.Micro[i], t.Decimals[i] = m.GetValue().GetMicro(), m.GetValue().GetDecimals()
	case *kb.Pull:
		t.Reading = m.GetValue()
	default:
		return nil, invalid("value", "give the whole entry as replacement", "this kind of record has no single value")
	}
	return r, nil
}

// DecideAmendment strikes an entry through. The ledger keeps both; what
// rested on the entry is assessed anew in the same command.
func DecideAmendment(f AmendFacts, act Act, m *kb.Amendment) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	r, err := Replacement(f, m)
	if err != nil {
		return nil, err
	}
	given := "value"
	if m.GetReplacement() != nil {
		given = "replacement"
	}
	if err := Within(given, Validate(r)); err != nil {
		return nil, err
	}
	if proto.Equal(r, f.Current) {
		return nil, invalid(given, "nothing needs amending", "is what stands there already")
	}
	if err := f.admit(r, act.RecordedAt); err != nil {
		return nil, Within(given, err)
	}
	c := clone(m)
	if c.Replacement, err = anypb.New(r); err != nil {
		return nil, invalid("replacement", "", "cannot be written: %v", err)
	}
	return []Draft{{Act: act, OccurredAt: f.Target.GetOccurredAt().AsTime(), Day: f.Target.GetProductionDay(), Payload: c}}, nil
}

// admit holds the new record to what a first entry of its kind must hold to.
func (f AmendFacts) admit(r proto.Message, now time.Time) error {
	if err := CheckAhead("at", lastMoment(r), now); err != nil {
		return err
	}
	switch t := r.(type) {
	case *kb.Check:
		if err := knownInstrument("instrument_id", t.GetInstrumentId(), f.Instrument); err != nil {
			return err
		}
		return CheckFacts{Settings: f.Settings, Instrument: f.Instrument, References: f.References}.checkReadings(t)
	case *kb.Readings:
		if err := knownInstrument("instrument_id", t.GetInstrumentId(), f.Instrument); err != nil {
			return err
		}
		return checkRun(f.Instrument.Record, t)
	case *kb.Pull:
		return checkPull(f.Instrument.Record, t)
	case *kb.BatchStart:
		if first := f.Target.Message.(*kb.BatchStart); t.GetFormulaId() != first.GetFormulaId() || t.GetVersion() != first.GetVersion() {
			return refuse(ErrState, "formula_id", "void the batch and open it anew under another lot code", "batch %s was opened for version %d of %s", t.GetLotCode(), first.GetVersion(), first.GetFormulaId())
		}
		if day := f.Settings.Day(t.GetStartedAt().AsTime()); day != f.Target.GetProductionDay() {
			return refuse(ErrState, "started_at", "void the batch and open it anew under another lot code", "batch %s and all that hangs on it belong to %s, not to %s", t.GetLotCode(), f.Target.GetProductionDay(), day)
		}
		return knownInstrument("instrument_id", t.GetInstrumentId(), f.Instrument)
	case *kb.ColdWaterTest:
		return checkStage(t.GetStage())
	case *kb.BatchEnd:
		return f.Batch.checkEnd(t)
	}
	return nil
}

// lastMoment is the last time that a record claims.
func lastMoment(m proto.Message) time.Time {
	switch t := m.(type) {
	case *kb.Check:
		return t.GetPoints()[len(t.GetPoints())-1].GetAt().AsTime()
	case *kb.Readings:
		return t.GetFirstAt().AsTime().Add(time.Duration(t.GetAfterMs()[len(t.GetAfterMs())-1]) * time.Millisecond)
	}
	return RecordTime(m)
}

// RecordName gives the name that a record carries: a lot code, a check.
func RecordName(m proto.Message) string {
	switch t := m.(type) {
	case *kb.Check:
		return t.GetCheckId()
	case interface{ GetLotCode() string }:
		return t.GetLotCode()
	case interface{ GetInstrumentId() string }:
		return t.GetInstrumentId()
	}
	return ""
}

// RecordTime gives the time that a record claims; the zero time when it
// claims none.
func RecordTime(m proto.Message) time.Time {
	switch t := m.(type) {
	case *kb.Check:
		if len(t.GetPoints()) == 0 {
			return time.Time{}
		}
		return t.GetPoints()[0].GetAt().AsTime()
	case *kb.BatchStart:
		return t.GetStartedAt().AsTime()
	case *kb.Readings:
		return t.GetFirstAt().AsTime()
	case *kb.KitchenPressure:
		return t.GetAt().AsTime()
	case *kb.Pull:
		return t.GetAt().AsTime()
	case *kb.ColdWaterTest:
		return t.GetAt().AsTime()
	case *kb.BatchEnd:
		return t.GetAt().AsTime()
	}
	return time.Time{}
}
