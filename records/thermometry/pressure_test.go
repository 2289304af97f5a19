package thermometry_test

import (
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

// U.S. Standard Atmosphere 1976, NOAA-S/T 76-1562; elevations are geometric.
func TestStandardAtmosphere(t *testing.T) {
	for _, row := range table(t, "us_std_atm_1976.csv") {
		elevationM := number(t, row, "altitude_m")
		got, err := StandardPressureHPa(elevationM)
		if want := number(t, row, "p_geometric_Pa") / 100; err != nil || math.Abs(got-want) > 0.0006 {
			t.Errorf("%v m: %v hPa, %v; want %v", elevationM, got, err, want)
		}
		boiling, err := BoilingPointC(got)
		if want := number(t, row, "boiling_point_C"); err != nil || math.Abs(boiling-want) > 0.00051 {
			t.Errorf("%v m: water boils at %v, %v; want %v", elevationM, boiling, err, want)
		}
	}
}

// Published anchors of the table by geopotential height: 1000 m 89874.6 Pa,
// 2000 m 79495.2 Pa, 3000 m 70108.5 Pa, -1000 m 113929 Pa.
func TestStandardAtmosphereAnchors(t *testing.T) {
	const earthRadiusM = 6_356_766.0
	for geopotentialM, wantPa := range map[float64]float64{-1000: 113929, 1000: 89874.6, 2000: 79495.2, 3000: 70108.5} {
		geometricM := earthRadiusM * geopotentialM / (earthRadiusM - geopotentialM)
		got, err := StandardPressureHPa(geometricM)
		if err != nil || math.Abs(got*100-wantPa) > 0.5 {
			t.Errorf("%v geopotential metres: %v Pa, %v; want %v", geopotentialM, got*100, err, wantPa)
		}
	}
}

// Each published boiling-point-by-altitude table within its own stated largest
// deviation from atmosphere and IF97 (degF), plus what printing rounds away.
func TestPublishedBoilingPointsByAltitude(t *testing.T) {
	largestF := map[string]float64{
		"NOAA/NASA table quoted in encyclopedia article High-altitude cooking": 0.42,
		"trade chart for chefs": 0.98,
		"USDA-type rounded list 2000/5000/7500/10000 ft (2013 page)":                            0.33,
		"Colorado State Univ Extension Candy Making at High Altitude: 1F/500 ft; 5000 ft 202 F": 0.83,
	}
	for _, row := range table(t, "boiling_point_vs_altitude_published.csv") {
		allowed, known := largestF[row["source"]]
		if !known {
			t.Fatalf("no stated deviation for %q", row["source"])
		}
		pressure, err := StandardPressureHPa(number(t, row, "altitude_ft") * 0.3048)
		if err != nil {
			t.Fatal(err)
		}
		boiling, err := BoilingPointC(pressure)
		if err != nil {
			t.Fatal(err)
		}
		if off := number(t, row, "published_F") - (boiling*1.8 + 32); math.Abs(off) > allowed+0.006 {
			t.Errorf("%s at %s ft: published lies %.3f degF off, stated %.2f", row["source"], row["altitude_ft"], off, allowed)
		}
	}
}

// Smithsonian Meteorological Tables, 6th ed., 1951, p. 269.
func TestStationPressure(t *testing.T) {
	for _, row := range table(t, "altimeter_setting_to_station_pressure.csv") {
		elevationM := number(t, row, "elevation_m")
		altimeterHPa := number(t, row, "altimeter_setting_hPa")
		got, err := StationPressureHPa(altimeterHPa, elevationM)
		if want := number(t, row, "station_hPa_smithsonian"); err != nil || math.Abs(got-want) > 0.0051 {
			t.Errorf("%v m: %v hPa, %v; want %v", elevationM, got, err, want)
		}
		kitchen, err := BoilingPointC(got)
		if err != nil {
			t.Fatal(err)
		}
		seaLevel, err := BoilingPointC(altimeterHPa)
		if want := number(t, row, "error_if_QNH_used_C"); err != nil || math.Abs(seaLevel-kitchen-want) > 0.0011 {
			t.Errorf("%v m: taking the setting for the kitchen's errs by %v, %v; want %v", elevationM, seaLevel-kitchen, err, want)
		}
	}
	// Worked values of a barometry note, which leaves out the 0.3 hPa: 30.20 inHg
	// at 5045 ft is 84977 Pa, 30.37 inHg at 7014 ft is 79375 Pa.
	const hPaPerInHg, metresPerFoot = 33.8639, 0.3048
	for _, c := range []struct{ inHg, ft, wantPa float64 }{{30.20, 5045, 84977}, {30.37, 7014, 79375}} {
		got, err := StationPressureHPa(c.inHg*hPaPerInHg, c.ft*metresPerFoot)
		if err != nil || math.Abs(got*100-30-c.wantPa) > 15 {
			t.Errorf("%v inHg at %v ft: %v Pa, %v; want %v and 30 more", c.inHg, c.ft, got*100, err, c.wantPa)
		}
	}
}

func TestPressureOutOfFamily(t *testing.T) {
	for _, c := range []struct {
		pressureHPa, elevationM float64
		out, seaLevel           bool
	}{
		{843.1, 1480, false, false},
		{1013.2, 1480, true, true},
		{1013.2, 300, false, false},
		{1030, 500, true, true},
		{700, 1480, true, false},
		{1200, 1480, true, false},
		{math.NaN(), 1480, true, false},
		{math.Inf(1), 1480, true, false},
		{843, math.NaN(), true, false},
	} {
		if got := OutOfFamily(c.pressureHPa, c.elevationM); got != c.out {
			t.Errorf("OutOfFamily(%v, %v) = %v", c.pressureHPa, c.elevationM, got)
		}
		if got := ProbablySeaLevel(c.pressureHPa, c.elevationM); got != c.seaLevel {
			t.Errorf("ProbablySeaLevel(%v, %v) = %v", c.pressureHPa, c.elevationM, got)
		}
	}
}

// An allowance of 15 hPa is about 0.4 degC either way at sea level: 15 hPa times
// 0.02765 degC/hPa, rectangular.
func TestPressureKindsHaveTheirOwnUncertainty(t *testing.T) {
	assumed, err := AssumedPressure(0, 0)
	if err != nil {
		t.Fatal(err)
	}
	measured, err := MeasuredPressure(1013.25, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	altimeter, err := AltimeterPressure(1013.25, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	slope, _ := BoilingSlopeCPerHPa(1013.25)
	uAssumed := Budget(assumed.Terms(slope)).Combined()
	uMeasured := Budget(measured.Terms(slope)).Combined()
	uAltimeter := Budget(altimeter.Terms(slope)).Combined()
	if want := 15 * 0.02765 / math.Sqrt(3); math.Abs(uAssumed-want) > 1e-4 {
		t.Errorf("assumed: %v, want %v", uAssumed, want)
	}
	if !(uMeasured < uAltimeter && uAltimeter < uAssumed) {
		t.Errorf("measured %v, altimeter %v, assumed %v: want rising", uMeasured, uAltimeter, uAssumed)
	}
}
