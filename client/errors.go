package client

import (
	"errors"
	"io"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"kettlebook/records"
)

var errEOF = io.EOF

// FromStatus turns a status back into the error it came from: the table of
// package records, read the other way. What is no status of the service
// passes unchanged.
func FromStatus(err error) error {
	if err == nil || errors.Is(err, io.EOF) {
		return err
	}
	st, ok := status.FromError(err)
	if !ok {
		return err
	}
	var reason, field, problem, cure string
	for _, d := range st.Details() {
		switch t := d.(type) {
		case *errdetails.ErrorInfo:
			if t.GetDomain() != records.Domain {
				continue // the word of a proxy, or of nobody
			}
			reason, cure = t.GetReason(), t.GetMetadata()["cure"]
		case *errdetails.BadRequest:
			if v := t.GetFieldViolations(); len(v) > 0 {
				field, problem = v[0].GetField(), v[0].GetDescription()
			}
		}
	}
	for _, k := range records.Kinds() {
		if k.Reason != reason {
			continue
		}
		if problem == "" {
			problem = st.Message()
			if cure != "" {
				// The message ends with the cure in brackets; say it once.
				problem = trimCure(problem, cure)
			}
		}
		return &Error{FieldError: records.FieldError{Kind: k.Sentinel, Field: field, Problem: problem, Cure: cure}, status: st}
	}
	if st.Code() == codes.Unavailable {
		problem, cure = unreachable(st.Message())
		return &Error{FieldError: records.FieldError{Kind: records.ErrUnavailable, Problem: problem, Cure: cure}, status: st}
	}
	return err
}

// unreachable says in words of ours why no connection came about. What it does
// not know it hands on.
func unreachable(message string) (problem, cure string) {
	if strings.Contains(message, "error reading server preface") {
		return "the service does not speak plain text", "give the kitchen's ca.pem with --ca"
	}
	const handshake, dialing = "authentication handshake failed: ", "Error while dialing: "
	if _, why, ok := strings.Cut(message, handshake); ok {
		return "the service is not trusted: " + strings.TrimSuffix(why, `"`), "give the ca.pem of that very kitchen, and a name or address that its certificate has"
	}
	if _, why, ok := strings.Cut(message, dialing); ok {
		message = strings.TrimSuffix(why, `"`)
	}
	return "the service cannot be reached: " + message, "is kettlebook serve running, and the address right?"
}

func trimCure(message, cure string) string {
	suffix := " (" + cure + ")"
	if len(message) > len(suffix) && message[len(message)-len(suffix):] == suffix {
		return message[:len(message)-len(suffix)]
	}
	return message
}

// Error is an error of the service on this side: a records.FieldError that
// remembers its status.
type Error struct {
	records.FieldError
	status *status.Status
}

// GRPCStatus gives the status as it came.
func (e *Error) GRPCStatus() *status.Status { return e.status }

// As lets errors.As find the FieldError.
func (e *Error) As(target any) bool {
	if t, ok := target.(**records.FieldError); ok {
		*t = &e.FieldError
		return true
	}
	return false
}
