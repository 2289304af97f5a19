package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func batchCommand() *cobra.Command {
	return family("batch", "Cooks, from start to yield", batchStart(), batchReading(), batchPull(), batchTest(), batchEnd(), batchVoid(), batchShow(), batchList())
}

func batchStart() *cobra.Command {
	m := new(kb.BatchStart)
	var at, solids string
	c := writing(&cobra.Command{
		Use:     "start LOT --formula NAME --instrument NAME",
		Short:   "Open a batch: the heat goes on",
		Example: "  kettlebook batch start FON-0302-1 --formula F-FON --instrument TH-01 --as OL --dir k",
		Args:    cobra.ExactArgs(1),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m.LotCode = args[0]
		var err error
		if m.StartedAt, err = s.at(ctx, at); err != nil {
			return err
		}
		if m.SolidsKg, err = optionalDecimal("--solids-kg", solids); err != nil {
			return err
		}
		r, err := s.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: s.request, Batch: m})
		return s.answered(r, err, map[string]string{"batch.lot_code": args[0], "batch.formula_id": "--formula", "batch.version": "--version", "batch.instrument_id": "--instrument",
			"batch.started_at": "--at", "batch.solids_kg": "--solids-kg", "batch.vessel": "--vessel", "batch.note": "--note"})
	})
	f := c.Flags()
	f.StringVar(&m.FormulaId, "formula", "", "formula to cook")
	f.Uint32Var(&m.Version, "version", 0, "version of it; the latest approved when 0")
	f.StringVar(&m.InstrumentId, "instrument", "", "thermometer in the pan")
	f.StringVar(&at, "at", "", atHelp)
	f.StringVar(&solids, "solids-kg", "", "dry solids in the charge, in kilograms")
	f.StringVar(&m.Vessel, "vessel", "", "pan or kettle")
	f.StringVar(&m.Note, "note", "", "remark")
	return c
}

func batchReading() *cobra.Command {
	var instrument string
	var cooling bool
	c := writing(&cobra.Command{
		Use:   "reading LOT TEMPERATURE[@TIME]... | -",
		Short: "Keep readings of a cook, or of the cooling clock",
		Long: "Keeps readings as the dial showed them: 113.4C, or 205.4F@05:45 for one read earlier. With -\n" +
			"in place of readings they are taken from standard input, one a line, time and temperature\n" +
			"with a blank or a comma between, as a probe's logger writes them.",
		Example: "  kettlebook batch reading FON-0302-1 113.4C --as OL --dir k\n" +
			"  kettlebook batch reading FON-0302-1 - --as OL --dir k < probe.csv",
		Args: cobra.MinimumNArgs(2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		series := kb.SeriesKind_SERIES_KIND_COOK
		if cooling {
			series = kb.SeriesKind_SERIES_KIND_COOLING
		}
		if instrument == "" {
			r, err := s.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: args[0]})
			if err != nil {
				return blame(err, map[string]string{"lot_code": args[0]})
			}
			instrument = r.GetBatch().GetStart().GetInstrumentId()
		}
		add := func(list []records.PaperReading, at, text, where string) ([]records.PaperReading, error) {
			t, err := parseTime(where, at, s.zone(ctx), time.Now())
			if err != nil {
				return nil, err
			}
			v, err := parseTemperature(where, text)
			return append(list, records.PaperReading{LotCode: args[0], Series: series, Instrument: instrument, At: t.AsTime(), Value: v}), err
		}
		var list []records.PaperReading
		var err error
		if args[1] == "-" {
			list, err = readingLines(s.cmd.InOrStdin(), add)
		} else {
			for _, a := range args[1:] {
				value, at, _ := strings.Cut(a, "@")
				if list, err = add(list, at, value, a); err != nil {
					break
				}
			}
		}
		if err != nil {
			return err
		}
		return s.sendReadings(ctx, records.GroupReadings(list))
	})
	c.Flags().StringVar(&instrument, "instrument", "", "thermometer read; the batch's own when absent")
	c.Flags().BoolVar(&cooling, "cooling", false, "the readings are of the cooling clock")
	return c
}

// readingLines reads time and temperature, one pair a line.
func readingLines(in io.Reader, add func(list []records.PaperReading, at, text, where string) ([]records.PaperReading, error)) ([]records.PaperReading, error) {
	var list []records.PaperReading
	lines := bufio.NewScanner(in)
	for n := 1; lines.Scan(); n++ {
		text := strings.TrimSpace(lines.Text())
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		cut := strings.LastIndexAny(text, ", \t")
		if cut < 0 {
			return nil, usage("standard input, line %d: %q is not a time and a temperature\nhint: write 2026-03-02T05:45:00-07:00,113.4C", n, text)
		}
		var err error
		if list, err = add(list, strings.TrimRight(text[:cut], ", \t"), text[cut+1:], fmt.Sprintf("standard input, line %d", n)); err != nil {
			return nil, err
		}
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("standard input: %w", err)
	}
	if len(list) == 0 {
		return nil, usage("standard input: there is no reading")
	}
	return list, nil
}

