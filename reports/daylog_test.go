package reports

import (
	"bytes"
	"crypto/sha256"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
)

var update = flag.Bool("update", false, "write the golden pages anew")

// squeeze makes text comparable whatever the number of blanks between words.
func squeeze(s string) string {
	var out []string
	for _, row := range strings.Split(s, "\n") {
		if row = strings.Join(strings.Fields(row), " "); row != "" {
			out = append(out, row)
		}
	}
	return strings.Join(out, "\n") + "\n"
}

// oneLine makes text searchable across line ends.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func TestRichDayPrintsItsFacts(t *testing.T) {
	pdf := drawn(t, richLog(sealLog(t, richDay())))
	// Raw order keeps the words of one cell together; layout order keeps rows together.
	raw := oneLine(tool(t, "poppler-utils", "pdftotext", "-raw", onDisk(t, pdf), "-"))
	rows := oneLine(textOf(t, pdf))
	for _, fact := range []string{
		// what is unusual
		"check out of tolerance K-2: boiling 05:24 210.8 °F", "check not believed K-3", "check provisionally in K-4", "missed check K-5: no check though one was due; used for SW-0511-04, SW-0511-06",
		"1 food-safety deviation SW-0511-06", "1 process deviation SW-0511-02; open: 1", "1 instrument fault K-2; open: 1", "of earlier days, 1 instrument fault K-3 (2026-05-08)", "1 quality miss SW-0511-05",
		"cooling not met SW-0511-06", "still cooling when the last pan left the heat at 11:16", "cold-water test contradicts the temperature", "operating limit cannot be shown SW-0511-03",
		// instruments
		"34.4 °F (struck)", "208.2992 °F", "+2.5008 °F", "can show only gross", "REF-9 read 150.21 °C", "setting 1014.3 hPa", "In tolerance at 0 °C; 150.2 °C (working temperature) last shown on 2026-05-10",
		"working temperature never shown", "offset turned down by 2.0 °F", "copied from paper", "Certificate CAL/26-118, U (k = 2) 0.04 °C", "941.6 hPa measured in the kitchen, 05:04",
		"1013.2 hPa measured in the kitchen, 09:00 ◆ out of family with the elevation (altimeter?): not used", "last check 2026-05-09",
		// batches
		"allergens: none declared", "allergens: milk, soya", "247.3 °F", "118.10 °C (244.58 °F)", "U (k = 2) 0.42 °C", "extrapolated beyond the checked points", "as moved 115.86 to 117.85 °C",
		"as written 118.0 to 120.0 °C, solids at standard pressure, 1013.25 hPa, from a book", "beyond the sucrose data", "at least 110.0 °C, a temperature, not moved by pressure",
		"older than the site allows: drift added", "What if: on the reading as read, uncorrected, it would be “met” (no verdict)", "the boiling point of the last check is not believed",
		"by cold-water test: soft crack", "instrument not checked on this day before the reading", "no pull recorded", "voided, opened by mistake: opened twice", "longest 3 h 00 min", "likely 2 h 37 min 14 s",
		"series ends 14:30 at 10.3 °C", "still running", "discarded, 16:05, by Hanne Vestergård (HV): two witnesses disagree", "dry solids 11.2 kg, yield 12.44 kg", "the points do not fit the curve",
		// deviations, look-back, marks
		"Batch held; ice bath made part of the sauce station.", "withdrawn: the cause", "open-ended: no earlier passing check covers the temperatures", "First list, measured before the failure: 2 readings",
		"Second list, measured after the failure and before a passing as-left check: 1 reading", "2.0 °C (struck) now 0.2 °C", "Reason: read the wrong line of the display", "checks.csv: 11 rows of this day, from the paper “Morning checks, green pad”",
		"checks.csv: entered 2026-05-11 18:02 to 18:09 by HV",
		// notices and proof
		"Re-issue 2", "Struck: reading 388.0 of check K-1", "kettlebook.example/saltholm/1", "q0nE5o7oVSTZyRYuPyWuMUtkS1vYc6VQp2mIqYgRr5A=", "entry 412 of the ledger", "log-2026-05-10.pdf",
		"kettlebook 0.1.0-test", "It does not declare any food safe", "cool under cool running water for 20 minutes", "initials in ink",
		// names and notes in other letters, and what the font lacks
		"Łucja Wójcik-Żółtowska", "Ελένη Παπαδοπούλου", "Дарья Кузнецова", "Åse Østerbro", "sauce à la crème [U+1F36C], [U+6771][U+4EAC]", "pan[U+202E]reversed",
	} {
		if !strings.Contains(raw, fact) && !strings.Contains(rows, fact) {
			t.Errorf("the log does not say %q", fact)
		}
	}
	if strings.Contains(raw, "Nothing unusual") || strings.Contains(raw, "quality deviation") {
		t.Error("the log says what it must not say")
	}
}

