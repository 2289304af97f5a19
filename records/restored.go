package records

import (
	kb "kettlebook/proto/kettlebook/v1"
)

// KindRestored holds notices of restores that lost entries.
const KindRestored = "restored"

var _ = register(func(m *kb.LedgerRestored) error {
	if m.GetRestoredSize() < 1 {
		return invalid("restored_size", "restore a backup that holds entries", "%d entries", m.GetRestoredSize())
	}
	if m.GetLostEntries() < 1 {
		return invalid("lost_entries", "go on as it is", "nothing was lost")
	}
	if err := text("new_origin", m.GetNewOrigin(), 1, 200); err != nil {
		return err
	}
	return text("reason", m.GetReason(), 1, 500)
}, func(e Entry, m *kb.LedgerRestored) (Projection, error) {
	r, err := row(e, KindRestored, SequenceKey(e.GetSequence()), "", m)
	return rows(r), err
})

// DecideRestored keeps the notice with which a ledger that lost signed entries
// goes on under a new origin. day is the production day on which it is done.
func DecideRestored(act Act, day string, m *kb.LedgerRestored) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: m}}, nil
}
