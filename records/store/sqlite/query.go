package sqlite

import (
	"database/sql/driver"
	"fmt"
	"math"
	"strings"

	"kettlebook/records/store"
)

// statement collects the text and the arguments of a query. The texts are few
// and each connection keeps them prepared.
type statement struct {
	sql  strings.Builder
	args []any
}

func (s *statement) add(sql string, args ...any) {
	s.sql.WriteString(sql)
	s.args = append(s.args, args...)
}

// bounds adds a range over the ordered columns, of which the first is bounded
// by from and to and all by the cursor. Where the cursor lies inside the range it
// takes the bound's place, so that a late page costs no more than the first.
func (s *statement) bounds(columns []string, from, to string, after []string, desc bool) {
	lower, upper := from != "", to != ""
	if after != nil {
		marks := "(" + strings.TrimSuffix(strings.Repeat("?, ", len(after)), ", ") + ")"
		row := "(" + strings.Join(columns, ", ") + ")"
		var args []any
		for _, a := range after {
			args = append(args, a)
		}
		switch {
		case !desc && after[0] >= from:
			s.add(" AND "+row+" > "+marks, args...)
			lower = false
		case desc && (to == "" || after[0] < to):
			s.add(" AND "+row+" < "+marks, args...)
			upper = false
		}
	}
	if lower {
		s.add(" AND "+columns[0]+" >= ?", from)
	}
	if upper {
		s.add(" AND "+columns[0]+" < ?", to)
	}
}

// order adds the order and the limit.
func (s *statement) order(columns []string, desc bool, limit int) {
	s.add(" ORDER BY ")
	for i, c := range columns {
		if i > 0 {
			s.add(", ")
		}
		s.add(c)
		if desc {
			s.add(" DESC")
		}
	}
	// Written as a sum, because SQLite plans a bare "LIMIT ?" by its value and
	// prepares the statement anew for each binding.
	s.add(" LIMIT 0+?", int64(limit))
}

func (v *view) run(row func([]driver.Value), s *statement) error {
	return v.query(row, s.sql.String(), s.args...)
}

// cursor decodes a cursor of n parts, nil when there is none.
func cursor(after string, n int) ([]string, error) {
	if after == "" {
		return nil, nil
	}
	return store.DecodeCursor(after, n)
}

// Documents implements store.View.
func (v *view) Documents(q store.Query) ([]store.Doc, error) {
	if q.Kind == "" {
		return nil, fmt.Errorf("%w: a query needs a kind", store.ErrInvalid)
	}
	if err := checkLimit(q.Limit); err != nil {
		return nil, err
	}
	after, err := cursor(q.After, 2)
	if err != nil {
		return nil, err
	}
	var s statement
	if q.Index == "" {
		columns := []string{"d.id"}
		s.add(`SELECT '', d.id, d.day, d.sequence, d.body FROM documents d WHERE d.site = ? AND d.kind = ?`, v.site, q.Kind)
		if after != nil {
			after = after[1:]
		}
		s.bounds(columns, q.From, q.To, after, q.Desc)
		s.order(columns, q.Desc, q.Limit)
	} else {
		columns := []string{"k.value", "k.id"}
		s.add(`SELECT k.value, d.id, d.day, d.sequence, d.body FROM index_keys k CROSS JOIN documents d
			ON d.site = k.site AND d.kind = k.kind AND d.id = k.id
			WHERE k.site = ? AND k.kind = ? AND k.name = ?`, v.site, q.Kind, q.Index)
		s.bounds(columns, q.From, q.To, after, q.Desc)
		s.order(columns, q.Desc, q.Limit)
	}
	var out []store.Doc
	err = v.run(func(row []driver.Value) {
		out = append(out, store.Doc{
			Kind: q.Kind, Value: text(row[0]), ID: text(row[1]), Day: text(row[2]),
			Sequence: integer(row[3]), Body: blob(row[4]),
		})
	}, &s)
	return out, err
}

