package reports

// limitsOfTheLog says what the log is not.
var limitsOfTheLog = []string{
	"It does not declare any food safe. It reports what the records show and leaves the decision to the qualified person.",
	"Records do not replace a food-safety plan. Local codes and licensed practice prevail wherever they say otherwise.",
	"The seal proves that nothing was changed since sealing. It does not prove that a reading was true when it was written down.",
	"A correction above the highest checked point is extrapolated, and says so. A check at the ice point says little about the temperature of boiling sugar.",
}

// dangers says what hurts people at the kettle, and the first thing to do. Sources: burn first
// aid of an Australian clinic and of British services (cool running water, 20 minutes, no ice); the rest
// is common practice, no source.
var dangers = []string{
	"Hot sugar sticks to the skin and goes on burning. Long sleeves, closed shoes, a clear floor; nobody reaches over the kettle.",
	"Steam burns as badly as what it rises from. Open lids away from the face, and keep hands out of the steam when a thermometer is checked in boiling water.",
	"Water or cream into caramel flashes to steam and spatters: off the heat, warm, a little at a time, pan less than half full.",
	"Glass thermometers break. A broken one means the batch is discarded and the kettle cleared; use one in a cage or a shatterproof case.",
	"Burn first aid: cool under cool running water for 20 minutes; no ice; rings and watches off; what sticks stays on; cover loosely with a clean film; " +
		"get help for anything larger than a palm, on face, hands or feet, deep or white, and for every child. Follow local first-aid practice where it differs.",
}

// cautions prints both lists on one page, the last of the log, with room for the seal's fields under them.
func (d *dayLog) cautions() {
	limits, warnings := bullets(limitsOfTheLog), bullets(dangers)
	const headings = 22 // two section headings with their rules, in mm
	d.endSections()
	d.keepForSeal(heightOf(d.face.wrap(append(limits, warnings...), textWidth)) + headings)
	d.heading("What this log is not", 20)
	d.flow(limits...)
	d.heading("Cautions at the kettle", 20)
	d.flow(warnings...)
}

// bullets sets sentences as a list.
func bullets(sentences []string) []para {
	var out []para
	for _, sentence := range sentences {
		out = append(out, para{hang: 3, spans: []span{text(markNote + " " + sentence)}})
	}
	return out
}
