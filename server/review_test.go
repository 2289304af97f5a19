package server_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/ledger"
	"kettlebook/server"
)

// worked opens a kitchen in which Anna checked C1 and cooked batch L1 on Monday.
func worked(t *testing.T, changes ...change) *kitchen {
	k := furnished(t, changes...)
	k.clock.Set(at(0, 6, 0))
	k.check(anna, "c1", "C1", ice(at(0, 5, 45), "0.1"), boil(at(0, 5, 50), "95.1", "845.0"))
	k.clock.Set(at(0, 7, 30))
	k.cook(anna, "L1", "FON", "C1", at(0, 7, 15), "80.0", "100.0", "111.0")
	return k
}

func (k *kitchen) overdue() map[string]*sv.OverdueDay {
	k.t.Helper()
	r, err := k.op.Day.ListOverdue(ctx, &sv.ListOverdueRequest{})
	if err != nil {
		k.t.Fatal(err)
	}
	out := map[string]*sv.OverdueDay{}
	for _, d := range r.GetRows() {
		out[d.GetProductionDay()] = d
	}
	return out
}

func (k *kitchen) seal(day string) (*kb.LogSealed, error) {
	k.t.Helper()
	_, shown := k.day(day)
	r, err := k.op.Day.SealDay(ctx, &sv.SealDayRequest{RequestId: k.id(), Seal: &kb.DaySeal{ProductionDay: day, LedgerSize: shown.GetLedgerSize(), ContentSha256: shown.GetContentSha256()}})
	return r.GetLog(), err
}

// fetch gives a sealed log as handed out.
func (k *kitchen) fetch(serial uint32) []byte {
	k.t.Helper()
	pdf, _, err := k.op.FetchLog(ctx, &sv.GetLogRequest{Serial: serial})
	if err != nil {
		k.t.Fatal(err)
	}
	return pdf
}

// TestReviewOfWhatWasShown: a review is refused when the day is no longer what
// the reviewer saw; entries of other days do not disturb it (D14).
func TestReviewOfWhatWasShown(t *testing.T) {
	k := worked(t)
	_, shown := k.day(monday)
	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 20), time.Second, "108.0")))
	before := k.state()
	_, err := k.reviewShown(rita, monday, shown)
	want(t, err, records.ErrDayChanged, "review.content_sha256")
	if k.state() != before {
		t.Error("the ledger changed")
	}
	// Entries of later days, people and instruments come in: the day is as shown.
	_, shown = k.day(monday)
	k.clock.Set(at(1, 6, 0))
	k.check(bo, "c2", "C2", ice(at(1, 5, 45), "0.0"))
	k.open("L2", at(1, 5, 50))
	must(t)(k.op.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: "NEW", PrintedName: "New", Roles: []kb.Role{kb.Role_ROLE_COOK}}}))
	must(t)(k.op.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: k.id(), Instrument: &kb.Instrument{InstrumentId: "C9", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1")}}))
	r, err := k.reviewShown(rita, monday, shown)
	if err != nil {
		t.Fatal(err)
	}
	e := k.entries(r.GetReceipt().GetFirstSequence() - 1)[0]
	if m, ok := e.Message.(*kb.DayReview); !ok || m.GetLedgerSize() != shown.GetLedgerSize() || !bytes.Equal(m.GetContentSha256(), shown.GetContentSha256()) || m.GetOwnWork() {
		t.Errorf("the review entry is %v", e.Message)
	}
	// What was claimed about the ledger must be possible.
	for _, size := range []int64{0, -1, 1 << 40} {
		_, now := k.day(tuesday)
		now.LedgerSize = size
		_, err := k.reviewShown(rita, tuesday, now)
		want(t, err, records.ErrInvalid, "review.ledger_size")
	}
	// No day, no review.
	_, now := k.day(tuesday)
	_, err = k.reviewShown(rita, "", now)
	want(t, err, records.ErrInvalid, "review.production_day")
}

// TestReviewWhileTheKitchenWorks: entries of other days come in all the while,
// and the review is taken all the same.
func TestReviewWhileTheKitchenWorks(t *testing.T) {
	k := worked(t)
	k.clock.Set(at(1, 6, 0))
	k.open("L2", at(1, 5, 50))
	var ended atomic.Bool
	done := make(chan int)
	bos := k.as(bo)
	go func() {
		n := 0
		for ; !ended.Load(); n++ {
			if _, err := bos.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: testID("busy" + string(rune(n))), Readings: run("L2", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(1, 5, 51), time.Second, "90.0")}); err != nil {
				t.Error(err)
				break
			}
		}
		done <- n
	}()
	r, err := k.review(rita, monday)
	ended.Store(true)
	if n := <-done; n == 0 {
		t.Error("nothing came in meanwhile")
	}
	if err != nil || r.GetLog().GetSerial() != 1 {
		t.Fatalf("%v, %v", r, err)
	}
}

