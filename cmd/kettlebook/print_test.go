package main

import (
	"bytes"
	"strings"
	"testing"
)

// printed gives what a printer of some width writes.
func printed(columns int, write func(*printer)) string {
	var b bytes.Buffer
	p := newPrinter(&b)
	p.columns = columns
	write(p)
	_ = p.flush() // into memory
	return b.String()
}

// TestTable: columns where they fit, blocks where they do not; nothing is cut off.
func TestTable(t *testing.T) {
	head, rows := []string{"LOT", "READ", "WHAT"}, [][]string{{"FON-1", "205.4 degF", "fondant, white"}, {"F-2", "96 degC", ""}}
	wide := "LOT    READ        WHAT\nFON-1  205.4 degF  fondant, white\nF-2    96 degC\n"
	narrow := "FON-1\n  READ  205.4 degF\n  WHAT  fondant, white\nF-2\n  READ  96 degC\n"
	for columns, want := range map[int]string{0: wide, 80: wide, 33: wide, 32: narrow, 24: narrow} {
		if got := printed(columns, func(p *printer) { p.table(head, rows) }); got != want {
			t.Errorf("%d columns:\n%s", columns, got)
		}
	}
}

// TestFields: values are aligned and wrapped below themselves; what is empty is left out.
func TestFields(t *testing.T) {
	got := printed(24, func(p *printer) {
		p.fields(2, "read", "109 degC", "highest after", "", "note", "a b c d e f g h i j k l")
	})
	if want := "  read  109 degC\n  note  a b c d e f g h\n        i j k l\n"; got != want {
		t.Errorf("%s", got)
	}
	if got := printed(30, func(p *printer) { p.fields(0, "a rather long name", "v", "n", "w") }); got != "a rather long name v\nn           w\n" {
		t.Errorf("%q", got)
	}
}

// TestWidth counts columns: Unicode's East Asian Width (UAX #11) gives wide
// characters two, and combining marks none.
func TestWidth(t *testing.T) {
	for text, want := range map[string]int{"": 0, "Søtt": 4, "糖": 2, "糖 1": 4, "e\u0301": 1, "\u200b": 0, "ｱ": 1, "Ａ": 2} {
		if got := textWidth(text); got != want {
			t.Errorf("%q: %d, want %d", text, got, want)
		}
	}
	for _, columns := range []int{10, 17, 40} {
		out := printed(columns, func(p *printer) { p.line(2, strings.Repeat("糖 søtt e\u0301 ", 12)) })
		for _, l := range strings.Split(out, "\n") {
			if textWidth(l) > columns {
				t.Errorf("%d columns: %q", columns, l)
			}
		}
		if strings.Count(out, "糖") != 12 {
			t.Errorf("%d columns: words are lost:\n%s", columns, out)
		}
	}
}

// TestNothingSteersTheTerminal: a text of a record cannot move the cursor,
// hide what stands beside it or turn its direction.
func TestNothingSteersTheTerminal(t *testing.T) {
	evil := "a\x1b[2Jb\x9bc\u202ed\u2066e\x07f\rg\u2028h\ti\nj\x7f"
	write := map[string]func(*printer){
		"line":   func(p *printer) { p.line(0, evil) },
		"fields": func(p *printer) { p.fields(0, evil, evil) },
		"table":  func(p *printer) { p.table([]string{"A", "B"}, [][]string{{evil, evil}}) },
		"blocks": func(p *printer) { p.columns = 5; p.table([]string{"A", "B"}, [][]string{{evil, evil}}) },
		"cells":  func(p *printer) { p.cells(0, []string{evil}) },
		"say":    func(p *printer) { say(p.w, usage("%s\nhint: %s", evil, evil)) },
	}
	for name, w := range write {
		out := printed(0, w)
		if strings.ContainsAny(out, "\x1b\u009b\u202e\u2066\x07\r\u2028\x7f") {
			t.Errorf("%s: %q", name, out)
		}
		for _, letter := range strings.Split("a b c d e f g h i j", " ") {
			if !strings.Contains(out, letter) {
				t.Errorf("%s lost %s: %q", name, letter, out)
			}
		}
	}
}
