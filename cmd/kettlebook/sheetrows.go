package main

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// get gives a value of the line, without blanks around it.
func (l *line) get(column string) string {
	i, ok := l.sheet.columns[column]
	if !ok || i >= len(l.values) {
		return ""
	}
	return strings.TrimSpace(l.values[i])
}

// from notes that a field of the service comes from a column.
func (l *line) from(column string, paths ...string) {
	for _, p := range paths {
		l.sheet.paths[p] = column
	}
}

func (l *line) fail(column, problem, cure string) {
	if l.err == nil {
		l.err = &records.FieldError{Kind: records.ErrInvalid, Field: fmt.Sprintf("%s, line %d, column %s", l.sheet.name, l.number, column), Problem: problem, Cure: cure}
	}
}

func (l *line) wrong(column string, err error) {
	fe := asField(err)
	if fe == nil {
		l.fail(column, err.Error(), "")
		return
	}
	l.fail(column, fe.Problem, fe.Cure)
}

func (l *line) need(column string) string {
	v := l.get(column)
	if v == "" {
		l.fail(column, "is empty", "fill it in as it stands on the paper")
	}
	return v
}

func (l *line) decimal(column string) *kb.Decimal {
	v := l.get(column)
	if v == "" {
		return nil
	}
	d, err := records.ParseDecimal(v)
	if err != nil {
		l.wrong(column, err)
	}
	return d
}

func (l *line) temperature(column, unitColumn string) *kb.Temperature {
	v := l.need(column)
	unit := l.need(unitColumn)
	if l.err != nil {
		return nil
	}
	if _, err := records.ParseUnit(unit); err != nil {
		l.wrong(unitColumn, err)
		return nil
	}
	t, err := records.ParseTemperature(v, unit)
	if err != nil {
		l.wrong(column, err)
	}
	return t
}

func (l *line) time(column string) *timestamppb.Timestamp {
	v := l.need(column)
	if l.err != nil {
		return nil
	}
	t, err := time.Parse(time.RFC3339, v)
	if err != nil {
		l.fail(column, fmt.Sprintf("%q is no time", v), "write it as 2026-03-02T05:45:00-07:00")
		return nil
	}
	return timestamppb.New(t)
}

func (l *line) yes(column string) bool {
	switch v := strings.ToLower(l.get(column)); v {
	case "", "no", "n", "false":
		return false
	case "yes", "y", "true":
		return true
	default:
		l.fail(column, fmt.Sprintf("%q is neither yes nor no", v), "write yes or no")
		return false
	}
}

func (r *sheetReader) site(l *line) *sv.SheetRow {
	s := &kb.Site{Name: l.need("name"), Address: l.get("address"), ElevationM: l.decimal("elevation_m"), Zone: l.get("zone")}
	if l.get("elevation_m") == "" {
		l.need("elevation_m")
	}
	if d := l.decimal("utc_offset_h"); d != nil {
		s.UtcOffsetS = int32(d.GetMicro() * 3600 / records.One)
	}
	minute, err := clockMinute(l.need("production_day_starts"))
	if err != nil {
		l.wrong("production_day_starts", err)
	}
	s.DayStartsMin = minute
	s.ToleranceC, s.ToleranceF, s.WeatherHpa = l.decimal("tolerance_c"), l.decimal("tolerance_f"), l.decimal("weather_hpa")
	r.set.site = s
	for c, p := range map[string]string{"name": "site.name", "elevation_m": "site.elevation_m", "utc_offset_h": "site.utc_offset_s", "zone": "site.zone", "production_day_starts": "site.day_starts_min"} {
		l.from(c, p)
	}
	return &sv.SheetRow{RowKey: "site", Record: &sv.SheetRow_Site{Site: s}}
}

