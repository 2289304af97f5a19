package server_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/thermometry"
)

// paperKitchen is what an invented kitchen wrote down on three days. Its
// thermometers have errors that the test gives them.
type paperKitchen struct {
	t          testing.TB
	elevationM string
	hPa        [3]string // in the kitchen, morning by morning
	// sheets are rows by name of sheet: "checks 1" to "cooling 3".
	sheets map[string][]*sv.SheetRow
}

// paperError is the error in degC of an instrument on a day at a temperature.
func paperError(instrument string, day int, tempC float64) float64 {
	switch instrument {
	case "C1": // sound
		return 0.1 + 0.0005*tempC
	case "C2": // drifts: fails at 150 degC on the first day, everywhere on the third
		return 0.4 + 0.0045*tempC*float64(day+1) + 0.45*float64(day)
	}
	return 0 // D1, a dial read to a degree
}

var paperNames = []string{"checks", "batches", "readings", "cooling"}

// newPaper writes three days for a kitchen. The dial D1 is written down as if
// water boiled at 100 degC everywhere; nobody reads the barometer for it.
func newPaper(t testing.TB, elevationM string, hPa [3]string) *paperKitchen {
	p := &paperKitchen{t: t, elevationM: elevationM, hPa: hPa, sheets: map[string][]*sv.SheetRow{}}
	for day := range 3 {
		boils := p.boils(day)
		p.check(day, 45, anna, "C1", boils, day == 0)
		p.check(day, 55, anna, "C2", boils, day == 0)
		if day != 1 { // forgotten on the second day
			p.dial(day, 65)
		}
		n := func(k int) string { return fmt.Sprintf("%d-%02d", day+1, k) }
		p.cook(day, 180, anna, n(1), "FON", "C1", "soft ball", 116+boils-100)
		p.cook(day, 215, bo, n(2), "FON", "C2", "firm ball", 115+boils-100+float64(day))
		p.cook(day, 250, bo, n(3), "TOF", "C2", "", 141.2+float64(day))
		p.cook(day, 270, anna, n(4), "TOF", "D1", "", 143)
		p.cook(day, 300, anna, n(5), "SAU", "C1", "", 172.5)
		p.cool(day, 340, n(5), "C1", []float64{0.9, 0.9, 0.3}[day]) // the last one stood on the bench
	}
	return p
}

// boils is where water boils on a morning, degC.
func (p *paperKitchen) boils(day int) float64 {
	c, err := thermometry.BoilingPointC(float64(dec(p.hPa[day]).GetMicro()) / 1e6)
	if err != nil {
		p.t.Fatal(err)
	}
	return c
}

func (p *paperKitchen) add(sheet string, day int, row *sv.SheetRow) {
	name := fmt.Sprintf("%s %d", sheet, day+1)
	p.sheets[name] = append(p.sheets[name], row)
}

func minute(day, m int) time.Time { return at(day, 5, 0).Add(time.Duration(m) * time.Minute) }

// shows is what an instrument shows at a true temperature.
func shows(instrument string, day int, trueC float64) *kb.Temperature {
	v := trueC + paperError(instrument, day, trueC)
	if instrument == "D1" {
		return tc(fmt.Sprintf("%.0f", v))
	}
	return tc(fmt.Sprintf("%.1f", v))
}

func (p *paperKitchen) point(day int, who, instrument string, pt *kb.CheckPoint) {
	p.add("checks", day, &sv.SheetRow{RowKey: pt.GetAt().AsTime().Format(time.RFC3339) + instrument, Initials: who,
		Record: &sv.SheetRow_Point{Point: &sv.SheetPoint{InstrumentId: instrument, Point: pt}}})
}

func (p *paperKitchen) check(day, m int, who, instrument string, boils float64, compare bool) {
	i := ice(minute(day, m-40), "0")
	i.Reading = shows(instrument, day, 0)
	p.point(day, who, instrument, i)
	b := boil(minute(day, m-36), "100", p.hPa[day])
	b.Reading = shows(instrument, day, boils)
	p.point(day, who, instrument, b)
	if compare {
		c := compared(minute(day, m-28), "150", "150.20")
		c.Reading = shows(instrument, day, 150.2)
		p.point(day, who, instrument, c)
	}
}

