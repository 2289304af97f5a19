package records_test

import (
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	kb "kettlebook/proto/kettlebook/v1"
	. "kettlebook/records"
)

func paperPoint(row, initials, instrument, at string) PaperPoint {
	return PaperPoint{RowID: row, Initials: initials, Instrument: instrument, Point: icePoint(at, "0.2 C")}
}

// D37: points of one instrument and person less than 60 minutes apart become
// one check, named after its first row.
func TestPointsOnPaperBecomeChecks(t *testing.T) {
	day := "2026-03-02 "
	for _, c := range []struct {
		name   string
		points []PaperPoint
		want   []string // name, instrument, person, points
	}{
		{"none", nil, nil},
		{"59 min 59 s apart", []PaperPoint{paperPoint("r1", "AB", "TH-01", day+"06:00"), paperPoint("r2", "AB", "TH-01", day+"06:59:59")}, []string{"r1 TH-01 AB 2"}},
		{"60 min apart", []PaperPoint{paperPoint("r1", "AB", "TH-01", day+"06:00"), paperPoint("r2", "AB", "TH-01", day+"07:00")}, []string{"r1 TH-01 AB 1", "r2 TH-01 AB 1"}},
		{"each near the one before", []PaperPoint{paperPoint("r1", "AB", "TH-01", day+"06:00"), paperPoint("r2", "AB", "TH-01", day+"06:50"), paperPoint("r3", "AB", "TH-01", day+"07:40")}, []string{"r1 TH-01 AB 3"}},
		{"two people", []PaperPoint{paperPoint("r1", "AB", "TH-01", day+"06:00"), paperPoint("r2", "CD", "TH-01", day+"06:05")}, []string{"r1 TH-01 AB 1", "r2 TH-01 CD 1"}},
		{"two instruments", []PaperPoint{paperPoint("r2", "AB", "TH-02", day+"06:00"), paperPoint("r1", "AB", "TH-01", day+"06:05")}, []string{"r2 TH-02 AB 1", "r1 TH-01 AB 1"}},
		{"taken in turn", []PaperPoint{paperPoint("r1", "AB", "TH-01", day+"06:00"), paperPoint("r2", "AB", "TH-02", day+"06:02"), paperPoint("r3", "AB", "TH-01", day+"06:04"), paperPoint("r4", "AB", "TH-02", day+"06:06")}, []string{"r1 TH-01 AB 2", "r2 TH-02 AB 2"}},
	} {
		var got []string
		for _, p := range GroupPoints(c.points) {
			got = append(got, fmt.Sprintf("%s %s %s %d", p.Check.GetCheckId(), p.Check.GetInstrumentId(), p.Initials, len(p.Check.GetPoints())))
			if err := Validate(p.Check); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	// No check holds more points than a check may.
	var many []PaperPoint
	for i := range MaxPoints + 1 {
		many = append(many, paperPoint(fmt.Sprintf("r%02d", i), "AB", "TH-01", fmt.Sprintf("2026-03-02 06:%02d", i)))
	}
	if got := GroupPoints(many); len(got) != 2 || len(got[0].Check.GetPoints()) != MaxPoints {
		t.Errorf("%d checks", len(got))
	}
}

func TestPointsOnPaperIgnoreOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "points")
		var points []PaperPoint
		for i := range n {
			minute := rapid.IntRange(0, 600).Draw(t, "minute")
			points = append(points, PaperPoint{
				RowID: fmt.Sprintf("r%02d", i), Initials: rapid.SampledFrom([]string{"AB", "CD"}).Draw(t, "person"), Instrument: rapid.SampledFrom([]string{"TH-01", "TH-02"}).Draw(t, "instrument"),
				Point: icePoint(when("2026-03-02 06:00").Add(time.Duration(minute)*time.Minute).Format(time.DateTime), "0.2 C"),
			})
		}
		want, got := GroupPoints(points), GroupPoints(rapid.Permutation(points).Draw(t, "another order"))
		if len(got) != len(want) {
			t.Fatalf("%d checks, %d in another order", len(want), len(got))
		}
		total := 0
		for i := range want {
			sameMessage(t, got[i].Check, want[i].Check)
			total += len(want[i].Check.GetPoints())
			if got[i].Initials != want[i].Initials {
				t.Fatalf("%s or %s", got[i].Initials, want[i].Initials)
			}
		}
		if total != n {
			t.Fatalf("%d points of %d", total, n)
		}
	})
}

func paperReading(lot, at, value string) PaperReading {
	return PaperReading{Initials: "AB", LotCode: lot, Series: kb.SeriesKind_SERIES_KIND_COOK, Instrument: "TH-01", At: when("2026-03-02 " + at), Value: deg(value)}
}

