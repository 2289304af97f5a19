package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// goodSheets are sheets with nothing wrong; each case below spoils one line.
var goodSheets = map[string]string{
	"site.csv":        "name,elevation_m,utc_offset_h,production_day_starts\nPaper Kitchen,1480.0,-7.0,04:00\n",
	"instruments.csv": "instrument,kind,scale,resolution,tolerance,serial\nA1,glass,C,0.5,1,S1\nR1,reference probe,C,0.1,1,S2\n",
	"formulas.csv":    "formula,name,low_c,high_c,basis,limit_class,water_fraction,allergens,cooling_clock\nFO,fondant,112.0,116.0,solids,operating,0.3,milk,yes\n",
	"checks.csv": "time,instrument,point,reading,unit,station_pressure_hpa,reference_instrument,reference_reading,person,note\n" +
		"2026-05-11T05:40:00-07:00,A1,ice,0.2,C,,,,A. Berg,crushed\n" +
		"2026-05-11T05:45:00-07:00,A1,boiling,95.1,C,843.1,,,A. Berg,\n" +
		"2026-05-11T05:55:00-07:00,A1,comparison,149.8,C,,R1,150.0,A. Berg,\n",
	"batches.csv": "batch,formula,instrument,started,ended,solids_kg,yield_kg,stage_test,person,note\n" +
		"L-1,FO,A1,2026-05-11T07:00:00-07:00,2026-05-11T07:14:00-07:00,6.3,7.21,soft ball,A. Berg,\n",
	"readings.csv": "time,batch,instrument,reading,unit\n2026-05-11T07:05:00-07:00,L-1,A1,98.0,C\n2026-05-11T07:14:00-07:00,L-1,A1,109.0,C\n",
	"cooling.csv":  "time,batch,instrument,reading,unit\n2026-05-11T07:30:00-07:00,L-1,A1,61.0,C\n2026-05-11T08:30:00-07:00,L-1,A1,18.0,C\n",
}

