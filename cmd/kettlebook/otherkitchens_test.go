package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records/sugar"
	"kettlebook/records/thermometry"
)

// paperKitchen writes sheets of an invented kitchen whose thermometers have
// known errors, with planted faults; everything else on them is in order.
type paperKitchen struct {
	name       string
	elevationM float64
	pressure   float64 // hPa, all day
	offsetH    float64
	syrup      sugar.Syrup
	files      map[string][]string
}

func newPaperKitchen(t *testing.T, name string, elevationM, pressure, offsetH float64) *paperKitchen {
	t.Helper()
	s, err := sugar.New(sugar.Water{PressureHPa: thermometry.SaturationPressureHPa, BoilingC: thermometry.BoilingPointC})
	if err != nil {
		t.Fatal(err)
	}
	return &paperKitchen{name, elevationM, pressure, offsetH, s, map[string][]string{
		"site.csv":        {"name,elevation_m,utc_offset_h,production_day_starts", fmt.Sprintf("%s,%.1f,%.1f,05:30", name, elevationM, offsetH)},
		"instruments.csv": {"instrument,kind,scale,resolution,tolerance,serial", "A1,thermistor probe,C,0.1,1,S1", "B2,type K thermocouple,F,0.1,2,S2", "C3,glass sugar thermometer,F,2,2,S3", "D4,bimetal dial,C,0.5,1,S4"},
		"formulas.csv":    {"formula,name,low_c,high_c,basis,limit_class,water_fraction,allergens,cooling_clock", "FO,fondant,113.0,117.0,solids,quality,0.3,,no", "CA,caramel,117.0,121.0,solids,operating,0.3,milk,no", "SA,sauce,168.0,178.0,temperature,critical,0.2,milk,yes"},
		"checks.csv":      {"time,instrument,point,reading,unit,station_pressure_hpa,reference_instrument,reference_reading,person,note"},
		"batches.csv":     {"batch,formula,instrument,started,ended,solids_kg,yield_kg,stage_test,person,note"},
		"readings.csv":    {"time,batch,instrument,reading,unit"},
		"cooling.csv":     {"time,batch,instrument,reading,unit"},
	}}
}

func (p *paperKitchen) at(day, minute int) string {
	zone := time.FixedZone("", int(p.offsetH*3600))
	return time.Date(2026, 5, 10+day, 0, minute, 0, 0, zone).Format(time.RFC3339)
}

func (p *paperKitchen) add(file, format string, args ...any) {
	p.files[file] = append(p.files[file], fmt.Sprintf(format, args...))
}

// shows is what an instrument of known error shows at a true temperature.
func (p *paperKitchen) shows(instrument string, trueC, drift float64) string {
	v, step, f := trueC+drift, 0.1, false
	switch instrument {
	case "A1":
		v += 0.15
	case "B2":
		v, f = v+0.3, true
	case "C3":
		v, f, step = v-0.1, true, 2
	case "D4":
		v, step = v-0.1, 0.5
	}
	unit := "C"
	if f {
		v, unit = v*9/5+32, "F"
	}
	return fmt.Sprintf("%g,%s", math.Round(math.Round(v/step)*step*10)/10, unit)
}

func (p *paperKitchen) check(day, minute int, instrument, barometer string, drift float64, boiling string) {
	boil, _ := thermometry.BoilingPointC(p.pressure)
	if boiling == "" {
		boiling = p.shows(instrument, boil, drift)
	}
	p.add("checks.csv", "%s,%s,ice,%s,,,,N. Ferro,crushed ice", p.at(day, minute), instrument, p.shows(instrument, 0, drift))
	p.add("checks.csv", "%s,%s,boiling,%s,%s,,,N. Ferro,", p.at(day, minute+4), instrument, boiling, barometer)
}

