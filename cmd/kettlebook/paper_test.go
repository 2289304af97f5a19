package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	kb "kettlebook/proto/kettlebook/v1"
)

// program runs the program and gives its exit code and what it printed.
func program(t *testing.T, args ...string) (code int, out, words string) {
	t.Helper()
	var o, w bytes.Buffer
	code = run(context.Background(), args, strings.NewReader(""), &o, &w)
	return code, o.String(), w.String()
}

// mustRun runs the program and fails when it fails.
func mustRun(t *testing.T, args ...string) string {
	t.Helper()
	code, out, words := program(t, args...)
	if code != 0 {
		t.Fatalf("kettlebook %s: exit %d\n%s%s", strings.Join(args, " "), code, out, words)
	}
	return out
}

// sealedDay reads a sealed log back: its content, and its text by pdftotext.
func sealedDay(t *testing.T, dir, day string) (*kb.DayContent, string) {
	t.Helper()
	path := filepath.Join(dir, "logs", "log-"+day+".pdf")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	l, err := readLog(path, b)
	if err != nil {
		t.Fatal(err)
	}
	text, err := pdfText(b)
	if err != nil {
		t.Fatal(err)
	}
	return l.content, regexp.MustCompile(`[ \n]+`).ReplaceAllString(text, " ")
}

func findBatch(t *testing.T, c *kb.DayContent, lot string) *kb.BatchDay {
	t.Helper()
	for _, b := range c.GetBatches() {
		if b.GetStart().GetLotCode() == lot {
			return b
		}
	}
	t.Fatalf("no batch %s on %s", lot, c.GetProductionDay())
	return nil
}

func findInstrument(t *testing.T, c *kb.DayContent, id string) *kb.InstrumentDay {
	t.Helper()
	for _, i := range c.GetInstruments() {
		if i.GetInstrument().GetInstrumentId() == id {
			return i
		}
	}
	t.Fatalf("no instrument %s on %s", id, c.GetProductionDay())
	return nil
}

func mustSay(t *testing.T, day, text string, facts ...string) {
	t.Helper()
	for _, f := range facts {
		if !strings.Contains(text, f) {
			t.Errorf("the log of %s does not say %q", day, f)
		}
	}
}

