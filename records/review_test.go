package records_test

import (
	"crypto/sha256"
	"testing"

	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

// A decision on a batch is never its maker's own, except in a one-person
// kitchen (D31, D34).
func TestDisposition(t *testing.T) {
	alone := site("1480")
	alone.OnePerson = true
	facts := DeviationFacts{Settings: settings("1480"), Batch: openBatch().Batch, Makers: []string{"AB", "EF"}}
	byOne := facts
	byOne.Settings = settingsOf(alone)
	nobody := facts
	nobody.Batch = Doc[*kb.BatchStart]{}
	release := &kb.Disposition{LotCode: "L-1", At: ts("2026-03-03 09:00"), Kind: kb.DispositionKind_DISPOSITION_KIND_RELEASE, Reason: "all limits met"}
	for _, c := range []struct {
		name   string
		facts  DeviationFacts
		person string
		change func(*kb.Disposition)
		kind   error
		want   string
	}{
		{"a reviewer", facts, "CD", nil, nil, ""},
		{"the cook", facts, "AB", nil, ErrNotAllowed, "AB made batch L-1 (ask a reviewer who did not make it)"},
		{"who pulled it", facts, "EF", nil, ErrNotAllowed, "EF made batch L-1 (ask a reviewer who did not make it)"},
		{"the cook, alone", byOne, "AB", nil, nil, ""},
		{"no such batch", nobody, "CD", nil, ErrUnknownReference, "lot_code: batch L-1 is not known (check the lot code)"},
		{"no kind", facts, "CD", func(m *kb.Disposition) { m.Kind = 0 }, ErrInvalid, "kind: is missing (release, hold, rework or discard)"},
		{"no reason", facts, "CD", func(m *kb.Disposition) { m.Reason = "" }, ErrInvalid, "reason: is empty (give 1 to 2000 characters)"},
		{"no time", facts, "CD", func(m *kb.Disposition) { m.At = nil }, ErrInvalid, "at: is missing or no time (give the time it happened)"},
		{"ahead", facts, "CD", func(m *kb.Disposition) { m.At = ts("2026-03-04 09:00") }, ErrTooFarAhead, "at: 2026-03-04T09:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
	} {
		m := proto.Clone(release).(*kb.Disposition)
		if c.change != nil {
			c.change(m)
		}
		drafts, err := DecideDisposition(c.facts, act(c.person), m)
		if c.kind != nil {
			refused(t, err, c.kind, c.want)
			continue
		}
		// It belongs to the day on which the batch started.
		if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" || d.OccurredAt != when("2026-03-03 09:00") || d.Person != c.person {
			t.Errorf("%s: %+v", c.name, d)
		}
	}
}

func TestDeviationsByHand(t *testing.T) {
	facts := DeviationFacts{Settings: settings("1480"), Batch: openBatch().Batch}
	sound := &kb.Deviation{DeviationId: "by-hand/1", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, LotCode: "L-1", At: ts("2026-03-02 07:41"), What: "The pan was knocked."}
	taken := facts
	taken.Known = docHere(sound)
	noBatch := facts
	noBatch.Batch = Doc[*kb.BatchStart]{}
	const rules = "deviation_id: names that begin with check/, pull/, cooling/ are given by the rules (give it a name of its own, for example by-hand/1)"
	for _, c := range []struct {
		facts  DeviationFacts
		change func(*kb.Deviation)
		kind   error
		want   string
	}{
		{facts, func(*kb.Deviation) {}, nil, ""}, {noBatch, func(m *kb.Deviation) { m.LotCode = "" }, nil, ""},
		{noBatch, func(*kb.Deviation) {}, ErrUnknownReference, "lot_code: batch L-1 is not known (open the batch first)"},
		{taken, func(*kb.Deviation) {}, ErrExists, "deviation_id: deviation by-hand/1 exists (answer the one that is there)"},
		{facts, func(m *kb.Deviation) { m.DeviationId = "pull/L-1/cook" }, ErrInvalid, rules}, {facts, func(m *kb.Deviation) { m.DeviationId = "check/c-1" }, ErrInvalid, rules}, {facts, func(m *kb.Deviation) { m.DeviationId = "cooling/L-1" }, ErrInvalid, rules},
		{facts, func(m *kb.Deviation) { m.Withdrawn = true }, ErrInvalid, "withdrawn: a deviation cannot be opened withdrawn (leave it out)"},
		{facts, func(m *kb.Deviation) { m.Class = 0 }, ErrInvalid, "class: is missing (food safety, process, instrument fault or quality miss)"},
		{facts, func(m *kb.Deviation) { m.What = " " }, ErrInvalid, "what: is empty (give 1 to 2000 characters)"},
		{facts, func(m *kb.Deviation) { m.DeviationId = "" }, ErrInvalid, "deviation_id: is empty (give 1 to 200 characters)"},
		{facts, func(m *kb.Deviation) { m.At = ts("2026-03-04 07:00") }, ErrTooFarAhead, "at: 2026-03-04T07:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)"},
	} {
		m := proto.Clone(sound).(*kb.Deviation)
		c.change(m)
		drafts, err := DecideDeviation(c.facts, act("AB"), m)
		if c.kind != nil {
			refused(t, err, c.kind, c.want)
			continue
		}
		if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" || d.Person != "AB" {
			t.Errorf("%+v", d)
		}
	}
	// No two subjects share a name, whatever lot codes and limits are called.
	if PullDeviationID("A", "B/cook") == PullDeviationID("A/B", "cook") || PullDeviationID("A~1B", "c") == PullDeviationID("A/B", "c") || PullDeviationID("L-1", "cook") != "pull/L-1/cook" || CoolingDeviationID("A/B") != "cooling/A~1B" {
		t.Errorf("%s, %s", PullDeviationID("A", "B/cook"), PullDeviationID("A/B", "cook"))
	}
}

