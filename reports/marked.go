package reports

import (
	"fmt"
)

// marked prints the records that came late, were queued, amended, ahead of their time or questioned.
func (d *dayLog) marked() {
	all := d.content.GetMarked()
	if len(all) == 0 {
		return
	}
	d.heading("Late, queued, amended, early and questioned records", 18)
	d.flow(p(small(text("Nothing is rubbed out: a struck value stays readable beside the new one, with the person and the reason."))...))
	t := d.newTable(sizeSmall, column{"mark", 22, 'L'}, column{"record", 44, 'L'}, column{"happened", 22, 'L'}, column{"entered", 26, 'L'},
		column{"by", 16, 'L'}, column{"struck, new value, reason", 52, 'L'})
	for _, m := range all {
		var change cell
		if m.GetStruck() != "" || m.GetNow() != "" {
			spans := append(struckOut(orElse(m.GetStruck(), "nothing")), strong("now "+orElse(m.GetNow(), "nothing")))
			change = append(change, p(small(spans...)...))
		}
		if m.GetReason() != "" {
			change = append(change, p(small(text("Reason: "+m.GetReason()))...))
		}
		t.row(c(flagged(markKind(m.GetKind()))), c(text(m.GetWhat())), c(text(d.clock.at(m.GetAt()))),
			c(text(d.clock.at(m.GetRecordedAt()))), c(text(m.GetInitials())), change)
	}
	t.end()
}

// sheets prints once which rows were copied from paper.
func (d *dayLog) sheets() {
	all := d.content.GetSheets()
	if len(all) == 0 && len(d.log.GetSheetsEntered()) == 0 {
		return
	}
	d.heading("Copied from paper (transcribed)", 12)
	d.flow(p(text("These records were copied in from paper sheets. That is said here once; they are not marked late one by one.")))
	for _, sheet := range all {
		words := sheet.GetSheet() + ": " + counted(int(sheet.GetRows()), "row", "rows") + " of this day"
		if sheet.GetPaper() != "" {
			words += fmt.Sprintf(", from the paper “%s”", sheet.GetPaper())
		}
		d.flow(para{hang: 4, spans: []span{text(markNote + " " + words)}})
	}
	for _, entered := range d.log.GetSheetsEntered() {
		d.flow(para{hang: 4, spans: []span{text(markNote + " " + entered)}})
	}
}
