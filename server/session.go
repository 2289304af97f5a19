package server

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/store"
	"kettlebook/server/signin"
)

type sessionService struct {
	sv.UnimplementedSessionServiceServer
	s *Server
}

// vault lets the sign-in desk keep its verifiers and sessions in the store's
// table of secrets.
type vault struct{ secrets store.Secrets }

// NewVault makes the sign-in desk's storage from a store's secrets.
func NewVault(s store.Secrets) signin.Vault { return vault{s} }

func (v vault) Get(ctx context.Context, bucket, key string) ([]byte, bool, error) {
	s, ok, err := v.secrets.Get(ctx, bucket, key)
	return s.Value, ok, err
}

func (v vault) Put(ctx context.Context, bucket, key string, value []byte, expiresAt time.Time) error {
	s := store.Secret{Bucket: bucket, Key: key, Value: value}
	if !expiresAt.IsZero() {
		s.ExpiresAt = expiresAt.UnixMicro()
	}
	return v.secrets.Put(ctx, s)
}

func (v vault) Delete(ctx context.Context, bucket, key string) (bool, error) {
	return v.secrets.Delete(ctx, bucket, key)
}

func (v vault) DeleteBucket(ctx context.Context, bucket string) (int64, error) {
	return v.secrets.DeleteBucket(ctx, bucket)
}

func (v vault) List(ctx context.Context, bucket string) (map[string][]byte, error) {
	all, err := v.secrets.List(ctx, bucket)
	out := make(map[string][]byte, len(all))
	for _, s := range all {
		out[s.Key] = s.Value
	}
	return out, err
}

func (ss *sessionService) SignIn(ctx context.Context, r *sv.SignInRequest) (*sv.SignInResponse, error) {
	if len(r.GetTablet()) > 40 {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "tablet", Problem: "is too long", Cure: "at most 40 characters"}
	}
	token, session, err := ss.s.cfg.SignIn.SignIn(ctx, r.GetInitials(), r.GetPin(), peerHost(ctx)+"\x1f"+r.GetTablet())
	if err != nil {
		return nil, err
	}
	v, release, err := ss.s.view(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	p, err := get[*kb.Person](v, records.KindPerson, r.GetInitials())
	if err != nil {
		return nil, err
	}
	if !p.Has() || p.Record.GetLeft() {
		// A PIN may outlive its person; the session it opened does not.
		if err := ss.s.cfg.SignIn.SignOut(ctx, token); err != nil {
			return nil, err
		}
		return nil, signin.ErrWrongSignIn
	}
	return &sv.SignInResponse{SessionToken: token, ExpiresAt: timestamppb.New(session.End), Person: p.Record}, nil
}

func (ss *sessionService) SignOut(ctx context.Context, _ *sv.SignOutRequest) (*sv.SignOutResponse, error) {
	c := callerOf(ctx)
	if c.operator {
		return &sv.SignOutResponse{}, nil
	}
	err := ss.s.cfg.SignIn.SignOut(ctx, c.token)
	ss.s.forgetCallers()
	return &sv.SignOutResponse{}, err
}

func (ss *sessionService) WhoAmI(ctx context.Context, _ *sv.WhoAmIRequest) (*sv.WhoAmIResponse, error) {
	c := callerOf(ctx)
	return &sv.WhoAmIResponse{Person: c.person, Operator: c.operator}, nil
}

func (ss *sessionService) SetPin(ctx context.Context, r *sv.SetPinRequest) (*sv.SetPinResponse, error) {
	c := callerOf(ctx)
	allowed := c.operator || c.initials == r.GetInitials()
	for _, role := range c.roles {
		allowed = allowed || role == admin
	}
	if !allowed {
		return nil, &records.FieldError{Kind: records.ErrNotAllowed, Field: "initials", Problem: "only an administrator sets the PIN of somebody else", Cure: "ask one"}
	}
	v, release, err := ss.s.view(ctx)
	if err != nil {
		return nil, err
	}
	p, err := get[*kb.Person](v, records.KindPerson, r.GetInitials())
	release()
	if err != nil {
		return nil, err
	}
	if !p.Has() {
		return nil, &records.FieldError{Kind: records.ErrUnknownReference, Field: "initials", Problem: "nobody has these initials", Cure: "enter the person first"}
	}
	err = translate(ss.s.cfg.SignIn.SetPIN(ctx, r.GetInitials(), r.GetNewPin()))
	ss.s.forgetCallers()
	return &sv.SetPinResponse{}, renameField(err, "pin", "new_pin")
}

func renameField(err error, from, to string) error {
	if fe, ok := err.(*records.FieldError); ok && fe.Field == from {
		c := *fe
		c.Field = to
		return &c
	}
	return err
}

func signing(initials string, meaning kb.SigningMeaning, hash []byte) signin.Signing {
	s := signin.Signing{Person: initials, Meaning: meaning.String()}
	copy(s.ContentHash[:], hash)
	return s
}

func (ss *sessionService) ConfirmSigning(ctx context.Context, r *sv.ConfirmSigningRequest) (*sv.ConfirmSigningResponse, error) {
	c := callerOf(ctx)
	if r.GetMeaning() == kb.SigningMeaning_SIGNING_MEANING_UNSPECIFIED {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "meaning", Problem: "is missing", Cure: "say what the signature means"}
	}
	if len(r.GetContentSha256()) != 32 {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "content_sha256", Problem: "is not 32 bytes long", Cure: "send the hash that came with the day's content"}
	}
	token, until, err := ss.s.cfg.SignIn.ConfirmSigning(ctx, signing(c.initials, r.GetMeaning(), r.GetContentSha256()), r.GetPin(), peerHost(ctx)+"\x1f"+c.tablet)
	if err != nil {
		return nil, err
	}
	return &sv.ConfirmSigningResponse{SigningToken: token, ExpiresAt: timestamppb.New(until)}, nil
}
