package sqlite

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"kettlebook/records/ledger"
	"kettlebook/records/store"
)

// blobDraft is a draft of given bytes.
type blobDraft []byte

func (d blobDraft) Envelope(int64) ([]byte, error) { return d, nil }

func decideBlob(b []byte) store.Step {
	drafts := []store.Draft{blobDraft(b)}
	return store.NewStep(
		func(v store.View) (bool, error) { _, found, err := v.Document("instrument", "p"); return found, err },
		func(bool) ([]store.Draft, error) { return drafts, nil })
}

// benchProject makes what a check or a pull would: one document of some
// hundred bytes on a day, under three keys.
func benchProject(e store.Entry) (store.Projection, error) {
	id := store.OrderedInt(e.Sequence)
	return store.Projection{Rows: []store.Row{{
		Kind: "pull", ID: id, Day: "2031-05-06", Body: e.Envelope[:300],
		Keys: []store.Key{{Index: "batch", Value: id[:13]}, {Index: "instrument", Value: "p"}, {Index: "occurred", Value: id}},
	}}}, nil
}

// cpu is the processor time of this process so far. On a machine that is
// shared it says more than the time that passed.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkAppend measures durable appends of one entry of 400 bytes with one
// document under three keys, from 1, 8 and 64 callers.
func BenchmarkAppend(b *testing.B) {
	for _, callers := range []int{1, 8, 64} {
		b.Run(fmt.Sprintf("callers=%d", callers), func(b *testing.B) {
			s := mustOpen(b, Config{Path: filepath.Join(b.TempDir(), fileName), Site: 1, Project: benchProject})
			envelope := bytes.Repeat([]byte("e"), 400)
			ids := make([]string, b.N)
			for i := range ids {
				ids[i] = fmt.Sprintf("0198c0de-0000-4000-8000-%012d", i)
			}
			b.ResetTimer()
			spent := cpu(b)
			var wg sync.WaitGroup
			for c := range callers {
				wg.Go(func() {
					step := decideBlob(envelope)
					for i := c; i < b.N; i += callers {
						if _, err := s.Append(context.Background(), store.Command{RequestID: ids[i]}, step); err != nil {
							b.Error(err)
							return
						}
					}
				})
			}
			wg.Wait()
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "appends/s")
			b.ReportMetric(float64((cpu(b)-spent).Microseconds())/float64(b.N), "cpu-us/op")
			b.ReportMetric(float64(b.N)/float64(s.Stats().Commits), "commands/commit")
		})
	}
}

// BenchmarkBareCommit is what to compare BenchmarkAppend with: one row, one
// durable transaction, one caller, and nothing else.
func BenchmarkBareCommit(b *testing.B) {
	c, err := connect(openDriver, writerDSN(filepath.Join(b.TempDir(), fileName)))
	if err != nil {
		b.Fatal(err)
	}
	defer c.close()
	if err := c.script("CREATE TABLE bare (id INTEGER PRIMARY KEY, body BLOB NOT NULL) STRICT"); err != nil {
		b.Fatal(err)
	}
	body := bytes.Repeat([]byte("e"), 400)
	spent := cpu(b)
	b.ResetTimer()
	for range b.N {
		for _, sql := range []string{"BEGIN IMMEDIATE", "", "COMMIT"} {
			var err error
			if sql == "" {
				_, err = c.exec("INSERT INTO bare (body) VALUES (?)", body)
			} else {
				_, err = c.exec(sql)
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	}
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "commits/s")
	b.ReportMetric(float64((cpu(b)-spent).Microseconds())/float64(b.N), "cpu-us/op")
}

// BenchmarkReadings measures runs of 1,000 readings of 20 bytes, one entry a
// run, from one caller and from four, beside bare inserts of the same
// readings, 1,000 rows a transaction, into a table of their own.
func BenchmarkReadings(b *testing.B) {
	const readings = 1000
	body := bytes.Repeat([]byte("r"), 20*readings)
	for _, callers := range []int{1, 4} {
		b.Run(fmt.Sprintf("runs/callers=%d", callers), func(b *testing.B) {
			s := mustOpen(b, Config{Path: filepath.Join(b.TempDir(), fileName), Site: 1, Project: func(e store.Entry) (store.Projection, error) {
				return store.Projection{Runs: []store.Run{{
					Series: "batch", Instrument: "p", FirstAt: e.Sequence, LastAt: e.Sequence + 1, Count: readings, Body: e.Envelope,
				}}}, nil
			}})
			b.ResetTimer()
			var wg sync.WaitGroup
			for c := range callers {
				wg.Go(func() {
					for i := c; i < b.N; i += callers {
						if _, err := s.Append(context.Background(), store.Command{RequestID: fmt.Sprint(i)}, decideBlob(body)); err != nil {
							b.Error(err)
							return
						}
					}
				})
			}
			wg.Wait()
			b.StopTimer()
			b.ReportMetric(float64(b.N)*readings/b.Elapsed().Seconds(), "readings/s")
		})
	}
	b.Run("bare inserts", func(b *testing.B) {
		c, err := connect(openDriver, writerDSN(filepath.Join(b.TempDir(), fileName)))
		if err != nil {
			b.Fatal(err)
		}
		defer c.close()
		if err := c.script(`CREATE TABLE bare (series INTEGER NOT NULL, at INTEGER NOT NULL, value INTEGER NOT NULL,
			PRIMARY KEY (series, at)) STRICT, WITHOUT ROWID`); err != nil {
			b.Fatal(err)
		}
		b.ResetTimer()
		at := int64(1_936_000_000_000_000)
		for range b.N {
			if _, err := c.exec("BEGIN IMMEDIATE"); err != nil {
				b.Fatal(err)
			}
			for range readings {
				at += 1_000_000
				if _, err := c.exec("INSERT INTO bare (series, at, value) VALUES (?, ?, ?)", int64(7), at, at%150_000_000); err != nil {
					b.Fatal(err)
				}
			}
			if _, err := c.exec("COMMIT"); err != nil {
				b.Fatal(err)
			}
		}
		b.StopTimer()
		b.ReportMetric(float64(b.N)*readings/b.Elapsed().Seconds(), "readings/s")
	})
}

// BenchmarkRead measures reads in a ledger of 20,000 entries: a snapshot with
// one document, a page of 50 by an index, and an inclusion proof.
func BenchmarkRead(b *testing.B) {
	s := mustOpen(b, Config{Path: filepath.Join(b.TempDir(), fileName), Site: 1, Project: benchProject})
	envelope := bytes.Repeat([]byte("e"), 400)
	var steps []store.Step
	for range 20_000 {
		steps = append(steps, decideBlob(envelope))
	}
	if _, err := s.Append(context.Background(), store.Command{RequestID: "all"}, steps...); err != nil {
		b.Fatal(err)
	}
	id := store.OrderedInt(12_345)
	for name, read := range map[string]func(store.View) error{
		"document": func(v store.View) error { _, _, err := v.Document("pull", id); return err },
		"page": func(v store.View) error {
			_, err := v.Documents(store.Query{Kind: "pull", Index: "occurred", From: id, Limit: 50})
			return err
		},
		"inclusion": func(v store.View) error { _, err := ledger.Inclusion(v, v.Size(), 12_344); return err },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				v, release, err := s.Snapshot(context.Background())
				if err != nil {
					b.Fatal(err)
				}
				if err := read(v); err != nil {
					b.Fatal(err)
				}
				release()
			}
		})
	}
}
