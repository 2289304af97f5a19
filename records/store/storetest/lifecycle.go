package storetest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"kettlebook/records/store"
)

func testContext(t *testing.T, e Engine) {
	s := open(t, e)
	ended, end := context.WithCancel(context.Background())
	end()
	cmd := NewCommand("never sent")
	if _, err := s.Append(ended, cmd, Decide(NewTray(cmd, "x"))); !errors.Is(err, context.Canceled) {
		t.Errorf("sent after its context ended: %v", err)
	}
	// Cancelled while it waits: not written.
	g := hold(t, s)
	waiting, cancel := context.WithCancel(context.Background())
	result := make(chan error)
	go func() {
		cmd := NewCommand("waits")
		_, err := s.Append(waiting, cmd, look(func(store.View) error {
			t.Error("a cancelled command was run")
			return nil
		}), Decide(NewTray(cmd, "x")))
		result <- err
	}()
	settle()
	cancel()
	if err := <-result; !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled while waiting: %v", err)
	}
	g.wait(t)
	// Cancelled on its turn: the caller is told what happened.
	turn, cancel := context.WithCancel(context.Background())
	cmd = NewCommand("on its turn")
	r, err := s.Append(turn, cmd, look(func(store.View) error { cancel(); return nil }), Decide(NewTray(cmd, "x")))
	if err != nil || r.Count != 1 {
		t.Errorf("cancelled on its turn: %+v, %v", r, err)
	}
	read(t, s, func(v store.View) {
		for id, want := range map[string]bool{"never sent": false, "waits": false, "on its turn": true} {
			if _, found, err := v.Receipt(id); found != want || err != nil {
				t.Errorf("%s: receipt %v, %v; want %v", id, found, err, want)
			}
		}
	})
	if _, _, err := s.Snapshot(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("snapshot after its context ended: %v", err)
	}
	if _, _, err := s.SnapshotOnWriter(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("snapshot on the writer after its context ended: %v", err)
	}
	reading, cancel := context.WithCancel(context.Background())
	v, release, err := s.Snapshot(reading)
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	cancel()
	if _, err := v.Entry(1); !errors.Is(err, context.Canceled) {
		t.Errorf("read after the view's context ended: %v", err)
	}
	if _, err := s.Check(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("check after its context ended: %v", err)
	}
	if err := s.Rebuild(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("rebuild after its context ended: %v", err)
	}
	Sound(t, s)
}

func testFreeze(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "before", &Tray{})
	s.Freeze("restored from an older copy")
	for _, id := range []string{"after", "before"} {
		_, err := s.Append(context.Background(), NewCommand(id), Decide(&Tray{}))
		if !errors.Is(err, store.ErrReadOnly) || !strings.Contains(err.Error(), "restored from an older copy") {
			t.Errorf("append %s to a frozen store: %v", id, err)
		}
	}
	if err := s.Secrets().Put(context.Background(), store.Secret{Bucket: "b", Key: "k"}); err != nil {
		t.Errorf("a frozen store keeps no secret: %v", err)
	}
	if r := Sound(t, s); r.Size != 1 {
		t.Errorf("size %d, want 1", r.Size)
	}
}

