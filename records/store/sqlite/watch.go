package sqlite

import "sync"

// watchers tells sizes to those who watch. A channel holds one size; a newer
// one takes the place of one not yet read.
type watchers struct {
	mu     sync.Mutex
	size   int64 // of the last commit
	all    map[chan int64]struct{}
	closed bool
}

// Watch implements store.Store.
func (s *Store) Watch(after int64) (<-chan int64, func()) {
	w := &s.watch
	w.mu.Lock()
	defer w.mu.Unlock()
	c := make(chan int64, 1)
	if w.closed {
		close(c)
		return c, func() {}
	}
	if w.size > after {
		c <- w.size
	}
	if w.all == nil {
		w.all = map[chan int64]struct{}{}
	}
	w.all[c] = struct{}{}
	return c, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if _, open := w.all[c]; open {
			delete(w.all, c)
			close(c)
		}
	}
}

// tell is called by the writer after a commit.
func (w *watchers) tell(size int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.size = size
	for c := range w.all {
		select {
		case <-c: // drop what was not read
		default:
		}
		c <- size // there is room: only this function sends, under the lock
	}
}

func (w *watchers) close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.closed = true
	for c := range w.all {
		delete(w.all, c)
		close(c)
	}
}
