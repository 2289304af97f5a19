// Package sqlite is the embedded engine of package store: one database file,
// one writer, a few readers. DESIGN.md beside this file says why it is built
// so and what survives a power cut.
package sqlite

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"

	"kettlebook/records/store"
)

const (
	defaultReaders = 4
	maxGroup       = 256  // commands committed together
	queueLength    = 1024 // commands that wait without blocking their callers' send
)

// Config says what to open.
type Config struct {
	Path    string          // the database file; it is made when missing
	Site    int64           // at least 1; stands in every key
	Project store.Projector // makes the projections

	// ProjectionVersion names what Project makes. A database whose projections
	// were made under another one is refused with a *store.SchemaError, or
	// rebuilt when Upgrade is set.
	ProjectionVersion int64

	// Upgrade brings a database of older software to this one's schema and
	// projections.
	Upgrade bool

	// Readers is how many views can be held at once, 0 means 4.
	Readers int

	open       opener      // the driver; tests put one that fails in its place
	migrations []migration // tests put other ones in their place
}

// Store is a store.Store in a SQLite file.
type Store struct {
	cfg     Config
	readers chan *conn
	jobs    chan *job
	quit    chan struct{} // closed by Close: take no more
	dead    chan struct{} // closed when the writer is gone
	writer  *writer       // its goroutine's, until dead is closed
	closing sync.Once
	closed  error
	frozen  atomic.Pointer[string]
	watch   watchers
	stats   counters
}

var _ store.Store = (*Store)(nil)

// Open opens the database file of cfg, or makes it. The error is a
// *store.SchemaError when the file has another form than this software wants.
// A file whose tree hashes cannot be continued is opened frozen: it can be
// read and checked, and takes no entries.
func Open(ctx context.Context, cfg Config) (*Store, error) {
	if cfg.Path == "" || cfg.Site < 1 || cfg.Project == nil || cfg.Readers < 0 {
		return nil, fmt.Errorf("%w: a store needs a path, a site from 1 and a projector", store.ErrInvalid)
	}
	if cfg.Readers == 0 {
		cfg.Readers = defaultReaders
	}
	if cfg.open == nil {
		cfg.open = openDriver
	}
	if cfg.migrations == nil {
		all, err := loadMigrations(migrationFiles)
		if err != nil {
			return nil, err
		}
		cfg.migrations = all
	}
	s := &Store{
		cfg:     cfg,
		readers: make(chan *conn, cfg.Readers),
		jobs:    make(chan *job, queueLength),
		quit:    make(chan struct{}),
		dead:    make(chan struct{}),
	}
	w, stale, err := s.openWriter()
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", cfg.Path, err)
	}
	for range cfg.Readers {
		c, err := connect(cfg.open, readerDSN(cfg.Path))
		if err != nil {
			return nil, errors.Join(fmt.Errorf("open %s: %w", cfg.Path, err), w.c.close(), s.closeReaders())
		}
		s.readers <- c
	}
	s.watch.size = w.tree.Size()
	s.writer = w
	go w.loop()
	if stale {
		if err := s.Rebuild(ctx); err != nil {
			return nil, errors.Join(fmt.Errorf("open %s: %w", cfg.Path, err), s.Close())
		}
	}
	return s, nil
}

// openWriter connects the writer, brings the schema up to date and loads the
// tree's edge. stale says that the projections are to be made again.
func (s *Store) openWriter() (w *writer, stale bool, err error) {
	_, statErr := os.Stat(s.cfg.Path)
	c, err := connect(s.cfg.open, writerDSN(s.cfg.Path))
	if err != nil {
		return nil, false, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.close())
		}
	}()
	migrated, err := migrate(c, s.cfg.migrations, s.cfg.Upgrade)
	if err != nil {
		return nil, false, err
	}
	if os.IsNotExist(statErr) {
		// A new file's name must survive a power cut as its content does.
		if err := syncDir(filepath.Dir(s.cfg.Path)); err != nil {
			return nil, false, err
		}
	}
	outdated, err := s.projectionVersion(c)
	if err != nil {
		return nil, false, err
	}
	w = &writer{s: s, c: c}
	if err := w.loadTree(); errors.Is(err, errBrokenTree) {
		s.Freeze(err.Error() + "; run `kettlebook ledger check`")
	} else if err != nil {
		return nil, false, err
	}
	return w, migrated || outdated, nil
}

// projectionVersion compares the version that the projections were made under
// and tells whether they are to be made again.
func (s *Store) projectionVersion(c *conn) (outdated bool, err error) {
	known, err := c.number("SELECT count(*) FROM projections WHERE site = ?", s.cfg.Site)
	if err != nil {
		return false, err
	}
	if known == 0 {
		_, err := c.exec("INSERT INTO projections (site, version) VALUES (?, ?)", s.cfg.Site, s.cfg.ProjectionVersion)
		return false, err
	}
	current, err := c.number("SELECT version FROM projections WHERE site = ?", s.cfg.Site)
	if err != nil || current == s.cfg.ProjectionVersion {
		return false, err
	}
	if !s.cfg.Upgrade {
		return false, &store.SchemaError{What: "projections", Current: current, Wanted: s.cfg.ProjectionVersion}
	}
	return true, nil
}

func syncDir(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Freeze implements store.Store.
func (s *Store) Freeze(why string) { s.frozen.Store(&why) }

func (s *Store) frozenError() error {
	if why := s.frozen.Load(); why != nil {
		return fmt.Errorf("%w: %s", store.ErrReadOnly, *why)
	}
	return nil
}

// Close implements store.Store.
func (s *Store) Close() error {
	s.closing.Do(func() {
		close(s.quit)
		<-s.dead
		s.watch.close()
		// The writer's connection goes last: closing it moves what is in the
		// write-ahead log into the database file.
		s.closed = s.closeReaders()
		if c := s.writer.c; c != nil {
			s.closed = errors.Join(s.closed, c.close())
		}
	})
	return s.closed
}

// closeReaders closes the readers that no view holds; release sees to those
// that one does.
func (s *Store) closeReaders() error {
	var errs []error
	for range cap(s.readers) {
		select {
		case c := <-s.readers:
			errs = append(errs, c.close())
		default:
		}
	}
	return errors.Join(errs...)
}

// counters guards Stats.
type counters struct {
	mu sync.Mutex
	v  store.Stats
}

func (c *counters) add(f func(*store.Stats)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(&c.v)
}

// Stats implements store.Store.
func (s *Store) Stats() store.Stats {
	s.stats.mu.Lock()
	defer s.stats.mu.Unlock()
	return s.stats.v
}
