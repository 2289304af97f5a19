package sqlite

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	sqlite3 "modernc.org/sqlite"
)

// Backup writes a copy of the database to path, as it is at one moment, while
// it goes on being written to. The file is complete and durable when Backup
// returns; an error leaves nothing at path that was not there before. The
// copy holds the secrets too: restoring it has to end the sessions in it.
func (s *Store) Backup(ctx context.Context, path string) error {
	c, err := s.takeReader(ctx)
	if err != nil {
		return err
	}
	defer s.putReader(c)
	return backup(ctx, c, path)
}

// BackupFile is Backup of a database file that another process may have open
// and write to.
func BackupFile(ctx context.Context, from, path string) (err error) {
	if _, err := os.Stat(from); err != nil {
		return err
	}
	c, err := connect(openDriver, readerDSN(from))
	if err != nil {
		return fmt.Errorf("open %s: %w", from, err)
	}
	defer func() { err = errors.Join(err, c.close()) }()
	return backup(ctx, c, path)
}

func backup(ctx context.Context, c *conn, path string) (err error) {
	source, ok := c.raw.(interface {
		NewBackup(string) (*sqlite3.Backup, error)
	})
	if !ok {
		return errors.New("the driver makes no backups")
	}
	unfinished := path + ".unfinished"
	if err := os.Remove(unfinished); err != nil && !os.IsNotExist(err) {
		return err
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("backup to %s: %w", path, err)
			if remove := os.Remove(unfinished); !os.IsNotExist(remove) {
				err = errors.Join(err, remove)
			}
		}
	}()
	b, err := source.NewBackup(dsn(unfinished, "rwc"))
	if err != nil {
		return err
	}
	// In one go: the copy is one snapshot, and in WAL mode the writer does not
	// wait for it.
	_, err = b.Step(-1)
	if err = errors.Join(err, b.Finish(), ctx.Err()); err != nil {
		return err
	}
	if err := syncFile(unfinished); err != nil {
		return err
	}
	if err := os.Rename(unfinished, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
