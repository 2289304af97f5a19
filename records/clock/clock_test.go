package clock_test

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"kettlebook/records/clock"
)

var noon = time.Date(2031, 3, 4, 12, 0, 0, 5, time.UTC)

// Every clock answers in UTC and without a monotonic reading: == holds between equal instants.
func TestAnswersAreUTCAndComparable(t *testing.T) {
	zone := time.FixedZone("four east", 4*3600)
	stepping := clock.NewStepping(noon.In(zone))
	following := clock.NewStepping(time.Time{})
	following.Follow(clock.System{})
	for name, c := range map[string]clock.Clock{
		"system": clock.System{}, "fixed": clock.Fixed{At: noon.In(zone)}, "stepping": stepping, "following": following,
	} {
		got := c.Now()
		if got.Location() != time.UTC {
			t.Errorf("%s: location %v, want UTC", name, got.Location())
		}
		if got != got.Round(0) {
			t.Errorf("%s: %v still has a monotonic reading", name, got)
		}
	}
	if got := stepping.Now(); got != noon {
		t.Errorf("stepping: %v, want %v", got, noon)
	}
	if got := (clock.Fixed{At: noon.In(zone)}).Now(); got != noon {
		t.Errorf("fixed: %v, want %v", got, noon)
	}
}

// The system clock is the machine's: under synctest the machine's clock is a known one.
func TestSystem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		before := clock.System{}.Now()
		if before != time.Now().Round(0).UTC() {
			t.Fatalf("system says %v, the machine %v", before, time.Now())
		}
		time.Sleep(90 * time.Minute)
		if got := (clock.System{}).Now().Sub(before); got != 90*time.Minute {
			t.Fatalf("moved by %v, want 1h30m", got)
		}
	})
}

func TestStepping(t *testing.T) {
	c := clock.NewStepping(noon)
	if got := c.Advance(time.Minute); got != noon.Add(time.Minute) || got != c.Now() {
		t.Fatalf("after a minute: %v, then %v", got, c.Now())
	}
	if got := c.Advance(-2 * time.Minute); got != noon.Add(-time.Minute) {
		t.Fatalf("set back two minutes: %v", got)
	}
	c.Set(noon.Add(48 * time.Hour))
	if got := c.Now(); got != noon.Add(48*time.Hour) {
		t.Fatalf("set two days ahead: %v", got)
	}
	var zero clock.Stepping
	if !zero.Now().IsZero() {
		t.Fatalf("zero value stands at %v", zero.Now())
	}
}

func TestFollow(t *testing.T) {
	lead := clock.NewStepping(noon)
	c := clock.NewStepping(noon.Add(-time.Hour))
	c.Follow(lead)
	lead.Advance(time.Second)
	if got := c.Now(); got != noon.Add(time.Second) {
		t.Fatalf("following: %v", got)
	}
	if got := c.Advance(time.Second); got != noon.Add(2*time.Second) {
		t.Fatalf("moved by hand from the followed time: %v", got)
	}
	lead.Set(time.Time{})
	if got := c.Now(); got != noon.Add(2*time.Second) {
		t.Fatalf("still follows after Advance: %v", got)
	}
	lead.Set(noon)
	c.Follow(lead)
	c.Follow(nil)
	lead.Advance(time.Hour)
	if got := c.Now(); got != noon {
		t.Fatalf("still follows after Follow(nil): %v", got)
	}
	c.Follow(lead)
	c.Set(noon)
	if got := c.Now(); got != noon {
		t.Fatalf("still follows after Set: %v", got)
	}
}

// Many hands on one clock: no step is lost, and nobody sees it go back.
func TestSteppingConcurrent(t *testing.T) {
	const hands, steps = 8, 500
	c := clock.NewStepping(noon)
	var wg sync.WaitGroup
	for range hands {
		wg.Go(func() {
			last := c.Now()
			for range steps {
				c.Advance(time.Millisecond)
				if now := c.Now(); !now.After(last) {
					t.Errorf("saw %v after %v", now, last)
					return
				} else {
					last = now
				}
			}
		})
	}
	wg.Wait()
	if got, want := c.Now(), noon.Add(hands*steps*time.Millisecond); got != want {
		t.Fatalf("after %d steps: %v, want %v", hands*steps, got, want)
	}
}
