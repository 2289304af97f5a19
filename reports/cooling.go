package reports

import (
	"time"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// coolingStartMicroC is the temperature at which the cooling clock starts, 57 degC.
const coolingStartMicroC = 57_000_000

// coolingWords prints the cooling clock of a batch leg by leg.
func (d *dayLog) coolingWords(b *kettlebookv1.BatchDay) []para {
	var out []para
	if b.GetCoolingMissing() {
		out = append(out, labelled("cooling", strong(markMissing+" the formula wants the cooling clock and there is no series")))
	}
	a := b.GetCoolingResult()
	if a == nil {
		return out
	}
	for _, leg := range a.GetLegs() {
		out = append(out, legWords(leg))
	}
	spans := []span{
		text(counted(int(a.GetReadings()), "reading", "readings") + " with " + list(a.GetInstrumentIds()) + " from "), firm(d.clock.at(a.GetFirstAt())),
		text("; "), span{text: "series ends " + d.clock.at(a.GetLastAt()), style: style{size: sizeBody, bold: true}, whole: true},
	}
	if s := lastSample(b); s != "" {
		spans = append(spans, text(" at "), firm(s))
	}
	out = append(out, labelled("", append(spans, text("; U (k = 2) "), firm(celsius(a.GetUMicroC(), 2)))...))
	if a.GetUnknownStart() {
		out = append(out, labelled("", strong(markDoubt+" start not known: no reading at or above 57 °C")))
	}
	if a.GetRunning() {
		out = append(out, labelled("", strong(markPartly+" still running: the last reading is above the last target")))
	}
	if at, going := d.stillCooling(b); going {
		out = append(out, labelled("", text("still cooling when the last pan left the heat at "+d.clock.of(at))))
	}
	if a.Replaces != nil {
		out = append(out, labelled("", text("judged again; replaces the assessment at entry "+decimal(a.GetReplaces()))))
	}
	return out
}

// legWords prints one leg: what is allowed, what the readings allow, and the result.
func legWords(leg *kettlebookv1.CoolingLeg) para {
	return labelled("cooling",
		flagged(limitVerdict(leg.GetResult())),
		text("   "+fixed(coolingStartMicroC, 0)+" to "+exact(leg.GetTargetMicroC(), 0)+" °C within "), firm(minutes(int64(leg.GetAllowedMin())*60)),
		text(": longest "), firm(known(leg.LongestS, "open")),
		text(", shortest "), firm(known(leg.ShortestS, "not known")),
		text(", likely "), firm(known(leg.LikelyS, "not known")),
	)
}

func known(seconds *int64, otherwise string) string {
	if seconds == nil {
		return otherwise
	}
	return minutes(*seconds)
}

// lastSample prints the last reading of the cooling series as read.
func lastSample(b *kettlebookv1.BatchDay) string {
	var last *kettlebookv1.Temperature
	var at time.Time
	for _, c := range b.GetCooling() {
		if n := len(c.GetSamples()); n > 0 {
			s := c.GetSamples()[n-1]
			if t := sampleTime(c, s); last == nil || t.After(at) {
				last, at = &kettlebookv1.Temperature{Micro: s.GetMicro(), Decimals: s.GetDecimals(), Unit: c.GetUnit()}, t
			}
		}
	}
	if last == nil {
		return ""
	}
	return asRead(last)
}

func sampleTime(c *kettlebookv1.Curve, s *kettlebookv1.Sample) time.Time {
	return c.GetFirstAt().AsTime().Add(time.Duration(s.GetAfterMs()) * time.Millisecond)
}

// stillCooling reports whether the batch had not reached the last target when the day's last pan left the heat.
func (d *dayLog) stillCooling(b *kettlebookv1.BatchDay) (time.Time, bool) {
	a := b.GetCoolingResult()
	last, ok := d.lastPull()
	if !ok || a.GetLastAt() == nil || !a.GetLastAt().AsTime().After(last) || len(a.GetLegs()) == 0 {
		return last, false
	}
	target := a.GetLegs()[len(a.GetLegs())-1].GetTargetMicroC()
	for _, c := range b.GetCooling() {
		for _, s := range c.GetSamples() {
			if !sampleTime(c, s).After(last) && toMicroC(s.GetMicro(), c.GetUnit()) <= target {
				return last, false
			}
		}
	}
	return last, true
}

// toMicroC brings millionths of a degree of a scale to millionths of a degC, rounded.
func toMicroC(micro int64, u kettlebookv1.TemperatureUnit) int64 {
	if !isF(u) {
		return micro
	}
	return divRound((micro-32_000_000)*5, 9)
}

// divRound divides with rounding to the nearest, halves away from zero.
func divRound(n, by int64) int64 {
	if n < 0 {
		return -((-n + by/2) / by)
	}
	return (n + by/2) / by
}