// TestBadRows spoils one line of one sheet at a time. What is wrong is told by
// file and line, and by column where one is to blame; nothing of that sheet is
// kept, and the sheets put right are then taken whole.
func TestBadRows(t *testing.T) {
	cases := []struct{ sheet, was, is, want string }{
		{"site.csv", "1480.0", "high", `site.csv, line 2, column elevation_m: "high" is not a number`},
		{"site.csv", "1480.0", "", "site.csv, line 2, column elevation_m: is empty"},
		{"site.csv", "1480.0", "9000", "site.csv, line 2, column elevation_m: "},
		{"site.csv", "Paper Kitchen", "", "site.csv, line 2, column name: is empty"},
		{"site.csv", "04:00", "dawn", `site.csv, line 2, column production_day_starts: "dawn" is no time of day`},
		{"site.csv", "-7.0", "-70", "site.csv, line 2, column utc_offset_h: "},
		{"site.csv", "elevation_m", "height", `site.csv, line 1: there is no column "elevation_m"`},
		{"site.csv", goodSheets["site.csv"], "", "site.csv, line 1: the sheet is empty"},

		{"instruments.csv", "A1,glass,C", "A1,glass,K", `instruments.csv, line 2, column scale: "K" is no scale`},
		{"instruments.csv", "0.5,1,S1", "fine,1,S1", `instruments.csv, line 2, column resolution: "fine" is not a number`},
		{"instruments.csv", "0.5,1,S1", ",1,S1", "instruments.csv, line 2, column resolution: is empty"},
		{"instruments.csv", "0.5,1,S1", "0.5,-1,S1", "instruments.csv, line 2, column tolerance: "},
		{"instruments.csv", "0.5,1,S1", "0.5,1,S1,and more", "instruments.csv, line 2: has 7 values for 6 columns"},
		{"instruments.csv", "A1,glass", ",glass", "instruments.csv, line 2, column instrument: is empty"},
		{"instruments.csv", "R1,reference probe", "A1,reference probe", "instruments.csv, line 3: says the same"},
		{"instruments.csv", "kind,", "scale,", `instruments.csv, line 1: there are two columns "scale"`},

		{"formulas.csv", "solids", "weight", `formulas.csv, line 2, column basis: "weight" is no basis`},
		{"formulas.csv", "operating", "grave", `formulas.csv, line 2, column limit_class: "grave" is no class`},
		{"formulas.csv", "112.0", "cold", `formulas.csv, line 2, column low_c: "cold" is not a number`},
		{"formulas.csv", "112.0,116.0", "118.0,116.0", "formulas.csv, line 2, column high_c: the upper bound lies below the lower one"},
		{"formulas.csv", "112.0,116.0", "60.0,116.0", "formulas.csv, line 2, column "},
		{"formulas.csv", "milk,yes", "milk,perhaps", `formulas.csv, line 2, column cooling_clock: "perhaps" is neither yes nor no`},
		{"formulas.csv", "0.3", "3", "formulas.csv, line 2, column water_fraction: "},

		{"checks.csv", "05:45:00-07:00,A1,boiling", "05:45:00,A1,boiling", `checks.csv, line 3, column time: "2026-05-11T05:45:00" is no time`},
		{"checks.csv", "2026-05-11T05:45", "2199-05-11T05:45", "checks.csv, line 3, column time: "},
		{"checks.csv", "A1,boiling", "A9,boiling", "checks.csv, line 3, column instrument: instrument A9 is not known"},
		{"checks.csv", "A1,boiling", "A1,steam", `checks.csv, line 3, column point: "steam" is no point of a check`},
		{"checks.csv", "95.1", "NaN", `checks.csv, line 3, column reading: "NaN" is not a number`},
		{"checks.csv", "95.1", "1400", "checks.csv, line 3, column reading: A1 cannot show 1400 degC"},
		{"checks.csv", "95.1,C", "95.1,F", "checks.csv, line 3, column unit: "},
		{"checks.csv", "95.1,C", "95.1,K", `checks.csv, line 3, column unit: "K" is not a unit of temperature`},
		{"checks.csv", "95.1,C", "95.1,", "checks.csv, line 3, column unit: is empty"},
		{"checks.csv", "843.1", "84.31", "checks.csv, line 3, column station_pressure_hpa: "},
		{"checks.csv", ",R1,150.0", ",R9,150.0", "checks.csv, line 4, column reference_instrument: "},
		{"checks.csv", ",R1,150.0", ",R1,", "checks.csv, line 4, column reference_reading: is empty"},
		{"checks.csv", "crushed", `"crushed`, "checks.csv, line 2: holds a quotation mark that is not closed"},
		{"checks.csv", "crushed", `finely "crushed"`, "checks.csv, line 2: holds a quotation mark inside a text"},
		{"checks.csv", "crushed", "crushed, and fine", "checks.csv, line 2: has 11 values for 10 columns"},
		{"checks.csv", "crushed", "crush\xe9", "checks.csv, line 2: is not UTF-8"},

		{"batches.csv", "L-1,FO", ",FO", "batches.csv, line 2, column batch: is empty"},
		{"batches.csv", "L-1,FO", "L-1,FX", "batches.csv, line 2, column formula: formula FX is not known"},
		{"batches.csv", "FO,A1", "FO,A9", "batches.csv, line 2, column instrument: instrument A9 is not known"},
		{"batches.csv", "07:00:00-07:00", "7 in the morning", "batches.csv, line 2, column started: "},
		{"batches.csv", "T07:14:00-07:00", "T06:14:00-07:00", "batches.csv, line 2, column ended: "},
		{"batches.csv", "6.3", "lots", `batches.csv, line 2, column solids_kg: "lots" is not a number`},
		{"batches.csv", "7.21", "-7.21", "batches.csv, line 2, column yield_kg: "},
		{"batches.csv", "soft ball", "quite soft", `batches.csv, line 2, column stage_test: "quite soft" is no stage`},

		{"readings.csv", "07:05:00-07:00,L-1", "07:05:00-07:00,L-9", "readings.csv, line 2, column batch: batch L-9 is not known"},
		{"readings.csv", "L-1,A1,98.0", "L-1,A9,98.0", "readings.csv, line 2, column instrument: instrument A9 is not known"},
		{"readings.csv", "98.0", "98,0", "readings.csv, line 2"},
		{"readings.csv", "98.0", "980", "readings.csv, line 2, column reading: A1 cannot show 980 degC"},
		{"readings.csv", "98.0", "", "readings.csv, line 2, column reading: is empty"},
		{"readings.csv", "07:14:00", "07:05:00", "readings.csv, line 3: says the same"},

		{"cooling.csv", "18.0", "-180", "cooling.csv, line 3, column reading: A1 cannot show -180 degC"},
		{"cooling.csv", "18.0,C", "18.0,c", `cooling.csv, line 3, column unit: "c" is not a unit of temperature`},
		{"cooling.csv", "2026-05-11T08:30:00-07:00", "later", `cooling.csv, line 3, column time: "later" is no time`},
	}
	empty := filepath.Join(t.TempDir(), "p")
	if err := createFolder(empty, "Paper Kitchen", time.Date(2026, 5, 11, 12, 0, 0, 0, time.UTC), nil); err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		t.Run(c.want, func(t *testing.T) {
			t.Parallel()
			dir, sheets := filepath.Join(t.TempDir(), "p"), t.TempDir()
			copyPrivate(t, empty, dir)
			writeSheets(t, sheets)
			good := goodSheets[c.sheet]
			if strings.Count(good, c.was) != 1 {
				t.Fatalf("%q is in %s %d times", c.was, c.sheet, strings.Count(good, c.was))
			}
			path := filepath.Join(sheets, c.sheet)
			if err := os.WriteFile(path, []byte(strings.Replace(good, c.was, c.is, 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			code, _, words := program(t, "transcribe", sheets, "--dir", dir)
			if code != exitFailed || !strings.Contains("\n"+words, "\nkettlebook: "+c.want) {
				t.Errorf("exit %d, want 1 and %q:\n%s", code, c.want, words)
			}
			if !strings.Contains(words, "\nhint: ") {
				t.Errorf("no cure is told:\n%s", words)
			}
			if strings.Contains(words, "\n"+c.sheet) {
				t.Errorf("%s was taken:\n%s", c.sheet, words)
			}
			writeSheets(t, sheets)
			_, _, words = program(t, "transcribe", sheets, "--dir", dir)
			if want := strings.Count(good, "\n") - 1; !strings.Contains(strings.Join(strings.Fields(words), " "), c.sheet+" "+string(rune('0'+want))+" taken, 0 taken before") {
				t.Errorf("the sheet put right was not taken whole:\n%s", words)
			}
		})
	}
}

// TestUnreadColumns: a column that nothing is read from is told of, for its
// name may be misspelt; what is known is taken.
func TestUnreadColumns(t *testing.T) {
	dir, sheets := filepath.Join(t.TempDir(), "p"), t.TempDir()
	writeSheets(t, sheets)
	if err := os.WriteFile(filepath.Join(sheets, "checks.csv"), []byte(strings.Replace(goodSheets["checks.csv"], "station_pressure_hpa", "pressure", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	code, _, words := program(t, "transcribe", sheets, "--dir", dir)
	if code != exitSound || strings.Count(words, `checks.csv: nothing is read from the column "pressure"`) != 1 {
		t.Errorf("exit %d\n%s", code, words)
	}
}

func writeSheets(t *testing.T, dir string) {
	t.Helper()
	for name, text := range goodSheets {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// copyPrivate copies a kitchen's folder for its owner only.
func copyPrivate(t *testing.T, from, to string) {
	t.Helper()
	err := filepath.WalkDir(from, func(path string, e os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if e.IsDir() {
			return os.MkdirAll(filepath.Join(to, name), 0o700)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, name), b, 0o600)
	})
	if err != nil {
		t.Fatal(err)
	}
}
