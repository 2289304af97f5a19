package main

import (
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

// demoDays are the three invented days: a plain one, one on which a
// thermometer fails and is adjusted, and one on which things are left undone.
var demoDays = []func(*demoPlay) error{demoPlain, demoFailing, demoUndone}

// Cooks of the invented kitchen.
const (
	celia  = "CØ"
	tobiah = "TM"
)

func lot(d *demoPlay, n string) string { return strings.ReplaceAll(d.day[2:], "-", "") + "-" + n }

func demoPlain(d *demoPlay) error {
	for i, inst := range []string{"K-1", "K-2", "K-3"} {
		compare := 150.0
		if inst == "K-3" {
			compare = 0
		}
		if _, err := d.check(celia, inst, 5, 20+15*i, "944.2", compare, 0); err != nil {
			return err
		}
	}
	for _, k := range []demoCook{
		{celia, lot(d, "01"), "FON", "K-1", 6, 30, 944.2, 112.9, 6.2, "soft ball", "", 0, 0},
		{tobiah, lot(d, "02"), "NOU", "K-2", 7, 0, 944.2, 123.2, 8.0, "hard ball", "", 0, 0},
		{celia, lot(d, "03"), "BRI", "K-1", 7, 40, 944.2, 145.6, 5.5, "hard crack", "", 0, 0},
	} {
		if _, err := d.cook(k); err != nil {
			return err
		}
	}
	pulled, err := d.cook(demoCook{tobiah, lot(d, "04"), "SAU", "K-2", 8, 30, 944.2, 172.6, 4.4, "caramel", "", 0, 0})
	if err != nil {
		return err
	}
	if err := d.cool(tobiah, lot(d, "04"), pulled.Add(40*time.Minute), 64, 2, 0.75, 5*time.Hour); err != nil {
		return err
	}
	d.at(15, 0)
	for _, n := range []string{"01", "02", "03", "04"} {
		if err := d.decide(lot(d, n), kb.DispositionKind_DISPOSITION_KIND_RELEASE, "limits met, records complete"); err != nil {
			return err
		}
	}
	return nil
}

// demoFailing: K-2 has drifted; it is adjusted and passes as left. A boiling
// reading keyed wrongly is struck through. A fondant is boiled past its mark.
func demoFailing(d *demoPlay) error {
	if _, err := d.check(tobiah, "K-3", 5, 20, "951.8", 0, 0); err != nil {
		return err
	}
	first, err := d.check(tobiah, "K-1", 5, 35, "951.8", 0, 0)
	if err != nil {
		return err
	}
	right := first.GetAssessment().GetPoints()[0].GetPoint().GetReading()
	if err := d.amend(tobiah, first.GetReceipt().GetFirstSequence(), 0, &kb.Temperature{Micro: right.GetMicro() + 100_000, Decimals: 1, Unit: right.GetUnit()}, "read again: the ice had been packed too loosely at first"); err != nil {
		return err
	}
	phase := func(hour, minute int, p kb.CheckPhase, ice, boil float64, hPa string) []*kb.CheckPoint {
		return []*kb.CheckPoint{
			{At: timestamppb.New(d.at(hour, minute)), Kind: kb.PointKind_POINT_KIND_ICE, Reading: shown("K-2", 0, ice), Ice: kb.IceQuality_ICE_QUALITY_CRUSHED, Phase: p},
			{At: timestamppb.New(d.at(hour, minute+4)), Kind: kb.PointKind_POINT_KIND_BOILING, Reading: shown("K-2", boilsAt951, boil), PressureHpa: dec(hPa), PressureKind: kb.PressureKind_PRESSURE_KIND_MEASURED, Phase: p},
		}
	}
	check := &kb.Check{CheckId: uuid.NewString(), InstrumentId: "K-2", Adjusted: true, Adjustment: "zero screw of the display turned back; plug cleaned"}
	check.Points = append(phase(5, 50, kb.CheckPhase_CHECK_PHASE_AS_FOUND, 1.4, 1.5, "951.8"), phase(6, 5, kb.CheckPhase_CHECK_PHASE_AS_LEFT, -0.3, -0.4, "951.8")...)
	c, err := d.as(tobiah)
	if err != nil {
		return err
	}
	failed, err := c.Check.RecordCheck(d.ctx, &sv.RecordCheckRequest{RequestId: uuid.NewString(), Check: check})
	if err != nil {
		return err
	}
	if err := d.answer(tobiah, "check/"+failed.GetAssessment().GetCheckId(), "Adjusted and checked again as left. The plug is now wiped before each check."); err != nil {
		return err
	}
	for _, k := range []demoCook{
		{tobiah, lot(d, "01"), "NOU", "K-2", 6, 40, 951.8, 123.4, 7.7, "hard ball", "", -0.35, 0},
		{celia, lot(d, "02"), "FON", "K-1", 7, 15, 951.8, 118.4, 9.5, "firm ball", "boiled past the mark", 0, 0},
		{celia, lot(d, "03"), "BRI", "K-1", 8, 0, 951.8, 145.2, 6.0, "hard crack", "", 0, 0},
	} {
		if _, err := d.cook(k); err != nil {
			return err
		}
	}
	d.at(14, 30)
	if err := d.decide(lot(d, "02"), kb.DispositionKind_DISPOSITION_KIND_REWORK, "too firm for pouring: back into tomorrow's syrup"); err != nil {
		return err
	}
	return nil
}

// boilsAt951 is where water boils under 951.8 hPa, degC (IF97).
const boilsAt951 = 98.234

// demoUndone: nobody read the barometer for K-3, K-2 was not checked, a sauce
// sat on the bench, and one cook's readings were typed in late.
func demoUndone(d *demoPlay) error {
	if _, err := d.check(celia, "K-1", 5, 30, "939.5", 0, 0); err != nil {
		return err
	}
	if _, err := d.check(celia, "K-3", 5, 45, "", 0, 0); err != nil {
		return err
	}
	for _, k := range []demoCook{
		{celia, lot(d, "01"), "NOU", "K-3", 6, 20, 939.5, 123.0, 7.2, "hard ball", "", 0, 0},
		{celia, lot(d, "02"), "FON", "K-1", 7, 0, 939.5, 112.8, 6.6, "soft ball", "", 0, 40 * time.Minute},
	} {
		if _, err := d.cook(k); err != nil {
			return err
		}
	}
	pulled, err := d.cook(demoCook{tobiah, lot(d, "03"), "SAU", "K-2", 8, 10, 939.5, 173.0, 5.1, "caramel", "", -0.35, 0})
	if err != nil {
		return err
	}
	if err := d.cool(tobiah, lot(d, "03"), pulled.Add(45*time.Minute), 62, 19, 0.55, 6*time.Hour); err != nil {
		return err
	}
	d.at(15, 10)
	if err := d.answer(tobiah, "cooling/"+lot(d, "03"), "Discarded. The sauce was left on the bench at the change of shift; shallow trays and the chiller are now named on the sheet."); err != nil {
		return err
	}
	return d.decide(lot(d, "03"), kb.DispositionKind_DISPOSITION_KIND_DISCARD, "cooling clock missed; the kitchen's plan says discard")
}
