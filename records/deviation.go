package records

import (
	"slices"
	"strings"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
)

// Kinds of deviation documents.
const (
	// KindDeviation holds deviations by name; index "lot" by batch, index
	// "cause" by time of cause, index "standing" by time for those that stand on
	// later days too until they are answered.
	KindDeviation = "deviation"
	// KindAction holds corrective actions; index "deviation": name, time.
	KindAction = "action"
	// KindDisposition holds the latest decision on a batch by lot code.
	KindDisposition = "disposition"
)

var (
	_ = register(func(m *kb.Deviation) error {
		if err := name("deviation_id", m.GetDeviationId(), 200); err != nil {
			return err
		}
		if m.GetClass() == kb.DeviationClass_DEVIATION_CLASS_UNSPECIFIED {
			return invalid("class", "food safety, process, instrument fault or quality miss", "is missing")
		}
		if err := validTime("at", m.GetAt()); err != nil {
			return err
		}
		return text("what", m.GetWhat(), 1, 2000)
	}, func(e Entry, m *kb.Deviation) (Projection, error) {
		at := TimeKey(m.GetAt().AsTime())
		keys := []Key{{"cause", at}}
		if m.GetLotCode() != "" {
			keys = append(keys, Key{"lot", m.GetLotCode()})
		}
		if !m.GetWithdrawn() && m.GetClass() != kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS {
			keys = append(keys, Key{"standing", at})
		}
		r, err := row(e, KindDeviation, m.GetDeviationId(), e.GetProductionDay(), m, keys...)
		return rows(r), err
	})
	_ = register(func(m *kb.CorrectiveAction) error {
		if err := text("deviation_id", m.GetDeviationId(), 1, 200); err != nil {
			return err
		}
		if err := validTime("at", m.GetAt()); err != nil {
			return err
		}
		return text("text", m.GetText(), 1, 2000)
	}, func(e Entry, m *kb.CorrectiveAction) (Projection, error) {
		id := JoinKey(m.GetDeviationId(), TimeKey(m.GetAt().AsTime()), e.GetRequestId())
		r, err := row(e, KindAction, id, e.GetProductionDay(), m, Key{"deviation", JoinKey(m.GetDeviationId(), TimeKey(m.GetAt().AsTime()))})
		return rows(r), err
	})
	_ = register(func(m *kb.Disposition) error {
		if err := name("lot_code", m.GetLotCode(), 40); err != nil {
			return err
		}
		if err := validTime("at", m.GetAt()); err != nil {
			return err
		}
		if m.GetKind() == kb.DispositionKind_DISPOSITION_KIND_UNSPECIFIED {
			return invalid("kind", "release, hold, rework or discard", "is missing")
		}
		return text("reason", m.GetReason(), 1, 2000)
	}, func(e Entry, m *kb.Disposition) (Projection, error) {
		r, err := row(e, KindDisposition, m.GetLotCode(), e.GetProductionDay(), m)
		return rows(r), err
	})
)

// JoinID joins the parts of a deviation's name: its subject, so that the same
// cause never opens two. A slash within a part is written ~1, a tilde ~0 (as in
// RFC 6901), so that no two subjects share a name.
func JoinID(parts ...string) string {
	out := make([]string, len(parts))
	for i, p := range parts {
		out[i] = strings.NewReplacer("~", "~0", "/", "~1").Replace(p)
	}
	return strings.Join(out, "/")
}

// ruleNames begin the names of deviations that rules open and withdraw.
var ruleNames = []string{"check/", "pull/", "cooling/"}

// settleDeviation drafts what brings the deviation of a subject in line with
// what is known now: opened or reworded when want.What is given, withdrawn
// when it is not; nothing when it stands as it should.
func settleDeviation(have Doc[*kb.Deviation], act Act, day string, at time.Time, want *kb.Deviation) []Draft {
	if want.GetWhat() == "" {
		if !have.Has() || have.Record.GetWithdrawn() {
			return nil
		}
		want = clone(have.Record)
		want.Withdrawn = true
	} else if have.Has() && sameConclusion(have.Record, want) {
		return nil
	}
	return []Draft{{Act: act.System(), OccurredAt: at, Day: day, Payload: want}}
}

// DeviationFacts is what is known when a deviation is opened or answered.
type DeviationFacts struct {
	// Settings of the site.
	Settings Settings
	// Known is the deviation of that name.
	Known Doc[*kb.Deviation]
	// Batch is the batch it speaks of.
	Batch Doc[*kb.BatchStart]
	// Makers are the initials of those who made the batch: who started, read, pulled or ended it.
	Makers []string
}

// DecideDeviation opens a deviation by hand.
func DecideDeviation(f DeviationFacts, act Act, m *kb.Deviation) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if f.Known.Has() {
		return nil, refuse(ErrExists, "deviation_id", "answer the one that is there", "deviation %s exists", m.GetDeviationId())
	}
	if slices.ContainsFunc(ruleNames, func(n string) bool { return strings.HasPrefix(m.GetDeviationId(), n) }) {
		return nil, invalid("deviation_id", "give it a name of its own, for example by-hand/1", "names that begin with %s are given by the rules", strings.Join(ruleNames, ", "))
	}
	if m.GetWithdrawn() {
		return nil, invalid("withdrawn", "leave it out", "a deviation cannot be opened withdrawn")
	}
	if m.GetLotCode() != "" && !f.Batch.Has() {
		return nil, refuse(ErrUnknownReference, "lot_code", "open the batch first", "batch %s is not known", m.GetLotCode())
	}
	at := m.GetAt().AsTime()
	if err := CheckAhead("at", at, act.RecordedAt); err != nil {
		return nil, err
	}
	return []Draft{{Act: act, OccurredAt: at, Day: f.Settings.Day(at), Payload: m}}, nil
}

// DecideAction keeps what was done about a deviation.
func DecideAction(f DeviationFacts, act Act, m *kb.CorrectiveAction) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if !f.Known.Has() {
		return nil, refuse(ErrUnknownReference, "deviation_id", "look it up on the day's page", "deviation %s is not known", m.GetDeviationId())
	}
	at := m.GetAt().AsTime()
	if err := CheckAhead("at", at, act.RecordedAt); err != nil {
		return nil, err
	}
	return []Draft{{Act: act, OccurredAt: at, Day: f.Settings.Day(at), Payload: m}}, nil
}

// DecideDisposition keeps a person's decision on a batch; never the maker's
// own, unless the kitchen is a one-person kitchen (which is printed).
func DecideDisposition(f DeviationFacts, act Act, m *kb.Disposition) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if !f.Batch.Has() {
		return nil, refuse(ErrUnknownReference, "lot_code", "check the lot code", "batch %s is not known", m.GetLotCode())
	}
	if !f.Settings.Site.GetOnePerson() && slices.Contains(f.Makers, act.Person) {
		return nil, refuse(ErrNotAllowed, "", "ask a reviewer who did not make it", "%s made batch %s", act.Person, m.GetLotCode())
	}
	at := m.GetAt().AsTime()
	if err := CheckAhead("at", at, act.RecordedAt); err != nil {
		return nil, err
	}
	return []Draft{{Act: act, OccurredAt: at, Day: f.Batch.Meta.GetProductionDay(), Payload: m}}, nil
}
