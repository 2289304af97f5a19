package store

import (
	"iter"

	"kettlebook/records/ledger"
)

// MaxLimit is the most rows that one read of a View returns.
const MaxLimit = 10_000

// View reads the store as it was at one size. It is used by one goroutine at
// a time, and not after it is released or its step has returned: then every
// method fails with ErrReleased. Byte slices that it returns are the
// caller's.
//
// A view reads tree hashes as well (ledger.HashReader): proofs and roots for
// any size up to Size come from ledger.Inclusion, ledger.Consistency and
// ledger.RootAt.
type View interface {
	ledger.HashReader

	// Size returns the sequence number of the last entry, 0 when there is none.
	Size() int64

	// Entry returns one entry. The error is ErrNotFound when sequence is not
	// in 1 to Size.
	Entry(sequence int64) (Entry, error)

	// Entries returns the entries from sequence from on, at most limit, in
	// order.
	Entries(from int64, limit int) ([]Entry, error)

	// Receipt returns the receipt of a request id, and false when there is none.
	Receipt(requestID string) (Receipt, bool, error)

	// Document returns one document, and false when there is none.
	Document(kind, id string) (Doc, bool, error)

	// Documents returns documents of a kind in order.
	Documents(q Query) ([]Doc, error)

	// Day returns the documents of a day in order of kind, then id.
	Day(q DayQuery) ([]Doc, error)

	// Days returns days that have documents, in order.
	Days(q DaysQuery) ([]string, error)

	// Runs returns runs of readings in order of FirstAt, then Sequence and
	// Part.
	Runs(q RunQuery) ([]Run, error)
}

// Doc is a document as projected.
type Doc struct {
	Kind, ID string
	Day      string // empty when it belongs to no day
	Sequence int64  // the entry that wrote it last
	Value    string // the index value under which Documents found it
	Body     []byte
}

// Query asks for documents of a kind. With an Index they come in order of the
// values in it, then id, and a document comes once for each of its keys in
// range; without one they come in order of id, and From and To bound the id.
type Query struct {
	Kind  string // not empty
	Index string
	From  string // at or above; empty is open
	To    string // below; empty is open
	After string // the cursor of the last document seen, empty to begin
	Desc  bool   // from the end of the range downward
	Limit int    // 1 to MaxLimit
}

// DayQuery asks for the documents of a day.
type DayQuery struct {
	Day   string // not empty
	Kind  string // empty is every kind
	After string // the cursor of the last document seen, empty to begin
	Limit int    // 1 to MaxLimit
}

// DaysQuery asks for days.
type DaysQuery struct {
	From  string // at or above; empty is open
	To    string // below; empty is open
	Desc  bool
	Limit int // 1 to MaxLimit
}

// RunQuery asks for runs by series, by instrument, or by both; one of them is
// given. A run is in range when it has FirstAt < To and LastAt >= From.
type RunQuery struct {
	Series     string
	Instrument string
	From       int64  // unix microseconds; 0 is open
	To         int64  // unix microseconds, exclusive; 0 is open
	After      string // the cursor of the last run seen, empty to begin
	Desc       bool
	Limit      int // 1 to MaxLimit
}

// AllDocuments goes through every document of q, page by page; q.Limit is the
// size of a page, 0 means 500.
func AllDocuments(v View, q Query) iter.Seq2[Doc, error] {
	q.Limit = pageSize(q.Limit)
	return pages(q.Limit, func(after string) ([]Doc, error) {
		if after != "" {
			q.After = after
		}
		return v.Documents(q)
	}, Doc.Cursor)
}

// AllOfDay goes through every document of q, page by page; q.Limit is the
// size of a page, 0 means 500.
func AllOfDay(v View, q DayQuery) iter.Seq2[Doc, error] {
	q.Limit = pageSize(q.Limit)
	return pages(q.Limit, func(after string) ([]Doc, error) {
		if after != "" {
			q.After = after
		}
		return v.Day(q)
	}, Doc.DayCursor)
}

// AllRuns goes through every run of q, page by page; q.Limit is the size of a
// page, 0 means 500.
func AllRuns(v View, q RunQuery) iter.Seq2[Run, error] {
	q.Limit = pageSize(q.Limit)
	return pages(q.Limit, func(after string) ([]Run, error) {
		if after != "" {
			q.After = after
		}
		return v.Runs(q)
	}, Run.Cursor)
}

func pageSize(limit int) int {
	if limit == 0 {
		return 500
	}
	return limit
}

func pages[T any](limit int, page func(after string) ([]T, error), cursor func(T) string) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		after := ""
		for {
			items, err := page(after)
			if err != nil {
				var zero T
				yield(zero, err)
				return
			}
			for _, item := range items {
				if !yield(item, nil) {
					return
				}
			}
			if len(items) < limit {
				return
			}
			after = cursor(items[len(items)-1])
		}
	}
}
