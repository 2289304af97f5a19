package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func dayCommand() *cobra.Command {
	return family("day", "Production days: look, review, seal", dayShow(), dayReview(), daySeal(), dayOverdue())
}

func dayShow() *cobra.Command {
	return reading(&cobra.Command{
		Use:   "show [DATE]",
		Short: "Show a production day; the one running when absent",
		Long: "Shows what the records say of a day, and the SHA-256 that a review signs. With --json it\n" +
			"writes the day's content exactly as it is hashed, without a line end: sha256sum of the\n" +
			"output gives the same figure.",
		Args: cobra.MaximumNArgs(1),
	}, func(ctx context.Context, s *session, args []string) error {
		r, err := s.Day.GetDay(ctx, &sv.GetDayRequest{ProductionDay: strings.Join(args, "")})
		if err != nil {
			return blame(err, map[string]string{"production_day": strings.Join(args, "")})
		}
		if s.json {
			_, err := s.out.w.Write(r.GetContent())
			return err
		}
		return s.showDay(r)
	})
}

// showDay writes a day for people, and what a review of it would sign.
func (s *session) showDay(r *sv.GetDayResponse) error {
	c, err := parseContent(r.GetContent())
	if err != nil {
		return err
	}
	s.out.day(c)
	s.out.gap()
	s.out.fields(0, "sha256", hex.EncodeToString(r.GetContentSha256()), "ledger", fmt.Sprintf("%d entries", r.GetLedgerSize()))
	return nil
}

// shownHash is how many hexadecimal digits of a day's hash say that it was seen.
const shownHash = 12

func dayReview() *cobra.Command {
	var remark, hash string
	c := writing(&cobra.Command{
		Use:   "review DATE",
		Short: "Sign a day as reviewed; its log is sealed",
		Long: "Shows the day and asks for your PIN: that signs it as reviewed, and seals its log. Where there\n" +
			"is no terminal to look at, say with --sha256 which content you looked at (at least the first\n" +
			fmt.Sprintf("%d digits that day show printed). Who made records of the day cannot review it.", shownHash),
		Example: "  kettlebook day review 2026-03-02 --as HV --dir k",
		Args:    cobra.ExactArgs(1),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		day, err := s.Day.GetDay(ctx, &sv.GetDayRequest{ProductionDay: args[0]})
		if err != nil {
			return blame(err, map[string]string{"production_day": args[0]})
		}
		full := hex.EncodeToString(day.GetContentSha256())
		switch {
		case hash != "" && (len(hash) < shownHash || !strings.HasPrefix(full, strings.ToLower(hash))):
			return &records.FieldError{Kind: records.ErrDayChanged, Field: "--sha256", Problem: "the day is not, or no longer, the one that was looked at",
				Cure: fmt.Sprintf("look again: kettlebook day show %s; then give at least %d digits", args[0], shownHash)}
		case hash == "" && !isTerminal(s.cmd.OutOrStdout()):
			return usage("nobody can have looked at the day: there is no terminal\nhint: kettlebook day show %s, then --sha256 and the digits it printed", args[0])
		case hash == "":
			if err := s.showDay(day); err != nil {
				return err
			}
			if err := s.out.flush(); err != nil {
				return err
			}
			s.say("Your PIN signs: I have reviewed the records of %s.", args[0])
		}
		pin, err := askPIN(ctx, s.cmd, "PIN of "+s.person.GetInitials(), "KETTLEBOOK_PIN")
		if err != nil {
			return err
		}
		const meaning = kb.SigningMeaning_SIGNING_MEANING_REVIEWED
		confirmed, err := s.Session.ConfirmSigning(ctx, &sv.ConfirmSigningRequest{Pin: pin, Meaning: meaning, ContentSha256: day.GetContentSha256()})
		if err != nil {
			return blame(err, map[string]string{"pin": "--as " + s.person.GetInitials()})
		}
		r, err := s.Day.ReviewDay(ctx, &sv.ReviewDayRequest{RequestId: s.request, SigningToken: confirmed.GetSigningToken(), Review: &kb.DayReview{
			ProductionDay: args[0], LedgerSize: day.GetLedgerSize(), ContentSha256: day.GetContentSha256(), Meaning: meaning, Remark: remark,
		}})
		if err == nil && !s.json {
			s.out.sealed(r.GetLog())
		}
		return s.answered(r, err, map[string]string{"review.remark": "--remark", "review.production_day": args[0]})
	})
	c.Flags().StringVar(&remark, "remark", "", "remark, printed on the log")
	c.Flags().StringVar(&hash, "sha256", "", "the content that was looked at: the first digits that day show printed")
	return c
}

// sealed tells of a log.
func (p *printer) sealed(l *kb.LogSealed) {
	p.line(0, fmt.Sprintf("Log %d: %s", l.GetSerial(), l.GetFileName()))
}

func daySeal() *cobra.Command {
	return command(&cobra.Command{
		Use:   "seal DATE",
		Short: "Seal a day's log by software, with no review; the log says so",
		Args:  cobra.ExactArgs(1),
	}, byMachine, false, func(ctx context.Context, s *session, args []string) error {
		name, err := sealDay(ctx, s.kitchen, args[0])
		if err != nil {
			return blame(err, map[string]string{"production_day": args[0], "seal.production_day": args[0]})
		}
		s.out.line(0, name)
		s.say("The day stays on the list of days that wait for a review.")
		return nil
	})
}