func (r *sheetReader) instrument(l *line) *sv.SheetRow {
	id, words := l.need("instrument"), l.get("kind")
	m := &kb.Instrument{InstrumentId: id, Description: words, Construction: construction(words), Division: l.decimal("resolution"),
		ReadTo: l.decimal("read_to"), Tolerance: l.decimal("tolerance"), Serial: l.get("serial"), Certificate: l.get("certificate"), CertificateDue: l.get("certificate_due")}
	m.Reference = r.references[id] || strings.Contains(strings.ToLower(words), "reference")
	switch strings.ToUpper(l.need("scale")) {
	case "C":
		m.Scale = kb.Scale_SCALE_CELSIUS
	case "F":
		m.Scale = kb.Scale_SCALE_FAHRENHEIT
	case "DUAL", "C/F", "CF":
		m.Scale = kb.Scale_SCALE_DUAL
	case "":
	default:
		l.fail("scale", fmt.Sprintf("%q is no scale", l.get("scale")), "C, F or dual")
	}
	r.scales[id] = records.InstrumentUnit(m)
	if m.GetDivision() == nil {
		l.need("resolution")
	}
	for c, p := range map[string]string{"instrument": "instrument.instrument_id", "kind": "instrument.description", "scale": "instrument.scale", "resolution": "instrument.division", "tolerance": "instrument.tolerance", "serial": "instrument.serial"} {
		l.from(c, p)
	}
	return &sv.SheetRow{RowKey: id, Record: &sv.SheetRow_Instrument{Instrument: m}}
}

// construction guesses how a thermometer is built from what the kitchen calls it.
func construction(words string) kb.Construction {
	w := strings.ToLower(words)
	for _, k := range []struct {
		word string
		kind kb.Construction
	}{{"glass", kb.Construction_CONSTRUCTION_GLASS}, {"bimetal", kb.Construction_CONSTRUCTION_BIMETAL}, {"thermocouple", kb.Construction_CONSTRUCTION_THERMOCOUPLE},
		{"thermistor", kb.Construction_CONSTRUCTION_THERMISTOR}, {"platinum", kb.Construction_CONSTRUCTION_RESISTANCE}, {"resistance", kb.Construction_CONSTRUCTION_RESISTANCE}} {
		if strings.Contains(w, k.word) {
			return k.kind
		}
	}
	return kb.Construction_CONSTRUCTION_OTHER
}

func (r *sheetReader) formula(l *line) *sv.SheetRow {
	id := l.need("formula")
	m := &kb.Formula{FormulaId: id, Version: 1, Name: l.need("name"), WaterFraction: l.decimal("water_fraction"), CoolingRequired: l.yes("cooling_clock")}
	for a := range strings.SplitSeq(l.get("allergens"), ";") {
		if a = strings.TrimSpace(a); a != "" {
			m.Allergens = append(m.Allergens, a)
		}
	}
	lim := &kb.Limit{Name: "cook", Binds: kb.LimitBinds_LIMIT_BINDS_PULL}
	bound := func(column string) *kb.Temperature {
		d := l.decimal(column)
		if d == nil {
			return nil
		}
		return &kb.Temperature{Micro: d.GetMicro(), Decimals: d.GetDecimals(), Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS}
	}
	lim.Low, lim.High = bound("low_c"), bound("high_c")
	switch v := l.need("basis"); v {
	case "solids":
		// The sheet's limits are at standard pressure, from a book.
		lim.Basis, lim.EstablishedAt, lim.EstablishedOn = kb.LimitBasis_LIMIT_BASIS_SOLIDS, kb.EstablishedAt_ESTABLISHED_AT_STANDARD, kb.EstablishedOn_ESTABLISHED_ON_BOOK
	case "temperature":
		lim.Basis = kb.LimitBasis_LIMIT_BASIS_TEMPERATURE
	case "":
	default:
		l.fail("basis", fmt.Sprintf("%q is no basis", v), "solids or temperature")
	}
	switch v := l.need("limit_class"); v {
	case "critical":
		lim.Class = kb.LimitClass_LIMIT_CLASS_CRITICAL
	case "operating":
		lim.Class = kb.LimitClass_LIMIT_CLASS_OPERATING
	case "quality":
		lim.Class = kb.LimitClass_LIMIT_CLASS_QUALITY
	case "":
	default:
		l.fail("limit_class", fmt.Sprintf("%q is no class", v), "critical, operating or quality")
	}
	m.Limits = []*kb.Limit{lim}
	for c, p := range map[string]string{"formula": "formula.formula_id", "name": "formula.name", "allergens": "formula.allergens", "water_fraction": "formula.water_fraction", "basis": "formula.limits"} {
		l.from(c, p)
	}
	l.from("low_c", "formula.limits[0].low")
	l.from("high_c", "formula.limits[0].high")
	return &sv.SheetRow{RowKey: id, Record: &sv.SheetRow_Formula{Formula: m}}
}