func TestCorrectiveAction(t *testing.T) {
	facts := DeviationFacts{Settings: settings("1480"), Known: docHere(&kb.Deviation{DeviationId: "pull/L-1/cook"})}
	sound := &kb.CorrectiveAction{DeviationId: "pull/L-1/cook", At: ts("2026-03-03 03:00"), Text: "Cooked on; the timer is set now."}
	drafts, err := DecideAction(facts, act("AB"), sound)
	// It belongs to the day on which it was done.
	if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" {
		t.Errorf("%+v", d)
	}
	_, err = DecideAction(DeviationFacts{Settings: settings("1480")}, act("AB"), sound)
	refused(t, err, ErrUnknownReference, "deviation_id: deviation pull/L-1/cook is not known (look it up on the day's page)")
	for want, change := range map[string]func(*kb.CorrectiveAction){
		"text: is empty (give 1 to 2000 characters)":                     func(m *kb.CorrectiveAction) { m.Text = "" },
		"deviation_id: is empty (give 1 to 200 characters)":              func(m *kb.CorrectiveAction) { m.DeviationId = "" },
		"at: is missing or no time (give the time it happened)":          func(m *kb.CorrectiveAction) { m.At = nil },
		"text: holds the control character U+0008 (remove it)":           func(m *kb.CorrectiveAction) { m.Text = "a\b" },
		"deviation_id: has 201 characters (give at most 200)":            func(m *kb.CorrectiveAction) { m.DeviationId = string(bytesOf('x', 201)) },
		"text: has 2001 characters (give at most 2000)":                  func(m *kb.CorrectiveAction) { m.Text = string(bytesOf('x', 2001)) },
		"text: is 16385 bytes long; at most 16384 are kept (shorten it)": func(m *kb.CorrectiveAction) { m.Text = string(bytesOf('x', 16385)) },
	} {
		m := proto.Clone(sound).(*kb.CorrectiveAction)
		change(m)
		_, err := DecideAction(facts, act("AB"), m)
		refused(t, err, ErrInvalid, want)
	}
	_, err = DecideAction(facts, act("AB"), &kb.CorrectiveAction{DeviationId: "pull/L-1/cook", At: ts("2026-03-04 03:00"), Text: "Done."})
	refused(t, err, ErrTooFarAhead, "at: 2026-03-04T03:00:00Z is more than 24 h ahead of the server's clock (2026-03-02T22:00:00Z) (check the date, the year and the tablet's clock)")
	// Two answers of one moment both stand.
	b := newBook(t)
	b.take(drafts, nil)
	second := act("CD")
	b.take(DecideAction(facts, second, sound))
	if got := b.index(KindAction, "deviation", "pull/L-1/cook"); len(got) != 2 {
		t.Errorf("%v", got)
	}
}