func dayOverdue() *cobra.Command {
	return listing(&cobra.Command{Use: "overdue", Short: "List the days that wait for a review", Args: cobra.NoArgs},
		[]string{"DAY", "WHY"},
		func(ctx context.Context, s *session, _ []string, size int32, token string) (*sv.ListOverdueResponse, error) {
			return s.Day.ListOverdue(ctx, &sv.ListOverdueRequest{PageSize: size, PageToken: token})
		},
		func(_ context.Context, _ *session, d *sv.OverdueDay) []string {
			why := "not reviewed"
			switch {
			case d.GetChangedSince():
				why = "reviewed, and changed since"
			case d.GetSealedWithoutReview():
				why = "sealed by software, not reviewed"
			}
			return []string{d.GetProductionDay(), why}
		})
}

// day writes a production day: what a reviewer looks for first, and then all of it.
func (p *printer) day(c *kb.DayContent) {
	zone := time.FixedZone("", int(c.GetUtcOffsetS()))
	if loc, err := time.LoadLocation(c.GetSite().GetZone()); err == nil && c.GetSite().GetZone() != "" {
		zone = loc
	}
	p.line(0, c.GetSite().GetName()+", "+c.GetProductionDay())
	p.line(0, fmt.Sprintf("from %s to %s, UTC%s", minute(c.GetFrom(), zone), minute(c.GetTo(), zone), c.GetFrom().AsTime().In(zone).Format("-07:00")))
	if c.GetSite().GetInvented() {
		p.line(0, "INVENTED DATA")
	}
	if len(c.GetBatches()) == 0 {
		p.line(0, "No production.")
	}
	var rack [][]string
	for _, i := range c.GetInstruments() {
		standing := records.ResultWord(i.GetStanding())
		if i.GetStandingAt() != nil {
			standing += " since " + minute(i.GetStandingAt(), zone)
		} else {
			standing = "never checked"
		}
		if i.GetInstrument().GetReference() {
			standing = "reference"
		}
		if i.GetMissedCheck() {
			standing += "; CHECK MISSED today"
		}
		rack = append(rack, []string{i.GetInstrument().GetInstrumentId(), standing, strings.Join(i.GetLots(), ", ")})
	}
	if len(rack) > 0 {
		p.gap()
		p.table([]string{"INSTRUMENT", "STANDING", "BATCHES"}, rack)
	}
	for _, i := range c.GetInstruments() {
		for _, k := range i.GetChecks() {
			p.gap()
			p.assessedCheck(k.GetAssessment(), zone)
			if k.GetAdjustment() != "" {
				p.line(0, "Adjusted: "+k.GetAdjustment())
			}
		}
	}
	for _, b := range c.GetBatches() {
		p.gap()
		p.batch(b, zone)
	}
	p.unusual(c, zone)
}

// unusual writes what stands apart: deviations, look-backs and marked records.
func (p *printer) unusual(c *kb.DayContent, zone *time.Location) {
	if len(c.GetDeviations()) > 0 {
		p.gap()
	}
	for _, d := range c.GetDeviations() {
		state := "answered"
		switch {
		case d.GetDeviation().GetWithdrawn():
			state = "withdrawn"
		case d.GetOpen():
			state = "OPEN"
		}
		p.line(0, fmt.Sprintf("%s, %s: %s", deviationWord(d.GetDeviation().GetClass()), state, d.GetDeviation().GetWhat()))
		p.line(2, d.GetDeviation().GetDeviationId())
		for i, a := range d.GetActions() {
			p.line(2, "action "+minute(a.GetAt(), zone)+by(d.GetActionsBy()[i])+": "+a.GetText())
		}
	}
	for _, l := range c.GetLookBacks() {
		p.gap()
		from := "open-ended: no passing check covers it"
		if l.GetWindowFrom() != nil {
			from = "since " + minute(l.GetWindowFrom(), zone)
		}
		p.line(0, fmt.Sprintf("Look-back on %s, failed %s, %s", l.GetInstrumentId(), minute(l.GetAt(), zone), from))
		var rows [][]string
		for _, it := range l.GetItems() {
			what := it.GetLotCode()
			if it.GetCooling() {
				what += " cooling"
			}
			when := "before"
			if it.GetAfterFailure() {
				when = "after"
			}
			rows = append(rows, []string{what, minute(it.GetAt(), zone), records.FormatTemperature(it.GetReading()), when, records.LimitWord(it.GetResult())})
		}
		if len(rows) == 0 {
			p.line(2, "nothing was measured with it")
			continue
		}
		p.table([]string{"BATCH", "READ AT", "READ", "THE FAILURE", "LIMITS"}, rows)
	}
	if len(c.GetMarked()) > 0 {
		p.gap()
	}
	for _, m := range c.GetMarked() {
		s := fmt.Sprintf("%s: %s of %s, entered %s", word(m.GetKind()), m.GetWhat(), minute(m.GetAt(), zone), minute(m.GetRecordedAt(), zone))
		if m.GetInitials() != "" {
			s += " by " + m.GetInitials()
		}
		if m.GetStruck() != "" {
			s += fmt.Sprintf("; struck through %s, now %s: %s", m.GetStruck(), m.GetNow(), m.GetReason())
		}
		p.line(0, s)
	}
	for _, sh := range c.GetSheets() {
		p.line(0, fmt.Sprintf("copied from paper: %s, %d rows %s", sh.GetSheet(), sh.GetRows(), sh.GetPaper()))
	}
}
