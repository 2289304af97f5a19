package store

import (
	"errors"
	"fmt"
)

var (
	// ErrRequestIDReused says that the request id was used for other content.
	ErrRequestIDReused = errors.New("store: request id was used before for something else")

	// ErrNothingDecided says that a command's steps decided no entry.
	ErrNothingDecided = errors.New("store: the command decided nothing")

	// ErrInvalid says that the caller broke the contract.
	ErrInvalid = errors.New("store: invalid argument")

	// ErrBadCursor says that a cursor is not one that this store gave out. It
	// is an ErrInvalid too.
	ErrBadCursor = fmt.Errorf("%w: bad cursor", ErrInvalid)

	// ErrUnavailable says that the engine could not read or write. Whether a
	// command was kept is then open; asking again with the same request id
	// settles it.
	ErrUnavailable = errors.New("store: could not read or write")

	// ErrPanicked says that a step panicked. The error is a *PanicError.
	ErrPanicked = errors.New("store: a step panicked")

	// ErrNotFound says that there is no entry with that sequence number.
	ErrNotFound = errors.New("store: no such entry")

	// ErrReleased says that a view was used after its release.
	ErrReleased = errors.New("store: the view was released")

	// ErrReadOnly says that the store takes no entries. The error says why.
	ErrReadOnly = errors.New("store: opened for reading only")

	// ErrClosed says that the store is closed.
	ErrClosed = errors.New("store: closed")

	// ErrTampered says that stored entries, tree hashes or receipts are not
	// what was appended. The error is a *TamperedError.
	ErrTampered = errors.New("store: evidence of tampering")

	// ErrProjection says that projections are not what the entries give. The
	// error is a *ProjectionError.
	ErrProjection = errors.New("store: projections differ from the entries")

	// ErrSchema says that the database does not have the form that this
	// software wants. The error is a *SchemaError.
	ErrSchema = errors.New("store: the database has another form than wanted")
)

// PanicError carries what a step panicked with.
type PanicError struct {
	Value any
	Stack []byte // of the panicking goroutine, for the log
}

// Error implements error.
func (e *PanicError) Error() string { return fmt.Sprintf("%v: %v", ErrPanicked, e.Value) }

// Is reports whether target is ErrPanicked.
func (e *PanicError) Is(target error) bool { return target == ErrPanicked }

// TamperedError tells where the first difference is.
type TamperedError struct {
	Sequence int64  // first bad sequence number
	What     string // what is wrong there
}

// Error implements error.
func (e *TamperedError) Error() string {
	return fmt.Sprintf("%v: sequence %d: %s", ErrTampered, e.Sequence, e.What)
}

// Is reports whether target is ErrTampered.
func (e *TamperedError) Is(target error) bool { return target == ErrTampered }

// ProjectionError tells the first difference between the projections kept and
// those made again from the entries.
type ProjectionError struct {
	What string
}

// Error implements error.
func (e *ProjectionError) Error() string {
	return fmt.Sprintf("%v: %s; run `kettlebook rebuild`", ErrProjection, e.What)
}

// Is reports whether target is ErrProjection.
func (e *ProjectionError) Is(target error) bool { return target == ErrProjection }

// SchemaError tells which form a database has and which one is wanted.
type SchemaError struct {
	What    string // "schema" or "projections"
	Current int64
	Wanted  int64
}

// Error implements error.
func (e *SchemaError) Error() string {
	cure := "run `kettlebook rebuild`"
	if e.Current > e.Wanted {
		cure = "it was written by newer software: use that"
	}
	return fmt.Sprintf("%v: %s version %d, wanted %d; %s", ErrSchema, e.What, e.Current, e.Wanted, cure)
}

// Is reports whether target is ErrSchema.
func (e *SchemaError) Is(target error) bool { return target == ErrSchema }