func (p *paperKitchen) dial(day, m int) {
	p.point(day, bo, "D1", &kb.CheckPoint{At: ts(minute(day, m-40)), Kind: kb.PointKind_POINT_KIND_ICE, Reading: tc("0")})
	p.point(day, bo, "D1", &kb.CheckPoint{At: ts(minute(day, m-35)), Kind: kb.PointKind_POINT_KIND_BOILING, Reading: tc("100")})
}

func (p *paperKitchen) cook(day, m int, who, lot, formula, instrument, stage string, pulledC float64) {
	start, pull := minute(day, m), minute(day, m+6).Add(20*time.Second)
	p.add("batches", day, &sv.SheetRow{RowKey: lot, Initials: who, Record: &sv.SheetRow_Batch{Batch: &sv.SheetBatch{
		Start:    &kb.BatchStart{LotCode: lot, FormulaId: formula, InstrumentId: instrument, StartedAt: ts(start), SolidsKg: dec("5.5")},
		PulledAt: ts(pull), ColdWaterStage: stage, YieldKg: dec("6.1"),
	}}})
	for i := range 4 {
		p.reading("readings", day, lot, instrument, kb.SeriesKind_SERIES_KIND_COOK, minute(day, m+3+i), pulledC-float64(3-i)*(pulledC-80)/3)
	}
}

func (p *paperKitchen) reading(sheet string, day int, lot, instrument string, series kb.SeriesKind, at time.Time, trueC float64) {
	p.add(sheet, day, &sv.SheetRow{RowKey: at.Format(time.RFC3339) + lot, Record: &sv.SheetRow_Reading{Reading: &sv.SheetReading{
		LotCode: lot, Series: series, InstrumentId: instrument, At: ts(at), Reading: shows(instrument, day, trueC),
	}}})
}

// cool writes a reading every 40 minutes for seven hours; the faster the
// larger perHour.
func (p *paperKitchen) cool(day, m int, lot, instrument string, perHour float64) {
	for i := range 11 {
		p.reading("cooling", day, lot, instrument, kb.SeriesKind_SERIES_KIND_COOLING, minute(day, m+40*i), 3+59*math.Exp(-perHour*float64(i)*2/3))
	}
}

// kitchen opens a kitchen with the registers that the paper refers to.
func (p *paperKitchen) kitchen() *kitchen {
	p.t.Helper()
	k := furnished(p.t)
	s := site()
	s.ElevationM = dec(p.elevationM)
	must(p.t)(k.op.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: k.id(), Site: s}))
	must(p.t)(k.op.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: k.id(), Instrument: &kb.Instrument{InstrumentId: "D1", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1")}}))
	k.clock.Set(at(9, 12, 0))
	return k
}

// take takes sheets in an order and gives the days' contents.
func (p *paperKitchen) take(k *kitchen, order []string) [3]string {
	p.t.Helper()
	for _, name := range order {
		r, err := k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: name, Paper: "exercise book", Rows: p.sheets[name]})
		if err != nil {
			p.t.Fatalf("%s: %v", name, err)
		}
		if r.GetRowsTaken() != int32(len(p.sheets[name])) {
			p.t.Fatalf("%s: %v", name, r)
		}
	}
	return k.threeDays()
}

func (k *kitchen) threeDays() (out [3]string) {
	k.t.Helper()
	for i, day := range []string{monday, tuesday, wednesday} {
		_, r := k.day(day)
		out[i] = string(r.GetContent())
	}
	return out
}

// plainOrder is the order in which the days went.
func plainOrder() []string {
	var out []string
	for day := range 3 {
		for _, s := range paperNames {
			out = append(out, fmt.Sprintf("%s %d", s, day+1))
		}
	}
	return out
}

// ready says that a sheet can be taken after others: readings want their batch.
func ready(name string, taken []string) bool {
	day := name[len(name)-1:]
	return name[:3] != "rea" && name[:3] != "coo" || slices.Contains(taken, "batches "+day)
}

