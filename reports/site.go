package reports

import (
	"fmt"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// siteBlock prints the kitchen and the settings that the day was judged under.
func (d *dayLog) siteBlock() {
	site := d.content.GetSite()
	d.heading("The kitchen and its settings", 20)
	d.flow(para{spans: []span{{text: site.GetName(), style: style{size: 9.5, bold: true}}}})
	if site.GetAddress() != "" {
		d.flow(p(text(site.GetAddress())))
	} else {
		d.flow(p(text("No address recorded.")))
	}
	starts := site.GetDayStartsMin()
	spans := []span{
		text("Elevation "), strong(elevation(site)), text(". Clock: " + d.clock.zone() + ". The production day starts at "),
		strong(fmt.Sprintf("%02d:%02d", starts/60, starts%60)), text("."),
	}
	d.flow(p(spans...))
	d.flow(p(
		text("Tolerance on the error of an instrument: "), firm("±"+orDefault(site.GetToleranceC(), "1")+" °C"),
		text(" (Celsius and dual scale), "), firm("±"+orDefault(site.GetToleranceF(), "2")+" °F"),
		text(" (Fahrenheit only); an instrument may have its own. "),
		text("Weather allowance around an assumed pressure: "), firm("±"+orDefault(site.GetWeatherHpa(), "15")+" hPa"),
		text(". A kitchen pressure serves a cook for "), firm(minutes(int64(orUint(site.GetPressureAgeMin(), 240))*60)),
		text("; an entry counts as late after "), firm(minutes(int64(orUint(site.GetLateAfterMin(), 15))*60)), text("."),
	))
	d.flow(p(text("Check points are judged " + acceptance(site.GetGuardedChecks()) + "; critical limits " +
		acceptance(!site.GetUnguardedCritical()) + "; operating and quality limits by simple acceptance. A value on the boundary counts as in.")))
	d.flow(p(text("Beyond its checked points the error of an instrument may grow by "), firm(orDefault(site.GetGrowthCPerC(), "0.003")+" °C per °C"),
		text(", and between checks move by "), firm(orDefault(site.GetDriftC(), "0.03")+" °C in a day"),
		text(" (standard uncertainties; the movement grows with the square root of the days).")))
	d.flow(p(text("Rule profile: " + profileWord(site.GetProfile()) + ". Rules version " + orDash(d.content.GetRulesVersion()) + ".")))
	if site.GetOnePerson() {
		d.flow(p(text("One-person kitchen: one person may both make and review here; it is printed where that was done.")))
	}
}

func acceptance(guarded bool) string {
	if guarded {
		return "with a guard band of U"
	}
	return "by simple acceptance"
}

func elevation(site *kettlebookv1.Site) string {
	if site.GetElevationM() == nil {
		return "not given"
	}
	return asWritten(site.GetElevationM()) + " m"
}

func orDefault(v *kettlebookv1.Decimal, standard string) string {
	if v == nil {
		return standard
	}
	return asWritten(v)
}

func orUint(v, standard uint32) uint32 {
	if v == 0 {
		return standard
	}
	return v
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