// TestNobodyReviewsOwnWork: who made records of the day, or struck one, does
// not review it, except in a one-person kitchen, which the review says.
func TestNobodyReviewsOwnWork(t *testing.T) {
	for name, work := range map[string]func(k *kitchen){
		"a check": func(k *kitchen) { k.check(rita, "c2", "C2", ice(at(0, 6, 0), "0.0")) },
		"readings": func(k *kitchen) {
			must(k.t)(k.as(rita).Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: k.id(), Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 20), time.Second, "108.0")}))
		},
		"an amendment": func(k *kitchen) {
			must(k.t)(k.as(rita).Deviation.Amend(ctx, &sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: k.sequenceOf("c1"), Value: tc("0.2"), Reason: "misread"}}))
		},
		"a sheet": func(k *kitchen) {
			must(k.t)(k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "s", Rows: []*sv.SheetRow{{RowKey: "1", Initials: rita, Record: &sv.SheetRow_Point{Point: &sv.SheetPoint{InstrumentId: "C2", Point: ice(at(0, 5, 0), "0.1")}}}}}))
		},
	} {
		t.Run(name, func(t *testing.T) {
			k := worked(t)
			work(k)
			before := k.state()
			_, err := k.review(rita, monday)
			want(t, err, records.ErrNotAllowed, "")
			if k.state() != before {
				t.Error("the ledger changed")
			}
			s := site()
			s.OnePerson = true
			must(t)(k.op.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: k.id(), Site: s}))
			k.clock.Set(at(1, 7, 0))
			if _, err := k.review(rita, monday); !errors.Is(err, records.ErrNotAllowed) {
				t.Errorf("the exception was not in force on the day: %v", err)
			}
			k.check(rita, "c3", "C1", ice(at(1, 6, 50), "0.0"))
			r, err := k.review(rita, tuesday)
			if err != nil {
				t.Fatal(err)
			}
			if l := drawnLog(t, k.fetch(r.GetLog().GetSerial())); !l.GetReview().GetOwnWork() {
				t.Error("the log does not say that the reviewer made the records")
			}
		})
	}
	// Decisions and answers are the reviewer's own business.
	k := worked(t)
	must(t)(k.as(rita).Deviation.RecordDisposition(ctx, &sv.RecordDispositionRequest{RequestId: k.id(), Disposition: &kb.Disposition{LotCode: "L1", At: ts(at(0, 7, 20)), Kind: kb.DispositionKind_DISPOSITION_KIND_RELEASE, Reason: "limits met"}}))
	must(t)(k.review(rita, monday))
}

