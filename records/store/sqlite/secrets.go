package sqlite

import (
	"context"
	"database/sql/driver"
	"fmt"

	"kettlebook/records/store"
)

// secrets is the store.Secrets of a Store. It writes on the writer's turn, in
// the group that is being committed.
type secrets struct{ s *Store }

// Secrets implements store.Store.
func (s *Store) Secrets() store.Secrets { return secrets{s} }

const selectSecretSQL = "SELECT bucket, key, value, expires_at FROM secrets WHERE site = ? AND bucket = ?"

// read runs a query on a reader.
func (t secrets) read(ctx context.Context, sql string, args ...any) ([]store.Secret, error) {
	c, err := t.s.takeReader(ctx)
	if err != nil {
		return nil, err
	}
	defer t.s.putReader(c)
	var out []store.Secret
	err = c.query(func(row []driver.Value) error {
		out = append(out, store.Secret{
			Bucket: text(row[0]), Key: text(row[1]), Value: blob(row[2]), ExpiresAt: integer(row[3]),
		})
		return nil
	}, sql, args...)
	if err != nil {
		return nil, engineError(err)
	}
	return out, nil
}

// write runs a statement on the writer's turn and returns how many rows it
// changed.
func (t secrets) write(ctx context.Context, sql string, args ...any) (n int64, err error) {
	err = t.s.do(ctx, &job{run: func(w *writer) (err error) {
		if n, err = w.c.exec(sql, args...); err != nil {
			return engineError(err)
		}
		return nil
	}})
	return n, err
}

// Get implements store.Secrets.
func (t secrets) Get(ctx context.Context, bucket, key string) (store.Secret, bool, error) {
	found, err := t.read(ctx, selectSecretSQL+" AND key = ?", t.s.cfg.Site, bucket, key)
	if err != nil || len(found) == 0 {
		return store.Secret{}, false, err
	}
	return found[0], true, nil
}

// List implements store.Secrets.
func (t secrets) List(ctx context.Context, bucket string) ([]store.Secret, error) {
	return t.read(ctx, selectSecretSQL+" ORDER BY key", t.s.cfg.Site, bucket)
}

// Put implements store.Secrets.
func (t secrets) Put(ctx context.Context, s store.Secret) error {
	if s.Bucket == "" || s.Key == "" {
		return fmt.Errorf("%w: a secret needs a bucket and a key", store.ErrInvalid)
	}
	value := s.Value
	if value == nil {
		value = []byte{}
	}
	_, err := t.write(ctx, "INSERT OR REPLACE INTO secrets (site, bucket, key, value, expires_at) VALUES (?, ?, ?, ?, ?)",
		t.s.cfg.Site, s.Bucket, s.Key, value, s.ExpiresAt)
	return err
}

// Delete implements store.Secrets.
func (t secrets) Delete(ctx context.Context, bucket, key string) (bool, error) {
	n, err := t.write(ctx, "DELETE FROM secrets WHERE site = ? AND bucket = ? AND key = ?", t.s.cfg.Site, bucket, key)
	return n > 0, err
}

// DeleteBucket implements store.Secrets.
func (t secrets) DeleteBucket(ctx context.Context, bucket string) (int64, error) {
	return t.write(ctx, "DELETE FROM secrets WHERE site = ? AND bucket = ?", t.s.cfg.Site, bucket)
}

// DeleteExpired implements store.Secrets.
func (t secrets) DeleteExpired(ctx context.Context, now int64) (int64, error) {
	return t.write(ctx, "DELETE FROM secrets WHERE site = ? AND expires_at <> 0 AND expires_at <= ?", t.s.cfg.Site, now)
}
