package server

import (
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// previousKept is how many earlier logs a log proves that its ledger extends.
const previousKept = 32

// makeLog draws, seals and keeps the log of a review or seal entry, and then
// records that it did. It is done once: when the log is there already, that
// one is the answer. A crash before the last step leaves the cause without a
// log, and the next start makes it from the kept bytes.
func (s *Server) makeLog(ctx context.Context, cause int64) (*kb.LogSealed, error) {
	s.follow.Lock()
	defer s.follow.Unlock()
	log, known, err := s.gatherLog(ctx, cause)
	if err != nil || known != nil {
		return known, err
	}
	pdf, err := s.cfg.Render(log)
	if err != nil {
		return nil, fmt.Errorf("server: drawing log %d: %w", log.GetSerial(), err)
	}
	sealed, err := s.cfg.Seal(pdf, log)
	if err != nil {
		return nil, fmt.Errorf("server: sealing log %d: %w", log.GetSerial(), err)
	}
	data, err := records.CompactJSON(log)
	if err != nil {
		return nil, err
	}
	c := new(kb.DayContent)
	if err := protojson.Unmarshal(log.GetContent(), c); err != nil {
		return nil, fmt.Errorf("%w: %v", records.ErrMalformed, err)
	}
	logSum, pdfSum := sha256.Sum256(data), sha256.Sum256(sealed)
	m := &kb.LogSealed{
		Serial: log.GetSerial(), ProductionDay: c.GetProductionDay(), Issue: log.GetIssue(), ContentSha256: log.GetContentSha256(),
		LogSha256: logSum[:], PdfSha256: pdfSum[:], FileName: LogName(c.GetProductionDay(), log.GetIssue()), CauseSequence: cause, SealedAt: log.GetSealedAt(),
	}
	if err := s.cfg.Files.Keep(data, ""); err != nil {
		return nil, fmt.Errorf("server: keeping log %d: %w", log.GetSerial(), err)
	}
	if err := s.cfg.Files.Keep(sealed, m.GetFileName()); err != nil {
		return nil, fmt.Errorf("server: keeping log %d: %w", log.GetSerial(), err)
	}
	act := records.Act{Site: 1, KnownBy: kb.KnownBy_KNOWN_BY_SYSTEM, RequestID: systemID("log", fmt.Sprint(cause)), RecordedAt: s.cfg.Clock.Now(), SoftwareVersion: s.cfg.SoftwareVersion}
	_, err = s.cfg.Store.Append(ctx, store.Command{RequestID: act.RequestID}, step(func(v store.View) (records.Settings, error) {
		return settingsAt(v, act.RecordedAt)
	}, func(settings records.Settings) ([]records.Draft, error) {
		return records.DraftLogSealed(settings, act, m), nil
	}))
	return m, err
}

// LogName names the file of a log: the day, and the issue from the second on.
func LogName(day string, issue uint32) string {
	if issue > 1 {
		return fmt.Sprintf("log-%s-%d.pdf", day, issue)
	}
	return fmt.Sprintf("log-%s.pdf", day)
}

// gatherLog puts a log together from the kept content and the ledger; known
// is the log when it was made before.
func (s *Server) gatherLog(ctx context.Context, cause int64) (log *kb.DayLog, known *kb.LogSealed, err error) {
	v, release, err := s.view(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer release()
	made, err := list[*kb.LogSealed](v, store.Query{Kind: records.KindLog, Index: "cause", From: records.SequenceKey(cause), To: records.SequenceKey(cause) + "\x7f", Limit: 1})
	if err != nil {
		return nil, nil, err
	}
	if len(made) > 0 {
		return nil, made[0].Record, nil
	}
	stored, err := v.Entry(cause)
	if err != nil {
		return nil, nil, err
	}
	e, err := records.ParseEntry(stored.Envelope)
	if err != nil {
		return nil, nil, err
	}
	log = &kb.DayLog{
		SealedAt: timestamppb.New(s.cfg.Clock.Now()), VerifierKey: s.cfg.VerifierKey, SealFingerprint: s.cfg.SealFingerprint, CaFingerprint: s.cfg.CAFingerprint,
		CauseEnvelope: stored.Envelope, CauseSequence: cause, SoftwareVersion: s.cfg.SoftwareVersion, SteppedClock: s.cfg.SteppedClock,
	}
	var day string
	switch m := e.Message.(type) {
	case *kb.DayReview:
		day, log.ContentSha256, log.Review, log.ReviewedAt = m.GetProductionDay(), m.GetContentSha256(), m, e.GetRecordedAt()
		p, err := version[*kb.Person](v, records.KindPersonVersion, e.GetPerson(), e.GetRecordedAt().AsTime())
		if err != nil {
			return nil, nil, err
		}
		log.Reviewer = p.Record
	case *kb.DaySeal:
		day, log.ContentSha256 = m.GetProductionDay(), m.GetContentSha256()
	default:
		return nil, nil, fmt.Errorf("%w: entry %d is neither review nor seal", records.ErrMalformed, cause)
	}
	var sum [sha256.Size]byte
	copy(sum[:], log.GetContentSha256())
	if log.Content, err = s.cfg.Files.Read(sum); err != nil {
		return nil, nil, fmt.Errorf("server: content of %s: %w", day, err)
	}
	if err := s.position(v, log, day); err != nil {
		return nil, nil, err
	}
	if err := s.proofs(v, log, cause); err != nil {
		return nil, nil, err
	}
	return log, nil, s.aroundLog(v, log, day)
}

// position gives the log its serial and issue, and says what changed since the issue before.
func (s *Server) position(v store.View, log *kb.DayLog, day string) error {
	last, err := list[*kb.LogSealed](v, store.Query{Kind: records.KindLog, Desc: true, Limit: 1})
	if err != nil {
		return err
	}
	log.Serial, log.Issue = 1, 1
	if len(last) > 0 {
		log.Serial = last[0].Record.GetSerial() + 1
	}
	before, err := lastLog(v, day)
	if err != nil || !before.Has() {
		return err
	}
	log.Issue = before.Record.GetIssue() + 1
	var sum [sha256.Size]byte
	copy(sum[:], before.Record.GetContentSha256())
	old, err := s.cfg.Files.Read(sum)
	if err != nil {
		return fmt.Errorf("server: content of the issue before: %w", err)
	}
	log.Changes, err = records.ContentChanges(old, log.GetContent())
	return err
}

// proofs signs the checkpoint at the cause and proves that it holds the cause
// and extends the checkpoints of earlier logs.
func (s *Server) proofs(v store.View, log *kb.DayLog, cause int64) error {
	signed, err := s.signCheckpoint(v, cause)
	if err != nil {
		return err
	}
	log.Checkpoint = string(signed)
	proof, err := ledger.Inclusion(v, cause, cause-1)
	if err != nil {
		return err
	}
	log.CauseProof = hashes(proof)
	earlier, err := list[*kb.LogSealed](v, store.Query{Kind: records.KindLog, Desc: true, Limit: previousKept})
	if err != nil {
		return err
	}
	for _, d := range earlier {
		size := d.Record.GetCauseSequence()
		if size > cause {
			continue // two reviews were signed before either log was made
		}
		root, err := ledger.RootAt(v, size)
		if err != nil {
			return err
		}
		proof, err := ledger.Consistency(v, size, cause)
		if err != nil {
			return err
		}
		log.Previous = append(log.Previous, &kb.LogReference{
			Serial: d.Record.GetSerial(), ProductionDay: d.Record.GetProductionDay(), FileName: d.Record.GetFileName(), PdfSha256: d.Record.GetPdfSha256(),
			LedgerSize: size, Root: root[:], ConsistencyProof: hashes(proof),
		})
	}
	return nil
}

func hashes(in []ledger.Hash) [][]byte {
	out := make([][]byte, len(in))
	for i, h := range in {
		out[i] = slices.Clone(h[:])
	}
	return out
}

// aroundLog adds what stands in the log and not in the day's content: when
// its sheets were entered, and notices of restores.
func (s *Server) aroundLog(v store.View, log *kb.DayLog, day string) error {
	settings, err := settingsAt(v, log.GetSealedAt().AsTime())
	if err != nil {
		return err
	}
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindSheet}) {
		if err != nil {
			return err
		}
		sheet, err := records.ReadDoc[*kb.SheetTaken](d.Body)
		if err != nil {
			return err
		}
		if slices.Contains(sheet.Record.GetProductionDays(), day) {
			log.SheetsEntered = append(log.SheetsEntered, fmt.Sprintf("%s: entered %s by %s", sheet.Record.GetSheet(),
				sheet.Meta.GetRecordedAt().AsTime().In(settings.Location()).Format("2006-01-02 15:04"), sheet.Meta.GetTranscribedBy()))
		}
	}
	slices.Sort(log.SheetsEntered)
	for d, err := range store.AllDocuments(v, store.Query{Kind: records.KindRestored}) {
		if err != nil {
			return err
		}
		r, err := records.ReadDoc[*kb.LedgerRestored](d.Body)
		if err != nil {
			return err
		}
		log.Restored = append(log.Restored, fmt.Sprintf("Restored %s from a backup of %d entries; %d signed entries were lost; continued as %s: %s",
			r.Meta.GetRecordedAt().AsTime().In(settings.Location()).Format(time.DateOnly), r.Record.GetRestoredSize(), r.Record.GetLostEntries(), r.Record.GetNewOrigin(), r.Record.GetReason()))
	}
	return nil
}

