// Package store says what a store of entries must do. It is a contract: the
// suite in storetest checks every sentence below that has a MUST in it, and
// the engines stand in packages of their own.
//
// A store keeps, for one site, a sequence of entries that is only ever
// appended to, the Merkle tree over them (package ledger), one receipt a
// command, and projections: documents, index keys, days and runs that a pure
// function makes from the entries. It knows no noun of the trade; what it
// keeps is opaque bytes under names that the caller chose.
//
// # Entries
//
// Sequence numbers MUST start at 1 and MUST have no holes; 0 means "none".
// Entry s is leaf s-1 of the tree. The envelope bytes of a draft MUST be
// asked for once, kept as given, hashed as given and handed out as given. No
// method changes or removes an entry, a tree hash or a receipt, and the
// engine itself MUST refuse to.
//
// # Append
//
// Commands MUST take effect one after the other. The steps of a command MUST
// run in order; each MUST see everything that was committed before, what the
// commands before it in the same group wrote, and what the steps before it
// wrote. Either all entries of a command, their tree hashes, their
// projections and its receipt are kept, or none of them. A command whose
// step fails or panics MUST leave no trace and MUST NOT disturb the commands
// it was grouped with; the error of a step is returned unchanged, so that
// errors.Is works on it.
//
// Append MUST NOT return a receipt before the command would survive the loss
// of power. When ctx ends before the command's turn, nothing is written and
// ctx's error is returned; once its turn has come, Append waits and reports
// what happened. ErrUnavailable and ErrClosed leave open whether the command was
// kept; asking again with the same request id settles it.
//
// A request id is used once, for ever. The same id with the same content
// MUST get the first receipt, marked Replayed, and run no step; with other
// content it MUST get ErrRequestIDReused. That holds when both arrive at
// once.
//
// # Projections
//
// Projections MUST be at all times what the projector makes from the entries
// in order; dropping them and making them again MUST give the same.
//
// # Views
//
// A view MUST show the store as it was after some whole command, and go on
// showing the same until it is released, whatever is appended meanwhile.
package store

import (
	"context"

	"kettlebook/records/ledger"
)

// Store keeps the entries of one site. All methods may be called from many
// goroutines at once.
type Store interface {
	// Append runs the steps of a command on the writer's turn and keeps what
	// they decide. Errors: ErrRequestIDReused, ErrNothingDecided (the steps
	// decided no entry; nothing is kept), ErrInvalid (an empty request id, a
	// draft or projection that breaks the contract), ErrPanicked, ErrReadOnly,
	// ErrClosed, ErrUnavailable, ctx's error, or a step's own.
	Append(ctx context.Context, cmd Command, steps ...Step) (Receipt, error)

	// Snapshot returns a view of what is committed now. The caller must call
	// release, and soon: readers are few, and a view holds one of them. ctx
	// bounds the waiting and every read of the view.
	Snapshot(ctx context.Context) (v View, release func(), err error)

	// SnapshotOnWriter is Snapshot taken on the writer's turn: every command
	// that was waiting before the call is in it, and none is half way.
	SnapshotOnWriter(ctx context.Context) (v View, release func(), err error)

	// Watch tells of commits: the channel receives the store's size, now when
	// it is above after, and then after each group commit. A slow watcher
	// misses sizes in between, never the last. The channel is closed by
	// cancel, which may be called more than once, and by Close.
	Watch(after int64) (sizes <-chan int64, cancel func())

	// Freeze makes every later Append fail with ErrReadOnly and why. It is
	// for a ledger that must not be continued.
	Freeze(why string)

	// Rebuild drops all projections and makes them again from the entries, in
	// one transaction on the writer's turn.
	Rebuild(ctx context.Context) error

	// Check reads everything and recomputes it: every leaf and tree hash from
	// the envelope bytes, the sequence, the receipts, and all projections. The
	// error is a *TamperedError (ErrTampered) for entries, tree hashes or
	// receipts that are not what was appended, a *ProjectionError
	// (ErrProjection) for projections that are not what the entries give, and
	// anything else when it could not check.
	Check(ctx context.Context) (CheckReport, error)

	// Digest returns a hash over all projections: two stores whose
	// projections are equal have the same.
	Digest(ctx context.Context) ([32]byte, error)

	// Secrets returns the table of things that are no records.
	Secrets() Secrets

	// Stats returns counts since the store was opened.
	Stats() Stats

	// Close waits for the group being written, fails what still waits with
	// ErrClosed, and releases everything.
	Close() error
}

