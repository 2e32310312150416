package access

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
)

// Sessions implements SessionService.
type Sessions struct {
	accessv1.UnimplementedSessionServiceServer

	Store *accounts.Store
	Keys  *auth.Keys
}

// SignIn opens a session.
func (s *Sessions) SignIn(ctx context.Context, req *accessv1.SignInRequest) (*accessv1.Session, error) {
	return s.Store.SignIn(ctx, req.GetLogin(), req.GetPassword())
}

// SignOut ends the session that the call carries.
func (s *Sessions) SignOut(ctx context.Context, _ *accessv1.SignOutRequest) (*accessv1.SignOutResponse, error) {
	id, _ := auth.FromContext(ctx)
	return &accessv1.SignOutResponse{}, s.Store.SignOut(ctx, id.SessionID)
}

// GetCurrentSession says who the caller is.
func (s *Sessions) GetCurrentSession(ctx context.Context, _ *accessv1.GetCurrentSessionRequest) (*accessv1.Session, error) {
	id, _ := auth.FromContext(ctx)
	return &accessv1.Session{Account: id.Account, Person: id.Person, DisplayName: id.DisplayName, Roles: id.Roles, Owners: id.Owners}, nil
}

// AcceptInvitation chooses a password and opens a session.
func (s *Sessions) AcceptInvitation(ctx context.Context, req *accessv1.AcceptInvitationRequest) (*accessv1.Session, error) {
	return s.Store.Accept(ctx, req.GetToken(), req.GetPassword())
}

// ChangePassword changes the caller's own password.
func (s *Sessions) ChangePassword(ctx context.Context, req *accessv1.ChangePasswordRequest) (*accessv1.ChangePasswordResponse, error) {
	id, _ := auth.FromContext(ctx)
	return &accessv1.ChangePasswordResponse{}, s.Store.ChangePassword(ctx, id, req.GetOldPassword(), req.GetNewPassword())
}

// Reauthenticate makes a proof for one signature.
func (s *Sessions) Reauthenticate(ctx context.Context, req *accessv1.ReauthenticateRequest) (*accessv1.ReauthenticateResponse, error) {
	id, _ := auth.FromContext(ctx)
	if err := s.Store.Reauthenticate(ctx, id.Account, req.GetPassword()); err != nil {
		return nil, err
	}
	now := s.Store.Clock.Now()
	token, err := s.Keys.MintProof(auth.Reauth{Account: id.Account, Person: id.Person, ID: s.Store.IDs.New(), At: now, Method: "password"})
	return &accessv1.ReauthenticateResponse{ReauthenticationToken: token, ExpireTime: timestamppb.New(now.Add(auth.ProofLife))}, err
}