// TestSealIsNoReview: a day sealed by software stays on the list of days that
// wait for a review; a late entry makes a re-issue due, which says what was
// added; the first log stays what it was (D18, D19).
func TestSealIsNoReview(t *testing.T) {
	k := worked(t)
	k.clock.Set(at(1, 7, 0))
	if d := k.overdue()[monday]; d == nil || d.GetSealedWithoutReview() || d.GetChangedSince() {
		t.Errorf("before anything: %v", d)
	}
	first, err := k.seal(monday)
	if err != nil {
		t.Fatal(err)
	}
	if first.GetSerial() != 1 || first.GetIssue() != 1 || first.GetFileName() != "log-2026-03-02.pdf" {
		t.Errorf("the first log: %v", first)
	}
	if d := k.overdue()[monday]; !d.GetSealedWithoutReview() {
		t.Errorf("sealed by software: %v", d)
	}
	if _, err := k.seal(monday); !errors.Is(err, records.ErrState) {
		t.Errorf("sealed twice: %v", err)
	}
	kept := k.fetch(1)
	sum := sha256.Sum256(kept)
	if !bytes.Equal(sum[:], first.GetPdfSha256()) {
		t.Error("the log handed out is not the one sealed")
	}
	log := drawnLog(t, kept)
	if log.GetReview() != nil || log.GetReviewer() != nil || len(log.GetPrevious()) != 0 || len(log.GetChanges()) != 0 {
		t.Errorf("the log claims %v", log.GetReview())
	}

	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 20), time.Second, "108.0")))
	k.check(anna, "late", "C2", ice(at(0, 8, 0), "0.0"))
	day, _ := k.day(monday)
	if n := len(marksOf(day, kb.MarkKind_MARK_KIND_LATE)); n != 2 {
		t.Errorf("%d records are marked as late", n)
	}
	k.clock.Set(at(2, 7, 0))
	r, err := k.review(rita, monday)
	if err != nil {
		t.Fatal(err)
	}
	if l := r.GetLog(); l.GetSerial() != 2 || l.GetIssue() != 2 || l.GetFileName() != "log-2026-03-02-2.pdf" {
		t.Errorf("the re-issue: %v", l)
	}
	again := drawnLog(t, k.fetch(2))
	all := strings.Join(again.GetChanges(), "\n")
	if !strings.Contains(all, "One check added for C2.") || !strings.Contains(all, "Batch L1: readings or particulars.") {
		t.Errorf("the re-issue says %q", again.GetChanges())
	}
	if again.GetReview() == nil || again.GetReviewer().GetInitials() != rita || !again.GetReviewedAt().AsTime().Equal(at(2, 7, 0)) {
		t.Errorf("reviewed by %v at %v", again.GetReviewer(), again.GetReviewedAt())
	}
	if !bytes.Equal(k.fetch(1), kept) {
		t.Error("the first log changed")
	}
	if b, err := os.ReadFile(filepath.Join(k.dir, "logs", "log-2026-03-02.pdf")); err != nil || !bytes.Equal(b, kept) {
		t.Errorf("the first log's file: %v", err)
	}
	proves(t, k, again, log)
	if d := k.overdue()[monday]; d != nil {
		t.Errorf("reviewed: %v", d)
	}
	// The latest issue of a day is handed out by its day.
	if pdf, name, err := k.op.FetchLog(ctx, &sv.GetLogRequest{ProductionDay: monday}); err != nil || name != "log-2026-03-02-2.pdf" || !bytes.Equal(pdf, k.fetch(2)) {
		t.Errorf("by day: %s, %v", name, err)
	}
	// Something more comes in: the review is of what was, and another is due.
	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 21), time.Second, "109.0")))
	if d := k.overdue()[monday]; !d.GetChangedSince() || !d.GetSealedWithoutReview() {
		t.Errorf("changed after the review: %v", d)
	}
	must(t)(k.review(rita, monday))
	if l := drawnLog(t, k.fetch(3)); l.GetIssue() != 3 || len(l.GetPrevious()) != 2 {
		t.Errorf("the third issue: %d with %d before it", l.GetIssue(), len(l.GetPrevious()))
	}
	if _, _, err := k.op.FetchLog(ctx, &sv.GetLogRequest{Serial: 4}); !errors.Is(err, records.ErrNotFound) {
		t.Errorf("a log that is not there: %v", err)
	}
	list, err := k.op.Day.ListLogs(ctx, &sv.ListLogsRequest{PageSize: 2})
	if err != nil || len(list.GetRows()) != 2 || list.GetNextPageToken() == "" {
		t.Fatalf("the first page: %v, %v", list, err)
	}
	list, err = k.op.Day.ListLogs(ctx, &sv.ListLogsRequest{PageSize: 2, PageToken: list.GetNextPageToken()})
	if err != nil || len(list.GetRows()) != 1 || list.GetRows()[0].GetSerial() != 3 {
		t.Errorf("the second page: %v, %v", list, err)
	}
}