// Day implements store.View.
func (v *view) Day(q store.DayQuery) ([]store.Doc, error) {
	if q.Day == "" {
		return nil, fmt.Errorf("%w: a query needs a day", store.ErrInvalid)
	}
	if err := checkLimit(q.Limit); err != nil {
		return nil, err
	}
	after, err := cursor(q.After, 2)
	if err != nil {
		return nil, err
	}
	var s statement
	s.add(`SELECT d.kind, d.id, d.sequence, d.body FROM days t CROSS JOIN documents d
		ON d.site = t.site AND d.kind = t.kind AND d.id = t.id
		WHERE t.site = ? AND t.day = ?`, v.site, q.Day)
	if q.Kind != "" {
		s.add(" AND t.kind = ?", q.Kind)
	}
	columns := []string{"t.kind", "t.id"}
	s.bounds(columns, "", "", after, false)
	s.order(columns, false, q.Limit)
	var out []store.Doc
	err = v.run(func(row []driver.Value) {
		out = append(out, store.Doc{
			Kind: text(row[0]), ID: text(row[1]), Day: q.Day, Sequence: integer(row[2]), Body: blob(row[3]),
		})
	}, &s)
	return out, err
}

// Days implements store.View. It steps from one day to the next, so that the
// cost goes with the days returned and not with the documents on them.
func (v *view) Days(q store.DaysQuery) ([]string, error) {
	if err := checkLimit(q.Limit); err != nil {
		return nil, err
	}
	var out []string
	for len(out) < q.Limit {
		var after []string
		if len(out) > 0 {
			after = out[len(out)-1:]
		}
		var s statement
		s.add("SELECT day FROM days WHERE site = ?", v.site)
		s.bounds([]string{"day"}, q.From, q.To, after, q.Desc)
		s.order([]string{"day"}, q.Desc, 1)
		before := len(out)
		if err := v.run(func(row []driver.Value) { out = append(out, text(row[0])) }, &s); err != nil {
			return nil, err
		}
		if len(out) == before {
			break
		}
	}
	return out, nil
}

// Runs implements store.View.
func (v *view) Runs(q store.RunQuery) ([]store.Run, error) {
	if q.Series == "" && q.Instrument == "" {
		return nil, fmt.Errorf("%w: a query for runs needs a series or an instrument", store.ErrInvalid)
	}
	if err := checkLimit(q.Limit); err != nil {
		return nil, err
	}
	if q.To == 0 {
		q.To = math.MaxInt64
	}
	if q.From == 0 {
		q.From = math.MinInt64
	}
	var s statement
	if q.Series != "" {
		if err := s.runs(q, v.site, "series = ?", q.Series, math.MinInt64); err != nil {
			return nil, err
		}
		if q.Instrument != "" {
			s.add(" AND instrument = ?", q.Instrument)
		}
	} else {
		// Two ordered searches that the engine merges; see maxShortRun.
		begin := int64(math.MinInt64)
		if q.From > begin+maxShortRun {
			begin = q.From - maxShortRun
		}
		if err := s.runs(q, v.site, "instrument = ? AND long = 0", q.Instrument, begin); err != nil {
			return nil, err
		}
		s.add(" UNION ALL ")
		if err := s.runs(q, v.site, "instrument = ? AND long = 1", q.Instrument, math.MinInt64); err != nil {
			return nil, err
		}
	}
	s.order([]string{"first_at", "sequence", "part"}, q.Desc, q.Limit)
	var out []store.Run
	err := v.run(func(row []driver.Value) {
		out = append(out, store.Run{
			Sequence: integer(row[0]), Part: int32(integer(row[1])), Series: text(row[2]), Instrument: text(row[3]),
			FirstAt: integer(row[4]), LastAt: integer(row[5]), Count: int32(integer(row[6])), Body: blob(row[7]),
		})
	}, &s)
	return out, err
}

// runs adds one search over readings. begin is a time before which no run of
// the class can start and still reach the range.
func (s *statement) runs(q store.RunQuery, site int64, class, of string, begin int64) error {
	s.add("SELECT sequence, part, series, instrument, first_at, last_at, count, body FROM readings WHERE site = ? AND ", site)
	s.add(class, of)
	lower, upper := true, true
	if q.After != "" {
		firstAt, sequence, part, err := store.DecodeRunCursor(q.After)
		if err != nil {
			return err
		}
		switch {
		case !q.Desc && firstAt >= begin:
			s.add(" AND (first_at, sequence, part) > (?, ?, ?)", firstAt, sequence, int64(part))
			lower = false
		case q.Desc && firstAt < q.To:
			s.add(" AND (first_at, sequence, part) < (?, ?, ?)", firstAt, sequence, int64(part))
			upper = false
		}
	}
	if lower {
		s.add(" AND first_at >= ?", begin)
	}
	if upper {
		s.add(" AND first_at < ?", q.To)
	}
	s.add(" AND last_at >= ?", q.From)
	return nil
}
