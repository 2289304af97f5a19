package reports

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"

	"google.golang.org/protobuf/encoding/protojson"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// ErrDayLog is what every refusal of DayLog wraps: the message does not hold a day that can be printed.
var ErrDayLog = errors.New("reports: day log cannot be printed")

// dayLog is one log on its way to paper.
type dayLog struct {
	*sheet
	log     *kettlebookv1.DayLog
	content *kettlebookv1.DayContent
	clock   *wallClock
	names   map[string]string // printed names by initials
}

// DayLog draws a daily log: A4 portrait, black on white, as a PDF that is not yet sealed. All
// that is printed comes from the message; its sealed_at is the date of the document, so that the
// same message gives the same bytes. The content must be the bytes that content_sha256 was
// taken of and must parse as a DayContent without unknown fields; anything else is an error that wraps
// ErrDayLog. Times are printed in the kitchen's zone, temperatures in the scale they were read in.
// The lowest 17 mm of the last page are left free for the signature fields of the seal.
func DayLog(log *kettlebookv1.DayLog) (pdf []byte, err error) {
	defer func() {
		// The PDF writer panics on what it cannot encode; a log that cannot be drawn is an error like any other.
		if r := recover(); r != nil {
			pdf, err = nil, fmt.Errorf("%w: drawing stopped: %v", ErrDayLog, r)
		}
	}()
	content, err := readContent(log)
	if err != nil {
		return nil, err
	}
	face, err := loadTypeface()
	if err != nil {
		return nil, err
	}
	d := &dayLog{
		sheet:   newSheet(face, log.GetSealedAt().AsTime()),
		log:     log,
		content: content,
		clock:   newWallClock(content),
		names:   make(map[string]string),
	}
	for _, p := range content.GetPeople() {
		d.names[p.GetInitials()] = p.GetPrintedName()
	}
	d.describe()
	d.setFurniture()
	d.newPage()
	d.titleBlock()
	d.unusual()
	d.siteBlock()
	d.instruments()
	d.pressures()
	d.batches()
	d.deviations()
	d.lookBacks()
	d.marked()
	d.sheets()
	d.example()
	d.whoMade()
	d.whoReviewed()
	d.proof()
	d.cautions()
	d.endSections()
	d.furnish()
	var out bytes.Buffer
	if err := d.pdf.Output(&out); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDayLog, err)
	}
	return out.Bytes(), nil
}

// readContent gives the day's content after comparing it with its hash.
func readContent(log *kettlebookv1.DayLog) (*kettlebookv1.DayContent, error) {
	if log == nil {
		return nil, fmt.Errorf("%w: no message", ErrDayLog)
	}
	if sum := sha256.Sum256(log.GetContent()); !bytes.Equal(sum[:], log.GetContentSha256()) {
		return nil, fmt.Errorf("%w: content does not match content_sha256", ErrDayLog)
	}
	content := new(kettlebookv1.DayContent)
	if err := protojson.Unmarshal(log.GetContent(), content); err != nil {
		return nil, fmt.Errorf("%w: content: %w", ErrDayLog, err)
	}
	if content.GetProductionDay() == "" || content.GetSite().GetName() == "" {
		return nil, fmt.Errorf("%w: content names no production day or no site", ErrDayLog)
	}
	if log.GetSealedAt() == nil {
		return nil, fmt.Errorf("%w: sealed_at is missing", ErrDayLog)
	}
	return content, nil
}

// describe fills the document's own description.
func (d *dayLog) describe() {
	site, day := d.content.GetSite().GetName(), d.content.GetProductionDay()
	d.pdf.SetTitle(d.face.printable("Daily log "+day+", "+site), true)
	d.pdf.SetSubject(d.face.printable(fmt.Sprintf("Serial %d, issue %d", d.log.GetSerial(), d.log.GetIssue())), true)
	d.pdf.SetCreator(d.face.printable(d.log.GetSoftwareVersion()), true)
	d.pdf.SetProducer("kettlebook", true)
}

// worked reports whether anything was cooked or checked on the day.
func (d *dayLog) worked() bool {
	if len(d.content.GetBatches()) > 0 {
		return true
	}
	for _, in := range d.content.GetInstruments() {
		if len(in.GetChecks()) > 0 {
			return true
		}
	}
	return false
}

// Spans and paragraphs in the body size; the small forms are used inside tables.

func text(s string) span   { return span{text: s, style: style{size: sizeBody}} }
func strong(s string) span { return span{text: s, style: style{size: sizeBody, bold: true}} }

// firm keeps a figure with its unit, or a mark with its word, on one line.
func firm(s string) span { return span{text: s, style: style{size: sizeBody}, whole: true} }

// flagged prints a verdict: bold when it is anything but good.
func flagged(v verdict) span {
	return span{text: v.String(), style: style{size: sizeBody, bold: v.bad}, whole: len(v.String()) < 40}
}

// struckOut prints a value that was replaced: struck through, and said in words for those who cannot see the line.
func struckOut(s string) []span {
	return []span{
		{text: s, style: style{size: sizeBody, struck: true}, whole: len(s) < 24},
		text(" (struck) "),
	}
}

// small sets spans in the size of tables.
func small(spans ...span) []span {
	for i := range spans {
		spans[i].style.size = sizeSmall
	}
	return spans
}

// p makes a paragraph.
func p(spans ...span) para { return para{spans: spans} }

// c makes a cell of one paragraph in the size of tables.
func c(spans ...span) cell { return cell{{spans: small(spans...)}} }
