package keys

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
)

// crash is what tests panic with in the middle of a write.
type crash struct{ step string }

// crashAt runs do with a hook that crashes at step n (from 0) and returns that
// step's name, or "" when do ended before. With torn set, what was written to
// temporary files so far is cut in half first, as a lost page cache would.
func crashAt(t *testing.T, n int, torn string, do func(at func(string)) error) (step string) {
	t.Helper()
	defer func() {
		if c, ok := recover().(crash); ok {
			step = c.step
		}
	}()
	count := 0
	err := do(func(step string) {
		if count == n {
			if torn != "" {
				tearTemporaries(t, torn)
			}
			panic(crash{step})
		}
		count++
	})
	if err != nil {
		t.Fatalf("step %d: %v", n, err)
	}
	return ""
}

func tearTemporaries(t *testing.T, dir string) {
	t.Helper()
	left, err := filepath.Glob(filepath.Join(dir, tempPrefix+"*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range left {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		// A temporary file that has a second name already is synced.
		if linked, _ := filepath.Glob(filepath.Join(dir, "[a-z]*")); info.Mode().IsRegular() && !sameAsAny(info, linked) {
			if err := os.Truncate(path, info.Size()/2); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func sameAsAny(info fs.FileInfo, paths []string) bool {
	for _, path := range paths {
		if other, err := os.Stat(path); err == nil && os.SameFile(info, other) {
			return true
		}
	}
	return false
}

func TestCrashWhileCreating(t *testing.T) {
	options := testOptions()
	options.MakeSeal = nil
	for n := 0; ; n++ {
		dir := filepath.Join(t.TempDir(), "keys")
		options.Random = testRandom(1)
		step := crashAt(t, n, "", func(at func(string)) error {
			_, err := create(dir, options, at)
			return err
		})
		if step == "" {
			if n < 25 {
				t.Errorf("only %d steps were seen", n)
			}
			return
		}
		r, err := Open(dir)
		if step == "sync parent folder" {
			if err != nil {
				t.Errorf("crash at %q: %v", step, err)
			}
			continue
		}
		if !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("crash at %q: a folder %v is there, %v", step, r, err)
		}
		if _, err := Create(dir, options); err != nil {
			t.Errorf("creating again after a crash at %q: %v", step, err)
		}
	}
}

// Whatever changes an open folder leaves, at every step, either the state before
// or the state after, and the change can be made again.
func TestCrashWhileChanging(t *testing.T) {
	k, err := kit()
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*Ring) error
		state  func(*Ring) string
	}{
		"SaveLastCheckpoint": {
			func(r *Ring) error { return r.SaveLastCheckpoint(signed(t, r.LedgerSigner(), 8, 1)) },
			func(r *Ring) string { kept, err := r.LastCheckpoint(); return fmt.Sprint(string(kept), err) },
		},
		"ImportSeal": {
			func(r *Ring) error { _, err := r.ImportSeal(k.keyPEM, k.certsShuffled, testNow); return err },
			func(r *Ring) string { return r.Fingerprints().Seal },
		},
		"NewLedger": {
			func(r *Ring) error {
				if r.Origin() == "second.example" {
					return nil
				}
				return r.NewLedger(testRandom(2), "second.example")
			},
			func(r *Ring) string { return r.Fingerprints().LedgerVerifier },
		},
		"SetHosts": {
			func(r *Ring) error { return r.SetHosts(testRandom(2), testNow, time.Hour, []string{"kettle"}) },
			func(r *Ring) string { return strings.Join(r.Hosts(), " ") },
		},
	} {
		fresh := func() *Ring {
			r := sealedRing(t)
			writeFile(t, filepath.Join(r.dir.path, "checkpoint-0001"), signed(t, r.LedgerSigner(), 7, 1))
			return r
		}
		r := fresh()
		before := c.state(r)
		if err := c.change(r); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		after := c.state(r)
		if before == after {
			t.Fatalf("%s changes nothing", name)
		}
		seen := map[string]bool{}
		steps := 0
		for n := 0; ; n++ {
			r := fresh()
			step := crashAt(t, n, r.dir.path, func(at func(string)) error {
				r.dir.at = at
				return c.change(r)
			})
			if step == "" {
				steps = n
				break
			}
			reopened := mustOpen(t, r.dir.path)
			got := c.state(reopened)
			if got != before && got != after {
				t.Errorf("%s, crash at %q: neither before nor after: %q", name, step, got)
			}
			seen[got] = true
			if err := c.change(reopened); err != nil || c.state(mustOpen(t, r.dir.path)) != after {
				t.Errorf("%s again after a crash at %q: %v", name, step, err)
			}
		}
		if steps < 5 || !seen[before] || !seen[after] {
			t.Errorf("%s: %d steps, states seen %d", name, steps, len(seen))
		}
	}
}

func TestLeftTemporaryFilesAreNotRead(t *testing.T) {
	dir := sealedFolder(t)
	want := mustOpen(t, dir).Fingerprints()
	for _, name := range []string{".new-ledger-0002.key-123", ".new-checkpoint-0001-9", ".new-seal-0002.pem-", "ledger-0002.key~", "seal-2.pem"} {
		// Left by a crash, half written, open to others: none of it matters.
		if err := os.WriteFile(filepath.Join(dir, name), []byte("half"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	r := mustOpen(t, dir)
	if got := r.Fingerprints(); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if err := r.NewLedger(testRandom(2), "second.example"); err != nil {
		t.Error(err)
	}
}

const writerEnv = "KETTLEBOOK_TEST_WRITER"

// saveForEver is the body of the process that the next test kills: it saves one
// checkpoint after the other and says so after each.
func saveForEver(dir string) {
	r, err := Open(dir)
	if err != nil {
		panic(err)
	}
	for size := int64(1); ; size++ {
		root := make([]byte, 32)
		rand.Read(root)
		text := fmt.Sprintf("%s\n%d\n%s\n", r.Origin(), size, base64.StdEncoding.EncodeToString(root))
		message, err := note.Sign(&note.Note{Text: text}, r.LedgerSigner())
		if err != nil {
			panic(err)
		}
		if err := r.SaveLastCheckpoint(message); err != nil {
			panic(err)
		}
		fmt.Println(size)
	}
}

// A process is killed while it saves; what it said was saved is there.
func TestKillWhileSaving(t *testing.T) {
	for round := range 3 {
		dir := sealedFolder(t)
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), writerEnv+"="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		var said int64
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if said, err = strconv.ParseInt(lines.Text(), 10, 64); err != nil {
				t.Fatal(err)
			}
			if said == int64(3+5*round) {
				if err := cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		cmd.Wait()
		kept, err := mustOpen(t, dir).LastCheckpoint()
		if err != nil {
			t.Fatal(err)
		}
		size, err := strconv.ParseInt(string(bytes.Split(kept, []byte("\n"))[1]), 10, 64)
		if err != nil || size < said || size > said+1 {
			t.Errorf("kept size %d, %v; the process had said %d", size, err, said)
		}
	}
}
