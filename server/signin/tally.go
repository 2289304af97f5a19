package signin

import (
	"context"
	"fmt"
	"time"
)

// Delays says how failures slow down the next try. See the package comment for
// the reasons.
type Delays struct {
	PersonFree    int           // failures of a person, anywhere, before the first delay
	PersonFirst   time.Duration // the first delay; each further failure doubles it
	PersonLongest time.Duration // and it never exceeds this
	SourceFree    int           // failures at a source, of anybody
	SourceFirst   time.Duration
	SourceLongest time.Duration
	FamiliarFor   time.Duration // since the last success of a person at a source
	FamiliarFree  int           // failures in a row there that leave the person familiar
	ForgetAfter   time.Duration // since the last failure
}

// DefaultDelays are those of the package comment.
var DefaultDelays = Delays{
	PersonFree: 3, PersonFirst: 2 * time.Second, PersonLongest: 15 * time.Minute,
	SourceFree: 10, SourceFirst: time.Second, SourceLongest: time.Minute,
	FamiliarFor: 30 * 24 * time.Hour, FamiliarFree: 3,
	ForgetAfter: 24 * time.Hour,
}

func (d Delays) valid() bool {
	return d.PersonFree > 0 && d.SourceFree > 0 && d.FamiliarFree >= 0 &&
		d.PersonFirst > 0 && d.PersonLongest >= d.PersonFirst &&
		d.SourceFirst > 0 && d.SourceLongest >= d.SourceFirst &&
		d.FamiliarFor >= 0 && d.FamiliarFor <= keepTallies && d.ForgetAfter <= keepTallies &&
		d.ForgetAfter > d.PersonLongest && d.ForgetAfter > d.SourceLongest
}

// DelayError says that a try was not looked at because it came too early.
type DelayError struct {
	// RetryAfter is how long to wait, more than 0.
	RetryAfter time.Duration
}

// Error tells the wait in whole seconds, rounded up.
func (e *DelayError) Error() string {
	seconds := (e.RetryAfter + time.Second - 1) / time.Second
	return fmt.Sprintf("signin: too many wrong PINs; try again in %d s", seconds)
}

// tally counts failures, and for a person at a source the last success.
type tally struct {
	Failures int
	LastUS   int64 // of the last failure, Unix microseconds
	// Unseen failures, not forgotten in time, since the person last signed in
	// anywhere; in the person's tally only.
	Unseen       int   `json:",omitempty"`
	UnseenLastUS int64 `json:",omitempty"`
	SuccessUS    int64 `json:",omitempty"`
}

// keepTallies is how long the vault holds a tally that has more to tell than a
// failure that slows down.
const keepTallies = 90 * 24 * time.Hour

func (t *tally) fail(now time.Time) {
	t.Failures++
	t.LastUS = now.UnixMicro()
}

// unfail takes back the failure that was counted ahead at beganUS, before which
// the last one was at lastUS.
func (t *tally) unfail(beganUS, lastUS int64) {
	if t.Failures > 0 {
		t.Failures--
	}
	if t.LastUS == beganUS {
		t.LastUS = lastUS
	}
}

// wait returns how long after now the next try may be made, 0 for at once.
func (t tally) wait(now time.Time, free int, first, longest time.Duration) time.Duration {
	if t.Failures < free {
		return 0
	}
	delay := longest
	if doublings := t.Failures - free; doublings < 32 && first<<doublings < longest {
		delay = first << doublings
	}
	since := now.Sub(time.UnixMicro(t.LastUS))
	// After the clock was set back, a failure of the future counts as one of now.
	return max(0, delay-max(0, since))
}

// try is one try at a PIN.
type try struct {
	person, source, pair string           // names of its tallies
	familiar             bool             // waits neither for the person's nor the source's delay
	beganUS              int64            // when it was counted
	lastUS               map[string]int64 // of each tally, before
}

func (d *Desk) loadTally(ctx context.Context, name string, now time.Time) (tally, error) {
	var t tally
	if _, err := d.load(ctx, bucketTallies, name, &t); err != nil {
		return tally{}, err
	}
	if now.Sub(time.UnixMicro(t.LastUS)) >= d.delays.ForgetAfter {
		t.Failures, t.LastUS = 0, 0
	}
	return t, nil
}

func (d *Desk) saveTally(ctx context.Context, name string, t tally, now time.Time) error {
	keep := d.delays.ForgetAfter
	if t.SuccessUS != 0 || t.Unseen != 0 {
		keep = keepTallies
	}
	return d.save(ctx, bucketTallies, name, t, now.Add(keep))
}