// followedAtStart is how many of the last entries are looked at after a start
// for look-backs that did not follow: more than commands can have been under way.
const followedAtStart = 5000

// finish does after a start what a crash left half done: logs of reviews and
// seals, and look-backs.
func (s *Server) finish(ctx context.Context) error {
	v, release, err := s.view(ctx)
	if err != nil {
		return err
	}
	var causes []int64
	for _, kind := range []string{records.KindReview, records.KindSeal} {
		docs, err := v.Documents(store.Query{Kind: kind, Index: "sequence", Desc: true, Limit: 100})
		if err != nil {
			release()
			return err
		}
		for _, d := range docs {
			causes = append(causes, d.Sequence)
		}
	}
	size := v.Size()
	release()
	// What was concluded last may have been cut off before its look-backs followed.
	if err := s.lookBacks(ctx, max(1, size-followedAtStart+1), followedAtStart, fmt.Sprintf("start at %d", size)); err != nil {
		s.cfg.Logf("look-backs at the start: %v", err)
	}
	slices.Sort(causes)
	for _, cause := range causes {
		if _, err := s.makeLog(ctx, cause); err != nil {
			if ctx.Err() != nil {
				return err
			}
			// A log that cannot be made keeps nobody from the kettle: the cause and
			// the content are kept, and it is tried again at the next start.
			s.cfg.Logf("log of entry %d: %v", cause, err)
		}
	}
	return nil
}
