package storetest

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"kettlebook/records/store"
)

func testSecrets(t *testing.T, e Engine) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openIn(t, e, dir)
	put(t, s, "1", &Tray{})
	before := Sound(t, s)
	x := s.Secrets()
	keep := func(secrets ...store.Secret) {
		t.Helper()
		for _, c := range secrets {
			if err := x.Put(ctx, c); err != nil {
				t.Fatal(err)
			}
		}
	}
	list := func(bucket string, want ...string) {
		t.Helper()
		found, err := x.List(ctx, bucket)
		var got []string
		for _, c := range found {
			got = append(got, c.Key+"="+string(c.Value))
		}
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("bucket %s has %q, %v; want %q", bucket, got, err, want)
		}
	}
	keep(store.Secret{Bucket: "session", Key: "b", Value: []byte("2"), ExpiresAt: 100},
		store.Secret{Bucket: "session", Key: "a", Value: []byte("1"), ExpiresAt: 101},
		store.Secret{Bucket: "session", Key: "c", Value: nil},
		store.Secret{Bucket: "pin", Key: "a", Value: []byte("\xff\x00"), ExpiresAt: 99})
	list("session", "a=1", "b=2", "c=")
	list("none")
	got, found, err := x.Get(ctx, "pin", "a")
	if err != nil || !found || got.Bucket != "pin" || got.Key != "a" || !bytes.Equal(got.Value, []byte("\xff\x00")) || got.ExpiresAt != 99 {
		t.Errorf("read as %+v, %v, %v", got, found, err)
	}
	if _, found, err := x.Get(ctx, "pin", "b"); found || err != nil {
		t.Errorf("no such key: %v, %v", found, err)
	}
	keep(store.Secret{Bucket: "session", Key: "a", Value: []byte("new")})
	list("session", "a=new", "b=2", "c=")
	if n, err := x.DeleteExpired(ctx, 99); err != nil || n != 1 {
		t.Errorf("%d expired, %v; want 1", n, err)
	}
	if n, err := x.DeleteExpired(ctx, 100); err != nil || n != 1 {
		t.Errorf("%d expired, %v; want 1", n, err)
	}
	list("session", "a=new", "c=")
	list("pin")
	for _, bad := range []store.Secret{{Key: "k"}, {Bucket: "b"}} {
		if err := x.Put(ctx, bad); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	// Of many who take it at once, one gets it.
	var taken atomic.Int32
	var wg sync.WaitGroup
	for range 16 {
		wg.Go(func() {
			was, err := x.Delete(ctx, "session", "c")
			if err != nil {
				t.Error(err)
			}
			if was {
				taken.Add(1)
			}
		})
	}
	wg.Wait()
	if taken.Load() != 1 {
		t.Errorf("taken %d times", taken.Load())
	}
	// They are no records: nothing else changed, and a rebuild leaves them.
	if err := s.Rebuild(ctx); err != nil {
		t.Fatal(err)
	}
	list("session", "a=new")
	if after := Sound(t, s); after != before {
		t.Errorf("secrets changed the records: %+v, before %+v", after, before)
	}
	keep(store.Secret{Bucket: "session", Key: "d", Value: []byte("4")})
	if n, err := x.DeleteBucket(ctx, "session"); err != nil || n != 2 {
		t.Errorf("%d in the bucket, %v; want 2", n, err)
	}
	list("session")
	keep(store.Secret{Bucket: "pin", Key: "z", Value: []byte("last")})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openIn(t, e, dir)
	x = s.Secrets()
	list("pin", "z=last")
}
