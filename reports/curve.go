package reports

import (
	"time"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
	"kettlebook/reports/chart"
)

// curve gathers what the small chart of a batch shows; nil when there is no reading to draw.
func (d *dayLog) curve(b *kettlebookv1.BatchDay) *chart.Cook {
	curves := b.GetCook()
	pull := b.GetPull()
	unit := pull.GetPull().GetReading().GetUnit()
	main := -1
	for i, c := range curves {
		if len(c.GetSamples()) == 0 {
			continue
		}
		if main < 0 || (curves[main].GetInstrumentId() != pull.GetInstrumentId() && c.GetInstrumentId() == pull.GetInstrumentId()) {
			main = i
		}
	}
	if main < 0 {
		return nil
	}
	if unit == kettlebookv1.TemperatureUnit_TEMPERATURE_UNIT_UNSPECIFIED {
		unit = curves[main].GetUnit()
	}
	start := b.GetStart().GetStartedAt()
	if start == nil {
		start = curves[main].GetFirstAt()
	}
	began := start.AsTime()
	out := &chart.Cook{Unit: degrees(unit)}
	for i, c := range curves {
		points := make([]chart.Point, 0, len(c.GetSamples()))
		for _, s := range c.GetSamples() {
			points = append(points, chart.Point{Min: since(began, sampleTime(c, s)), Deg: inUnit(s.GetMicro(), c.GetUnit(), unit)})
		}
		if i == main {
			out.Main = points
		} else {
			out.Others = append(out.Others, points)
		}
	}
	if pull == nil {
		return out
	}
	at := since(began, pull.GetAt().AsTime())
	if r := pull.GetPull().GetReading(); r != nil {
		out.Pull = &chart.Point{Min: at, Deg: inUnit(r.GetMicro(), r.GetUnit(), unit)}
	}
	if c := pull.GetPull(); c != nil && c.CorrectedMicroC != nil {
		out.Corrected = &chart.Point{Min: at, Deg: ofMicroC(c.GetCorrectedMicroC(), unit)}
		out.U = float64(c.GetUMicroC()) / 1e6
		if isF(unit) {
			out.U *= 1.8
		}
	}
	if h := pull.GetHighestAfter().GetReading(); h != nil {
		out.Highest = &chart.Point{Min: at, Deg: inUnit(h.GetMicro(), h.GetUnit(), unit)}
	}
	for _, l := range pull.GetLimits() {
		if l.GetLimit().GetBinds() == kettlebookv1.LimitBinds_LIMIT_BINDS_HIGHEST_AFTER && len(pull.GetLimits()) > 1 {
			continue
		}
		out.Low, out.High = bound(l.LowMicroC, unit), bound(l.HighMicroC, unit)
		break
	}
	return out
}

// drawCurve draws the chart at the right margin, its top at y.
func (d *dayLog) drawCurve(c chart.Cook, y float64) {
	box := chart.Box{X: marginSide + textWidth - chartWidth, Y: y + 0.8, W: chartWidth, H: chartHeight - 1.2}
	if err := c.Draw(d.pdf, fontFamily, box); err != nil {
		panic(err) // DayLog turns it into its own error
	}
	d.forgetFont()
}

func since(start, at time.Time) float64 { return at.Sub(start).Minutes() }

func bound(microC *int64, unit kettlebookv1.TemperatureUnit) *float64 {
	if microC == nil {
		return nil
	}
	v := ofMicroC(*microC, unit)
	return &v
}

// ofMicroC brings millionths of a degC to degrees of a scale, for drawing.
func ofMicroC(microC int64, unit kettlebookv1.TemperatureUnit) float64 {
	if isF(unit) {
		return float64(microC)/1e6*1.8 + 32
	}
	return float64(microC) / 1e6
}

// inUnit brings millionths of a degree of one scale to degrees of another, for drawing.
func inUnit(micro int64, from, to kettlebookv1.TemperatureUnit) float64 {
	if isF(from) == isF(to) {
		return float64(micro) / 1e6
	}
	return ofMicroC(toMicroC(micro, from), to)
}
