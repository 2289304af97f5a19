package server

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
)

type sheetService struct {
	sv.UnimplementedSheetServiceServer
	s *Server
}

// maxRows is the most rows of a sheet.
const maxRows = 20_000

// sheet is a sheet being taken. Everything below runs on the writer's turn,
// as one command: all of its new rows, or none.
type sheet struct {
	req   *sv.TakeSheetRequest
	act   records.Act
	t     *touched
	ids   []string
	sums  [][sha256.Size]byte
	fresh []int // rows not taken before
	known int
}

func (ss *sheetService) TakeSheet(ctx context.Context, r *sv.TakeSheetRequest) (*sv.TakeSheetResponse, error) {
	if r.GetSheet() == "" || len(r.GetSheet()) > 80 {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "sheet", Problem: "is empty or too long", Cure: "give the sheet's name, 1 to 80 characters"}
	}
	if n := len(r.GetRows()); n == 0 || n > maxRows {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "rows", Problem: fmt.Sprintf("%d rows", n), Cure: fmt.Sprintf("send 1 to %d rows", maxRows)}
	}
	sh := &sheet{req: r}
	seen := map[string]int{}
	for i, row := range r.GetRows() {
		id := records.RowID("1", r.GetSheet(), row.GetRowKey())
		if first, ok := seen[id]; ok {
			return nil, &records.FieldError{Kind: records.ErrInvalid, Field: fmt.Sprintf("rows[%d].row_key", i), Problem: fmt.Sprintf("says the same time, subject and kind as row %d of the sheet", first+1), Cure: "each line of a sheet is one record: correct or remove one of the two"}
		}
		seen[id] = i
		sum, err := records.ContentHash(row)
		if err != nil {
			return nil, err
		}
		sh.ids, sh.sums = append(sh.ids, id), append(sh.sums, sum)
	}
	whole, err := records.ContentHash(r)
	if err != nil {
		return nil, err
	}
	act, err := ss.s.act(ctx, records.RowID("1", r.GetSheet(), fmt.Sprintf("whole sheet %x", whole)), r)
	if err != nil {
		return nil, err
	}
	act.TranscribedBy, act.Sheet, act.KnownBy = "operator", r.GetSheet(), kb.KnownBy_KNOWN_BY_TRANSCRIBED
	if p := callerOf(ctx).initials; p != "" {
		act.TranscribedBy = p
	}
	act.Person = ""
	got, err := ss.s.append(ctx, act, func(act records.Act, t *touched) []store.Step {
		sh.act, sh.t = act, t
		return []store.Step{store.StepFunc(sh.begin)}
	})
	if errors.Is(err, store.ErrNothingDecided) {
		return &sv.TakeSheetResponse{RowsKnown: int32(len(r.GetRows()))}, nil
	}
	if err != nil {
		return nil, err
	}
	ss.s.forgetCallers()
	if got.GetReplayed() {
		return &sv.TakeSheetResponse{Receipt: got, RowsKnown: int32(len(r.GetRows()))}, nil
	}
	return &sv.TakeSheetResponse{Receipt: got, RowsTaken: int32(len(sh.fresh)), RowsKnown: int32(sh.known)}, nil
}

// begin finds the rows not taken before and expands them into the steps that
// the same records would take if they came one by one.
func (sh *sheet) begin(v store.View) ([]store.Step, error) {
	sh.fresh, sh.known = nil, 0 // the step may run again
	people := map[string]bool{"": true}
	for i, row := range sh.req.GetRows() {
		at := fmt.Sprintf("rows[%d]", i)
		doc, err := get[*kb.SheetRowTaken](v, records.KindSheetRow, sh.ids[i])
		if err != nil {
			return nil, err
		}
		taken, err := records.CheckRowUnchanged(at, doc, sh.sums[i])
		if err != nil {
			return nil, err
		}
		if taken {
			sh.known++
			continue
		}
		if !people[row.GetInitials()] {
			p, err := get[*kb.Person](v, records.KindPerson, row.GetInitials())
			if err != nil {
				return nil, err
			}
			if !p.Has() {
				return nil, &records.FieldError{Kind: records.ErrUnknownReference, Field: at + ".initials", Problem: fmt.Sprintf("nobody has the initials %q", row.GetInitials()), Cure: "enter the person first"}
			}
			people[row.GetInitials()] = true
		}
		sh.fresh = append(sh.fresh, i)
	}
	if len(sh.fresh) == 0 {
		return nil, nil
	}
	steps, err := sh.steps()
	if err != nil {
		return nil, err
	}
	return append(steps, store.StepFunc(func(v store.View) ([]store.Step, error) { return sh.end(v) })), nil
}

