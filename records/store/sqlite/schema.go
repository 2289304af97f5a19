package sqlite

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"

	"kettlebook/records/store"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// applicationID marks a database file as ours (SQLite's application_id): the
// letters "ktbk".
const applicationID = 0x6b74626b

// migration is one step forward of the schema.
type migration struct {
	version int64
	script  string
}

// loadMigrations reads files named NNNN_words.sql. Their numbers must be 1, 2,
// 3 ... without holes.
func loadMigrations(files fs.FS) ([]migration, error) {
	names, err := fs.Glob(files, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	var all []migration
	for i, name := range names {
		digits, _, _ := strings.Cut(strings.TrimPrefix(name, "migrations/"), "_")
		version, err := strconv.ParseInt(digits, 10, 64)
		if err != nil || version != int64(i+1) {
			return nil, fmt.Errorf("migration %s: wanted number %d", name, i+1)
		}
		script, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, err
		}
		all = append(all, migration{version, string(script)})
	}
	if len(all) == 0 {
		return nil, errors.New("no migrations")
	}
	return all, nil
}

// migrate brings a new file to the newest schema, and an older one only when
// upgrade is set. It returns whether an older one was changed.
func migrate(c *conn, all []migration, upgrade bool) (changed bool, err error) {
	wanted := all[len(all)-1].version
	if err := c.script("BEGIN IMMEDIATE"); err != nil {
		return false, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.script("ROLLBACK"))
		}
	}()
	current, err := c.number("PRAGMA user_version")
	if err != nil {
		return false, err
	}
	mark, err := c.number("PRAGMA application_id")
	if err != nil {
		return false, err
	}
	tables, err := c.number("SELECT count(*) FROM sqlite_schema")
	if err != nil {
		return false, err
	}
	fresh := current == 0 && mark == 0 && tables == 0
	switch {
	case !fresh && mark != applicationID:
		return false, errors.New("the file is a database of something else")
	case current > wanted, current < wanted && !fresh && !upgrade:
		return false, &store.SchemaError{What: "schema", Current: current, Wanted: wanted}
	}
	for _, m := range all {
		if m.version <= current {
			continue
		}
		if err := c.script(m.script); err != nil {
			return false, fmt.Errorf("migration %d: %w", m.version, err)
		}
	}
	if current < wanted {
		pragmas := fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, wanted)
		if err := c.script(pragmas); err != nil {
			return false, err
		}
	}
	return !fresh && current < wanted, c.script("COMMIT")
}