// proves checks what a log carries to be believed without the service: its
// checkpoint, that its cause is in that tree, and that the tree extends that of
// the log before.
func proves(t *testing.T, k *kitchen, log, before *kb.DayLog) {
	t.Helper()
	verifier, err := note.NewVerifier(log.GetVerifierKey())
	if err != nil {
		t.Fatal(err)
	}
	open := func(l *kb.DayLog) ledger.Checkpoint {
		c, err := ledger.OpenCheckpoint([]byte(l.GetCheckpoint()), verifier)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	now, then := open(log), open(before)
	if now.Size != log.GetCauseSequence() || now.Origin != k.cfg.Origin {
		t.Errorf("the checkpoint is %v", now)
	}
	if err := ledger.CheckInclusion(toHashes(log.GetCauseProof()), now.Size, now.Root, log.GetCauseSequence()-1, ledger.LeafHash(log.GetCauseEnvelope())); err != nil {
		t.Errorf("the cause is not in the tree: %v", err)
	}
	p := log.GetPrevious()[0]
	if p.GetLedgerSize() != then.Size || !bytes.Equal(p.GetRoot(), then.Root[:]) || p.GetSerial() != before.GetSerial() {
		t.Errorf("the log before is told as %v", p)
	}
	if err := ledger.CheckConsistency(toHashes(p.GetConsistencyProof()), then.Size, then.Root, now.Size, now.Root); err != nil {
		t.Errorf("the tree does not extend the one before: %v", err)
	}
	e, err := records.ParseEntry(log.GetCauseEnvelope())
	if err != nil {
		t.Fatal(err)
	}
	if m := e.Message.(*kb.DayReview); !proto.Equal(m, log.GetReview()) || !bytes.Equal(m.GetContentSha256(), log.GetContentSha256()) {
		t.Errorf("the cause is %v", m)
	}
	if sum := sha256.Sum256(log.GetContent()); !bytes.Equal(sum[:], log.GetContentSha256()) {
		t.Error("the content does not have the hash that was signed")
	}
}

func toHashes(in [][]byte) []ledger.Hash {
	out := make([]ledger.Hash, len(in))
	for i, h := range in {
		copy(out[i][:], h)
	}
	return out
}

// TestLogIsFinishedAfterACrash: drawing fails, once or until a restart; the
// review stands, and its log is made from the kept bytes, not from what the day
// became meanwhile.
func TestLogIsFinishedAfterACrash(t *testing.T) {
	var broken atomic.Bool
	drawn := func(c *server.Config) {
		c.Render = func(l *kb.DayLog) ([]byte, error) {
			if broken.Load() {
				return nil, errors.New("the pen broke")
			}
			return drawPlain(l)
		}
	}
	k := worked(t, drawn)
	broken.Store(true)
	_, shown := k.day(monday)
	r := k.signed(rita, monday, shown)
	if _, err := k.as(rita).Day.ReviewDay(ctx, r); err == nil {
		t.Fatal("a log that could not be drawn was handed out")
	}
	review := k.state().size
	if m, ok := k.entries(review - 1)[0].Message.(*kb.DayReview); !ok || !bytes.Equal(m.GetContentSha256(), shown.GetContentSha256()) {
		t.Fatal("the review was not kept")
	}
	// The day goes on before anybody notices.
	must(t)(nil, readingsOf(k, run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 7, 20), time.Second, "108.0")))
	k.clock.Set(at(0, 9, 0))

	// The service starts although a log cannot be drawn, says so, and works.
	k.stop()
	k.start(drawn)
	if !strings.Contains(k.log.String(), "the pen broke") {
		t.Errorf("the server's log: %s", k.log)
	}
	k.open("L2", at(0, 8, 50))

	broken.Store(false)
	k.stop()
	k.start(drawn)
	pdf := k.fetch(1)
	log := drawnLog(t, pdf)
	if !bytes.Equal(log.GetContent(), shown.GetContent()) || log.GetCauseSequence() != review || log.GetReviewer().GetInitials() != rita {
		t.Errorf("the log made after the start rests on entry %d by %s", log.GetCauseSequence(), log.GetReviewer().GetInitials())
	}
	// Sent again, the review gets the log that was made meanwhile.
	again, err := k.as(rita).Day.ReviewDay(ctx, r)
	if err != nil || !again.GetReceipt().GetReplayed() || again.GetLog().GetSerial() != 1 {
		t.Errorf("sent again: %v, %v", again, err)
	}
	if n := k.state().size; k.restart(drawn) != n {
		t.Error("a further start wrote something")
	}
	if !bytes.Equal(k.fetch(1), pdf) {
		t.Error("the log changed")
	}
}

// restart stops and starts the service and gives the ledger's size.
func (k *kitchen) restart(changes ...change) int64 {
	k.t.Helper()
	k.stop()
	k.start(changes...)
	return k.state().size
}

// TestLogIsMadeOnTheNextTry: drawing fails once, and the same request makes the
// log without a restart and without a second signature.
func TestLogIsMadeOnTheNextTry(t *testing.T) {
	var failures atomic.Int32
	failures.Store(1)
	k := worked(t, func(c *server.Config) {
		c.Seal = func(pdf []byte, l *kb.DayLog) ([]byte, error) {
			if failures.Add(-1) >= 0 {
				return nil, errors.New("the seal slipped")
			}
			return sealPlain(pdf, l)
		}
	})
	_, shown := k.day(monday)
	r := k.signed(rita, monday, shown)
	if _, err := k.as(rita).Day.ReviewDay(ctx, r); err == nil {
		t.Fatal("no error")
	}
	size := k.state().size
	got, err := k.as(rita).Day.ReviewDay(ctx, r)
	if err != nil || got.GetLog().GetSerial() != 1 || got.GetReceipt().GetFirstSequence() != size {
		t.Fatalf("the second try: %v, %v", got, err)
	}
	if k.state().size != size+1 {
		t.Errorf("the second try wrote %d entries", k.state().size-size)
	}
}