// Draft is an entry that was decided and has no sequence number yet.
type Draft interface {
	// Envelope serialises the entry under its sequence number. It is called
	// once, and the bytes must not be changed afterwards.
	Envelope(sequence int64) ([]byte, error)
}

// Entry is what was appended: the envelope bytes as they were stored.
type Entry struct {
	Sequence int64 // from 1
	Envelope []byte
}

// Command names a request.
type Command struct {
	RequestID   string   // not empty, unique for ever
	ContentHash [32]byte // of what was asked, to tell a repeat from a reuse
}

// Receipt says which entries a command appended: First to First+Count-1.
type Receipt struct {
	RequestID   string
	ContentHash [32]byte
	First       int64 // sequence number of the first entry
	Count       int64 // number of entries, at least 1
	Replayed    bool  // this answer was given before
}

// Projector makes from an entry what is looked up later. It must be pure: the
// same entry gives the same projection at any time and on any machine.
type Projector func(e Entry) (Projection, error)

// Projection is what one entry changes in the projections.
type Projection struct {
	// RequestID and ContentHash are what the envelope says of the command that
	// appended it. Append and Check compare them with the command and its
	// receipt. They are not compared when RequestID is empty.
	RequestID   string
	ContentHash [32]byte

	Rows []Row
	Runs []Run
}

// Row is a document to put in place of the one with the same kind and id, or,
// when Body is nil, to remove. Its index keys and its day are replaced with
// it.
type Row struct {
	Kind string // not empty
	ID   string // not empty
	Day  string // YYYY-MM-DD, or empty when the document belongs to no day
	Body []byte // nil removes the document; an empty slice is an empty document
	Keys []Key  // no two alike
}

// Key puts a document into an index of its kind. Indexes are ordered bytewise
// by Value, then by the document's id; see OrderedInt and Composite.
type Key struct {
	Index string // not empty
	Value string
}

// Run is a run of readings of one instrument in one series, kept as one row.
// It is put in place of the run with the same Sequence and Part, or, when
// Body is nil, removes it.
type Run struct {
	Sequence   int64  // the entry that carries the readings; 0 in a projection means the entry projected
	Part       int32  // tells runs of one entry apart, from 0
	Series     string // what the readings belong to, not empty
	Instrument string // what they were read on
	FirstAt    int64  // unix microseconds of the first reading
	LastAt     int64  // unix microseconds of the last, not before FirstAt
	Count      int32  // number of readings
	Body       []byte // nil removes the run
}

// CheckReport says what Check went through.
type CheckReport struct {
	Size        int64
	Root        ledger.Hash // recomputed from the envelopes
	Receipts    int64
	Projections int64    // documents, index keys, days and runs
	Digest      [32]byte // of the projections, see Store.Digest
}

// Stats counts what the store did since it was opened.
type Stats struct {
	Commands         int64  // appended, without replays
	Replays          int64  // answered with an earlier receipt
	Refused          int64  // ended with an error of their own
	Entries          int64  // appended
	Commits          int64  // groups committed
	LargestGroup     int    // commands committed together
	StepRows         int    // most rows that one step read through its view
	StepRequestID    string // the command of that step
	CommandRows      int    // most rows that one command read through its views
	CommandRequestID string // that command
}

// Secrets is a small table of keys and values that are no records: it is in
// no tree and no projection, is never rebuilt, and rows can be overwritten
// and removed. Credentials and sessions stand here, hashed by the caller.
type Secrets interface {
	// Get returns the secret, and false when there is none. It does not look
	// at ExpiresAt.
	Get(ctx context.Context, bucket, key string) (Secret, bool, error)

	// Put keeps s in place of the one with the same bucket and key.
	Put(ctx context.Context, s Secret) error

	// Delete removes a secret and tells whether there was one: of many
	// callers at once, one is told true.
	Delete(ctx context.Context, bucket, key string) (bool, error)

	// DeleteBucket removes all secrets of a bucket and returns how many.
	DeleteBucket(ctx context.Context, bucket string) (int64, error)

	// DeleteExpired removes from all buckets what expired at or before now
	// (unix microseconds) and returns how many.
	DeleteExpired(ctx context.Context, now int64) (int64, error)

	// List returns all secrets of a bucket in order of their keys.
	List(ctx context.Context, bucket string) ([]Secret, error)
}

// Secret is one row of Secrets.
type Secret struct {
	Bucket    string // not empty
	Key       string // not empty
	Value     []byte
	ExpiresAt int64 // unix microseconds; 0 means never
}
