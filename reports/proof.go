package reports

import (
	"fmt"
	"strings"

	"github.com/skip2/go-qrcode"
	"google.golang.org/protobuf/proto"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// qrSize is the side of the checkpoint's code on paper, in mm.
const qrSize = 42.0

// sizeCode is the type size of keys and hashes.
const sizeCode = 6.6

// proof prints what anyone needs to check that this day was not altered since.
func (d *dayLog) proof() {
	d.heading("Proof", 62)
	log := d.log
	modules := d.qr()
	top, page := d.y, d.pdf.PageNo()
	narrow := textWidth
	if modules != nil {
		narrow = textWidth - qrSize - 5
	}
	origin, size, root := splitCheckpoint(log.GetCheckpoint())
	code := func(s string) span { return span{text: s, style: style{size: sizeCode, mono: true}} }
	words := []para{
		{spans: []span{strong("Checkpoint of the ledger"), text(" (an RFC 6962 tree; the code on the right holds the checkpoint as text)")}},
		{indent: 12, label: "origin", spans: []span{code(origin)}},
		{indent: 12, label: "size", spans: []span{code(size)}},
		{indent: 12, label: "root", spans: []span{code(root)}},
		{before: 0.8, spans: []span{strong("Checkpoint in full")}},
	}
	for _, row := range strings.Split(strings.TrimRight(log.GetCheckpoint(), "\n"), "\n") {
		words = append(words, para{hang: 3, spans: []span{code(orElse(row, " "))}})
	}
	words = append(words, para{before: 0.8, spans: []span{strong("Verifier key (Ed25519)")}}, para{hang: 3, spans: []span{code(orDash(log.GetVerifierKey()))}})
	for _, l := range d.face.wrap(words, narrow) {
		d.need(l.height)
		d.drawLine(l, marginSide, d.y)
		d.y += l.height
	}
	if modules != nil {
		d.drawQR(modules, marginSide+textWidth-qrSize, top)
		if d.pdf.PageNo() == page {
			d.y = max(d.y, top+qrSize)
		}
	}
	d.y += 0.8
	d.flow(
		p(strong("SHA-256 fingerprint of the certificate that seals this PDF")), para{indent: 3, spans: []span{code(orDash(log.GetSealFingerprint()))}},
		p(strong("SHA-256 fingerprint of the kitchen's certificate authority")), para{indent: 3, spans: []span{code(orDash(log.GetCaFingerprint()))}},
		p(strong("SHA-256 of the day's content")), para{indent: 3, spans: []span{code(hexGroups(log.GetContentSha256()))}},
		keyed(d.causeName(), fmt.Sprintf("entry %d of the ledger", log.GetCauseSequence())),
	)
	if len(log.GetPrevious()) == 0 {
		d.flow(keyed("previous log", "none: this is the first log"))
	} else {
		prev := log.GetPrevious()[0]
		d.flow(
			keyed("previous log", fmt.Sprintf("serial %d, day %s, file %s, ledger size %d, SHA-256 of its PDF:",
				prev.GetSerial(), prev.GetProductionDay(), prev.GetFileName(), prev.GetLedgerSize())),
			para{indent: 3, spans: []span{code(hexGroups(prev.GetPdfSha256()))}},
		)
	}
	d.flow(
		keyed("software", orDash(log.GetSoftwareVersion())),
		keyed("rules", orDash(d.content.GetRulesVersion())),
		para{before: 0.5, spans: small(text("The data of this log is attached to the sealed PDF. The signature covers the whole document; tools of others can check it."))},
	)
}

// keyed prints a name and its value.
func keyed(name, value string) para {
	return para{hang: 3, spans: []span{text(name + ": "), strong(value)}}
}

// causeName says what kind of entry the log rests on, from the entry itself.
func (d *dayLog) causeName() string {
	if d.log.GetReview() == nil {
		return "sealing order it rests on"
	}
	name := "review it rests on"
	env := new(kettlebookv1.Envelope)
	if err := proto.Unmarshal(d.log.GetCauseEnvelope(), env); err == nil && env.GetKnownBy() == kettlebookv1.KnownBy_KNOWN_BY_PIN_AT_SIGNING {
		name += " (PIN given again for this very signature)"
	}
	return name
}

// splitCheckpoint takes the three lines of a checkpoint apart.
func splitCheckpoint(note string) (origin, size, root string) {
	rows := strings.SplitN(note, "\n", 4)
	for len(rows) < 3 {
		rows = append(rows, "-")
	}
	return orDash(rows[0]), orDash(rows[1]), orDash(rows[2])
}

// qr gives the modules of the checkpoint's code, nil when there is no checkpoint or it is too long for one.
func (d *dayLog) qr() [][]bool {
	if d.log.GetCheckpoint() == "" {
		return nil
	}
	code, err := qrcode.New(d.log.GetCheckpoint(), qrcode.Medium)
	if err != nil {
		return nil
	}
	return code.Bitmap()
}

// drawQR draws dark modules as filled rectangles, one for each run in a row. The bitmap brings its quiet zone.
func (d *dayLog) drawQR(modules [][]bool, x, y float64) {
	step := qrSize / float64(len(modules))
	d.pdf.SetFillColor(0, 0, 0)
	for r, row := range modules {
		for from := 0; from < len(row); {
			if !row[from] {
				from++
				continue
			}
			to := from
			for to < len(row) && row[to] {
				to++
			}
			d.pdf.Rect(x+float64(from)*step, y+float64(r)*step, float64(to-from)*step, step, "F")
			from = to
		}
	}
}
