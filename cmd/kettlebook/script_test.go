package main

import (
	"bufio"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"kettlebook/server/signin"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"kettlebook": func() {
		pinCost = &signin.Params{Passes: 1, MemoryKiB: 64, Lanes: 1} // what a PIN costs is package signin's to test
		main()
	}})
}

// scriptKitchen makes the kitchen that every script finds as k, once. Two
// reviewers, so that one can always review what the other did.
var scriptKitchen = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "kettlebook-scripts-")
	if err != nil {
		return "", err
	}
	k := filepath.Join(dir, "k")
	for _, command := range [][]string{
		{"init", "--name", "Test Kitchen", "--elevation", "1480", "--zone", "America/Denver", "--admin", "Hedda Vik", "--pin", "481516"},
		{"person", "put", "OL", "--name", "Oda Lie", "--role", "cook"},
		{"pin", "set", "OL"},
		{"person", "put", "MR", "--name", "Mo Rud", "--role", "cook,reviewer"},
		{"pin", "set", "MR"},
		{"instrument", "put", "TH-01", "--scale", "C", "--division", "0.5", "--serial", "4471", "--construction", "glass"},
		{"instrument", "put", "TH-02", "--scale", "F", "--division", "1", "--construction", "bimetal"},
		{"instrument", "put", "REF-1", "--scale", "C", "--division", "0.1", "--reference", "--certificate-u", "0.05"},
		{"formula", "put", "F-FON", "--name", "Fondant", "--limit", "cook=operating,solids,low=112C,high=116C,at=standard,on=book", "--allergen", "milk"},
		{"formula", "approve", "F-FON"},
	} {
		c := exec.Command("kettlebook", append(command, "--dir", k)...)
		c.Env = append(os.Environ(), "KETTLEBOOK_NEW_PIN=246913")
		if out, err := c.CombinedOutput(); err != nil {
			return dir, fmt.Errorf("kettlebook %s: %w\n%s", strings.Join(command, " "), err, out)
		}
	}
	return k, nil
})