// D20: what was lost in a restore is said, with the reason.
func TestRestored(t *testing.T) {
	sound := &kb.LedgerRestored{OldCheckpoint: "old", RestoredSize: 3, LostEntries: 2, NewOrigin: "kitchen.example/2", Reason: "the disk broke"}
	drafts, err := DecideRestored(act("AB"), "2026-03-02", sound)
	if d := decided(t, drafts, err)[0]; d.Person != "AB" || d.Day != "2026-03-02" || d.OccurredAt != act("").RecordedAt {
		t.Errorf("%+v", d)
	}
	for want, change := range map[string]func(*kb.LedgerRestored){
		"lost_entries: nothing was lost (go on as it is)":                func(m *kb.LedgerRestored) { m.LostEntries = 0 },
		"new_origin: is empty (give 1 to 200 characters)":                func(m *kb.LedgerRestored) { m.NewOrigin = "" },
		"reason: is empty (give 1 to 500 characters)":                    func(m *kb.LedgerRestored) { m.Reason = "" },
		"restored_size: 0 entries (restore a backup that holds entries)": func(m *kb.LedgerRestored) { m.RestoredSize = 0 },
	} {
		m := proto.Clone(sound).(*kb.LedgerRestored)
		change(m)
		_, err := DecideRestored(act("AB"), "2026-03-02", m)
		refused(t, err, ErrInvalid, want)
	}
}

func bytesOf(c byte, n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = c
	}
	return out
}

