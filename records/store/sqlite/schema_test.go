package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"kettlebook/records/store"
	"kettlebook/records/store/storetest"
)

var update = flag.Bool("update", false, "write the dumped schema anew")

func testConfig(dir string) Config {
	return Config{Path: filepath.Join(dir, fileName), Site: 3, Project: storetest.Project, Readers: 2}
}

func mustOpen(t testing.TB, cfg Config) *Store {
	t.Helper()
	s, err := Open(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// mustAppend appends one tray with a run under a request id.
func mustAppend(t testing.TB, s store.Store, requestID string) store.Receipt {
	t.Helper()
	cmd := storetest.NewCommand(requestID)
	y := storetest.NewTray(cmd, requestID)
	y.Runs = []store.Run{{Series: "s", Instrument: "p", FirstAt: 1, LastAt: 2, Count: 3, Body: []byte(requestID)}}
	r, err := s.Append(context.Background(), cmd, storetest.Decide(y))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestSchemaDump holds the schema that the migrations make to the one that is
// checked in, for people to read.
func TestSchemaDump(t *testing.T) {
	dir := t.TempDir()
	mustOpen(t, testConfig(dir))
	c, err := connect(openDriver, dsn(filepath.Join(dir, fileName), "ro"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.close()
	var dump strings.Builder
	dump.WriteString("-- Dumped by TestSchemaDump (go test -update); the migrations make it.\n")
	err = c.query(func(row []driver.Value) error {
		dump.WriteString("\n" + text(row[0]) + ";\n")
		return nil
	}, "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY tbl_name, type = 'table' DESC, name")
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile("schema.sql", []byte(dump.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("schema.sql")
	if err != nil {
		t.Fatal(err)
	}
	if dump.String() != string(want) {
		t.Errorf("the migrations make another schema than schema.sql says:\n%s", dump.String())
	}
}

// TestPragmas looks at what each connection runs with: they belong to the
// connection, not to the file.
func TestPragmas(t *testing.T) {
	cfg := testConfig(t.TempDir())
	cfg.Readers = 0
	s := mustOpen(t, cfg)
	mustAppend(t, s, "1")
	look := func(c *conn, want map[string]string) {
		t.Helper()
		for pragma, value := range want {
			err := c.query(func(row []driver.Value) error {
				got := text(row[0])
				if n, ok := row[0].(int64); ok {
					got = string(rune('0' + n%10))
				}
				if got != value {
					t.Errorf("%s is %q, want %q", pragma, got, value)
				}
				return nil
			}, "PRAGMA "+pragma)
			if err != nil {
				t.Error(err)
			}
		}
	}
	err := s.do(context.Background(), &job{after: func(w *writer) error {
		look(w.c, map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1"}) // 2 is FULL
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	for range defaultReaders {
		v, release, err := s.Snapshot(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		defer release()
		look(v.(*view).c, map[string]string{"journal_mode": "wal", "query_only": "1"})
		if _, err := v.(*view).c.exec("DELETE FROM secrets"); err == nil {
			t.Error("a reader wrote")
		}
	}
}

func newerMigrations(t *testing.T, script string) []migration {
	t.Helper()
	all, err := loadMigrations(migrationFiles)
	if err != nil {
		t.Fatal(err)
	}
	return append(all, migration{version: int64(len(all) + 1), script: script})
}

func TestMigration(t *testing.T) {
	dir := t.TempDir()
	cfg := testConfig(dir)
	s := mustOpen(t, cfg)
	mustAppend(t, s, "1")
	mustAppend(t, s, "2")
	before := storetest.Sound(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	newer := cfg
	newer.migrations = newerMigrations(t, "ALTER TABLE days ADD COLUMN more INTEGER NOT NULL DEFAULT 7; CREATE TABLE extra (n INTEGER) STRICT;")
	_, err := Open(context.Background(), newer)
	var schema *store.SchemaError
	if !errors.Is(err, store.ErrSchema) || !errors.As(err, &schema) || schema.Wanted != schema.Current+1 {
		t.Fatalf("older schema: %v", err)
	}
	for _, word := range []string{"version 1", "wanted 2", "`kettlebook rebuild`"} {
		if !strings.Contains(err.Error(), word) {
			t.Errorf("the error does not say %q: %v", word, err)
		}
	}

	// A migration that fails changes nothing.
	broken := newer
	broken.Upgrade = true
	broken.migrations = newerMigrations(t, "CREATE TABLE extra (n INTEGER) STRICT; ALTER TABLE none ADD COLUMN n INTEGER;")
	if _, err := Open(context.Background(), broken); err == nil || errors.Is(err, store.ErrSchema) {
		t.Fatalf("broken migration: %v", err)
	}
	s = mustOpen(t, cfg)
	if after := storetest.Sound(t, s); after != before {
		t.Fatalf("after the broken migration %+v, before %+v", after, before)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	newer.Upgrade = true
	s = mustOpen(t, newer)
	if after := storetest.Sound(t, s); after != before {
		t.Fatalf("after the migration %+v, before %+v", after, before)
	}
	mustAppend(t, s, "3")
	storetest.Sound(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	newer.Upgrade = false
	mustOpen(t, newer).Close()

	_, err = Open(context.Background(), cfg)
	if !errors.As(err, &schema) || schema.Current != schema.Wanted+1 || strings.Contains(err.Error(), "rebuild") {
		t.Errorf("newer schema: %v", err)
	}
}

func TestProjectionVersion(t *testing.T) {
	cfg := testConfig(t.TempDir())
	cfg.ProjectionVersion = 4
	s := mustOpen(t, cfg)
	mustAppend(t, s, "1")
	s.Close()
	cfg.ProjectionVersion = 5
	cfg.Project = func(e store.Entry) (store.Projection, error) {
		p, err := storetest.Project(e)
		p.Rows[0].Body = []byte("as of version 5")
		return p, err
	}
	_, err := Open(context.Background(), cfg)
	if !errors.Is(err, store.ErrSchema) || !strings.Contains(err.Error(), "projections version 4, wanted 5") {
		t.Fatalf("other projections: %v", err)
	}
	cfg.Upgrade = true
	s = mustOpen(t, cfg)
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if d, found, err := v.Document("tray", "1"); err != nil || !found || string(d.Body) != "as of version 5" {
		t.Errorf("after the upgrade: %+v, %v, %v", d, found, err)
	}
	release()
	storetest.Sound(t, s)
	s.Close()
	cfg.Upgrade = false
	mustOpen(t, cfg)
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	foreign := filepath.Join(dir, "foreign.db")
	c, err := connect(openDriver, dsn(foreign, "rwc"))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.script("CREATE TABLE t (n INTEGER)"), c.close()); err != nil {
		t.Fatal(err)
	}
	words := filepath.Join(dir, "words.db")
	if err := os.WriteFile(words, []byte(strings.Repeat("no database at all\n", 1000)), 0o644); err != nil {
		t.Fatal(err)
	}
	sound := testConfig(dir)
	for name, change := range map[string]func(*Config){
		"another program's database": func(c *Config) { c.Path = foreign },
		"no database":                func(c *Config) { c.Path = words },
		"a folder":                   func(c *Config) { c.Path = dir },
		"a folder that is not there": func(c *Config) { c.Path = filepath.Join(dir, "none", "x.db") },
		"no path":                    func(c *Config) { c.Path = "" },
		"no site":                    func(c *Config) { c.Site = 0 },
		"no projector":               func(c *Config) { c.Project = nil },
		"less than no readers":       func(c *Config) { c.Readers = -1 },
	} {
		cfg := sound
		change(&cfg)
		if s, err := Open(context.Background(), cfg); err == nil {
			t.Errorf("%s: opened", name)
			s.Close()
		}
	}
	b, err := os.ReadFile(words)
	if err != nil || !strings.HasPrefix(string(b), "no database at all\n") {
		t.Errorf("the file that is no database was written to: %v", err)
	}
}

func TestLoadMigrations(t *testing.T) {
	file := &fstest.MapFile{Data: []byte("SELECT 1")}
	for name, c := range map[string]struct {
		files fstest.MapFS
		ok    bool
	}{
		"none":    {fstest.MapFS{}, false},
		"one":     {fstest.MapFS{"migrations/0001_a.sql": file}, true},
		"a hole":  {fstest.MapFS{"migrations/0001_a.sql": file, "migrations/0003_b.sql": file}, false},
		"twice":   {fstest.MapFS{"migrations/0001_a.sql": file, "migrations/0001_b.sql": file}, false},
		"unnamed": {fstest.MapFS{"migrations/first.sql": file}, false},
	} {
		if _, err := loadMigrations(c.files); (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestSitesApart keeps two sites in one file: neither sees the other.
func TestSitesApart(t *testing.T) {
	cfg := testConfig(t.TempDir())
	a := mustOpen(t, cfg)
	mustAppend(t, a, "1")
	before := storetest.Sound(t, a)
	cfg.Site = 4
	b := mustOpen(t, cfg)
	for range 3 {
		mustAppend(t, b, "1")
	}
	mustAppend(t, b, "2")
	if r := storetest.Sound(t, b); r.Size != 2 {
		t.Errorf("site 4 has %d entries, want 2", r.Size)
	}
	if err := b.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	if after := storetest.Sound(t, a); after != before {
		t.Errorf("site 3 has %+v, had %+v", after, before)
	}
}

// TestTwoProcesses opens one site twice, as two processes would: the edge in
// memory of one is stale when the other has appended.
func TestTwoProcesses(t *testing.T) {
	cfg := testConfig(t.TempDir())
	a, b := mustOpen(t, cfg), mustOpen(t, cfg)
	for i, s := range []*Store{a, b, b, a, b, a, a} {
		id := string(rune('a' + i))
		if r := mustAppend(t, s, id); r.First != int64(i+1) {
			t.Errorf("%s is entry %d, want %d", id, r.First, i+1)
		}
	}
	storetest.Sound(t, a)
	storetest.Sound(t, b)
}

// TestPlans demands that every read goes by an index and sorts nothing, so
// that its cost goes with what it returns.
func TestPlans(t *testing.T) {
	s := mustOpen(t, testConfig(t.TempDir()))
	mustAppend(t, s, "1")
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, desc := range []bool{false, true} {
		for _, index := range []string{"", "label"} {
			for _, after := range []string{"", store.EncodeCursor("a", "a")} {
				for _, bounds := range [][2]string{{"", ""}, {"a", ""}, {"", "b"}, {"a", "b"}} {
					_, err := v.Documents(store.Query{Kind: "tray", Index: index, From: bounds[0], To: bounds[1], After: after, Desc: desc, Limit: 9})
					must(err)
				}
				_, err := v.Day(store.DayQuery{Day: "2031-05-06", Kind: index, After: after, Limit: 9})
				must(err)
			}
		}
		for _, after := range []string{"", store.Run{FirstAt: 1, Sequence: 1}.Cursor(), store.Run{FirstAt: -7 * 3600_000_000}.Cursor()} {
			for _, who := range [][2]string{{"s", ""}, {"", "p"}, {"s", "p"}} {
				_, err := v.Runs(store.RunQuery{Series: who[0], Instrument: who[1], From: 1, To: 9, After: after, Desc: desc, Limit: 9})
				must(err)
			}
		}
		_, err := v.Days(store.DaysQuery{From: "a", To: "b", Desc: desc, Limit: 9})
		must(err)
		_, err = v.Days(store.DaysQuery{Desc: desc, Limit: 9})
		must(err)
	}
	_, err = v.Entry(1)
	must(err)
	_, err = v.Entries(1, 9)
	must(err)
	_, _, err = v.Receipt("1")
	must(err)
	_, _, err = v.Document("tray", "1")
	must(err)
	_, err = v.ReadHashes([]int64{0})
	must(err)
	c := v.(*view).c
	var texts []string
	for sql := range c.stmts {
		if strings.HasPrefix(sql, "SELECT") {
			texts = append(texts, sql)
		}
	}
	if len(texts) < 40 {
		t.Fatalf("only %d statements were collected", len(texts))
	}
	for _, sql := range texts {
		args := make([]any, strings.Count(sql, "?"))
		for i := range args {
			args[i] = int64(1)
		}
		err := c.query(func(row []driver.Value) error {
			step := text(row[3])
			if strings.Contains(step, "SCAN") && !strings.Contains(step, "SCAN CONSTANT ROW") || strings.Contains(step, "TEMP B-TREE") {
				t.Errorf("%s: %s", sql, step)
			}
			return nil
		}, "EXPLAIN QUERY PLAN "+sql, args...)
		if err != nil {
			t.Errorf("%s: %v", sql, err)
		}
	}
}