// as gives the act of a row: the person who wrote the paper.
func (sh *sheet) as(initials string) records.Act {
	a := sh.act
	a.Person = initials
	return a
}

// name says which row and field a rule refused.
func (sh *sheet) name(row int, field string, err error) error {
	prefix := fmt.Sprintf("rows[%d]", row)
	if field != "" {
		prefix += "." + field
	}
	return records.Within(prefix, err)
}

func (sh *sheet) steps() ([]store.Step, error) {
	var steps []store.Step
	var points []records.PaperPoint
	var readings []records.PaperReading
	pointRow := map[*kb.CheckPoint]int{}
	readingRow := map[string]int{}
	for _, i := range sh.fresh {
		row := sh.req.GetRows()[i]
		act := sh.as(row.GetInitials())
		switch r := row.GetRecord().(type) {
		case *sv.SheetRow_Site:
			steps = append(steps, stepSite(act, r.Site).OnError(func(err error) error { return sh.name(i, "site", err) }))
		case *sv.SheetRow_Person:
			steps = append(steps, stepPerson(act, r.Person, false).OnError(func(err error) error { return sh.name(i, "person", err) }))
		case *sv.SheetRow_Instrument:
			steps = append(steps, stepInstrument(act, r.Instrument).OnError(func(err error) error { return sh.name(i, "instrument", err) }))
		case *sv.SheetRow_Formula:
			steps = append(steps, stepFormula(act, r.Formula).OnError(func(err error) error { return sh.name(i, "formula", err) }),
				stepApproval(act, &kb.FormulaApproval{FormulaId: r.Formula.GetFormulaId(), Version: r.Formula.GetVersion()}).OnError(func(err error) error { return sh.name(i, "formula", err) }))
		case *sv.SheetRow_Point:
			if r.Point.GetPoint() == nil || !r.Point.GetPoint().GetAt().IsValid() {
				return nil, sh.name(i, "point", required("point", nil))
			}
			pointRow[r.Point.GetPoint()] = i
			points = append(points, records.PaperPoint{RowID: sh.ids[i], Initials: row.GetInitials(), Instrument: r.Point.GetInstrumentId(), Point: r.Point.GetPoint()})
		case *sv.SheetRow_Batch:
			steps = append(steps, sh.batch(i, act, r.Batch)...)
		case *sv.SheetRow_Reading:
			if r.Reading.GetReading() == nil || !r.Reading.GetAt().IsValid() {
				return nil, sh.name(i, "reading", required("reading", nil))
			}
			p := records.PaperReading{Initials: row.GetInitials(), LotCode: r.Reading.GetLotCode(), Series: r.Reading.GetSeries(), Instrument: r.Reading.GetInstrumentId(), At: r.Reading.GetAt().AsTime(), Value: r.Reading.GetReading()}
			readingRow[readingKey(p.LotCode, p.Series, p.Instrument, p.At)] = i
			readings = append(readings, p)
		default:
			return nil, sh.name(i, "record", required("record", nil))
		}
	}
	for _, c := range records.GroupPoints(points) {
		steps = append(steps, stepCheck(sh.as(c.Initials), sh.t, c.Check).OnError(func(err error) error { return sh.pointError(c.Check, pointRow, err) }))
	}
	for _, r := range records.GroupReadings(readings) {
		steps = append(steps, stepReadings(sh.as(r.Initials), sh.t, r.Readings).OnError(func(err error) error { return sh.readingError(r.Readings, readingRow, err) }))
	}
	return steps, nil
}

func readingKey(lot string, series kb.SeriesKind, instrument string, at time.Time) string {
	return records.JoinKey(lot, series.String(), instrument, records.TimeKey(at.Truncate(time.Millisecond)))
}

