package client

import (
	"errors"
	"io"

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
		return &Error{FieldError: records.FieldError{Kind: records.ErrUnavailable, Problem: "the service cannot be reached: " + st.Message(), Cure: "is kettlebook serve running, and the address right?"}, status: st}
	}
	return err
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