// sendReadings sends runs down one stream, each with a request id of its own
// that follows from the command's, and waits for all to be kept.
func (s *session) sendReadings(ctx context.Context, runs []records.PaperRun) error {
	space, err := uuid.Parse(s.request)
	if err != nil {
		return usage("--request-id: %q is no UUID", s.request)
	}
	stream, err := s.Batch.StreamReadings(ctx)
	if err != nil {
		return err
	}
	for i, run := range runs {
		id := uuid.NewSHA1(space, fmt.Append(nil, "run ", i)).String()
		if err := stream.Send(&sv.StreamReadingsRequest{RequestId: id, Readings: run.Readings}); err != nil {
			break // what went wrong comes with the answers
		}
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	for n := 0; ; n++ {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) && n == len(runs) {
			return nil
		}
		if err != nil {
			if n > 0 {
				s.say("kettlebook: %d of %d runs of readings were kept before this:", n, len(runs))
			}
			return blameReading(err, runs, n)
		}
		if s.json {
			if err := s.out.object(r); err != nil {
				return err
			}
			continue
		}
		s.kept(r.GetReceipt())
	}
}

// blameReading names the reading of a run that was refused.
func blameReading(err error, runs []records.PaperRun, n int) error {
	at := map[string]string{}
	if n < len(runs) {
		at["readings.lot_code"], at["readings.instrument_id"] = runs[n].Readings.GetLotCode(), "--instrument"
		for i, r := range records.RunReadings(runs[n].Readings) {
			at[fmt.Sprintf("readings.micro[%d]", i)] = records.FormatTemperature(r.Value) + " at " + r.At.Format(time.RFC3339)
		}
	}
	return blame(err, at)
}

func batchPull() *cobra.Command {
	var at, highest string
	c := writing(&cobra.Command{
		Use:   "pull LOT [TEMPERATURE]",
		Short: "Stamp the moment the pan left the heat, and see what it came to",
		Long: "Stamps the pull. Without a temperature it is the reading of the cook at that time. Corrected\n" +
			"value, uncertainty and verdict are worked out from the checks of the thermometer.",
		Example: "  kettlebook batch pull FON-0302-1 113.4C --highest 114.0C --as OL --dir k",
		Args:    cobra.RangeArgs(1, 2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m := &kb.Pull{LotCode: args[0]}
		var err error
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		from := map[string]string{"pull.lot_code": args[0], "pull.at": "--at", "pull.highest_after": "--highest"}
		if len(args) == 2 {
			from["pull.reading"] = args[1]
			if m.Reading, err = parseTemperature(args[1], args[1]); err != nil {
				return err
			}
		}
		if m.HighestAfter, err = optionalTemperature("--highest", highest); err != nil {
			return err
		}
		r, err := s.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: s.request, Pull: m})
		if err == nil && !s.json {
			s.out.line(0, "Batch "+args[0])
			s.out.fields(2, assessedPull(r.GetAssessment(), s.zone(ctx))...)
		}
		return s.answered(r, err, from)
	})
	c.Flags().StringVar(&at, "at", "", atHelp)
	c.Flags().StringVar(&highest, "highest", "", "highest reading after the pull")
	return c
}

func batchTest() *cobra.Command {
	var at string
	c := writing(&cobra.Command{
		Use:     "test LOT STAGE",
		Short:   "Keep what the cold-water test said",
		Example: "  kettlebook batch test FON-0302-1 \"soft ball\" --as OL --dir k",
		Args:    cobra.ExactArgs(2),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m := &kb.ColdWaterTest{LotCode: args[0], Stage: args[1]}
		var err error
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		r, err := s.Batch.RecordColdWaterTest(ctx, &sv.RecordColdWaterTestRequest{RequestId: s.request, Test: m})
		return s.answered(r, err, map[string]string{"test.lot_code": args[0], "test.at": "--at", "test.stage": args[1]})
	})
	c.Flags().StringVar(&at, "at", "", atHelp)
	return c
}

func batchEnd() *cobra.Command {
	m := new(kb.BatchEnd)
	var at, yield string
	c := writing(&cobra.Command{
		Use:     "end LOT",
		Short:   "Close a batch",
		Example: "  kettlebook batch end FON-0302-1 --yield-kg 11.2 --as OL --dir k",
		Args:    cobra.ExactArgs(1),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		m.LotCode = args[0]
		var err error
		if m.At, err = s.at(ctx, at); err != nil {
			return err
		}
		if m.YieldKg, err = optionalDecimal("--yield-kg", yield); err != nil {
			return err
		}
		r, err := s.Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: s.request, End: m})
		return s.answered(r, err, map[string]string{"end.lot_code": args[0], "end.at": "--at", "end.yield_kg": "--yield-kg", "end.note": "--note"})
	})
	f := c.Flags()
	f.StringVar(&at, "at", "", atHelp)
	f.StringVar(&yield, "yield-kg", "", "yield in kilograms")
	f.StringVar(&m.Note, "note", "", "remark")
	return c
}

func batchVoid() *cobra.Command {
	var reason string
	c := writing(&cobra.Command{
		Use:   "void LOT --reason WHY",
		Short: "Mark a batch that was opened by mistake; it stays readable",
		Args:  cobra.ExactArgs(1),
	}, byPerson, func(ctx context.Context, s *session, args []string) error {
		r, err := s.Batch.VoidBatch(ctx, &sv.VoidBatchRequest{RequestId: s.request, Void: &kb.BatchVoid{LotCode: args[0], Reason: reason}})
		return s.answered(r, err, map[string]string{"void.lot_code": args[0], "void.reason": "--reason"})
	})
	c.Flags().StringVar(&reason, "reason", "", "why")
	return c
}
