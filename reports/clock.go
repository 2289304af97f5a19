package reports

import (
	"fmt"
	"time"
	_ "time/tzdata" // the kitchen's zone is known on every machine

	"google.golang.org/protobuf/types/known/timestamppb"

	kettlebookv1 "kettlebook/proto/kettlebook/v1"
)

// wallClock prints times as the clock on the kitchen's wall showed them.
type wallClock struct {
	loc      *time.Location
	day      string
	from, to time.Time
	// shifted is set when the clock was changed within the day: then every time carries its offset.
	shifted bool
	// unknown names a zone that could not be found; the fixed offset stands in.
	unknown string
}

func newWallClock(c *kettlebookv1.DayContent) *wallClock {
	w := &wallClock{day: c.GetProductionDay()}
	offset := int(c.GetUtcOffsetS())
	w.loc = time.FixedZone("", offset)
	if zone := c.GetSite().GetZone(); zone != "" {
		if loc, err := time.LoadLocation(zone); err == nil {
			w.loc = loc
		} else {
			w.unknown = zone
		}
	}
	if c.GetFrom() != nil && c.GetTo() != nil {
		w.from, w.to = c.GetFrom().AsTime(), c.GetTo().AsTime()
		w.shifted = offsetName(w.from.In(w.loc)) != offsetName(w.to.Add(-time.Nanosecond).In(w.loc))
	}
	return w
}

// offsetName prints a time's distance from UTC.
func offsetName(t time.Time) string {
	_, s := t.Zone()
	sign := '+'
	if s < 0 {
		sign, s = '-', -s
	}
	name := fmt.Sprintf("UTC%c%02d:%02d", sign, s/3600, s/60%60)
	if s%60 != 0 {
		name += fmt.Sprintf(":%02d", s%60)
	}
	return name
}

// at prints a time: of the production day's date as 07:14, of another with its date before it.
func (w *wallClock) at(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return "time not given"
	}
	return w.of(ts.AsTime())
}

func (w *wallClock) of(t time.Time) string {
	local := t.In(w.loc)
	layout := "15:04"
	if local.Second() != 0 {
		layout = "15:04:05"
	}
	text := local.Format(layout)
	if date := local.Format(time.DateOnly); date != w.day {
		text = date + " " + text
	}
	if w.shifted {
		text += " " + offsetName(local)
	}
	return text
}

// date prints the day of a time.
func (w *wallClock) date(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return "date not given"
	}
	return ts.AsTime().In(w.loc).Format(time.DateOnly)
}

// full prints a time with date, seconds and offset.
func (w *wallClock) full(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return "time not given"
	}
	local := ts.AsTime().In(w.loc)
	return local.Format("2006-01-02 15:04:05 ") + offsetName(local)
}

// zone says in words which clock the times follow.
func (w *wallClock) zone() string {
	var at time.Time
	if !w.from.IsZero() {
		at = w.from
	}
	name := offsetName(at.In(w.loc))
	if w.shifted {
		name += " to " + offsetName(w.to.Add(-time.Nanosecond).In(w.loc)) + ", clock changed in the day"
	}
	if w.loc.String() != "" {
		name += " (" + w.loc.String() + ")"
	}
	if w.unknown != "" {
		name += " (zone " + w.unknown + " not known here)"
	}
	return name
}

// span prints start and end of the production day.
func (w *wallClock) span() string {
	if w.from.IsZero() {
		return "start and end not given"
	}
	layout := "2006-01-02 15:04"
	a, b := w.from.In(w.loc), w.to.In(w.loc)
	text := a.Format(layout) + " to " + b.Format(layout)
	if w.shifted {
		text = a.Format(layout) + " " + offsetName(a) + " to " + b.Format(layout) + " " + offsetName(b)
	}
	return text
}
