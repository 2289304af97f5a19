package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func batchShow() *cobra.Command {
	return reading(&cobra.Command{Use: "show LOT", Short: "Show a batch with everything hung on it", Args: cobra.ExactArgs(1)},
		func(ctx context.Context, s *session, args []string) error {
			r, err := s.Batch.GetBatch(ctx, &sv.GetBatchRequest{LotCode: args[0]})
			if err != nil {
				return blame(err, map[string]string{"lot_code": args[0]})
			}
			if s.json {
				return s.out.object(r)
			}
			zone := s.zone(ctx)
			s.out.batch(r.GetBatch(), zone)
			s.out.readings("cook", r.GetBatch().GetCook(), zone)
			s.out.readings("cooling", r.GetBatch().GetCooling(), zone)
			return nil
		})
}

func batchList() *cobra.Command {
	return listing(&cobra.Command{Use: "list [DATE]", Short: "List the batches of a production day in order of cooking; the day running when absent", Args: cobra.MaximumNArgs(1)},
		[]string{"LOT", "STARTED", "FORMULA", "INSTRUMENT", "SOLIDS", "VESSEL"},
		func(ctx context.Context, s *session, args []string, size int32, token string) (*sv.ListBatchesResponse, error) {
			return s.Batch.ListBatches(ctx, &sv.ListBatchesRequest{ProductionDay: strings.Join(args, ""), PageSize: size, PageToken: token})
		},
		func(ctx context.Context, s *session, b *kb.BatchStart) []string {
			return []string{b.GetLotCode(), minute(b.GetStartedAt(), s.zone(ctx)), fmt.Sprintf("%s version %d", b.GetFormulaId(), b.GetVersion()), b.GetInstrumentId(),
				unit(records.FormatDecimal(b.GetSolidsKg()), "kg"), b.GetVessel()}
		})
}

// unit puts a unit behind a figure that is there.
func unit(figure, of string) string {
	if figure == "" {
		return ""
	}
	return figure + " " + of
}

// batch writes one batch: what was cooked, by whom, and what it came to.
func (p *printer) batch(b *kb.BatchDay, zone *time.Location) {
	st := b.GetStart()
	p.line(0, fmt.Sprintf("Batch %s: %s, %s version %d", st.GetLotCode(), b.GetFormula().GetName(), st.GetFormulaId(), st.GetVersion()))
	if b.GetVoidReason() != "" {
		p.line(2, "VOID, opened by mistake: "+b.GetVoidReason())
	}
	pairs := []string{"allergens", records.AllergenText(b.GetFormula()), "started", minute(st.GetStartedAt(), zone) + by(b.GetBy()),
		"vessel", st.GetVessel(), "solids", unit(records.FormatDecimal(st.GetSolidsKg()), "kg")}
	switch {
	case b.GetPull() != nil:
		pairs = append(pairs, assessedPull(b.GetPull(), zone)...)
	case b.GetVoidReason() == "":
		pairs = append(pairs, "pulled", "not yet")
	}
	cooling := ""
	switch {
	case b.GetCoolingResult() != nil:
		cooling = coolingLegs(b.GetCoolingResult())
	case b.GetCoolingMissing():
		cooling = "MISSING: the formula wants the cooling clock"
	}
	decided := ""
	if b.GetDisposition() != nil {
		decided = word(b.GetDisposition().GetKind()) + by(b.GetDispositionBy()) + ": " + b.GetDisposition().GetReason()
	}
	pairs = append(pairs, "cooling", cooling, "ended", minute(b.GetEndedAt(), zone), "yield", unit(records.FormatDecimal(b.GetYieldKg()), "kg"),
		"decision", decided, "remarks", strings.Join(b.GetNotes(), "; "))
	p.fields(2, pairs...)
}

// by says who stands behind a record.
func by(s *kb.Signature) string {
	if s.GetInitials() == "" {
		return ""
	}
	if s.GetTranscribed() {
		return " by " + s.GetInitials() + " on paper"
	}
	return " by " + s.GetInitials()
}

// readings writes the readings of a series, as read.
func (p *printer) readings(name string, curves []*kb.Curve, zone *time.Location) {
	for _, c := range curves {
		var list []string
		for _, m := range c.GetSamples() {
			at := c.GetFirstAt().AsTime().Add(time.Duration(m.GetAfterMs()) * time.Millisecond)
			list = append(list, at.In(zone).Format("15:04:05")+" "+records.FormatMicro(m.GetMicro(), m.GetDecimals()))
		}
		p.line(2, fmt.Sprintf("%s on %s in %s, %d readings:", name, c.GetInstrumentId(), records.UnitSymbol(c.GetUnit()), len(list)))
		p.cells(4, list)
	}
}