func TestReadingsOnPaperBecomeRuns(t *testing.T) {
	cooling := paperReading("L-1", "09:00", "60.0 C")
	cooling.Series = kb.SeriesKind_SERIES_KIND_COOLING
	other := paperReading("L-1", "07:07", "226 F")
	other.Instrument = "TH-02"
	byCD := paperReading("L-1", "07:09", "104.0 C")
	byCD.Initials = "CD"
	runs := GroupReadings([]PaperReading{paperReading("L-2", "07:00", "99.8 C"), cooling, byCD, other, paperReading("L-1", "07:05", "103.40 C"), paperReading("L-1", "07:00", "99.8 C")})
	var got []string
	for _, r := range runs {
		if err := Validate(r.Readings); err != nil {
			t.Error(err)
		}
		s := fmt.Sprintf("%s %v %s %s:", r.Readings.GetLotCode(), r.Readings.GetSeries().Number(), r.Readings.GetInstrumentId(), r.Initials)
		for _, x := range RunReadings(r.Readings) {
			s += fmt.Sprintf(" %s %s", x.At.Format("15:04"), FormatTemperature(x.Value))
		}
		got = append(got, s)
	}
	want := []string{"L-1 1 TH-01 AB: 07:00 99.8 degC 07:05 103.40 degC", "L-1 1 TH-01 CD: 07:09 104.0 degC", "L-1 1 TH-02 AB: 07:07 226 degF", "L-1 2 TH-01 AB: 09:00 60.0 degC", "L-2 1 TH-01 AB: 07:00 99.8 degC"}
	if fmt.Sprintf("%q", got) != fmt.Sprintf("%q", want) {
		t.Errorf("%q\nwant %q", got, want)
	}
	// At most 1,000 readings a run, and no more than its 32-bit offsets hold.
	var many []PaperReading
	for i := range 2 * MaxRun {
		r := paperReading("L-1", "07:00", "99.8 C")
		r.At = r.At.Add(time.Duration(i) * time.Second)
		many = append(many, r)
	}
	if runs := GroupReadings(many); len(runs) != 2 || len(runs[0].Readings.GetMicro()) != MaxRun || len(runs[1].Readings.GetMicro()) != MaxRun {
		t.Errorf("%d runs", len(runs))
	}
	far := paperReading("L-1", "07:00", "99.8 C")
	far.At = far.At.Add(60 * 24 * time.Hour)
	if runs := GroupReadings([]PaperReading{paperReading("L-1", "07:00", "99.8 C"), far}); len(runs) != 2 || RunReadings(runs[1].Readings)[0].At != far.At {
		t.Errorf("%d runs", len(runs))
	}
}

func TestReadingsOnPaperIgnoreOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var readings []PaperReading
		for range rapid.IntRange(1, 40).Draw(t, "readings") {
			r := paperReading(rapid.SampledFrom([]string{"L-1", "L-2"}).Draw(t, "lot"), "07:00", rapid.SampledFrom([]string{"99.8 C", "99.80 C", "103.4 C", "226 F"}).Draw(t, "value"))
			r.At = r.At.Add(time.Duration(rapid.IntRange(0, 20).Draw(t, "minute")) * time.Minute)
			readings = append(readings, r)
		}
		want, got := GroupReadings(readings), GroupReadings(rapid.Permutation(readings).Draw(t, "another order"))
		if len(got) != len(want) {
			t.Fatalf("%d runs, %d in another order", len(want), len(got))
		}
		for i := range want {
			sameMessage(t, got[i].Readings, want[i].Readings)
		}
	})
}

// A row's name is a UUIDv5 (RFC 9562, version 5, variant 10) of site, sheet and
// row key: the same row, whatever order the sheet comes in.
func TestRowNames(t *testing.T) {
	id := RowID("1", "checks.csv", "2026-03-02T06:00 TH-01 ice")
	if len(id) != 36 || id[14] != '5' || id[19] != '8' && id[19] != '9' && id[19] != 'a' && id[19] != 'b' || id != RowID("1", "checks.csv", "2026-03-02T06:00 TH-01 ice") {
		t.Errorf("%s", id)
	}
	for _, other := range []string{RowID("2", "checks.csv", "2026-03-02T06:00 TH-01 ice"), RowID("1", "readings.csv", "2026-03-02T06:00 TH-01 ice"), RowID("1", "checks.csv", "2026-03-02T06:01 TH-01 ice"), RowID("1", "checks.csv2026-03-02T06:00", " TH-01 ice")} {
		if other == id {
			t.Error("two rows share a name")
		}
	}
}

func TestSheetIsTakenOnce(t *testing.T) {
	hash := sha256.Sum256([]byte("the row"))
	rows := []*kb.SheetRowTaken{{RowId: "row-1", ContentSha256: hash[:], ProductionDay: "2026-03-01"}}
	b := newBook(t)
	a := act("AB")
	a.RecordedAt = when("2026-03-03 03:00")
	f := SheetFacts{Rows: rows, Days: []string{"2026-03-01"}}
	for _, c := range []struct {
		settings Settings
		day      string
	}{{Settings{}, "2026-03-03"}, {settings("1480"), "2026-03-02"}} {
		f.Settings = c.settings
		if d := DraftSheet(f, a, "checks.csv", "green pad", hash)[0]; d.Day != c.day || !proto.Equal(d.Payload.(*kb.SheetTaken).GetRowsTaken()[0], rows[0]) || d.Payload.(*kb.SheetTaken).GetRows() != 1 {
			t.Errorf("%+v", d)
		}
	}
	b.take(DraftSheet(f, a, "checks.csv", "green pad", hash), nil)
	known := lookup[*kb.SheetRowTaken](b, KindSheetRow, "row-1")
	if taken, err := CheckRowUnchanged("rows[0]", Doc[*kb.SheetRowTaken]{}, hash); taken || err != nil {
		t.Errorf("a new row: %v, %v", taken, err)
	}
	if taken, err := CheckRowUnchanged("rows[0]", known, hash); !taken || err != nil {
		t.Errorf("the same row: %v, %v", taken, err)
	}
	taken, err := CheckRowUnchanged("rows[0]", known, sha256.Sum256([]byte("the row, changed")))
	refused(t, err, ErrRowChanged, "rows[0]: this line was taken before (entry 1) and said something else (leave the line as it was and amend the record)")
	if !taken {
		t.Error("a changed row counts as new")
	}
}
