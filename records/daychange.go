package records

import (
	"fmt"
	"slices"

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
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	compare(instrumentsByName(a), instrumentsByName(b), func(id string, x, y *kb.InstrumentDay) {
		switch nx, ny := len(x.GetChecks()), len(y.GetChecks()); {
		case ny > nx:
			say("Checks added for %s: %d.", id, ny-nx)
		case x == nil:
			say("Instrument %s added.", id)
		case y == nil:
			say("Instrument %s no longer listed.", id)
		default:
			say("%s: what its checks showed, or its standing, changed.", id)
		}
	})
	compare(batchesByLot(a), batchesByLot(b), func(lot string, x, y *kb.BatchDay) {
		switch {
		case x == nil:
			say("Batch %s added.", lot)
		case y == nil:
			say("Batch %s no longer listed.", lot)
		default:
			say("Batch %s: %s.", lot, batchChange(x, y))
		}
	})
	compare(deviationsByName(a), deviationsByName(b), func(id string, x, y *kb.DeviationDay) {
		switch {
		case x == nil:
			say("Deviation added: %s", y.GetDeviation().GetWhat())
		case y == nil:
			say("Deviation no longer listed: %s", x.GetDeviation().GetWhat())
		case y.GetDeviation().GetWithdrawn() && !x.GetDeviation().GetWithdrawn():
			say("Deviation withdrawn: %s", y.GetDeviation().GetWhat())
		case len(y.GetActions()) > len(x.GetActions()):
			say("Corrective action added: %s", y.GetDeviation().GetWhat())
		default:
			say("Deviation reworded: %s", y.GetDeviation().GetWhat())
		}
	})
	old := map[string]bool{}
	for _, m := range a.GetMarked() {
		old[m.String()] = true
	}
	for _, m := range b.GetMarked() {
		if m.GetKind() == kb.MarkKind_MARK_KIND_AMENDED && !old[m.String()] {
			say("Amended: %s, struck %s, now %s.", m.GetWhat(), m.GetStruck(), m.GetNow())
		}
	}
	if len(out) == 0 && string(before) != string(after) {
		say("Other particulars of the day changed.")
	}
	if string(before) == string(after) {
		say("Nothing: reviewed after it was sealed.")
	}
	return out, nil
}

func batchChange(x, y *kb.BatchDay) string {
	s := ""
	add := func(changed bool, words string) {
		if changed {
			if s != "" {
				s += ", "
			}
			s += words
		}
	}
	add(!proto.Equal(x.GetPull(), y.GetPull()), "pull judged anew")
	add(!proto.Equal(x.GetCoolingResult(), y.GetCoolingResult()), "cooling clock carried on or judged anew")
	add(!proto.Equal(x.GetDisposition(), y.GetDisposition()), "disposition")
	add(x.GetVoidReason() != y.GetVoidReason(), "voided")
	add(!proto.Equal(x.GetYieldKg(), y.GetYieldKg()), "yield")
	add(s == "", "readings or particulars")
	return s
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

func instrumentsByName(c *kb.DayContent) map[string]*kb.InstrumentDay {
	out := map[string]*kb.InstrumentDay{}
	for _, i := range c.GetInstruments() {
		out[i.GetInstrument().GetInstrumentId()] = i
	}
	return out
}

func batchesByLot(c *kb.DayContent) map[string]*kb.BatchDay {
	out := map[string]*kb.BatchDay{}
	for _, b := range c.GetBatches() {
		out[b.GetStart().GetLotCode()] = b
	}
	return out
}

func deviationsByName(c *kb.DayContent) map[string]*kb.DeviationDay {
	out := map[string]*kb.DeviationDay{}
	for _, d := range c.GetDeviations() {
		out[d.GetDeviation().GetDeviationId()] = d
	}
	return out
}
