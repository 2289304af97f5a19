package records

import (
	"errors"
	"fmt"
)

// Sentinels of the core. Every error that a rule returns wraps one of them.
var (
	// ErrInvalid: the message itself is wrong; nothing was kept.
	ErrInvalid = errors.New("invalid")
	// ErrUnknownReference: it names something that the ledger does not have.
	ErrUnknownReference = errors.New("unknown reference")
	// ErrNotFound: what was asked for does not exist.
	ErrNotFound = errors.New("not found")
	// ErrExists: a name that may be given once was given before.
	ErrExists = errors.New("already exists")
	// ErrRequestIDReused: the request id was used with other content.
	ErrRequestIDReused = errors.New("request id reused with other content")
	// ErrRowChanged: a line of a sheet that was taken before now says something else.
	ErrRowChanged = errors.New("line of a sheet changed after it was taken")
	// ErrTooFarAhead: it claims a time more than a day ahead.
	ErrTooFarAhead = errors.New("too far ahead")
	// ErrState: it does not fit the state of what it speaks of.
	ErrState = errors.New("does not fit the state")
	// ErrDayChanged: the day's content differs from what was shown to the signer.
	ErrDayChanged = errors.New("the day changed, look again")
	// ErrNotAllowed: this person may not do that.
	ErrNotAllowed = errors.New("not allowed")
	// ErrNotSetUp: the kitchen has no settings yet.
	ErrNotSetUp = errors.New("the kitchen is not set up")
	// ErrReadOnly: the ledger does not extend what was signed, so nothing is written.
	ErrReadOnly = errors.New("the ledger is open read-only")
	// ErrNotSignedIn: there is no session, or it ended, or initials and PIN do not go together.
	ErrNotSignedIn = errors.New("not signed in")
	// ErrTooMany: too many calls or tries; wait and try again.
	ErrTooMany = errors.New("too many tries")
	// ErrUnavailable: the service cannot answer now; the same request may be sent again.
	ErrUnavailable = errors.New("unavailable")
	// ErrMalformed: bytes of the ledger cannot be read as an entry.
	ErrMalformed = errors.New("malformed entry")
)

// FieldError is an error about one field: which, what is wrong, and the cure.
type FieldError struct {
	// Kind is the sentinel it wraps.
	Kind error
	// Field is the path of the field in the message, for example points[1].reading.
	Field string
	// Problem says what is wrong, in a clause.
	Problem string
	// Cure says what to do.
	Cure string
}

// Error gives field, problem and cure in one line.
func (e *FieldError) Error() string {
	s := e.Problem
	if e.Field != "" {
		s = e.Field + ": " + s
	}
	if e.Cure != "" {
		s += " (" + e.Cure + ")"
	}
	return s
}

// Unwrap gives the sentinel.
func (e *FieldError) Unwrap() error { return e.Kind }

// Within gives the same error with its field below a prefix; other errors pass.
func Within(prefix string, err error) error {
	var fe *FieldError
	if err == nil || !errors.As(err, &fe) {
		return err
	}
	c := *fe
	switch {
	case c.Field == "":
		c.Field = prefix
	default:
		c.Field = prefix + "." + c.Field
	}
	return &c
}

func invalid(field, cure, problem string, args ...any) error {
	return &FieldError{Kind: ErrInvalid, Field: field, Problem: fmt.Sprintf(problem, args...), Cure: cure}
}

func refuse(kind error, field, cure, problem string, args ...any) error {
	return &FieldError{Kind: kind, Field: field, Problem: fmt.Sprintf(problem, args...), Cure: cure}
}

// Domain is where the words of Kinds mean what they say (google.rpc.ErrorInfo).
const Domain = "kettlebook"

// Kinds lists every sentinel with the word that names it on the wire: the one
// table from which the server makes statuses and the client makes errors.
func Kinds() []Kind {
	return []Kind{
		{ErrInvalid, "INVALID"}, {ErrUnknownReference, "UNKNOWN_REFERENCE"}, {ErrNotFound, "NOT_FOUND"}, {ErrExists, "EXISTS"},
		{ErrRequestIDReused, "REQUEST_ID_REUSED"}, {ErrRowChanged, "ROW_CHANGED"}, {ErrTooFarAhead, "TOO_FAR_AHEAD"}, {ErrState, "STATE"},
		{ErrDayChanged, "DAY_CHANGED"}, {ErrNotAllowed, "NOT_ALLOWED"}, {ErrNotSetUp, "NOT_SET_UP"}, {ErrReadOnly, "READ_ONLY"},
		{ErrNotSignedIn, "NOT_SIGNED_IN"}, {ErrTooMany, "TOO_MANY"}, {ErrUnavailable, "UNAVAILABLE"}, {ErrMalformed, "MALFORMED"},
	}
}

// Kind is a sentinel and its word on the wire.
type Kind struct {
	// Sentinel is the error.
	Sentinel error
	// Reason is the word, upper case.
	Reason string
}
