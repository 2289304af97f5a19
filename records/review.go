package records

import (
	"bytes"
	"fmt"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
)

// Kinds of review documents.
const (
	// KindReview holds reviews by day and number of entry.
	KindReview = "review"
	// KindSeal holds seals without review, likewise.
	KindSeal = "seal"
	// KindLog holds sealed logs by serial; index "day": day, issue; index
	// "cause": number of the review or seal entry.
	KindLog = "log"
	// KindSheet holds sheets taken by request; KindSheetRow the rows by name.
	KindSheet    = "sheet"
	KindSheetRow = "sheet_row"
)

var (
	_ = register(func(m *kb.DayReview) error {
		if m.GetMeaning() == kb.SigningMeaning_SIGNING_MEANING_UNSPECIFIED {
			return invalid("meaning", "say what the signature means", "is missing")
		}
		if err := text("remark", m.GetRemark(), 0, 2000); err != nil {
			return err
		}
		return validHash("content_sha256", m.GetContentSha256())
	}, func(e Entry, m *kb.DayReview) (Projection, error) {
		r, err := row(e, KindReview, JoinKey(m.GetProductionDay(), SequenceKey(e.GetSequence())), m.GetProductionDay(), m, Key{"sequence", SequenceKey(e.GetSequence())})
		return rows(r), err
	})
	_ = register(func(m *kb.DaySeal) error { return validHash("content_sha256", m.GetContentSha256()) },
		func(e Entry, m *kb.DaySeal) (Projection, error) {
			r, err := row(e, KindSeal, JoinKey(m.GetProductionDay(), SequenceKey(e.GetSequence())), m.GetProductionDay(), m, Key{"sequence", SequenceKey(e.GetSequence())})
			return rows(r), err
		})
	_ = register[*kb.LogSealed](nil, func(e Entry, m *kb.LogSealed) (Projection, error) {
		r, err := row(e, KindLog, fmt.Sprintf("%08d", m.GetSerial()), m.GetProductionDay(), m,
			Key{"day", JoinKey(m.GetProductionDay(), fmt.Sprintf("%08d", m.GetIssue()))}, Key{"cause", SequenceKey(m.GetCauseSequence())})
		return rows(r), err
	})
	_ = register[*kb.SheetTaken](nil, func(e Entry, m *kb.SheetTaken) (Projection, error) {
		r, err := row(e, KindSheet, e.GetRequestId(), "", m)
		if err != nil {
			return Projection{}, err
		}
		p := rows(r)
		for _, sr := range m.GetRowsTaken() {
			r, err := row(e, KindSheetRow, sr.GetRowId(), sr.GetProductionDay(), &kb.SheetRowTaken{RowId: sr.GetRowId(), ContentSha256: sr.GetContentSha256()})
			if err != nil {
				return Projection{}, err
			}
			p.Rows = append(p.Rows, r)
		}
		return p, nil
	})
)

func validHash(field string, b []byte) error {
	if len(b) != 32 {
		return invalid(field, "send the SHA-256 that came with the day's content", "is %d bytes long, not 32", len(b))
	}
	return nil
}

// ReviewFacts is what is known when a day is reviewed or sealed.
type ReviewFacts struct {
	// Settings of the site.
	Settings Settings
	// ContentHash is the SHA-256 of the day's content as it stands now.
	ContentHash [32]byte
	// Size is the ledger's size.
	Size int64
	// Makers are the initials of everyone who made records of the day.
	Makers []string
	// LastHash is the content hash of the latest log of the day; nil when none.
	LastHash []byte
}

// shownAt refuses a ledger size at which no content can have been shown.
func (f ReviewFacts) shownAt(size int64) error {
	if size < 1 || size > f.Size {
		return invalid("ledger_size", "send the size that came with the day's content", "the ledger has %d entries, not %d", f.Size, size)
	}
	return nil
}

// DecideReview keeps a person's signature under a day's content. It is
// refused when the day's content differs from what was shown, and when the
// reviewer made records of the day, except in a one-person kitchen, where the
// signature says so.
func DecideReview(f ReviewFacts, act Act, m *kb.DayReview) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if _, _, err := f.Settings.Bounds(m.GetProductionDay()); err != nil {
		return nil, err
	}
	if err := f.shownAt(m.GetLedgerSize()); err != nil {
		return nil, err
	}
	if !bytes.Equal(m.GetContentSha256(), f.ContentHash[:]) {
		return nil, refuse(ErrDayChanged, "content_sha256", "read the day again, then sign", "the day changed, look again")
	}
	c := clone(m)
	c.OwnWork = false
	for _, maker := range f.Makers {
		if maker != act.Person {
			continue
		}
		if !f.Settings.Site.GetOnePerson() {
			return nil, refuse(ErrNotAllowed, "", "ask a reviewer who made none of the day's records", "%s made records of this day", act.Person)
		}
		c.OwnWork = true
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: f.Settings.Day(act.RecordedAt), Payload: c}}, nil
}

// DecideSeal asks for a log sealed by software. It is no review.
func DecideSeal(f ReviewFacts, act Act, m *kb.DaySeal) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if _, _, err := f.Settings.Bounds(m.GetProductionDay()); err != nil {
		return nil, err
	}
	if err := f.shownAt(m.GetLedgerSize()); err != nil {
		return nil, err
	}
	if !bytes.Equal(m.GetContentSha256(), f.ContentHash[:]) {
		return nil, refuse(ErrDayChanged, "content_sha256", "read the day again, then seal", "the day changed, look again")
	}
	if bytes.Equal(m.GetContentSha256(), f.LastHash) {
		return nil, refuse(ErrState, "production_day", "the log of that day is in the folder", "a log with this very content is sealed already")
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: f.Settings.Day(act.RecordedAt), Payload: m}}, nil
}

// DraftLogSealed records that a log was made and kept.
func DraftLogSealed(s Settings, act Act, m *kb.LogSealed) []Draft {
	return []Draft{{Act: act.System(), OccurredAt: act.RecordedAt, Day: s.Day(act.RecordedAt), Payload: m}}
}

// IsLate says whether an entry was made later than the site allows.
func (s Settings) IsLate(occurred, recorded time.Time) bool {
	return recorded.Sub(occurred) > s.LateAfter
}