// paperKitchens are the two kitchens tried.
func paperKitchens(t testing.TB) map[string]*paperKitchen {
	return map[string]*paperKitchen{
		"at sea level": newPaper(t, "4", [3]string{"1009.8", "1021.3", "998.4"}),
		"at 2,300 m":   newPaper(t, "2300", [3]string{"766.1", "769.9", "761.2"}),
	}
}

// TestPaperDays says what a careful reviewer finds in the invented sheets.
func TestPaperDays(t *testing.T) {
	for name, p := range paperKitchens(t) {
		t.Run(name, func(t *testing.T) {
			k := p.kitchen()
			p.take(k, plainOrder())
			high := p.elevationM == "2300"
			first, _ := k.day(monday)
			second, _ := k.day(tuesday)
			third, _ := k.day(wednesday)
			c2 := instrumentOf(t, first, "C2").GetChecks()[0].GetAssessment()
			if r := []kb.CheckResult{c2.GetPoints()[0].GetResult(), c2.GetPoints()[1].GetResult(), c2.GetPoints()[2].GetResult()}; !slices.Equal(r, []kb.CheckResult{kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE}) {
				t.Errorf("C2 on the first day: %v", r)
			}
			dial := kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN
			if high {
				dial = kb.CheckResult_CHECK_RESULT_NOT_BELIEVED
			}
			if got := instrumentOf(t, first, "D1").GetChecks()[0].GetAssessment().GetAsFound(); got != dial {
				t.Errorf("D1 came to %v, want %v", got, dial)
			}
			if !instrumentOf(t, second, "D1").GetMissedCheck() || instrumentOf(t, second, "C1").GetMissedCheck() {
				t.Error("the missed check of the second day")
			}
			for _, day := range []*kb.DayContent{first, second, third} {
				if l := batchOf(t, day, day.GetBatches()[0].GetStart().GetLotCode()).GetPull().GetLimits()[0]; l.GetResult() != kb.LimitResult_LIMIT_RESULT_MET {
					t.Errorf("the sound batch of %s: %v", day.GetProductionDay(), l)
				}
				if n := len(day.GetMarked()); n != 0 {
					t.Errorf("%d marks on %s: %v", n, day.GetProductionDay(), day.GetMarked())
				}
			}
			if high {
				if l := batchOf(t, first, "1-04").GetPull().GetLimits()[0]; l.GetResult() != kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN || l.GetAsRead() != kb.LimitResult_LIMIT_RESULT_MET {
					t.Errorf("the batch on the dial that is not believed: %v", l)
				}
			}
			if d := standing(third)["cooling/3-05"]; d.GetDeviation().GetClass() != kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY {
				t.Errorf("the sauce on the bench: %v", d)
			}
			if d := standing(second)["cooling/2-05"]; d != nil {
				t.Errorf("the sauce that was cooled in time: %v", d)
			}
			if len(third.GetLookBacks()) == 0 || len(first.GetLookBacks()) == 0 {
				t.Error("no look-back for C2")
			}
			if s := first.GetSheets(); len(s) != 4 || s[0].GetPaper() != "exercise book" {
				t.Errorf("sheets of the first day: %v", s)
			}
		})
	}
}

// TestSheetsInAnyOrder: whatever order the sheets are taken in, as long as
// readings find their batch, the days' contents are the same bytes (D5).
func TestSheetsInAnyOrder(t *testing.T) {
	for name, p := range paperKitchens(t) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p.t = t
			base := p.kitchen()
			want := p.take(base, plainOrder())
			if err := base.store.Rebuild(ctx); err != nil {
				t.Fatal(err)
			}
			if base.threeDays() != want {
				t.Error("rebuilt, the days have other contents")
			}
			tried := orders(6)[:3]
			if p.elevationM == "2300" {
				tried = orders(6)[3:]
			}
			for i, order := range tried {
				k := p.kitchen()
				got := p.take(k, order)
				settled(t, k)
				for d := range got {
					if got[d] != want[d] {
						t.Errorf("order %d %q: day %d differs\n%s", i, order, d+1, firstDifference(want[d], got[d]))
					}
				}
			}
		})
	}
}

// firstDifference shows where two texts part.
func firstDifference(a, b string) string {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	from := max(0, i-300)
	return fmt.Sprintf("want ...%s\n got ...%s", a[from:min(len(a), i+400)], b[from:min(len(b), i+400)])
}