// batch is what one line about a batch says: start, pull, test and end.
func (sh *sheet) batch(i int, act records.Act, b *sv.SheetBatch) []store.Step {
	named := func(field string, s store.Step) store.Step {
		return s.OnError(func(err error) error { return sh.name(i, "batch."+field, err) })
	}
	lot := b.GetStart().GetLotCode()
	if b.GetStart() == nil {
		return []store.Step{store.StepFunc(func(store.View) ([]store.Step, error) { return nil, sh.name(i, "batch.start", required("start", nil)) })}
	}
	steps := []store.Step{named("start", stepBatchStart(act, sh.t, b.GetStart()))}
	end := b.GetPulledAt()
	if end == nil {
		return steps
	}
	steps = append(steps, named("pulled", stepHung(act, sh.t, &kb.Pull{LotCode: lot, At: end}, records.DecidePull)))
	if b.GetColdWaterStage() != "" {
		steps = append(steps, named("cold_water", stepHung(act, sh.t, &kb.ColdWaterTest{LotCode: lot, At: end, Stage: b.GetColdWaterStage()}, records.DecideColdWater)))
	}
	return append(steps, named("end", stepHung(act, sh.t, &kb.BatchEnd{LotCode: lot, At: end, YieldKg: b.GetYieldKg(), Note: b.GetNote()}, records.DecideBatchEnd)))
}

// pointError names the row of the point that a rule refused.
func (sh *sheet) pointError(c *kb.Check, rows map[*kb.CheckPoint]int, err error) error {
	var fe *records.FieldError
	if !errors.As(err, &fe) {
		return err
	}
	row, rest := rows[c.GetPoints()[0]], "point."+fe.Field
	var n int
	if k, e := fmt.Sscanf(fe.Field, "points[%d]", &n); e == nil && k == 1 && n < len(c.GetPoints()) {
		row = rows[c.GetPoints()[n]]
		_, tail, _ := strings.Cut(fe.Field, "].")
		rest = "point.point." + tail
	}
	f := *fe
	f.Field = fmt.Sprintf("rows[%d].%s", row, rest)
	return &f
}

func (sh *sheet) readingError(m *kb.Readings, rows map[string]int, err error) error {
	var fe *records.FieldError
	if !errors.As(err, &fe) {
		return err
	}
	all := records.RunReadings(m)
	n, rest := 0, "reading."+fe.Field
	if k, e := fmt.Sscanf(fe.Field, "micro[%d]", &n); e == nil && k == 1 {
		rest = "reading.reading"
		if _, tail, ok := strings.Cut(fe.Field, "]."); ok {
			rest += "." + tail
		}
	}
	if fe.Field == "first_at" {
		n, rest = len(all)-1, "reading.at"
	}
	f := *fe
	f.Field = fmt.Sprintf("rows[%d].%s", rows[readingKey(m.GetLotCode(), m.GetSeries(), m.GetInstrumentId(), all[min(n, len(all)-1)].At)], rest)
	return &f
}

// end records that the sheet was taken, with the production day of each row.
func (sh *sheet) end(v store.View) ([]store.Step, error) {
	f := records.SheetFacts{}
	lots := map[string]string{}
	for _, i := range sh.fresh {
		day := ""
		var err error
		switch r := sh.req.GetRows()[i].GetRecord().(type) {
		case *sv.SheetRow_Point:
			day, err = dayOf(v, r.Point.GetPoint().GetAt())
		case *sv.SheetRow_Batch:
			day, err = dayOf(v, r.Batch.GetStart().GetStartedAt())
		case *sv.SheetRow_Reading:
			lot := r.Reading.GetLotCode()
			if _, ok := lots[lot]; !ok {
				b, err := get[*kb.BatchStart](v, records.KindBatch, lot)
				if err != nil {
					return nil, err
				}
				lots[lot] = b.Meta.GetProductionDay()
			}
			day = lots[lot]
		}
		if err != nil {
			return nil, err
		}
		if day != "" && !slices.Contains(f.Days, day) {
			f.Days = append(f.Days, day)
		}
		f.Rows = append(f.Rows, &kb.SheetRowTaken{RowId: sh.ids[i], ContentSha256: slices.Clone(sh.sums[i][:]), ProductionDay: day})
	}
	slices.Sort(f.Days)
	return []store.Step{step(func(store.View) (records.SheetFacts, error) { return f, nil }, func(f records.SheetFacts) ([]records.Draft, error) {
		return records.DraftSheet(f, sh.act, sh.req.GetSheet(), sh.req.GetPaper(), sh.act.ContentHash), nil
	})}, nil
}

func dayOf(v store.View, at *timestamppb.Timestamp) (string, error) {
	settings, err := settingsAt(v, at.AsTime())
	if err != nil {
		return "", err
	}
	return settings.Day(at.AsTime()), nil
}