// The three invented days on paper: what a careful reviewer finds in them
// stands in the logs, worked out anew from the sheets.
func TestThreePaperDays(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "kitchen")
	out := mustRun(t, "transcribe", "testdata/marrowby", "--dir", dir, "--seal")
	if n := strings.Count(out, ".pdf"); n != 3 {
		t.Fatalf("%d logs, want 3:\n%s", n, out)
	}
	days := []string{"2026-03-02", "2026-03-03", "2026-03-04"}
	var contents []*kb.DayContent
	var texts []string
	for _, d := range days {
		c, text := sealedDay(t, dir, d)
		contents, texts = append(contents, c), append(texts, text)
		mustSay(t, d, text, "sealed by software; not reviewed by a person", "Marrowby Lane Sweet Kitchen", "page 1 of", "copied from paper")
		// TH-03 "boils" at 212 every day: not believed, its batches cannot be shown.
		th3 := findInstrument(t, c, "TH-03")
		if th3.GetStanding() != kb.CheckResult_CHECK_RESULT_NOT_BELIEVED {
			t.Errorf("%s: TH-03 stands %v", d, th3.GetStanding())
		}
		for _, lot := range th3.GetLots() {
			for _, l := range findBatch(t, c, lot).GetPull().GetLimits() {
				if l.GetResult() != kb.LimitResult_LIMIT_RESULT_CANNOT_BE_SHOWN {
					t.Errorf("%s: batch %s, measured with TH-03: %v", d, lot, l.GetResult())
				}
			}
		}
		mustSay(t, d, text, "check not believed TH-03", "212 °F")
		// TH-01 is a good thermometer: no flag on it or on what it measured.
		if th1 := findInstrument(t, c, "TH-01"); th1.GetStanding() != kb.CheckResult_CHECK_RESULT_IN_TOLERANCE || th1.GetMissedCheck() {
			t.Errorf("%s: TH-01 stands %v, missed %v", d, th1.GetStanding(), th1.GetMissedCheck())
		}
		for _, b := range c.GetBatches() {
			if b.GetStart().GetInstrumentId() == "TH-01" && len(b.GetPull().GetFlags()) > 0 {
				t.Errorf("%s: %s has flags %v", d, b.GetStart().GetLotCode(), b.GetPull().GetFlags())
			}
		}
	}
	results := func(day int, id string) []kb.CheckResult {
		var out []kb.CheckResult
		for _, p := range findInstrument(t, contents[day], id).GetChecks()[0].GetAssessment().GetPoints() {
			out = append(out, p.GetResult())
		}
		return out
	}
	in, bad := kb.CheckResult_CHECK_RESULT_IN_TOLERANCE, kb.CheckResult_CHECK_RESULT_OUT_OF_TOLERANCE
	for day, want := range [][]kb.CheckResult{{in, in, bad}, {in, bad}, {bad, bad}} {
		if got := results(day, "TH-02"); !slices.Equal(got, want) {
			t.Errorf("TH-02 on %s: %v, want %v", days[day], got, want)
		}
	}
	mustSay(t, days[0], texts[0], "check out of tolerance TH-02: comparison 06:14 304.5 °F", "look-back TH-02")
	mustSay(t, days[1], texts[1], "check out of tolerance TH-02: boiling 05:55 205.1 °F", "missed check TH-04", "used for 26062-03, 26062-07", "boiled past the mark")
	mustSay(t, days[2], texts[2], "check out of tolerance TH-02: ice 05:51 35.8 °F", "cold-water test contradicts", "series ends 22:38", "cooling not met 26063-04")
	for _, day := range []int{0, 2} {
		if s := findInstrument(t, contents[day], "TH-04").GetStanding(); s != kb.CheckResult_CHECK_RESULT_PROVISIONALLY_IN {
			t.Errorf("TH-04 on %s stands %v", days[day], s)
		}
		mustSay(t, days[day], texts[day], "check provisionally in TH-04")
	}
	if !findInstrument(t, contents[1], "TH-04").GetMissedCheck() {
		t.Error("TH-04 was not checked on the second day, and that does not show")
	}
	if !slices.Contains(findBatch(t, contents[2], "26063-05").GetPull().GetFlags(), kb.UseFlag_USE_FLAG_CONTRADICTION) {
		t.Error("26063-05: hard ball against a soft-ball dial is not flagged")
	}
	for lot, want := range map[string]kb.LimitResult{"26061-06": kb.LimitResult_LIMIT_RESULT_MET, "26062-05": kb.LimitResult_LIMIT_RESULT_MET, "26063-04": kb.LimitResult_LIMIT_RESULT_NOT_MET} {
		for _, c := range contents {
			for _, b := range c.GetBatches() {
				if b.GetStart().GetLotCode() != lot {
					continue
				}
				for _, l := range b.GetCoolingResult().GetLegs() {
					if l.GetResult() != want {
						t.Errorf("cooling of %s: %v, want %v", lot, l.GetResult(), want)
					}
				}
			}
		}
	}
	verifyPaperDays(t, dir)
	// Taken again, nothing is added, and no log is made anew.
	before := tree(t, dir)
	mustRun(t, "transcribe", "testdata/marrowby", "--dir", dir, "--seal")
	if after := tree(t, dir); before != after {
		t.Errorf("taking the sheets again changed the logs:\n%s\n%s", before, after)
	}
}

// tree lists the logs with their sizes.
func tree(t *testing.T, dir string) string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "logs", "*"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		s := sum(b)
		out = append(out, filepath.Base(f)+" "+string(s[:4]))
	}
	return strings.Join(out, "\n")
}

