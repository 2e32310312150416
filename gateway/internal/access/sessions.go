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
	// Address is where a call comes from.
	Address func(context.Context) string
	// Ways says how people sign in here.
	Ways *accessv1.DescribeSignInResponse
}

// SignIn opens a session.
func (s *Sessions) SignIn(ctx context.Context, req *accessv1.SignInRequest) (*accessv1.Session, error) {
	return s.Store.SignIn(ctx, req.GetLogin(), req.GetPassword(), req.GetCode(), s.Address(ctx))
}

// DescribeSignIn says how people sign in.
func (s *Sessions) DescribeSignIn(context.Context, *accessv1.DescribeSignInRequest) (*accessv1.DescribeSignInResponse, error) {
	return s.Ways, nil
}

// SignOut ends the session that the call carries.
func (s *Sessions) SignOut(ctx context.Context, _ *accessv1.SignOutRequest) (*accessv1.SignOutResponse, error) {
	id, _ := auth.FromContext(ctx)
	return &accessv1.SignOutResponse{}, s.Store.SignOut(ctx, id.SessionID)
}

// GetCurrentSession says who the caller is.
func (s *Sessions) GetCurrentSession(ctx context.Context, _ *accessv1.GetCurrentSessionRequest) (*accessv1.Session, error) {
	id, _ := auth.FromContext(ctx)
	session := &accessv1.Session{
		Account: id.Account, Person: id.Person, DisplayName: id.DisplayName, Roles: id.Roles, Owners: id.Owners,
		UnitSystem: accessv1.Session_UnitSystem(accessv1.Session_UnitSystem_value[id.Units]), Current: true,
	}
	if id.Has(auth.SecondFactorDue) {
		session.Roles, session.SecondFactorDue = nil, true
	}
	facts, err := s.Store.SessionFacts(ctx, id.SessionID)
	if err == nil && facts.Method != "" {
		session.Method, session.CsrfToken, session.ExpireTime = facts.Method, facts.CSRF, timestamppb.New(facts.Expires)
		session.SessionId = accounts.SessionName(id.SessionID)
	}
	return session, err
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
	method, err := s.Store.Reauthenticate(ctx, id, req.GetPassword(), req.GetCode())
	if err != nil {
		return nil, err
	}
	now := s.Store.Clock.Now()
	token, err := s.Keys.MintProof(auth.Reauth{Account: id.Account, Person: id.Person, ID: s.Store.IDs.New(), At: now, Method: method})
	return &accessv1.ReauthenticateResponse{ReauthenticationToken: token, ExpireTime: timestamppb.New(now.Add(auth.ProofLife))}, err
}

// EnrolSecondFactor begins a second factor.
func (s *Sessions) EnrolSecondFactor(ctx context.Context, req *accessv1.EnrolSecondFactorRequest) (*accessv1.EnrolSecondFactorResponse, error) {
	id, _ := auth.FromContext(ctx)
	secret, uri, err := s.Store.EnrolSecondFactor(ctx, id, req.GetPassword())
	if err != nil {
		return nil, err
	}
	rows, err := qrRows(uri)
	return &accessv1.EnrolSecondFactorResponse{Secret: secret, Uri: uri, QrRows: rows}, err
}

// ConfirmSecondFactor makes it count.
func (s *Sessions) ConfirmSecondFactor(
	ctx context.Context, req *accessv1.ConfirmSecondFactorRequest,
) (*accessv1.ConfirmSecondFactorResponse, error) {
	id, _ := auth.FromContext(ctx)
	codes, err := s.Store.ConfirmSecondFactor(ctx, id, req.GetCode())
	return &accessv1.ConfirmSecondFactorResponse{RecoveryCodes: codes}, err
}
