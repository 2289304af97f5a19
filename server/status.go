package server

import (
	"context"
	"errors"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	"kettlebook/records"
	"kettlebook/records/store"
	"kettlebook/server/signin"
)

// codesByReason gives the gRPC code of each kind of error.
var codesByReason = map[string]codes.Code{
	"INVALID":           codes.InvalidArgument,
	"TOO_FAR_AHEAD":     codes.InvalidArgument,
	"UNKNOWN_REFERENCE": codes.FailedPrecondition,
	"NOT_FOUND":         codes.NotFound,
	"EXISTS":            codes.AlreadyExists,
	"REQUEST_ID_REUSED": codes.AlreadyExists,
	"ROW_CHANGED":       codes.AlreadyExists,
	"STATE":             codes.FailedPrecondition,
	"DAY_CHANGED":       codes.FailedPrecondition,
	"NOT_ALLOWED":       codes.PermissionDenied,
	"NOT_SET_UP":        codes.FailedPrecondition,
	"READ_ONLY":         codes.FailedPrecondition,
	"NOT_SIGNED_IN":     codes.Unauthenticated,
	"TOO_MANY":          codes.ResourceExhausted,
	"UNAVAILABLE":       codes.Unavailable,
	"MALFORMED":         codes.DataLoss,
}

// translate turns errors of the store and the sign-in desk into the core's.
func translate(err error) error {
	var rule *signin.RuleError
	var delay *signin.DelayError
	switch {
	case errors.Is(err, store.ErrRequestIDReused):
		return &records.FieldError{Kind: records.ErrRequestIDReused, Field: "request_id", Problem: "was used before with other content", Cure: "make a new id for a new entry"}
	case errors.Is(err, store.ErrReadOnly):
		return &records.FieldError{Kind: records.ErrReadOnly, Problem: "the ledger is open read-only: it does not extend the last checkpoint that was signed", Cure: "see kettlebook ledger check"}
	case errors.Is(err, store.ErrNotFound):
		return &records.FieldError{Kind: records.ErrNotFound, Problem: "there is no such entry"}
	case errors.Is(err, store.ErrBadCursor):
		return &records.FieldError{Kind: records.ErrInvalid, Field: "page_token", Problem: "is not one that this list gave out", Cure: "begin again with an empty one"}
	case errors.Is(err, store.ErrTampered):
		return &records.FieldError{Kind: records.ErrMalformed, Problem: err.Error(), Cure: "stop writing, keep the folder as it is, and see kettlebook ledger check"}
	case errors.Is(err, records.ErrMalformed) && !hasField(err):
		return &records.FieldError{Kind: records.ErrMalformed, Problem: err.Error(), Cure: "see kettlebook ledger check"}
	case errors.Is(err, store.ErrUnavailable), errors.Is(err, store.ErrClosed):
		return &records.FieldError{Kind: records.ErrUnavailable, Problem: "the ledger cannot be written now", Cure: "send the same request again"}
	case errors.As(err, &rule):
		return &records.FieldError{Kind: records.ErrInvalid, Field: rule.Field, Problem: rule.Reason}
	case errors.As(err, &delay):
		return &records.FieldError{Kind: records.ErrTooMany, Field: "pin", Problem: delay.Error()}
	case errors.Is(err, signin.ErrWrongSignIn):
		return &records.FieldError{Kind: records.ErrNotSignedIn, Field: "pin", Problem: "initials and PIN do not go together", Cure: "try again, or ask an administrator for a new PIN"}
	case errors.Is(err, signin.ErrNoSession), errors.Is(err, signin.ErrSessionExpired):
		return &records.FieldError{Kind: records.ErrNotSignedIn, Problem: "there is no session, or it has ended", Cure: "sign in with initials and PIN"}
	case errors.Is(err, signin.ErrNotConfirmed), errors.Is(err, signin.ErrConfirmationExpired):
		return &records.FieldError{Kind: records.ErrNotSignedIn, Field: "signing_token", Problem: "the signature is not confirmed, or was confirmed more than two minutes ago", Cure: "give the PIN again for this very signature"}
	}
	return err
}

// hasField says that an error tells of a field already.
func hasField(err error) bool {
	var fe *records.FieldError
	return errors.As(err, &fe)
}

// toStatus is the one table from errors to statuses: code, reason, field and
// cure. What it does not know is Internal, and its text stays inside.
func (s *Server) toStatus(method string, err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	switch {
	case errors.Is(err, context.Canceled):
		return status.Error(codes.Canceled, "the caller went away")
	case errors.Is(err, context.DeadlineExceeded):
		return status.Error(codes.DeadlineExceeded, "it took too long; the same request may be sent again")
	}
	err = translate(err)
	for _, k := range records.Kinds() {
		if !errors.Is(err, k.Sentinel) {
			continue
		}
		st := status.New(codesByReason[k.Reason], err.Error())
		details := []protoadapt.MessageV1{protoadapt.MessageV1Of(&errdetails.ErrorInfo{Reason: k.Reason, Domain: records.Domain})}
		var fe *records.FieldError
		if errors.As(err, &fe) {
			info := &errdetails.ErrorInfo{Reason: k.Reason, Domain: records.Domain, Metadata: map[string]string{"cure": fe.Cure}}
			details[0] = protoadapt.MessageV1Of(info)
			if fe.Field != "" {
				details = append(details, protoadapt.MessageV1Of(&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
					{Field: fe.Field, Description: fe.Problem, Reason: k.Reason},
				}}))
			}
		}
		if with, e := st.WithDetails(details...); e == nil {
			st = with
		}
		return st.Err()
	}
	s.cfg.Logf("%s: %v", method, err)
	return status.Error(codes.Internal, "something went wrong inside the service; its log says what")
}