func testClose(t *testing.T, e Engine) {
	dir := t.TempDir()
	s := openIn(t, e, dir)
	put(t, s, "before", &Tray{})
	v, release, err := s.Snapshot(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	g := hold(t, s)
	var wg sync.WaitGroup
	acknowledged := make([]bool, 20)
	for i := range acknowledged {
		wg.Go(func() {
			cmd := NewCommand(fmt.Sprint(i))
			_, err := s.Append(context.Background(), cmd, Decide(NewTray(cmd, cmd.RequestID)))
			acknowledged[i] = err == nil
			if err != nil && !errors.Is(err, store.ErrClosed) {
				t.Errorf("closed while waiting: %v", err)
			}
		})
	}
	settle()
	closed := make(chan error)
	go func() { closed <- s.Close() }()
	settle()
	g.wait(t)
	wg.Wait()
	if err := <-closed; err != nil {
		t.Fatal(err)
	}
	// A view that was held goes on until it is released.
	if e, err := v.Entry(1); err != nil || e.Sequence != 1 {
		t.Errorf("a view held over Close: %+v, %v", e, err)
	}
	release()
	release()
	ctx := context.Background()
	_, err = s.Append(ctx, NewCommand("after"), Decide(&Tray{}))
	_, _, snapshotErr := s.Snapshot(ctx)
	_, _, writerErr := s.SnapshotOnWriter(ctx)
	_, checkErr := s.Check(ctx)
	_, digestErr := s.Digest(ctx)
	_, _, secretErr := s.Secrets().Get(ctx, "b", "k")
	for name, err := range map[string]error{
		"append": err, "snapshot": snapshotErr, "snapshot on writer": writerErr, "check": checkErr, "digest": digestErr,
		"rebuild": s.Rebuild(ctx), "secret": secretErr, "put": s.Secrets().Put(ctx, store.Secret{Bucket: "b", Key: "k"}),
	} {
		if !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s on a closed store: %v", name, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
	sizes, cancel := s.Watch(0)
	if _, open := <-sizes; open {
		t.Error("a closed store tells of commits")
	}
	cancel()
	// What was acknowledged is there, and nothing else.
	s = openIn(t, e, dir)
	Sound(t, s)
	read(t, s, func(v store.View) {
		for i, want := range acknowledged {
			if _, found, err := v.Receipt(fmt.Sprint(i)); found != want || err != nil {
				t.Errorf("command %d: kept %v, %v; acknowledged %v", i, found, err, want)
			}
		}
	})
}

func testReopen(t *testing.T, e Engine) {
	dir := t.TempDir()
	s := openIn(t, e, dir)
	for i := range 5 {
		put(t, s, fmt.Sprint(i), NewTray(NewCommand(fmt.Sprint(i)), fmt.Sprint(i)))
	}
	before, was := Sound(t, s), digest(t, s)
	for i := range 4 {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = openIn(t, e, dir)
		if after := Sound(t, s); after != before || digest(t, s) != was {
			t.Fatalf("reopened as %+v, closed as %+v", after, before)
		}
		sizes, cancel := s.Watch(before.Size - 1)
		select {
		case got := <-sizes:
			if got != before.Size {
				t.Errorf("told size %d after reopening, want %d", got, before.Size)
			}
		default:
			t.Error("told no size after reopening")
		}
		cancel()
		put(t, s, fmt.Sprint("again ", i), NewTray(NewCommand("x"), fmt.Sprint("again ", i)))
		before, was = Sound(t, s), digest(t, s)
	}
	if before.Size != 9 || before.Digest != was {
		t.Errorf("size %d, want 9; digests %x and %x", before.Size, before.Digest, was)
	}
}

func testWatch(t *testing.T, e Engine) {
	s := open(t, e)
	put(t, s, "1", &Tray{}, &Tray{})
	behind, cancelBehind := s.Watch(1)
	level, cancelLevel := s.Watch(2)
	slow, cancelSlow := s.Watch(0)
	defer cancelLevel()
	defer cancelSlow()
	if got := <-behind; got != 2 {
		t.Errorf("told size %d, want 2", got)
	}
	select {
	case got := <-level:
		t.Errorf("told size %d, and is there already", got)
	default:
	}
	put(t, s, "2", &Tray{})
	if a, b := <-behind, <-level; a != 3 || b != 3 {
		t.Errorf("told sizes %d and %d, want 3", a, b)
	}
	// Nothing new, nothing told.
	put(t, s, "2", &Tray{})
	if _, err := s.Append(context.Background(), NewCommand("refused"), Fail(errors.ErrUnsupported)); err == nil {
		t.Error("not refused")
	}
	select {
	case got := <-level:
		t.Errorf("told size %d of nothing", got)
	default:
	}
	cancelBehind()
	cancelBehind()
	if _, open := <-behind; open {
		t.Error("the channel is open after cancel")
	}
	for i := range 50 {
		put(t, s, fmt.Sprint("more ", i), &Tray{})
	}
	if got := <-slow; got != 53 {
		t.Errorf("the slow watcher is told %d, want the last, 53", got)
	}
	// What a watcher is told of can be read.
	cmd := NewCommand("told")
	go s.Append(context.Background(), cmd, Decide(NewTray(cmd, "x")))
	if size := <-slow; size != 54 {
		t.Errorf("told size %d, want 54", size)
	}
	read(t, s, func(v store.View) {
		if v.Size() != 54 {
			t.Errorf("told size 54, a view has %d", v.Size())
		}
	})
	last, cancelLast := s.Watch(54)
	defer cancelLast()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, open := <-last; open {
		t.Error("the channel is open after Close")
	}
}
