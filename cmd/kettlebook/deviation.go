package main

import (
	"context"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

func deviationCommand() *cobra.Command {
	return family("deviation", "Deviations, what was done about them, and decisions on batches", deviationList(), deviationOpen(), deviationAction(), deviationDisposition())
}

func deviationList() *cobra.Command {
	return listing(&cobra.Command{Use: "list", Short: "List deviations in order of cause", Args: cobra.NoArgs},
		[]string{"WHEN", "CLASS", "WHAT", "NAME"},
		func(ctx context.Context, s *session, _ []string, size int32, token string) (*sv.ListDeviationsResponse, error) {
			return s.Deviation.ListDeviations(ctx, &sv.ListDeviationsRequest{PageSize: size, PageToken: token})
		},
		func(ctx context.Context, s *session, d *kb.Deviation) []string {
			class := deviationWord(d.GetClass())
			if d.GetWithdrawn() {
				class += ", withdrawn"
			}
			return []string{minute(d.GetAt(), s.zone(ctx)), class, d.GetWhat(), d.GetDeviationId()}
		})
}

func deviationOpen() *cobra.Command {
	m := new(kb.Deviation)
	var at, class string
	c := writing(&cobra.Command{
		Use:   "open WHAT --class CLASS",
		Short: "Open a deviation by hand, for what no rule can see",
		Args:  cobra.ExactArgs(1),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		n, err := parseEnum("--class", class, kb.DeviationClass(0).Descriptor())
		if err != nil {
			return err
		}
		m.Class, m.What, m.DeviationId = kb.DeviationClass(n), args[0], "by-hand/"+s.request
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		r, err := s.Deviation.OpenDeviation(ctx, &sv.OpenDeviationRequest{RequestId: s.request, Deviation: m})
		if err == nil && !s.json {
			s.out.line(0, m.GetDeviationId())
		}
		return s.answered(r, err, map[string]string{"deviation.what": "what happened", "deviation.at": "--at", "deviation.lot_code": "--lot", "deviation.instrument_id": "--instrument"})
	})
	f := c.Flags()
	f.StringVar(&class, "class", "", "food-safety, process, instrument-fault or quality-miss")
	f.StringVar(&m.LotCode, "lot", "", "batch concerned")
	f.StringVar(&m.InstrumentId, "instrument", "", "instrument concerned")
	f.StringVar(&at, "at", "", atHelp)
	return c
}

func deviationAction() *cobra.Command {
	var at string
	c := writing(&cobra.Command{
		Use:     "action NAME TEXT",
		Short:   "Record what was done about a deviation, and what stops it happening again",
		Example: "  kettlebook deviation action pull/FON-0302-1/cook \"cooked again to the mark; dial replaced\" --as HV --dir k",
		Args:    cobra.ExactArgs(2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m := &kb.CorrectiveAction{DeviationId: args[0], Text: args[1]}
		var err error
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		r, err := s.Deviation.RecordAction(ctx, &sv.RecordActionRequest{RequestId: s.request, Action: m})
		return s.answered(r, err, map[string]string{"action.deviation_id": args[0], "action.text": "the text", "action.at": "--at"})
	})
	c.Flags().StringVar(&at, "at", "", atHelp)
	return c
}

func deviationDisposition() *cobra.Command {
	var at, reason string
	c := writing(&cobra.Command{
		Use:   "disposition LOT release|hold|rework|discard --reason WHY",
		Short: "Decide on a batch; never the maker's own",
		Args:  cobra.ExactArgs(2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		n, err := parseEnum("the decision", args[1], kb.DispositionKind(0).Descriptor())
		if err != nil {
			return err
		}
		m := &kb.Disposition{LotCode: args[0], Kind: kb.DispositionKind(n), Reason: reason}
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		r, err := s.Deviation.RecordDisposition(ctx, &sv.RecordDispositionRequest{RequestId: s.request, Disposition: m})
		return s.answered(r, err, map[string]string{"disposition.lot_code": args[0], "disposition.reason": "--reason", "disposition.at": "--at"})
	})
	c.Flags().StringVar(&reason, "reason", "", "the written reason")
	c.Flags().StringVar(&at, "at", "", atHelp)
	return c
}

func amendCommand() *cobra.Command {
	var reason, with string
	c := writing(&cobra.Command{
		Use:   "amend SEQUENCE[.INDEX] [TEMPERATURE] --reason WHY",
		Short: "Strike an entry through and put the right one beside it",
		Long: "Strikes through one reading of an entry, named by the entry's number and the reading's place in\n" +
			"it from 0 (12.3; 12 alone is 12.0), and puts the right value beside it; or, with --with, the\n" +
			"whole entry. Both stay readable for ever. --with takes a file with the whole record as\n" +
			"ledger entries --json shows it under \"payload\".",
		Example: "  kettlebook amend 12.3 113.4C --reason \"misread by ten\" --as OL --dir k\n" +
			"  kettlebook amend 14 --with start.json --reason \"wrong thermometer\" --as OL --dir k",
		Args: cobra.RangeArgs(1, 2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m := &kb.Amendment{Reason: reason}
		sequence, index, dotted := strings.Cut(args[0], ".")
		n, err := strconv.ParseInt(sequence, 10, 64)
		i, wrongIndex := strconv.ParseUint(index, 10, 32)
		if err != nil || n < 1 || dotted && wrongIndex != nil {
			return usage("%q is not the name of a reading\nhint: write 12 or 12.3, see kettlebook ledger entries", args[0])
		}
		m.TargetSequence, m.TargetIndex = n, uint32(i)
		switch {
		case with != "" && len(args) == 2:
			return usage("give a temperature, or the whole record with --with, not both")
		case with != "":
			m.Replacement, err = readRecord(with)
		case len(args) == 2:
			m.Value, err = parseTemperature(args[1], args[1])
		default:
			return usage("what is right? give a temperature, or the whole record with --with")
		}
		if err != nil {
			return err
		}
		r, err := s.Deviation.Amend(ctx, &sv.AmendRequest{RequestId: s.request, Amendment: m})
		return s.answered(r, err, map[string]string{"amendment.target_sequence": args[0], "amendment.target_index": args[0], "amendment.reason": "--reason",
			"amendment.value": args[len(args)-1], "amendment.replacement": "--with " + with})
	})
	c.Flags().StringVar(&reason, "reason", "", "why")
	c.Flags().StringVar(&with, "with", "", "file with the whole record as it should have been, as JSON")
	return c
}
