package records

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
)

// CheckGap is how far apart two points of one instrument and person may lie
// and still belong to one check on paper: less than this.
const CheckGap = 60 * time.Minute

// sheetSpace is the name space of row names: UUIDv5 of the project's own URL.
var sheetSpace = uuid.NewSHA1(uuid.NameSpaceURL, []byte("kettlebook/sheet-row"))

// RowID names a row of a sheet by site, sheet and row key, so that the same
// row is never taken twice whatever order it comes in.
func RowID(site, sheet, rowKey string) string {
	return uuid.NewSHA1(sheetSpace, []byte(JoinKey(site, sheet, rowKey))).String()
}

// PaperPoint is a point of a check on paper.
type PaperPoint struct {
	// RowID names the row.
	RowID string
	// Initials is who wrote it.
	Initials string
	// Instrument is what was checked.
	Instrument string
	// Point is the point.
	Point *kb.CheckPoint
}

// PaperCheck is a check put together from points on paper.
type PaperCheck struct {
	// Initials is who made it.
	Initials string
	// Check is the check, named after its first row.
	Check *kb.Check
}

// GroupPoints puts points of one instrument and person that lie less than
// CheckGap apart together into checks of at most MaxPoints, whatever order they
// come in.
func GroupPoints(points []PaperPoint) []PaperCheck {
	sorted := slices.Clone(points)
	slices.SortStableFunc(sorted, func(a, b PaperPoint) int {
		return cmp.Or(cmp.Compare(a.Instrument, b.Instrument), cmp.Compare(a.Initials, b.Initials),
			a.Point.GetAt().AsTime().Compare(b.Point.GetAt().AsTime()), cmp.Compare(a.RowID, b.RowID))
	})
	var out []PaperCheck
	for i, p := range sorted {
		if i > 0 {
			prev := sorted[i-1]
			c := out[len(out)-1].Check
			if prev.Instrument == p.Instrument && prev.Initials == p.Initials && len(c.GetPoints()) < MaxPoints &&
				p.Point.GetAt().AsTime().Sub(prev.Point.GetAt().AsTime()) < CheckGap {
				c.Points = append(c.Points, p.Point)
				continue
			}
		}
		out = append(out, PaperCheck{Initials: p.Initials, Check: &kb.Check{CheckId: p.RowID, InstrumentId: p.Instrument, Points: []*kb.CheckPoint{p.Point}}})
	}
	slices.SortStableFunc(out, func(a, b PaperCheck) int {
		return a.Check.GetPoints()[0].GetAt().AsTime().Compare(b.Check.GetPoints()[0].GetAt().AsTime())
	})
	return out
}

// PaperReading is a reading on paper.
type PaperReading struct {
	// Initials is who wrote it; may be empty.
	Initials string
	// LotCode is the batch.
	LotCode string
	// Series says cook or cooling.
	Series kb.SeriesKind
	// Instrument is what was read.
	Instrument string
	// At is when.
	At time.Time
	// Value is what was read.
	Value *kb.Temperature
}

// PaperRun is a run put together from readings on paper.
type PaperRun struct {
	// Initials is who wrote it; may be empty.
	Initials string
	// Readings is the run.
	Readings *kb.Readings
}

// GroupReadings puts readings of one batch, series, instrument, unit and
// person together into runs of at most MaxRun in order of time, whatever order
// they come in.
func GroupReadings(readings []PaperReading) []PaperRun {
	sorted := slices.Clone(readings)
	same := func(a, b PaperReading) int {
		return cmp.Or(cmp.Compare(a.LotCode, b.LotCode), cmp.Compare(a.Series, b.Series), cmp.Compare(a.Instrument, b.Instrument),
			cmp.Compare(a.Value.GetUnit(), b.Value.GetUnit()), cmp.Compare(a.Initials, b.Initials))
	}
	slices.SortStableFunc(sorted, func(a, b PaperReading) int {
		return cmp.Or(same(a, b), a.At.Compare(b.At), cmp.Compare(a.Value.GetMicro(), b.Value.GetMicro()), cmp.Compare(a.Value.GetDecimals(), b.Value.GetDecimals()))
	})
	const longest = 30 * 24 * time.Hour // offsets are 32-bit milliseconds
	var out []PaperRun
	for i, r := range sorted {
		if i == 0 || same(sorted[i-1], r) != 0 || len(out[len(out)-1].Readings.GetMicro()) == MaxRun ||
			r.At.Sub(out[len(out)-1].Readings.GetFirstAt().AsTime()) > longest {
			out = append(out, PaperRun{Initials: r.Initials, Readings: &kb.Readings{
				LotCode: r.LotCode, Series: r.Series, InstrumentId: r.Instrument, Unit: r.Value.GetUnit(), FirstAt: timestamppb.New(r.At),
			}})
		}
		run := out[len(out)-1].Readings
		run.AfterMs = append(run.AfterMs, uint32(r.At.Sub(run.GetFirstAt().AsTime())/time.Millisecond))
		run.Micro = append(run.Micro, r.Value.GetMicro())
		run.Decimals = append(run.Decimals, r.Value.GetDecimals())
	}
	return out
}

// SheetFacts is what is known when a sheet is taken.
type SheetFacts struct {
	// Settings of the site; the zero value while there are none.
	Settings Settings
	// Rows are the new rows.
	Rows []*kb.SheetRowTaken
	// Days are the production days touched, ascending.
	Days []string
}

// DraftSheet records that a sheet was taken.
func DraftSheet(f SheetFacts, act Act, sheet, paper string, rowsHash [32]byte) []Draft {
	day := act.RecordedAt.UTC().Format(time.DateOnly)
	if f.Settings.Site != nil {
		day = f.Settings.Day(act.RecordedAt)
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: &kb.SheetTaken{
		Sheet: sheet, Paper: paper, RowsSha256: rowsHash[:], Rows: uint32(len(f.Rows)), ProductionDays: f.Days, RowsTaken: f.Rows,
	}}}
}

// CheckRowUnchanged refuses a row that was taken before and now says
// something else.
func CheckRowUnchanged(field string, known Doc[*kb.SheetRowTaken], contentHash [32]byte) (taken bool, err error) {
	if !known.Has() {
		return false, nil
	}
	if string(known.Record.GetContentSha256()) != string(contentHash[:]) {
		return true, refuse(ErrRowChanged, field, "leave the line as it was and amend the record", "this line was taken before (entry %d) and said something else", known.Meta.GetSequence())
	}
	return true, nil
}