func (r *sheetReader) check(l *line) *sv.SheetRow {
	id := l.need("instrument")
	p := &kb.CheckPoint{At: l.time("time"), Reading: l.temperature("reading", "unit"), Note: l.get("note")}
	switch v := l.need("point"); v {
	case "ice":
		p.Kind = kb.PointKind_POINT_KIND_ICE
		if strings.Contains(strings.ToLower(p.GetNote()), "crushed") {
			p.Ice = kb.IceQuality_ICE_QUALITY_CRUSHED
		}
	case "boiling":
		p.Kind = kb.PointKind_POINT_KIND_BOILING
		if p.PressureHpa = l.decimal("station_pressure_hpa"); p.PressureHpa != nil {
			p.PressureKind = kb.PressureKind_PRESSURE_KIND_MEASURED
		}
	case "comparison":
		p.Kind = kb.PointKind_POINT_KIND_COMPARISON
		p.ReferenceId = l.need("reference_instrument")
		if d := l.decimal("reference_reading"); d != nil {
			// The sheet's unit is that of the instrument checked; the reference
			// reads in its own, and in degC when it is not on the sheets.
			unit := r.scales[p.GetReferenceId()]
			if unit == kb.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED {
				unit = kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS
			}
			p.ReferenceReading = &kb.Temperature{Micro: d.GetMicro(), Decimals: d.GetDecimals(), Unit: unit}
		} else {
			l.need("reference_reading")
		}
	case "":
	default:
		l.fail("point", fmt.Sprintf("%q is no point of a check", v), "ice, boiling or comparison")
	}
	for c, path := range map[string]string{"reading": "point.point.reading", "unit": "point.point.reading.unit", "time": "point.point.at", "instrument": "point.instrument_id", "station_pressure_hpa": "point.point.pressure_hpa",
		"reference_instrument": "point.point.reference_id", "reference_reading": "point.point.reference_reading", "person": "initials", "note": "point.point.note"} {
		l.from(c, path)
	}
	return &sv.SheetRow{RowKey: key(p.GetAt(), id, l.get("point")), Initials: r.initials[l.get("person")], Record: &sv.SheetRow_Point{Point: &sv.SheetPoint{InstrumentId: id, Point: p}}}
}

func (r *sheetReader) batch(l *line) *sv.SheetRow {
	lot := l.need("batch")
	b := &sv.SheetBatch{
		Start:          &kb.BatchStart{LotCode: lot, FormulaId: l.need("formula"), InstrumentId: l.need("instrument"), StartedAt: l.time("started"), SolidsKg: l.decimal("solids_kg"), Vessel: l.get("vessel")},
		ColdWaterStage: l.get("stage_test"), YieldKg: l.decimal("yield_kg"), Note: l.get("note"),
	}
	if l.get("ended") != "" {
		b.PulledAt = l.time("ended")
	}
	for c, path := range map[string]string{"batch": "batch.start.lot_code", "formula": "batch.start.formula_id", "instrument": "batch.start.instrument_id", "started": "batch.start.started_at", "ended": "batch.pulled.at",
		"solids_kg": "batch.start.solids_kg", "yield_kg": "batch.end.yield_kg", "stage_test": "batch.cold_water.stage", "note": "batch.end.note", "person": "initials"} {
		l.from(c, path)
	}
	l.from("ended", "batch.end.at")
	return &sv.SheetRow{RowKey: lot, Initials: r.initials[l.get("person")], Record: &sv.SheetRow_Batch{Batch: b}}
}

func (r *sheetReader) reading(l *line) *sv.SheetRow {
	return r.series(l, kb.SeriesKind_SERIES_KIND_COOK)
}

func (r *sheetReader) cooling(l *line) *sv.SheetRow {
	return r.series(l, kb.SeriesKind_SERIES_KIND_COOLING)
}

func (r *sheetReader) series(l *line, kind kb.SeriesKind) *sv.SheetRow {
	m := &sv.SheetReading{LotCode: l.need("batch"), Series: kind, InstrumentId: l.need("instrument"), At: l.time("time"), Reading: l.temperature("reading", "unit")}
	for c, path := range map[string]string{"reading": "reading.reading", "unit": "reading.reading.unit", "time": "reading.at", "batch": "reading.lot_code", "instrument": "reading.instrument_id"} {
		l.from(c, path)
	}
	return &sv.SheetRow{RowKey: key(m.GetAt(), m.GetLotCode(), m.GetInstrumentId()), Initials: r.initials[l.get("person")], Record: &sv.SheetRow_Reading{Reading: m}}
}

// key is the row key of D37: time, subject and kind.
func key(at *timestamppb.Timestamp, parts ...string) string {
	return at.AsTime().UTC().Format(time.RFC3339) + " " + strings.Join(parts, " ")
}