// change loads, changes and saves a tally. d.tallyMu must be held.
func (d *Desk) change(ctx context.Context, name string, change func(t *tally, now time.Time)) error {
	now := d.clock()
	t, err := d.loadTally(ctx, name, now)
	if err != nil {
		return err
	}
	change(&t, now)
	return d.saveTally(ctx, name, t, now)
}

// begin counts a try as failed before it is computed, or returns a *DelayError
// when it comes too early.
func (d *Desk) begin(ctx context.Context, person, source string) (try, error) {
	d.tallyMu.Lock()
	defer d.tallyMu.Unlock()
	now := d.clock()
	t := try{
		person: d.keyed("person", person), source: d.keyed("source", source), pair: d.keyed("pair", person, source),
		beganUS: now.UnixMicro(), lastUS: map[string]int64{},
	}
	counts := map[string]tally{}
	for _, name := range []string{t.person, t.source, t.pair} {
		count, err := d.loadTally(ctx, name, now)
		if err != nil {
			return try{}, err
		}
		counts[name], t.lastUS[name] = count, count.LastUS
	}
	pair := counts[t.pair]
	t.familiar = pair.SuccessUS != 0 && pair.Failures < d.delays.FamiliarFree &&
		now.Sub(time.UnixMicro(pair.SuccessUS)) < d.delays.FamiliarFor
	wait := max(
		counts[t.person].wait(now, d.delays.PersonFree, d.delays.PersonFirst, d.delays.PersonLongest),
		counts[t.source].wait(now, d.delays.SourceFree, d.delays.SourceFirst, d.delays.SourceLongest))
	if wait > 0 && !t.familiar {
		return try{}, &DelayError{RetryAfter: wait}
	}
	for name, count := range counts {
		count.fail(now)
		if err := d.saveTally(ctx, name, count, now); err != nil {
			return try{}, err
		}
	}
	return t, nil
}

// failed finishes a try with a wrong PIN: the person is to be told of it.
func (d *Desk) failed(ctx context.Context, t try) error {
	d.tallyMu.Lock()
	defer d.tallyMu.Unlock()
	return d.change(ctx, t.person, func(p *tally, now time.Time) {
		p.Unseen++
		p.UnseenLastUS = now.UnixMicro()
	})
}

// undone takes back a try that was not computed: nothing was learned from it.
func (d *Desk) undone(ctx context.Context, t try) error {
	d.tallyMu.Lock()
	defer d.tallyMu.Unlock()
	for name, last := range t.lastUS {
		if err := d.change(ctx, name, func(c *tally, _ time.Time) { c.unfail(t.beganUS, last) }); err != nil {
			return err
		}
	}
	return nil
}

// succeeded finishes a try with the right PIN.
func (d *Desk) succeeded(ctx context.Context, t try) error {
	d.tallyMu.Lock()
	defer d.tallyMu.Unlock()
	if err := d.change(ctx, t.pair, func(p *tally, now time.Time) {
		*p = tally{SuccessUS: now.UnixMicro()}
	}); err != nil {
		return err
	}
	if err := d.change(ctx, t.person, func(p *tally, _ time.Time) {
		if t.familiar {
			// The failures elsewhere may be a guesser's, who goes on waiting.
			p.unfail(t.beganUS, t.lastUS[t.person])
		} else {
			p.Failures, p.LastUS = 0, 0
		}
	}); err != nil {
		return err
	}
	// One person's success does not excuse what others tried at this source.
	return d.change(ctx, t.source, func(s *tally, _ time.Time) {
		s.unfail(t.beganUS, t.lastUS[t.source])
	})
}

// tellFailures returns the failed tries at a person's PIN since this was last
// asked, with the time of the last one (zero when none).
func (d *Desk) tellFailures(ctx context.Context, person string) (count int, last time.Time, err error) {
	d.tallyMu.Lock()
	defer d.tallyMu.Unlock()
	err = d.change(ctx, d.keyed("person", person), func(p *tally, _ time.Time) {
		if p.Unseen > 0 {
			count, last = p.Unseen, time.UnixMicro(p.UnseenLastUS).UTC()
		}
		p.Unseen, p.UnseenLastUS = 0, 0
	})
	return count, last, err
}

// forgive forgets the failures that slow a person down.
func (d *Desk) forgive(ctx context.Context, person string) error {
	d.tallyMu.Lock()
	defer d.tallyMu.Unlock()
	return d.change(ctx, d.keyed("person", person), func(p *tally, _ time.Time) {
		p.Failures, p.LastUS = 0, 0
	})
}
