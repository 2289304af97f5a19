package server

import (
	"sync"
	"time"

	"golang.org/x/time/rate"

	"kettlebook/records"
)

// limits holds a token bucket for each caller: a busy tablet cannot starve
// the others.
type limits struct {
	perSecond float64
	wall      func() time.Time
	callers   callerCache
	mu        sync.Mutex
	buckets   map[string]*rate.Limiter
}

func newLimits(perSecond float64, wall func() time.Time) *limits {
	return &limits{perSecond: perSecond, wall: wall, buckets: map[string]*rate.Limiter{}, callers: callerCache{byKey: map[string]cachedCaller{}}}
}

func (l *limits) take(key string) error {
	if l.perSecond == 0 {
		return nil
	}
	l.mu.Lock()
	b := l.buckets[key]
	if b == nil {
		if len(l.buckets) > 10_000 {
			clear(l.buckets)
		}
		b = rate.NewLimiter(rate.Limit(l.perSecond), int(4*l.perSecond)+1)
		l.buckets[key] = b
	}
	l.mu.Unlock()
	if !b.AllowN(l.wall(), 1) {
		return &records.FieldError{Kind: records.ErrTooMany, Problem: "too many calls in a short time", Cure: "wait a second and send the same request again"}
	}
	return nil
}
