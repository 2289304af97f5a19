// Package clock is where the time of day enters the program. The rules of package records never ask for
// it: time comes to them as a value. The edges (server, command line) hold a Clock and ask it once a command.
//
// All clocks of this package answer in UTC and without a monotonic reading, so that an instant read here is
// equal (==) to the same instant after it went through a record and back.
package clock

import (
	"sync"
	"time"
)

// Clock tells the time.
type Clock interface {
	// Now is the present instant, in UTC, to the nanosecond. It may stand still or go back (someone set the
	// machine's clock): callers that need an order take it from sequence numbers, not from here.
	Now() time.Time
}

// System is the machine's own clock. Its zero value is ready for use.
type System struct{}

// Now is the machine's time of day, in UTC.
func (System) Now() time.Time { return plain(time.Now()) }

// Fixed is a clock that always says the same instant. Safe for concurrent use as long as At is not changed.
type Fixed struct {
	// At is the instant it says; any location, told in UTC.
	At time.Time
}

// Now is At, in UTC.
func (f Fixed) Now() time.Time { return plain(f.At) }

// Stepping is a clock that stands still until it is moved by hand, for tests and for days played at more
// than their natural speed. It may be told to follow another clock when the play is over. Safe for
// concurrent use. Make it with NewStepping; its zero value stands at the zero time.
type Stepping struct {
	mu     sync.Mutex
	at     time.Time
	follow Clock // nil while it is moved by hand
}

// NewStepping gives a clock that stands at start (any location) until it is moved.
func NewStepping(start time.Time) *Stepping { return &Stepping{at: plain(start)} }

// Now is the instant the clock stands at, in UTC; the other clock's time while it follows one.
func (s *Stepping) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now()
}

// Advance moves the clock by d from where it is and returns where it then stands. A negative d moves it
// back, as a machine whose clock was set back. It no longer follows another clock afterwards.
func (s *Stepping) Advance(d time.Duration) time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at, s.follow = s.now().Add(d), nil
	return s.at
}

// Set moves the clock to t (any location), forward or back. It no longer follows another clock afterwards.
func (s *Stepping) Set(t time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at, s.follow = plain(t), nil
}

// Follow makes the clock say what other says, until the next Advance or Set. Nil stops it where it is. A
// clock must not follow itself, not even by way of another: Now would never answer.
func (s *Stepping) Follow(other Clock) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at, s.follow = s.now(), other
}

// now is Now for callers that hold the lock.
func (s *Stepping) now() time.Time {
	if s.follow != nil {
		return plain(s.follow.Now())
	}
	return s.at
}

// plain drops the monotonic reading and the zone: two equal instants are then equal values.
func plain(t time.Time) time.Time { return t.Round(0).UTC() }