func TestEveryPageCarriesItsNotices(t *testing.T) {
	pages := strings.Split(strings.TrimSuffix(textOf(t, drawn(t, richLog(sealLog(t, richDay())))), "\f"), "\f")
	if len(pages) < 4 {
		t.Fatalf("%d pages", len(pages))
	}
	for i, page := range pages {
		page = oneLine(page)
		for _, words := range []string{
			"Saltholm Sweet Works", "production day 2026-05-11, UTC+02:00", "serial 7, issue 2", fmt.Sprintf("page %d of %d", i+1, len(pages)),
			"invented data", "sealed by software; not reviewed by a person", "clock stepped by hand", "ledger restored: continued under",
		} {
			if !strings.Contains(page, words) {
				t.Errorf("page %d does not say %q", i+1, words)
			}
		}
	}
	plain := oneLine(textOf(t, drawn(t, sealLog(t, plainDay(2)))))
	for _, words := range []string{"invented data", "not reviewed by a person", "stepped by hand", "restored", "Re-issue"} {
		if strings.Contains(plain, words) {
			t.Errorf("a plain log says %q", words)
		}
	}
	for _, words := range []string{"Nothing unusual.", "Hanne Vestergård (HV) signed 2026-05-11 19:05:00 UTC+02:00 meaning: I have reviewed this day's records"} {
		if !strings.Contains(plain, words) {
			t.Errorf("a plain log does not say %q", words)
		}
	}
}

func TestManyRestoreNoticesAreCountedOnEveryPage(t *testing.T) {
	log := sealLog(t, plainDay(12))
	for i := range 9 {
		log.Restored = append(log.Restored, fmt.Sprintf("notice number %d of a ledger that had much bad luck, told at some length so that it takes more than one line of the page", i))
	}
	pages := strings.Split(textOf(t, drawn(t, log)), "\f")
	if !strings.Contains(oneLine(pages[0]), "notice number 8 of a ledger") {
		t.Error("the first page does not print every notice")
	}
	if !strings.Contains(oneLine(pages[2]), "ledger restored: 9 notices, printed in full on the first page") {
		t.Error("later pages do not count the notices")
	}
}

func TestDayWithoutWork(t *testing.T) {
	content := emptyContent()
	content.Deviations = []*kb.DeviationDay{{Deviation: &kb.Deviation{Class: kb.DeviationClass_DEVIATION_CLASS_INSTRUMENT_FAULT, InstrumentId: "K-3", At: hm(-50, 0), What: "Check not believed."}, CauseDay: "2026-05-08", Open: true}}
	idle := plainInstrument("K-1")
	idle.Checks = nil
	content.Instruments = []*kb.InstrumentDay{idle}
	log := sealLog(t, content)
	log.Previous = nil
	text := oneLine(textOf(t, drawn(t, log)))
	for _, words := range []string{"□ no production", "No batch was cooked and no instrument was checked on this day.", "2026-05-08", "Nobody read the pressure", "this is the first log"} {
		if !strings.Contains(text, words) {
			t.Errorf("the log does not say %q", words)
		}
	}
	for _, words := range []string{"missed check", "One example by hand"} {
		if strings.Contains(text, words) {
			t.Errorf("a day without work says %q", words)
		}
	}
}

func TestSixtyBatchesRepeatHeadings(t *testing.T) {
	pdf := drawn(t, sealLog(t, plainDay(60)))
	pages := strings.Split(strings.TrimSuffix(textOf(t, pdf), "\f"), "\f")
	if n := len(pages); n < 10 || n > 24 {
		t.Errorf("%d pages for 60 batches", n)
	}
	head := regexp.MustCompile(`lot +formula +instrument +pulled +pull as read +corrected +limits +decision`)
	row := regexp.MustCompile(`(?m)^ *SW-0511-\d\d +cream caramel squares +K-1 +\d\d:\d\d`)
	rows, tables := 0, 0
	for i, page := range pages {
		n := len(row.FindAllString(page, -1))
		rows += n
		if n > 0 {
			tables++
			if !head.MatchString(page) {
				t.Errorf("page %d goes on with the table without its heading", i+1)
			}
		}
		if strings.Contains(page, "pull as read ") && i > 2 && strings.Contains(page, "by the check") && !strings.Contains(page, "Batches in order of cooking (continued)") {
			t.Errorf("page %d goes on with the batches without saying so", i+1)
		}
	}
	if rows != 60 || tables < 2 {
		t.Errorf("%d rows on %d pages", rows, tables)
	}
	tool(t, "qpdf", "qpdf", "--check", onDisk(t, pdf))
}

