package records

import (
	"time"

	kb "kettlebook/proto/kettlebook/v1"
)

// Kinds of the instrument register.
const (
	// KindInstrument holds the latest entry of each instrument, by name.
	KindInstrument = "instrument"
	// KindInstrumentVersion holds all of them; index "at": name, time.
	KindInstrumentVersion = "instrument_version"
)

var _ = register(validateInstrument, func(e Entry, m *kb.Instrument) (Projection, error) {
	return versions(e, KindInstrument, KindInstrumentVersion, m.GetInstrumentId(), m)
})

func validateInstrument(m *kb.Instrument) error {
	if err := name("instrument_id", m.GetInstrumentId(), 24); err != nil {
		return err
	}
	if err := text("description", m.GetDescription(), 0, 80); err != nil {
		return err
	}
	if err := text("serial", m.GetSerial(), 0, 40); err != nil {
		return err
	}
	if m.GetScale() == kb.Scale_SCALE_UNSPECIFIED {
		return invalid("scale", "Celsius, Fahrenheit or dual", "is missing")
	}
	if m.GetDivision().GetMicro() <= 0 {
		return invalid("division", "give the smallest division in degrees of its scale", "is missing or not above 0")
	}
	for _, f := range []struct {
		field     string
		d         *kb.Decimal
		low, high int64
	}{
		{"division", m.GetDivision(), 0, 50}, {"read_to", m.GetReadTo(), 0, 50}, {"tolerance", m.GetTolerance(), 0, 20},
		{"range_low", m.GetRangeLow(), -150, 950}, {"range_high", m.GetRangeHigh(), -150, 950},
		{"certificate_u_c", m.GetCertificateUC(), 0, 10}, {"certificate_correction_c", m.GetCertificateCorrectionC(), -10, 10},
	} {
		if err := between(f.field, f.d, f.low, f.high); err != nil {
			return err
		}
	}
	if err := validateRange(m); err != nil {
		return err
	}
	if m.GetReadTo() != nil && m.GetReadTo().GetMicro() <= 0 {
		return invalid("read_to", "leave it out to read to the division", "is not above 0")
	}
	if m.GetTolerance() != nil && m.GetTolerance().GetMicro() <= 0 {
		return invalid("tolerance", "leave it out to use the site's", "is not above 0")
	}
	if d := m.GetCertificateDue(); d != "" {
		if _, err := time.Parse(time.DateOnly, d); err != nil {
			return invalid("certificate_due", "write it YYYY-MM-DD", "%q is not a day", d)
		}
	}
	return nil
}

// validateRange refuses a scale whose ends are not in order, or beyond what any
// thermometer of a kitchen shows.
func validateRange(m *kb.Instrument) error {
	low, high := instrumentRange(m)
	for _, f := range []struct {
		field  string
		given  *kb.Decimal
		microC int64
	}{{"range_low", m.GetRangeLow(), low}, {"range_high", m.GetRangeHigh(), high}} {
		if f.given != nil && (f.microC < -100*One || f.microC > 500*One) {
			return invalid(f.field, "give -100 to 500 degC, or as much in degF", "%s %s is out of range", FormatDecimal(f.given), UnitSymbol(InstrumentUnit(m)))
		}
	}
	if low >= high {
		return invalid("range_high", "exchange the ends of the scale", "does not lie above the lower end of the scale")
	}
	return nil
}

// InstrumentUnit is the unit that an instrument's own figures are in.
func InstrumentUnit(m *kb.Instrument) kb.TemperatureUnit {
	if m.GetScale() == kb.Scale_SCALE_FAHRENHEIT {
		return kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT
	}
	return kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS
}

// InstrumentTolerance gives the tolerance in millionths of a degree of a
// unit: its own, or the site's for its scale (a dual dial read in degF has
// the Celsius tolerance).
func InstrumentTolerance(s Settings, m *kb.Instrument, unit kb.TemperatureUnit) int64 {
	own := InstrumentUnit(m)
	tol := s.ToleranceC
	if own == kb.TemperatureUnit_TEMPERATURE_UNIT_FAHRENHEIT {
		tol = s.ToleranceF
	}
	if m.GetTolerance() != nil {
		tol = m.GetTolerance().GetMicro()
	}
	if own == unit {
		return tol
	}
	return SpanInUnitMicro(SpanCelsiusMicro(tol, own), unit)
}

// DivisionC gives the division in degC, and readToC the step it is read to.
func DivisionC(m *kb.Instrument) (divisionC, readToC float64) {
	unit := InstrumentUnit(m)
	divisionC = float64(SpanCelsiusMicro(m.GetDivision().GetMicro(), unit)) / float64(One)
	readToC = divisionC
	if m.GetReadTo() != nil {
		readToC = float64(SpanCelsiusMicro(m.GetReadTo().GetMicro(), unit)) / float64(One)
	}
	return divisionC, readToC
}

// CheckReading refuses a reading that the instrument cannot have shown: no
// unit, a unit that is not on its scale, or a value beyond its range.
func CheckReading(field string, m *kb.Instrument, t *kb.Temperature) error {
	if t == nil {
		return invalid(field, "give what the instrument showed", "is missing")
	}
	if err := checkTemperature(field, t); err != nil {
		return err
	}
	unit := InstrumentUnit(m)
	if m.GetScale() != kb.Scale_SCALE_DUAL && t.GetUnit() != unit {
		return invalid(field+".unit", "enter what the dial shows, in "+UnitSymbol(unit), "%s has only %s on it", m.GetInstrumentId(), UnitSymbol(unit))
	}
	if low, high := instrumentRange(m); CelsiusMicro(t) < low || CelsiusMicro(t) > high {
		return invalid(field, "check the digits and the unit", "%s cannot show %s", m.GetInstrumentId(), FormatTemperature(t))
	}
	return nil
}

// instrumentRange gives the ends of an instrument's scale in millionths of a
// degC.
func instrumentRange(m *kb.Instrument) (low, high int64) {
	low, high = -50*One, 300*One
	unit := InstrumentUnit(m)
	if d := m.GetRangeLow(); d != nil {
		low = CelsiusMicro(&kb.Temperature{Micro: d.GetMicro(), Unit: unit})
	}
	if d := m.GetRangeHigh(); d != nil {
		high = CelsiusMicro(&kb.Temperature{Micro: d.GetMicro(), Unit: unit})
	}
	return low, high
}

func checkTemperature(field string, t *kb.Temperature) error {
	if t.GetUnit() == kb.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED {
		return invalid(field+".unit", "degC or degF", "is missing")
	}
	return checkDecimal(field, t.GetMicro(), t.GetDecimals())
}

// InstrumentFacts is what is known when an instrument is entered.
type InstrumentFacts struct {
	// Known is the register's entry under that name.
	Known Doc[*kb.Instrument]
}

// DecideInstrument enters an instrument or a new version of one. Another scale
// or another serial is another instrument, and a name is never given to one:
// that is ErrExists. A serial that was not written down at first may follow.
func DecideInstrument(f InstrumentFacts, act Act, day string, m *kb.Instrument) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if k := f.Known.Record; f.Known.Has() {
		if k.GetScale() != m.GetScale() || k.GetSerial() != "" && k.GetSerial() != m.GetSerial() {
			return nil, refuse(ErrExists, "instrument_id", "enter the other instrument under a name of its own", "%s is an instrument with another scale or serial number", m.GetInstrumentId())
		}
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: m}}, nil
}
