package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"

	sqlite3 "modernc.org/sqlite"
)

// conn is one connection with the statements it has prepared. It speaks to
// the driver directly: the store keeps its own writer and its own readers, so
// that the pool and the conversions of database/sql would only cost time on
// the writer's turn. It is used by one goroutine at a time.
type conn struct {
	raw   driver.Conn
	stmts map[string]*stmt
}

type stmt struct {
	raw  driver.Stmt
	args []driver.NamedValue
	row  []driver.Value
}

// opener makes a driver connection from a data source name.
type opener func(dsn string) (driver.Conn, error)

func openDriver(dsn string) (driver.Conn, error) {
	return new(sqlite3.Driver).Open(dsn)
}

// dsn names a database file. SQLite's pragmas belong to a connection, not to
// the file, so every connection gets its own from here.
func dsn(path, mode string, pragmas ...string) string {
	var b strings.Builder
	b.WriteString("file:")
	b.WriteString((&url.URL{Path: path}).EscapedPath())
	b.WriteString("?mode=" + mode)
	for _, p := range pragmas {
		b.WriteString("&_pragma=" + p)
	}
	return b.String()
}

func writerDSN(path string) string {
	return dsn(path, "rwc", "busy_timeout(5000)", "journal_mode(wal)", "synchronous(full)", "foreign_keys(1)",
		"temp_store(memory)") // keeps the savepoints' journal out of a file
}

func readerDSN(path string) string {
	return dsn(path, "ro", "busy_timeout(5000)", "query_only(1)", "cache_size(-8192)")
}

func connect(open opener, dsn string) (*conn, error) {
	raw, err := open(dsn)
	if err != nil {
		return nil, err
	}
	return &conn{raw: raw, stmts: map[string]*stmt{}}, nil
}

func (c *conn) close() error {
	var errs []error
	for _, s := range c.stmts {
		errs = append(errs, s.raw.Close())
	}
	errs = append(errs, c.raw.Close())
	return errors.Join(errs...)
}

// script runs statements that are not kept prepared.
func (c *conn) script(sql string) error {
	e, ok := c.raw.(driver.ExecerContext)
	if !ok {
		return errors.New("the driver runs no scripts")
	}
	_, err := e.ExecContext(context.Background(), sql, nil)
	return err
}

func (c *conn) prepare(sql string, args []any) (*stmt, error) {
	s := c.stmts[sql]
	if s == nil {
		raw, err := c.raw.Prepare(sql)
		if err != nil {
			return nil, fmt.Errorf("prepare %q: %w", sql, err)
		}
		s = &stmt{raw: raw}
		c.stmts[sql] = s
	}
	if len(s.args) != len(args) {
		s.args = make([]driver.NamedValue, len(args))
		for i := range s.args {
			s.args[i].Ordinal = i + 1
		}
	}
	for i, a := range args {
		s.args[i].Value = a
	}
	return s, nil
}

// exec runs a statement and returns how many rows it changed. Arguments are
// int64, string or []byte.
func (c *conn) exec(sql string, args ...any) (int64, error) {
	s, err := c.prepare(sql, args)
	if err != nil {
		return 0, err
	}
	e, ok := s.raw.(driver.StmtExecContext)
	if !ok {
		return 0, errors.New("the driver runs no prepared statements")
	}
	r, err := e.ExecContext(context.Background(), s.args)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// query runs a statement and calls row for each row of its result. The slice
// is used again for the next row; what stands in it is the callee's.
func (c *conn) query(row func([]driver.Value) error, sql string, args ...any) (err error) {
	s, err := c.prepare(sql, args)
	if err != nil {
		return err
	}
	q, ok := s.raw.(driver.StmtQueryContext)
	if !ok {
		return errors.New("the driver runs no prepared queries")
	}
	rows, err := q.QueryContext(context.Background(), s.args)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	if s.row == nil {
		s.row = make([]driver.Value, len(rows.Columns()))
	}
	for {
		if err := rows.Next(s.row); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		if err := row(s.row); err != nil {
			return err
		}
	}
}

// number runs a query whose result is one integer, 0 when it has no row.
func (c *conn) number(sql string, args ...any) (n int64, err error) {
	err = c.query(func(row []driver.Value) error {
		n = integer(row[0])
		return nil
	}, sql, args...)
	return n, err
}

// The tables are STRICT, so that a column has the type it was declared with;
// NULL comes only from max() over nothing and reads as 0.

func integer(v driver.Value) int64 {
	n, _ := v.(int64)
	return n
}

func text(v driver.Value) string {
	s, _ := v.(string)
	return s
}

// blob returns the bytes of v, never nil.
func blob(v driver.Value) []byte {
	b, _ := v.([]byte)
	if b == nil {
		return []byte{}
	}
	return b
}