// wordBox is a word on a page as pdftotext finds it, in points.
type wordBox struct {
	XMin float64 `xml:"xMin,attr"`
	YMin float64 `xml:"yMin,attr"`
	XMax float64 `xml:"xMax,attr"`
	YMax float64 `xml:"yMax,attr"`
	Text string  `xml:",chardata"`
}

func TestNothingIsCutOffOrOverprinted(t *testing.T) {
	hard := richDay()
	hard.Site.Name = strings.Repeat("Størrelse ", 12)
	hard.Site.Address = strings.Repeat("Østergade 14, 2. sal til højre ", 9)
	hard.Instruments[1].Instrument.Description = strings.Repeat("W", 80)
	hard.Instruments[1].Instrument.InstrumentId = strings.Repeat("M", 24)
	hard.Instruments[1].Checks[0].Assessment.Points[0].Point.Note = strings.Repeat("a long remark ", 36)
	hard.Batches[1].Start.LotCode = strings.Repeat("W", 40)
	hard.Batches[1].Formula.Name = strings.Repeat("caramel ", 15)
	hard.Batches[1].Notes = []string{strings.Repeat("x", 500), strings.Repeat("word ", 1200)}
	hard.Deviations[0].Actions[0].Text = strings.Repeat("every pan is moved to the cold room as soon as it is poured ", 300)
	hard.People[2].PrintedName = strings.Repeat("Ł", 120)
	for name, content := range map[string]*kb.DayContent{"rich": richDay(), "hard": hard, "sixty": plainDay(60)} {
		out := tool(t, "poppler-utils", "pdftotext", "-bbox", onDisk(t, drawn(t, richLog(sealLog(t, content)))), "-")
		var doc struct {
			Pages []struct {
				Words []wordBox `xml:"word"`
			} `xml:"body>doc>page"`
		}
		if err := xml.Unmarshal([]byte(out), &doc); err != nil {
			t.Fatal(err)
		}
		if len(doc.Pages) == 0 {
			t.Fatalf("%s: no pages read back", name)
		}
		for n, page := range doc.Pages {
			for i, a := range page.Words {
				if a.XMin < marginSide/mmPerPt-1 || a.XMax > (pageWidth-marginSide)/mmPerPt+1 || a.YMin < marginTop/mmPerPt-3 || a.YMax > pageHeight/mmPerPt-6 {
					t.Errorf("%s, page %d: %q stands outside the margins: %+v", name, n+1, a.Text, a)
				}
				if n == len(doc.Pages)-1 && a.YMax > (pageHeight-sealStrip)/mmPerPt+1 {
					t.Errorf("%s: %q stands where the seal's fields go: %+v", name, a.Text, a)
				}
				for _, b := range page.Words[i+1:] {
					w := math.Min(a.XMax, b.XMax) - math.Max(a.XMin, b.XMin)
					h := math.Min(a.YMax, b.YMax) - math.Max(a.YMin, b.YMin)
					if w > 0.6 && h > 0.22*math.Min(a.YMax-a.YMin, b.YMax-b.YMin) {
						t.Errorf("%s, page %d: %q and %q overlap by %.1f x %.1f pt", name, n+1, a.Text, b.Text, w, h)
					}
				}
			}
		}
	}
}

func TestSameLogSameBytes(t *testing.T) {
	log := richLog(sealLog(t, richDay()))
	first := sha256.Sum256(drawn(t, log))
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for range 10 {
				pdf, err := DayLog(log)
				if err != nil || sha256.Sum256(pdf) != first {
					t.Errorf("another rendering differs (error %v)", err)
					return
				}
			}
		})
	}
	wg.Wait()
	later := richLog(sealLog(t, richDay()))
	later.SealedAt = timestamppb.New(later.SealedAt.AsTime().Add(time.Second))
	if sha256.Sum256(drawn(t, later)) == first {
		t.Error("another time of sealing gives the same bytes")
	}
}

func TestGoldenPage(t *testing.T) {
	got := squeeze(textOf(t, drawn(t, sealLog(t, plainDay(1)))))
	path := filepath.Join("testdata", "plain_day.txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the page reads differently (run with -update to keep it):\n%s", got)
	}
}