// D14, D31, D34: a review is refused when the content changed since it was
// shown, and to who made records of the day; alone it is printed as own work.
func TestReview(t *testing.T) {
	alone := site("1480")
	alone.OnePerson = true
	shown := sha256.Sum256([]byte("the day"))
	facts := ReviewFacts{Settings: settings("1480"), ContentHash: shown, Size: 40, Makers: []string{"AB", "EF"}}
	byOne := facts
	byOne.Settings = settingsOf(alone)
	changed := facts
	changed.ContentHash = sha256.Sum256([]byte("the day, and a late reading"))
	sound := &kb.DayReview{ProductionDay: "2026-03-01", LedgerSize: 40, ContentSha256: shown[:], Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED, OwnWork: true}
	for _, c := range []struct {
		name   string
		facts  ReviewFacts
		person string
		change func(*kb.DayReview)
		own    bool
		kind   error
		want   string
	}{
		{"a reviewer", facts, "CD", nil, false, nil, ""},
		{"a maker", facts, "EF", nil, false, ErrNotAllowed, "EF made records of this day (ask a reviewer who made none of the day's records)"},
		{"a maker, alone", byOne, "AB", nil, true, nil, ""},
		{"another, where one is enough", byOne, "CD", nil, false, nil, ""},
		{"the day changed", changed, "CD", nil, false, ErrDayChanged, "content_sha256: the day changed, look again (read the day again, then sign)"},
		{"no hash", facts, "CD", func(m *kb.DayReview) { m.ContentSha256 = nil }, false, ErrInvalid, "content_sha256: is 0 bytes long, not 32 (send the SHA-256 that came with the day's content)"},
		{"no size", facts, "CD", func(m *kb.DayReview) { m.LedgerSize = 0 }, false, ErrInvalid, "ledger_size: the ledger has 40 entries, not 0 (send the size that came with the day's content)"},
		{"a size to come", facts, "CD", func(m *kb.DayReview) { m.LedgerSize = 41 }, false, ErrInvalid, "ledger_size: the ledger has 40 entries, not 41 (send the size that came with the day's content)"},
		{"an earlier size", facts, "CD", func(m *kb.DayReview) { m.LedgerSize = 1 }, false, nil, ""},
		{"no meaning", facts, "CD", func(m *kb.DayReview) { m.Meaning = 0 }, false, ErrInvalid, "meaning: is missing (say what the signature means)"},
		{"no day", facts, "CD", func(m *kb.DayReview) { m.ProductionDay = "2026-02-30" }, false, ErrInvalid, `production_day: "2026-02-30" is not a day (write it YYYY-MM-DD)`},
		{"a long remark", facts, "CD", func(m *kb.DayReview) { m.Remark = string(bytesOf('x', 2001)) }, false, ErrInvalid, "remark: has 2001 characters (give at most 2000)"},
	} {
		m := proto.Clone(sound).(*kb.DayReview)
		if c.change != nil {
			c.change(m)
		}
		drafts, err := DecideReview(c.facts, act(c.person), m)
		if c.kind != nil {
			refused(t, err, c.kind, c.want)
			continue
		}
		d := decided(t, drafts, err)[0]
		// Whose work it was is found by the rules, never taken from the claim;
		// the signature belongs to the day on which it was given.
		if d.Payload.(*kb.DayReview).GetOwnWork() != c.own || d.Day != "2026-03-02" || d.OccurredAt != act("").RecordedAt {
			t.Errorf("%s: %+v", c.name, d)
		}
	}
}

// D18: a seal is no review; the same content is not sealed twice.
func TestSeal(t *testing.T) {
	shown := sha256.Sum256([]byte("the day"))
	facts := ReviewFacts{Settings: settings("1480"), ContentHash: shown, Size: 40}
	sealed, other := facts, facts
	sealed.LastHash = shown[:]
	other.ContentHash = sha256.Sum256([]byte("another"))
	sound := &kb.DaySeal{ProductionDay: "2026-03-01", LedgerSize: 40, ContentSha256: shown[:]}
	drafts, err := DecideSeal(facts, act("AB"), sound)
	if d := decided(t, drafts, err)[0]; d.Day != "2026-03-02" {
		t.Errorf("%+v", d)
	}
	_, err = DecideSeal(sealed, act("AB"), sound)
	refused(t, err, ErrState, "production_day: a log with this very content is sealed already (the log of that day is in the folder)")
	_, err = DecideSeal(other, act("AB"), sound)
	refused(t, err, ErrDayChanged, "content_sha256: the day changed, look again (read the day again, then seal)")
	_, err = DecideSeal(facts, act("AB"), &kb.DaySeal{ProductionDay: "yesterday", ContentSha256: shown[:]})
	refused(t, err, ErrInvalid, `production_day: "yesterday" is not a day (write it YYYY-MM-DD)`)
	_, err = DecideSeal(facts, act("AB"), &kb.DaySeal{ProductionDay: "2026-03-01", ContentSha256: shown[:31]})
	refused(t, err, ErrInvalid, "content_sha256: is 31 bytes long, not 32 (send the SHA-256 that came with the day's content)")
	d := DraftLogSealed(settings("1480"), act("AB"), &kb.LogSealed{Serial: 1})[0]
	if d.Person != "" || d.Day != "2026-03-02" || d.KnownBy != kb.KnownBy_KNOWN_BY_SYSTEM {
		t.Errorf("%+v", d)
	}
}