// orders gives orders of the twelve sheets: days backwards, kinds of sheet
// together, checks last, checks first, and shuffled ones from a fixed sequence.
func orders(n int) [][]string {
	all := plainOrder()
	byKind := func(kinds ...string) []string {
		var out []string
		for _, k := range kinds {
			for _, d := range []string{"2", "3", "1"} {
				out = append(out, k+" "+d)
			}
		}
		return out
	}
	backwards := slices.Concat(all[8:], all[4:8], all[:4])
	out := [][]string{backwards, byKind("batches", "readings", "cooling", "checks"), byKind("checks", "batches", "cooling", "readings"), byKind("batches", "cooling", "checks", "readings")}
	seed := uint64(20260302)
	for len(out) < n {
		var order []string
		left := slices.Clone(all)
		for len(left) > 0 {
			seed = seed*6364136223846793005 + 1442695040888963407
			i := int(seed>>33) % len(left)
			if ready(left[i], order) {
				order, left = append(order, left[i]), slices.Delete(left, i, i+1)
			}
		}
		out = append(out, order)
	}
	return out
}

// TestSheetTakenAgain: a sheet taken twice adds nothing; with lines added only
// those are taken; with a line changed it is refused and the line is named.
func TestSheetTakenAgain(t *testing.T) {
	p := paperKitchens(t)["at sea level"]
	k := p.kitchen()
	rows := p.sheets["checks 1"]
	take := func(rows []*sv.SheetRow) (*sv.TakeSheetResponse, error) {
		return k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "checks", Rows: rows})
	}
	r, err := take(rows[:6])
	if err != nil || r.GetRowsTaken() != 6 || r.GetRowsKnown() != 0 {
		t.Fatal(r, err)
	}
	before := k.state()
	if r, err = take(rows[:6]); err != nil || r.GetRowsTaken() != 0 || r.GetRowsKnown() != 6 || k.state() != before {
		t.Errorf("taken twice: %v, %v", r, err)
	}
	if r, err = take(rows[2:5]); err != nil || r.GetRowsTaken() != 0 || r.GetRowsKnown() != 3 || k.state() != before {
		t.Errorf("part of it: %v, %v", r, err)
	}
	if r, err = take(rows); err != nil || r.GetRowsTaken() != int32(len(rows)-6) || r.GetRowsKnown() != 6 {
		t.Errorf("with lines added: %v, %v", r, err)
	}
	before = k.state()
	changed := slices.Clone(rows)
	changed[3] = &sv.SheetRow{RowKey: rows[3].GetRowKey(), Initials: rows[3].GetInitials(), Record: &sv.SheetRow_Point{Point: &sv.SheetPoint{InstrumentId: "C2", Point: ice(minute(0, 15), "7.7")}}}
	_, err = take(changed)
	want(t, err, records.ErrRowChanged, "rows[3]")
	// A bad line among good ones: nothing of the sheet is kept.
	bad := slices.Clone(p.sheets["batches 1"])
	bad[2] = &sv.SheetRow{RowKey: "x", Initials: anna, Record: &sv.SheetRow_Batch{Batch: &sv.SheetBatch{Start: &kb.BatchStart{LotCode: "x", FormulaId: "FON", InstrumentId: "NONE", StartedAt: ts(minute(0, 100))}}}}
	_, err = k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "batches", Rows: bad})
	want(t, err, records.ErrUnknownReference, "rows[2].batch.start.instrument_id")
	bad[2] = &sv.SheetRow{RowKey: bad[1].GetRowKey(), Initials: anna, Record: bad[2].Record}
	_, err = k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "batches", Rows: bad})
	want(t, err, records.ErrInvalid, "rows[2].row_key")
	bad[2] = &sv.SheetRow{RowKey: "x", Initials: "??", Record: p.sheets["batches 1"][2].GetRecord()}
	_, err = k.op.Sheet.TakeSheet(ctx, &sv.TakeSheetRequest{Sheet: "batches", Rows: bad})
	want(t, err, records.ErrUnknownReference, "rows[2].initials")
	if k.state() != before {
		t.Error("the ledger changed")
	}
}