func (p *paperKitchen) cook(day, minute int, lot, formula, instrument, stage string, standardC, drift float64) {
	pullC := standardC
	if formula != "SA" {
		m, err := p.syrup.MoveLimit(standardC, 1013.25, p.pressure)
		if err != nil {
			panic(err)
		}
		pullC = m.TempC
	}
	p.add("batches.csv", "%s,%s,%s,%s,%s,6.0,6.6,%s,K. Oru,", lot, formula, instrument, p.at(day, minute), p.at(day, minute+12), stage)
	for i, c := range []float64{60, 100, pullC - 3, pullC} {
		p.add("readings.csv", "%s,%s,%s,%s", p.at(day, minute+3*(i+1)), lot, instrument, p.shows(instrument, c, drift))
	}
}

func (p *paperKitchen) cool(day, minute int, lot string, temps ...float64) {
	for i, c := range temps {
		p.add("cooling.csv", "%s,%s,A1,%s", p.at(day, minute+30*i), lot, p.shows("A1", c, 0))
	}
}

func (p *paperKitchen) write(t *testing.T, only ...string) string {
	t.Helper()
	dir := t.TempDir()
	for name, lines := range p.files {
		if len(only) > 0 && !slices.Contains(only, name) {
			continue
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// plant writes two days: everything in order, except what the answer key names.
func plant(p *paperKitchen, glassBoils string) {
	hPa := fmt.Sprintf("%.1f", p.pressure)
	p.check(0, 350, "A1", hPa, 0, "")
	p.check(0, 360, "B2", hPa, 0, "")
	p.check(0, 370, "C3", hPa, 0, glassBoils)
	p.check(0, 380, "D4", "", 0, "")
	p.cook(0, 420, "L-1", "FO", "A1", "soft ball", 115, 0)
	p.cook(0, 440, "L-2", "CA", "B2", "firm ball", 119, 0)
	p.cook(0, 460, "L-3", "FO", "C3", "soft ball", 115, 0)
	p.cook(0, 480, "L-4", "FO", "D4", "soft ball", 115, 0)
	p.cook(0, 500, "L-5", "SA", "A1", "caramel", 173, 0)
	p.cool(0, 560, "L-5", 60, 40, 27, 19, 14, 10, 7, 5.5, 4.2)
	// Second day: B2 has moved by 1.6 degC and is used all the same; A1 is not
	// checked; a caramel is overcooked; a sauce stays on the bench.
	p.check(1, 360, "B2", hPa, 1.6, "")
	p.check(1, 370, "C3", hPa, 0, glassBoils)
	p.check(1, 380, "D4", "", 0, "")
	p.cook(1, 420, "M-1", "CA", "A1", "hard ball", 124.5, 0)
	p.cook(1, 440, "M-2", "CA", "B2", "firm ball", 119, 1.6)
	p.cook(1, 460, "M-3", "SA", "A1", "caramel", 173, 0)
	p.cool(1, 520, "M-3", 60, 52, 46, 41, 36, 32, 28, 25)
}

// Days of the same shape from other kitchens: every planted fault is found and
// nothing else is flagged.
func TestOtherKitchens(t *testing.T) {
	for _, k := range []struct {
		name                         string
		elevationM, pressure, offset float64
		glass                        string // what C3 is said to boil at
		believed                     bool
	}{
		{"Harbour Side Sweets", 4, 1009.3, 1, "212,F", true},
		{"High Pass Confectionery", 2300, 768.4, -5.5, "212,F", false},
	} {
		t.Run(k.name, func(t *testing.T) {
			p := newPaperKitchen(t, k.name, k.elevationM, k.pressure, k.offset)
			plant(p, k.glass)
			dir := filepath.Join(t.TempDir(), "kitchen")
			mustRun(t, "transcribe", p.write(t), "--dir", dir, "--seal")
			mustRun(t, "verify", dir, "--trust", dir)
			first, _ := sealedDay(t, dir, "2026-05-10")
			second, _ := sealedDay(t, dir, "2026-05-11")
			standing := func(c *kb.DayContent, id string, want kb.CheckResult) {
				if got := findInstrument(t, c, id).GetStanding(); got != want {
					t.Errorf("%s: %s stands %v, want %v", c.GetProductionDay(), id, got, want)
				}
			}
			glass := kb.CheckResult_CHECK_RESULT_IN_TOLERANCE
			if !k.believed {
				glass = kb.CheckResult_CHECK_RESULT_NOT_BELIEVED
			}
			standing(first, "A1", kb.CheckResult_CHECK_RESULT_IN_TOLERANCE)
			standing(first, "B2", kb.CheckResult_CHECK_RESULT_IN_TOLERANCE)
			standing(first, "C3", glass)
			standing(second, "B2", kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE)
			limit := func(c *kb.DayContent, lot string, want kb.LimitResult, flags ...kb.UseFlag) {
				pull := findBatch(t, c, lot).GetPull()
				if got := pull.GetLimits()[0].GetResult(); got != want {
					t.Errorf("%s: %v, want %v (%v)", lot, got, want, pull)
				}
				if !slices.Equal(pull.GetFlags(), flags) {
					t.Errorf("%s: flags %v, want %v", lot, pull.GetFlags(), flags)
				}
			}
			met, missed, not := kb.LimitResult_LIMIT_RESULT_MET, kb.LimitResult_LIMIT_RESULT_NOT_MET, kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN
			limit(first, "L-1", met)
			limit(first, "L-2", met)
			if k.believed {
				limit(first, "L-3", met)
			} else {
				limit(first, "L-3", not, kb.UseFlag_USE_FLAG_NOT_BELIEVED)
			}
			limit(first, "L-4", met, kb.UseFlag_USE_FLAG_PROVISIONAL)
			limit(first, "L-5", met)
			limit(second, "M-1", missed, kb.UseFlag_USE_FLAG_NOT_CHECKED)
			limit(second, "M-2", met, kb.UseFlag_USE_FLAG_FAILED)
			limit(second, "M-3", met, kb.UseFlag_USE_FLAG_NOT_CHECKED)
			classes := map[kb.DeviationClass]int{}
			for _, d := range second.GetDeviations() {
				if d.GetCauseDay() == second.GetProductionDay() {
					classes[d.GetDeviation().GetClass()]++
				}
			}
			faults := 1
			if !k.believed {
				faults = 2
			}
			if classes[kb.DeviationClass_DEVIATION_CLASS_FOOD_SAFETY] != 1 || classes[kb.DeviationClass_DEVIATION_CLASS_PROCESS] != 1 || classes[kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT] != faults {
				t.Errorf("deviations of the second day by class: %v", classes)
			}
			if len(second.GetLookBacks()) != 1 || len(second.GetLookBacks()[0].GetItems()) != 2 {
				t.Errorf("look-backs of the second day: %v", second.GetLookBacks())
			}
		})
	}
}

// Sheets of later days first, and sheets one at a time in other orders, end in
// the same day content.
func TestSheetsInAnyOrder(t *testing.T) {
	p := newPaperKitchen(t, "Any Order Sweets", 900, 911.2, 2)
	plant(p, "212,F")
	var want string
	registers := []string{"site.csv", "instruments.csv", "formulas.csv"}
	for _, order := range [][]string{
		{"checks.csv", "batches.csv", "readings.csv", "cooling.csv"},
		{"batches.csv", "cooling.csv", "readings.csv", "checks.csv"},
		{"batches.csv", "readings.csv", "checks.csv", "cooling.csv"},
		{"batches.csv", "checks.csv", "cooling.csv", "readings.csv"},
	} {
		dir := filepath.Join(t.TempDir(), "kitchen")
		mustRun(t, "transcribe", p.write(t, registers...), "--dir", dir)
		for _, sheet := range order {
			mustRun(t, "transcribe", p.write(t, append([]string{sheet}, registers...)...), "--dir", dir)
		}
		mustRun(t, "transcribe", p.write(t), "--dir", dir, "--seal")
		got := ""
		for _, day := range []string{"2026-05-10", "2026-05-11"} {
			c, _ := sealedDay(t, dir, day)
			got += c.String()
		}
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("order %v gives another day content", order)
		}
	}
}
