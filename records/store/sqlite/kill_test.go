package sqlite

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"kettlebook/records/store"
	"kettlebook/records/store/storetest"
)

// killDir, set in the environment, makes the test binary the child that is to
// be killed; killRound tells its rounds apart.
const (
	killDir   = "KETTLEBOOK_KILL_DIR"
	killRound = "KETTLEBOOK_KILL_ROUND"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(killDir); dir != "" {
		if err := writeUntilKilled(dir, os.Getenv(killRound)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

const killWriters = 8

// writeUntilKilled appends from many goroutines and says on standard output
// what was acknowledged, one line each. It ends only with an error.
func writeUntilKilled(dir, round string) error {
	s, err := Open(context.Background(), testConfig(dir))
	if err != nil {
		return err
	}
	failed := make(chan error)
	var mu sync.Mutex
	for w := range killWriters {
		go func() {
			for i := 0; ; i++ {
				cmd := storetest.NewCommand(fmt.Sprintf("%s.%d.%d", round, w, i))
				steps := []store.Step{storetest.Decide(storetest.NewTray(cmd, cmd.RequestID))}
				for range i % 3 {
					steps = append(steps, storetest.Decide(storetest.NewTray(cmd, fmt.Sprint("shared ", w))))
				}
				r, err := s.Append(context.Background(), cmd, steps...)
				if err != nil {
					failed <- err
					return
				}
				mu.Lock()
				_, err = fmt.Printf("%s %d %d\n", cmd.RequestID, r.First, r.Count)
				mu.Unlock()
				if err != nil {
					failed <- err
					return
				}
			}
		}()
	}
	return <-failed
}

// TestKill kills a process under eight writers, with SIGKILL, after a number
// of acknowledged commands that differs from round to round, and demands that
// whatever was acknowledged is there. It runs 3 rounds, or KETTLEBOOK_SLOW
// when that is more.
func TestKill(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(20, 26))
	kept := map[string]store.Receipt{}
	for round := range max(3, storetest.Slow()) {
		killOnce(t, dir, fmt.Sprint(round), 1+random.IntN(150), kept)
		s := mustOpen(t, testConfig(dir))
		report := storetest.Sound(t, s)
		v, release, err := s.Snapshot(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		for id, want := range kept {
			got, found, err := v.Receipt(id)
			if err != nil || !found || got != want {
				t.Fatalf("round %d: %s was acknowledged as %+v, is %+v, %v, %v", round, id, want, got, found, err)
			}
			if d, found, err := v.Document("tray", id); err != nil || !found || d.Sequence != want.First {
				t.Fatalf("round %d: the document of %s: %+v, %v, %v", round, id, d, found, err)
			}
		}
		release()
		// Asked again, it is the same answer; and the ledger goes on.
		for id, want := range kept {
			got, err := s.Append(context.Background(), storetest.NewCommand(id))
			want.Replayed = true
			if err != nil || got != want {
				t.Fatalf("%s asked again: %+v, %v; want %+v", id, got, err, want)
			}
			break
		}
		if r := mustAppend(t, s, fmt.Sprint("after ", round)); r.First != report.Size+1 {
			t.Fatalf("round %d: the next entry is %d, want %d", round, r.First, report.Size+1)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if len(kept) < 3 {
		t.Errorf("only %d commands were acknowledged", len(kept))
	}
}

// killOnce starts the child, kills it when it has acknowledged enough, and
// adds all that it acknowledged to kept.
func killOnce(t *testing.T, dir, round string, enough int, kept map[string]store.Receipt) {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^$")
	child.Env = append(os.Environ(), killDir+"="+dir, killRound+"="+round)
	var words strings.Builder
	child.Stderr = &words
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	read := 0
	for lines.Scan() {
		var id string
		var r store.Receipt
		if n, err := fmt.Sscan(lines.Text(), &id, &r.First, &r.Count); n != 3 {
			t.Errorf("the child said %q: %v", lines.Text(), err)
			continue
		}
		cmd := storetest.NewCommand(id)
		r.RequestID, r.ContentHash = cmd.RequestID, cmd.ContentHash
		kept[id] = r
		if read++; read == enough {
			if err := child.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := child.Wait(); err == nil || read < enough {
		t.Fatalf("the child ended by itself after %d lines: %v\n%s", read, err, words.String())
	}
}