// TestScripts runs the scripts of testdata. Each finds a furnished kitchen in
// k, and the PINs of its people in HV (administrator, reviewer, cook), OL
// (cook) and MR (cook, reviewer).
func TestScripts(t *testing.T) {
	k, err := scriptKitchen()
	t.Cleanup(func() {
		if err := os.RemoveAll(filepath.Dir(k)); err != nil {
			t.Error(err)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	marrowby, err := filepath.Abs("testdata/marrowby")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error {
			e.Setenv("HV", "481516")
			e.Setenv("OL", "246913")
			e.Setenv("MR", "246913")
			e.Setenv("MARROWBY", marrowby)
			// With its permissions: keys that others may read are refused.
			return exec.Command("cp", "-a", k, filepath.Join(e.WorkDir, "k")).Run()
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"as": as, "exits": exits, "serving": serving, "stopped": stopped, "tamper": tamper, "spoil": spoil, "flip": flip,
			"capture": capture, "swap": swap, "narrow": narrow, "jsonlines": jsonLines,
		},
	})
}

// as gives a person's PIN to the commands that follow, and their initials.
//
//	as OL
func as(ts *testscript.TestScript, neg bool, args []string) {
	ts.Setenv("KETTLEBOOK_AS", args[0])
	ts.Setenv("KETTLEBOOK_PIN", ts.Getenv(args[0]))
}

// exits runs a command and wants an exit code.
//
//	exits 3 kettlebook ledger check --dir k
func exits(ts *testscript.TestScript, neg bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// services are the services that scripts started, by script and name.
var services sync.Map

type service struct {
	cmd   *exec.Cmd
	words *strings.Builder
	ended chan struct{}
}

// serving starts kettlebook serve with these arguments, waits until it
// listens, and leaves its address in a variable.
//
//	serving ADDR --dir k --listen 127.0.0.1:0
func serving(ts *testscript.TestScript, neg bool, args []string) {
	path, err := exec.LookPath("kettlebook")
	ts.Check(err)
	s := &service{cmd: exec.Command(path, append([]string{"serve"}, args[1:]...)...), words: new(strings.Builder), ended: make(chan struct{})}
	s.cmd.Dir = ts.Getenv("WORK")
	words, err := s.cmd.StderrPipe()
	ts.Check(err)
	ts.Check(s.cmd.Start())
	ts.Defer(func() { _ = s.cmd.Process.Kill() })
	listens := make(chan string, 1)
	go func() {
		defer close(s.ended)
		on := regexp.MustCompile(`^Serving on (\S+) `)
		for lines := bufio.NewScanner(words); lines.Scan(); {
			s.words.WriteString(lines.Text() + "\n")
			if m := on.FindStringSubmatch(lines.Text()); m != nil {
				listens <- m[1]
			}
		}
	}()
	select {
	case addr := <-listens:
		ts.Setenv(args[0], addr)
	case <-s.ended:
		ts.Fatalf("serve ended: %v\n%s", s.cmd.Wait(), s.words)
	case <-time.After(time.Minute):
		ts.Fatalf("serve does not listen")
	}
	services.Store(ts.Getenv("WORK")+args[0], s)
}

// stopped interrupts a service and wants it to end in order.
//
//	stopped ADDR
func stopped(ts *testscript.TestScript, neg bool, args []string) {
	v, ok := services.Load(ts.Getenv("WORK") + args[0])
	if !ok {
		ts.Fatalf("no service %s", args[0])
	}
	s := v.(*service)
	ts.Check(s.cmd.Process.Signal(syscall.SIGINT))
	<-s.ended
	if err := s.cmd.Wait(); err != nil {
		ts.Fatalf("the service ended with %v\n%s", err, s.words)
	}
}

// tamper changes one byte of the envelope of an entry, as somebody with the
// file and any database tool can.
//
//	tamper k/kettlebook.db 12
func tamper(ts *testscript.TestScript, neg bool, args []string) {
	db, err := sql.Open("sqlite", ts.MkAbs(args[0]))
	ts.Check(err)
	defer db.Close()
	sequence, err := strconv.Atoi(args[1])
	ts.Check(err)
	var envelope []byte
	ts.Check(db.QueryRow("SELECT envelope FROM entries WHERE sequence = ?", sequence).Scan(&envelope))
	envelope[len(envelope)-1] ^= 1
	for _, statement := range []string{"DROP TRIGGER entries_update", "UPDATE entries SET envelope = ?1 WHERE sequence = ?2"} {
		if _, err := db.Exec(statement, []any{envelope, sequence}[:strings.Count(statement, "?")]...); err != nil {
			ts.Fatalf("%s: %v", statement, err)
		}
	}
}

// spoil makes what is looked up of one kind unreadable.
//
//	spoil k/kettlebook.db person
func spoil(ts *testscript.TestScript, neg bool, args []string) {
	db, err := sql.Open("sqlite", ts.MkAbs(args[0]))
	ts.Check(err)
	defer db.Close()
	r, err := db.Exec("UPDATE documents SET body = x'ff' WHERE kind = ?", args[1])
	ts.Check(err)
	if n, err := r.RowsAffected(); n == 0 || err != nil {
		ts.Fatalf("%d rows, %v", n, err)
	}
}

// flip changes one bit of the first byte of a text in a file.
//
//	flip b.tar %PDF-
func flip(ts *testscript.TestScript, neg bool, args []string) {
	path := ts.MkAbs(args[0])
	b, err := os.ReadFile(path)
	ts.Check(err)
	at := strings.Index(string(b), args[1])
	if at < 0 {
		ts.Fatalf("%s has no %q", args[0], args[1])
	}
	b[at] ^= 1
	ts.Check(os.WriteFile(path, b, 0o600))
}

// capture keeps what the last command printed in a variable: the first group
// of an expression.
//
//	capture HASH 'sha256 +([0-9a-f]+)'
func capture(ts *testscript.TestScript, neg bool, args []string) {
	m := regexp.MustCompile(args[1]).FindStringSubmatch(ts.ReadFile("stdout"))
	if m == nil {
		ts.Fatalf("%q is not in the output", args[1])
	}
	ts.Setenv(args[0], m[1])
}

// swap puts one text in place of another in a file; it must be there once.
//
//	swap sheets/checks.csv 0.2 0.3
func swap(ts *testscript.TestScript, neg bool, args []string) {
	path := ts.MkAbs(args[0])
	b, err := os.ReadFile(path)
	ts.Check(err)
	if n := strings.Count(string(b), args[1]); n != 1 {
		ts.Fatalf("%s has %q %d times", args[0], args[1], n)
	}
	ts.Check(os.WriteFile(path, []byte(strings.Replace(string(b), args[1], args[2], 1)), 0o600))
}

// narrow wants every line of the last output to fit into so many columns;
// words that are longer than the room there is, hashes, are let through.
//
//	narrow 40
func narrow(ts *testscript.TestScript, neg bool, args []string) {
	most, err := strconv.Atoi(args[0])
	ts.Check(err)
	for _, line := range strings.Split(ts.ReadFile("stdout"), "\n") {
		if n := textWidth(line); n > most && len(strings.Fields(line)) > 2 {
			ts.Fatalf("%d columns: %s", n, line)
		}
	}
}

// jsonLines wants the last output to be so many lines, each an object.
//
//	jsonlines 3
func jsonLines(ts *testscript.TestScript, neg bool, args []string) {
	lines := strings.Split(strings.TrimSuffix(ts.ReadFile("stdout"), "\n"), "\n")
	if fmt.Sprint(len(lines)) != args[0] {
		ts.Fatalf("%d lines, want %s", len(lines), args[0])
	}
	for _, l := range lines {
		if !strings.HasPrefix(l, "{") || !strings.HasSuffix(l, "}") {
			ts.Fatalf("no object: %s", l)
		}
	}
}
