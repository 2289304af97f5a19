package records

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	kb "kettlebook/proto/kettlebook/v1"
)

// MayChangeDay says whether an entry may change the content of a production
// day: records of that day and of earlier ones, and settings. Reviews, seals
// and logs change no content.
func MayChangeDay(e Entry, day string) bool {
	switch m := e.Message.(type) {
	case *kb.DayReview, *kb.DaySeal, *kb.LogSealed, *kb.LedgerRestored:
		return false
	case *kb.SheetTaken:
		return slices.Contains(m.GetProductionDays(), day)
	case *kb.Site:
		return true
	}
	return e.GetProductionDay() <= day
}

// ContentChanges says in sentences what a re-issue of a day adds or strikes
// against the issue before. Both are contents as kept.
func ContentChanges(before, after []byte) ([]string, error) {
	a, b := new(kb.DayContent), new(kb.DayContent)
	for _, x := range []struct {
		raw []byte
		m   *kb.DayContent
	}{{before, a}, {after, b}} {
		if err := protojson.Unmarshal(x.raw, x.m); err != nil {
			return nil, fmt.Errorf("%w: day content: %v", ErrMalformed, err)
		}
	}
	c := changeList{}
	c.instruments(a, b)
	c.batches(a, b)
	c.deviations(a, b)
	c.lookBacks(a, b)
	c.marks(a, b)
	if !slices.EqualFunc(a.GetPressures(), b.GetPressures(), func(x, y *kb.PressureUsed) bool { return proto.Equal(x, y) }) {
		c.say("Kitchen pressures of the day: %d, before %d.", len(b.GetPressures()), len(a.GetPressures()))
	}
	switch {
	case string(before) == string(after):
		c.say("Nothing: reviewed after it was sealed.")
	case len(c.out) == 0:
		c.say("Other particulars of the day changed.")
	}
	return c.out, nil
}

// changeList gathers sentences.
type changeList struct{ out []string }

func (c *changeList) say(format string, args ...any) {
	c.out = append(c.out, fmt.Sprintf(format, args...))
}

func (c *changeList) instruments(a, b *kb.DayContent) {
	named := func(i *kb.InstrumentDay) string { return i.GetInstrument().GetInstrumentId() }
	compare(byName(a.GetInstruments(), named), byName(b.GetInstruments(), named), func(id string, x, y *kb.InstrumentDay) {
		switch {
		case y == nil:
			c.say("Instrument %s no longer listed.", id)
			return
		case x == nil:
			c.say("Instrument %s added, with %s.", id, checkCount(len(y.GetChecks())))
			return
		}
		// Which batches it measured is said of the batches.
		rest := clone(y)
		rest.Lots = x.GetLots()
		if more := len(y.GetChecks()) - len(x.GetChecks()); more > 0 {
			c.say("%s added for %s.", upperFirst(checkCount(more)), id)
		} else if !proto.Equal(x, rest) {
			c.say("%s: what its checks showed, or its standing, changed.", id)
		}
	})
}

func checkCount(n int) string {
	switch n {
	case 0:
		return "no check"
	case 1:
		return "one check"
	}
	return fmt.Sprintf("%d checks", n)
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func (c *changeList) batches(a, b *kb.DayContent) {
	named := func(b *kb.BatchDay) string { return b.GetStart().GetLotCode() }
	compare(byName(a.GetBatches(), named), byName(b.GetBatches(), named), func(lot string, x, y *kb.BatchDay) {
		switch {
		case x == nil:
			c.say("Batch %s added.", lot)
		case y == nil:
			c.say("Batch %s no longer listed.", lot)
		default:
			c.say("Batch %s: %s.", lot, batchChange(x, y))
		}
	})
}

func (c *changeList) deviations(a, b *kb.DayContent) {
	named := func(d *kb.DeviationDay) string { return d.GetDeviation().GetDeviationId() }
	compare(byName(a.GetDeviations(), named), byName(b.GetDeviations(), named), func(id string, x, y *kb.DeviationDay) {
		d := y.GetDeviation()
		if y == nil {
			d = x.GetDeviation()
		}
		word := "Deviation"
		if d.GetClass() == kb.DeviationClass_DEVIATION_CLASS_QUALITY_MISS {
			word = "Quality miss" // never called a deviation
		}
		switch {
		case x == nil:
			c.say("%s added: %s", word, d.GetWhat())
		case y == nil:
			c.say("%s no longer listed: %s", word, d.GetWhat())
		case d.GetWithdrawn() && !x.GetDeviation().GetWithdrawn():
			c.say("%s withdrawn: %s", word, d.GetWhat())
		case len(y.GetActions()) > len(x.GetActions()):
			c.say("Corrective action added: %s", d.GetWhat())
		case d.GetWhat() != x.GetDeviation().GetWhat():
			c.say("%s reworded: %s", word, d.GetWhat())
		default:
			c.say("%s changed: %s", word, d.GetWhat())
		}
	})
}

func (c *changeList) lookBacks(a, b *kb.DayContent) {
	named := func(l *kb.LookBack) string { return l.GetCheckId() }
	compare(byName(a.GetLookBacks(), named), byName(b.GetLookBacks(), named), func(_ string, x, y *kb.LookBack) {
		switch {
		case x == nil:
			c.say("Look-back of %s added: %s.", y.GetInstrumentId(), itemCount(y))
		case y == nil:
			c.say("Look-back of %s no longer listed.", x.GetInstrumentId())
		default:
			c.say("Look-back of %s: %s, before %s.", y.GetInstrumentId(), itemCount(y), itemCount(x))
		}
	})
}

func itemCount(l *kb.LookBack) string {
	if n := len(l.GetItems()); n != 1 {
		return fmt.Sprintf("%d readings", n)
	}
	return "1 reading"
}

func (c *changeList) marks(a, b *kb.DayContent) {
	for _, m := range b.GetMarked() {
		known := slices.ContainsFunc(a.GetMarked(), func(x *kb.MarkedRecord) bool { return proto.Equal(x, m) })
		if m.GetKind() == kb.MarkKind_MARK_KIND_AMENDED && !known {
			c.say("Amended: %s, struck %s, now %s.", m.GetWhat(), m.GetStruck(), m.GetNow())
		}
	}
}

func batchChange(x, y *kb.BatchDay) string {
	var out []string
	for _, c := range []struct {
		changed bool
		words   string
	}{
		{!proto.Equal(x.GetPull(), y.GetPull()), "pull judged anew"},
		{!proto.Equal(x.GetCoolingResult(), y.GetCoolingResult()), "cooling clock carried on or judged anew"},
		{!proto.Equal(x.GetDisposition(), y.GetDisposition()), "disposition"},
		{x.GetVoidReason() != y.GetVoidReason(), "voided"},
		{!proto.Equal(x.GetYieldKg(), y.GetYieldKg()), "yield"},
	} {
		if c.changed {
			out = append(out, c.words)
		}
	}
	if len(out) == 0 {
		return "readings or particulars"
	}
	return strings.Join(out, ", ")
}

func compare[M interface {
	comparable
	proto.Message
}](a, b map[string]M, differ func(id string, x, y M)) {
	var ids []string
	for id := range a {
		ids = append(ids, id)
	}
	for id := range b {
		if _, ok := a[id]; !ok {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	for _, id := range ids {
		if !proto.Equal(a[id], b[id]) {
			differ(id, a[id], b[id])
		}
	}
}

func byName[M any](list []M, name func(M) string) map[string]M {
	out := map[string]M{}
	for _, m := range list {
		out[name(m)] = m
	}
	return out
}
