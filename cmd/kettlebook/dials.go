package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
)

// dialsCommand gives the number to look for on each dial, here and now.
func dialsCommand() *cobra.Command {
	var formula, instrument string
	c := reading(&cobra.Command{Use: "dials", Short: "The number to look for on each dial today, for each approved formula", Args: cobra.NoArgs},
		func(ctx context.Context, s *session, _ []string) error {
			m, err := s.Today.DialNumbers(ctx, &sv.DialNumbersRequest{FormulaId: formula, InstrumentId: instrument})
			if err != nil {
				return blame(err, map[string]string{"formula_id": "--formula", "instrument_id": "--instrument"})
			}
			if s.json {
				return s.out.object(m)
			}
			zone := s.zone(ctx)
			s.out.line(0, "Dial numbers at "+minute(m.GetAt(), zone)+": "+pressureUsed(m.GetPressure(), zone)+".")
			for _, l := range m.GetLimits() {
				s.out.gap()
				s.out.limitToday(l)
			}
			if len(m.GetLimits()) == 0 {
				s.out.line(0, "No formula is approved yet.")
			}
			s.out.grounds(m)
			return nil
		})
	c.Flags().StringVar(&formula, "formula", "", "only this formula")
	c.Flags().StringVar(&instrument, "instrument", "", "only this instrument")
	return c
}

func (p *printer) limitToday(l *sv.LimitToday) {
	here := func(micro *int64) *float64 {
		if micro == nil {
			return nil
		}
		c := float64(*micro) / float64(records.One)
		return &c
	}
	limit := l.GetLimit()
	p.line(0, fmt.Sprintf("%s version %d, %s: %s (%s), here %s.", l.GetFormulaId(), l.GetVersion(), l.GetFormulaName(), limit.GetName(), word(limit.GetClass()),
		between(here(l.LowMicroC), here(l.HighMicroC), celsiusText)))
	if l.GetBeyondData() {
		p.line(2, "beyond the sucrose data: moved at constant water activity")
	}
	var rows [][]string
	for _, d := range l.GetDials() {
		number, errorC, u := "none", "", ""
		if d.GetNumber() != nil {
			number = records.FormatTemperature(d.GetNumber())
		}
		if d.GetUMicroC() != 0 {
			errorC, u = signed(d.GetErrorMicroC(), 2), records.FormatMicro(d.GetUMicroC(), 2)
		}
		rows = append(rows, []string{d.GetInstrumentId(), number, yesNo(d.GetFit()), errorC, u, d.GetWhy()})
	}
	p.table([]string{"DIAL", "LOOK FOR", "FIT", "ERROR degC", "U degC", "WHY"}, rows)
	if l.GetBest() == "" {
		p.line(2, "No instrument of the rack can show it.")
	} else {
		p.line(2, "Use "+l.GetBest()+".")
	}
}

// forecastCommand says when a running batch gets there.
func forecastCommand() *cobra.Command {
	return reading(&cobra.Command{Use: "forecast LOT", Short: "When a running batch reaches its limit, from its readings", Args: cobra.ExactArgs(1)},
		func(ctx context.Context, s *session, args []string) error {
			m, err := s.Today.ForecastBatch(ctx, &sv.ForecastBatchRequest{LotCode: args[0]})
			if err != nil {
				return blame(err, map[string]string{"lot_code": args[0]})
			}
			if s.json {
				return s.out.object(m)
			}
			s.out.line(0, fmt.Sprintf("Batch %s at its last reading, %s:", args[0], minute(m.GetLastAt(), s.zone(ctx))))
			s.out.forecast(m.GetForecast(), m.GetForecast().GetEndAt().AsTime().In(s.zone(ctx)))
			s.out.fields(2, "target", m.GetTargetFrom(), "instrument", map[bool]string{true: "may be used", false: "is out of use"}[m.GetMayBeUsed()])
			if o := m.GetOnset(); o != nil {
				s.out.onset(o)
			}
			if c := m.GetCarryOver(); c != nil {
				s.out.carryOver(c)
			}
			s.out.grounds(m.GetForecast())
			return nil
		})
}