func TestRefusals(t *testing.T) {
	good := sealLog(t, plainDay(1))
	for name, spoil := range map[string]func(*kb.DayLog){
		"other bytes than hashed": func(l *kb.DayLog) { l.Content = append(bytes.Clone(l.Content), ' ') },
		"not JSON":                func(l *kb.DayLog) { setContent(l, "no") },
		"unknown field":           func(l *kb.DayLog) { setContent(l, `{"productionDay":"2026-05-11","site":{"name":"x"},"colour":"red"}`) },
		"no site":                 func(l *kb.DayLog) { setContent(l, `{"productionDay":"2026-05-11"}`) },
		"no time of sealing":      func(l *kb.DayLog) { l.SealedAt = nil },
	} {
		log := sealLog(t, plainDay(1))
		spoil(log)
		if pdf, err := DayLog(log); !errors.Is(err, ErrDayLog) || pdf != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := DayLog(nil); !errors.Is(err, ErrDayLog) {
		t.Errorf("no message: %v", err)
	}
	// A log whose parts are all missing is still printed as far as it goes.
	setContent(good, `{"productionDay":"2026-05-11","site":{"name":"x"},"instruments":[{"checks":[{"assessment":{"points":[{}]}}]}],`+
		`"batches":[{"pull":{"pull":{},"limits":[{}],"flags":["USE_FLAG_UNSPECIFIED"]},"cooling":[{}],"coolingResult":{"legs":[{}]},"cook":[{"samples":[{}]}],"disposition":{}}],`+
		`"deviations":[{"actions":[{}]}],"lookBacks":[{"items":[{}]}],"marked":[{}],"sheets":[{}],"people":[{}],"pressures":[{}]}`)
	drawn(t, good)
}

func setContent(l *kb.DayLog, content string) {
	sum := sha256.Sum256([]byte(content))
	l.Content, l.ContentSha256 = []byte(content), sum[:]
}

func TestClockChangeIsPrinted(t *testing.T) {
	content := plainDay(1)
	content.ProductionDay = "2026-10-24"
	// Central Europe went from UTC+2 to UTC+1 at 01:00 UTC on 25 October 2026 (Directive 2000/84/EC: last Sunday of October).
	content.From = timestamppb.New(time.Date(2026, 10, 24, 2, 0, 0, 0, time.UTC))
	content.To = timestamppb.New(time.Date(2026, 10, 25, 3, 0, 0, 0, time.UTC))
	b := content.Batches[0]
	b.Start.StartedAt = timestamppb.New(time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC))
	b.Pull.At = timestamppb.New(time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC))
	text := oneLine(textOf(t, drawn(t, sealLog(t, content))))
	for _, words := range []string{
		"UTC+02:00 to UTC+01:00, clock changed in the day (Europe/Copenhagen)",
		"with K-1, 2026-10-25 02:30 UTC+02:00", "2026-10-25 02:30 UTC+01:00",
	} {
		if !strings.Contains(text, words) {
			t.Errorf("the log does not say %q", words)
		}
	}
	content.Site.Zone, content.UtcOffsetS = "", -12600
	if text := oneLine(textOf(t, drawn(t, sealLog(t, content)))); !strings.Contains(text, "UTC-03:30") {
		t.Error("a fixed offset is not printed")
	}
}

func TestCheckpointCodeReadsBack(t *testing.T) {
	log := sealLog(t, plainDay(1))
	pdf := drawn(t, log)
	page := 0
	for i, text := range strings.Split(textOf(t, pdf), "\f") {
		if strings.Contains(text, "Checkpoint of the ledger") {
			page = i + 1
		}
	}
	picture := filepath.Join(t.TempDir(), "page")
	tool(t, "poppler-utils", "pdftoppm", "-r", "200", "-gray", "-png", "-singlefile", "-f", fmt.Sprint(page), "-l", fmt.Sprint(page), onDisk(t, pdf), picture)
	got := tool(t, "zbar-tools", "zbarimg", "-q", "--raw", "--nodbus", picture+".png")
	if strings.TrimSpace(got) != strings.TrimSpace(log.Checkpoint) {
		t.Errorf("the code reads %q", got)
	}
}

func BenchmarkDayLogSixtyBatches(b *testing.B) {
	log := sealLog(b, plainDay(60))
	b.ReportAllocs()
	for b.Loop() {
		drawn(b, log)
	}
}
