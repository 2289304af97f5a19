package records

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
)

// Makers lists the initials of everyone who made or amended records of the
// day.
func (f DayFacts) Makers() []string {
	var out []string
	add := func(person string) {
		if person != "" && !slices.Contains(out, person) {
			out = append(out, person)
		}
	}
	for _, e := range f.Entries {
		if e.Made {
			add(e.Meta.GetPerson())
		}
	}
	for _, a := range f.Amendments {
		add(a.Amendment.Meta.GetPerson())
	}
	slices.Sort(out)
	return out
}

// marks lists what is to be read apart: late, queued, amended, early and
// questioned records.
func (f DayFacts) marks(c *kb.DayContent) {
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
	slices.SortFunc(c.Marked, func(a, b *kb.MarkedRecord) int {
		return cmp.Or(a.GetAt().AsTime().Compare(b.GetAt().AsTime()), cmp.Compare(a.GetKind(), b.GetKind()), cmp.Compare(a.GetWhat(), b.GetWhat()), a.GetRecordedAt().AsTime().Compare(b.GetRecordedAt().AsTime()),
			cmp.Compare(a.GetInitials(), b.GetInitials()), cmp.Compare(a.GetStruck(), b.GetStruck()), cmp.Compare(a.GetNow(), b.GetNow()), cmp.Compare(a.GetReason(), b.GetReason()))
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