// verifyPaperDays checks the logs with our verifier and with pdfsig, sound and
// with one byte flipped.
func verifyPaperDays(t *testing.T, dir string) {
	t.Helper()
	last := filepath.Join(dir, "logs", "log-2026-03-04.pdf")
	if code, out, words := program(t, "verify", last); code != exitFailed || !strings.Contains(out, "signer not known") || !strings.Contains(words, "hint:") {
		t.Errorf("without an anchor: exit %d\n%s%s", code, out, words)
	}
	mustRun(t, "verify", dir, "--trust", dir)
	if out := mustRun(t, "verify", last, "--trust", dir, "--against", filepath.Join(dir, "logs", "log-2026-03-02.pdf")); !strings.Contains(out, "extends the") {
		t.Errorf("against the first log: %s", out)
	}
	b, err := os.ReadFile(last)
	if err != nil {
		t.Fatal(err)
	}
	if s := pdfsig(t, b); !strings.Contains(s, "Signature is Valid") || !strings.Contains(s, "Total document signed") {
		t.Errorf("pdfsig: %s", s)
	}
	flipped := bytes.Clone(b)
	flipped[len(b)/3] ^= 1
	path := filepath.Join(t.TempDir(), "flipped.pdf")
	if err := os.WriteFile(path, flipped, 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, _ := program(t, "verify", path, "--trust", dir); code != exitTampered {
		t.Errorf("a flipped byte: exit %d\n%s", code, out)
	}
	if s := pdfsig(t, flipped); strings.Contains(s, "Signature is Valid") {
		t.Errorf("pdfsig believes a flipped byte: %s", s)
	}
	// A missing log is missed.
	gone := t.TempDir()
	for _, n := range []string{"log-2026-03-02.pdf", "log-2026-03-04.pdf"} {
		c, err := os.ReadFile(filepath.Join(dir, "logs", n))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(gone, n), c, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if code, out, _ := program(t, "verify", gone, "--trust", dir); code != exitFailed || !strings.Contains(out, "missing serials: 2") {
		t.Errorf("a missing log: exit %d\n%s", code, out)
	}
}

// pdfsig gives what pdfsig (poppler-utils) says; it exits 0 on bad signatures,
// so its text is read.
func pdfsig(t *testing.T, pdf []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "x.pdf")
	if err := os.WriteFile(path, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdfsig", path).Output()
	if err != nil {
		t.Fatalf("pdfsig (apt-get install poppler-utils): %v", err)
	}
	return string(out)
}

// A whole kitchen made anew with other keys and the same sheets is told apart
// by the anchor.
func TestForeignKitchen(t *testing.T) {
	a, b := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b")
	mustRun(t, "transcribe", "testdata/marrowby", "--dir", a, "--seal")
	mustRun(t, "transcribe", "testdata/marrowby", "--dir", b, "--seal")
	if code, out, _ := program(t, "verify", filepath.Join(b, "logs"), "--trust", a); code != exitTampered {
		t.Errorf("a kitchen with other keys: exit %d\n%s", code, out)
	}
	ca, _ := sealedDay(t, a, "2026-03-03")
	cb, _ := sealedDay(t, b, "2026-03-03")
	if ca.String() != cb.String() {
		t.Error("the same sheets give another day content in another kitchen")
	}
}

// The README's first command works with no set-up, seals three logs, and its
// verifier finds them sound.
func TestDemoOnce(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	var o bytes.Buffer
	if code := run(context.Background(), []string{"demo", "--once", "--dir", dir}, strings.NewReader(""), &o, io.Discard); code != 0 {
		t.Fatalf("exit %d\n%s", code, o.String())
	}
	logs, err := filepath.Glob(filepath.Join(dir, "logs", "log-*.pdf"))
	if err != nil || len(logs) != 3 {
		t.Fatalf("logs %v, %v", logs, err)
	}
	for _, l := range logs {
		day := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(l), "log-"), ".pdf")
		_, text := sealedDay(t, dir, day)
		mustSay(t, day, text, "invented data", "clock stepped by hand", "Łucja Wrzosek", "Célia Ørnsted")
	}
}
