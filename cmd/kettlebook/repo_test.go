package main_test

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"
)

// top is the project's top folder as seen from this one, where the tests run.
const top = "../.."

// maxBytes is how big a file of the project may be: nothing here is worth more.
const maxBytes = 600_000

// topLevel is everything that may stand at the top, beside dot-files.
var topLevel = []string{
	"proto", "server", "client", "records", "reports", "cmd",
	"go.mod", "go.sum", "buf.yaml", "README.md", "DEVELOPERS.md", "Makefile",
}

// trackedFile is one file that git keeps for the project.
type trackedFile struct {
	path string // from the top of the project
	text string
}

// isText tells whether people can read the file as it is.
func (f trackedFile) isText() bool {
	return utf8.ValidString(f.text) && !strings.ContainsRune(f.text, 0)
}

// readTracked asks git for the project's files and reads them, once for all tests here.
var readTracked = sync.OnceValues(func() ([]trackedFile, error) {
	list, err := git("ls-files", "-z")
	if err != nil {
		return nil, err
	}
	var files []trackedFile
	for _, name := range strings.Split(strings.TrimSuffix(list, "\x00"), "\x00") {
		text, err := os.ReadFile(filepath.Join(top, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue // taken away here, and not yet from git
		}
		if err != nil {
			return nil, err
		}
		files = append(files, trackedFile{path: name, text: string(text)})
	}
	return files, nil
})

// trackedFiles gives the project's files. No git, or no repository, fails the test.
func trackedFiles(t *testing.T) []trackedFile {
	t.Helper()
	files, err := readTracked()
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < len(topLevel) {
		t.Fatalf("git names only %d files", len(files))
	}
	return files
}

// git runs git at the top of the project and gives what it printed.
func git(args ...string) (string, error) {
	command := exec.Command("git", append([]string{"-C", top}, args...)...)
	var complaints bytes.Buffer
	command.Stderr = &complaints
	out, err := command.Output()
	if err != nil {
		return "", errors.Join(err, errors.New(complaints.String()))
	}
	return string(out), nil
}

// TestTopLevel: the top of the project has the fixed names, all of them, and dot-files.
func TestTopLevel(t *testing.T) {
	found := map[string]bool{}
	for _, file := range trackedFiles(t) {
		name, _, _ := strings.Cut(file.path, "/")
		found[name] = true
	}
	for name := range found {
		if !strings.HasPrefix(name, ".") && !slices.Contains(topLevel, name) {
			t.Errorf("%s may not stand at the top", name)
		}
	}
	for _, name := range topLevel {
		if !found[name] {
			t.Errorf("%s is not there", name)
		}
	}
}

// TestFilesStaySmall: no built program, database or photograph slips in.
func TestFilesStaySmall(t *testing.T) {
	for _, file := range trackedFiles(t) {
		if len(file.text) > maxBytes {
			t.Errorf("%s has %d bytes, more than %d", file.path, len(file.text), maxBytes)
		}
	}
}

// A taboo is something the project's files do not say. The patterns are put together from pieces, since this file is
// one of them.
type taboo struct {
	pattern *regexp.Regexp
	why     string
	// said also keeps it out of commit messages.
	said bool
}

var taboos = []taboo{
	{regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME)\b`), "finish it or file it", false},
	{regexp.MustCompile(`(?i)\btrans` + `cripts?\b`), "say what the paper sheet or the log says", true},
	{regexp.MustCompile(`(?i)\bvid` + `eos?\b`), "the records are text, tables and pages", true},
	{regexp.MustCompile(`(?i)\brecord` + `ings\b|\b(a|an|the|this|that|each|every|any|screen|audio) record` + `ing\b`), "say record, entry or reading", true},
	{regexp.MustCompile(`(?i)\bse` + `ed[ -](documents?|docs?|texts?|notes?|briefs?|stor(y|ies)|ideas?|materials?)\b`), "name the facts and their source", true},
	{regexp.MustCompile(`(^|[^\w.~}*)\]-])/(wo` + `rk|ro` + `ot)(/|\b)`), "a path of one machine", true},
	{regexp.MustCompile(`/t` + `mp/kb\b`), "a path of one machine", true},
	{regexp.MustCompile(`\.\./sha` + `red/`), "what the project needs stands in the project", false},
}

// TestWords: the project's files, their names, and the history's messages say none of the taboos.
func TestWords(t *testing.T) {
	for _, file := range trackedFiles(t) {
		for _, fault := range broken(file.path, false) {
			t.Errorf("%s: its name says %s", file.path, fault)
		}
		if !file.isText() || strings.HasSuffix(file.path, ".sum") {
			continue
		}
		for number, line := range strings.Split(file.text, "\n") {
			for _, fault := range broken(line, false) {
				t.Errorf("%s:%d: %s", file.path, number+1, fault)
			}
		}
	}
	history, err := git("log", "--format=%h %B")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(history, "\n") {
		for _, fault := range broken(line, true) {
			t.Errorf("commit message %q: %s", line, fault)
		}
	}
}

// TestTaboosBite: the patterns find what they are meant to find, and let be what only looks like it.
func TestTaboosBite(t *testing.T) {
	for _, said := range []string{
		"// TO" + "DO: later", "x FIX" + "ME", "the Trans" + "cript of", "trans" + "cripts", "a vid" + "eo", "the record" + "ing shows",
		"old record" + "ings", "from the se" + "ed document", "/wo" + "rk/main", `"/ro` + `ot/x"`, "in /wo" + "rk", "(/ro" + "ot/.cache)",
		"/t" + "mp/kb/x", "../../../sha" + "red/days", "file:///wo" + "rk/a",
	} {
		if len(broken(said, false)) == 0 {
			t.Errorf("%q passes", said)
		}
	}
	for _, said := range []string{
		"transcribe and transcription, TRANSCRIBED", "recording a reading", "the records", "rand seed 7", "seed crystals",
		"proof/wo" + "rk", "${dir}/wo" + "rk/x", "https://example.org/roots", "./ro" + "ot/x", "the networks", "mastodon", "shared/keys", "temp/x",
	} {
		if got := broken(said, false); len(got) > 0 {
			t.Errorf("%q: %v", said, got)
		}
	}
}

// broken gives what a line says that it should not: the words and why not. In a commit message only some count.
func broken(line string, message bool) []string {
	var faults []string
	for _, taboo := range taboos {
		if message && !taboo.said {
			continue
		}
		if found := taboo.pattern.FindString(line); found != "" {
			faults = append(faults, "says "+strings.TrimSpace(found)+": "+taboo.why)
		}
	}
	return faults
}
