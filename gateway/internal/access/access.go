// Package access serves the contract's access services: accounts, keys, sessions, the audit of calls and the change feed.
package access

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/audit"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Roles are what an account may be given.
var Roles = []string{
	"technician", "inspector", "releaser", "stores", "planner", "quality", "analyst", "admin", "viewer", "integrator", "agent",
}

// Server implements AccessService and AccessQueryService.
type Server struct {
	accessv1.UnimplementedAccessServiceServer
	accessv1.UnimplementedAccessQueryServiceServer

	Store  *accounts.Store
	Lister *listing.Lister
	Audit  *audit.Log
}

// Register adds the access services to a server, with who may call what.
func Register(r rpc.Registrar, s *Server, sessions *Sessions, events *Events) {
	admin, readers, anyone := []string{"admin"}, []string{"admin", "quality"}, []string{auth.Anyone}
	signedIn := []string{auth.SignedIn}
	own := []string{"SignOut", "GetCurrentSession", "ChangePassword", "Reauthenticate", "EnrolSecondFactor", "ConfirmSecondFactor",
		"DescribeOwnSessions", "EndOwnSession", "ChangeUnitSystem"}
	followers := []string{"integrator", "planner", "quality", "analyst", "admin", "viewer"}
	write, query := &accessv1.AccessService_ServiceDesc, &accessv1.AccessQueryService_ServiceDesc
	session, event := &accessv1.SessionService_ServiceDesc, &accessv1.EventsService_ServiceDesc
	r.Register(write, s, auth.Policy{}.For(write.ServiceName, admin,
		"CreateAccount", "UpdateAccount", "DisableAccount", "EnableAccount", "InviteAccount", "ResetSecondFactor", "CreateApiKey", "RevokeApiKey"))
	r.Register(query, s, auth.Policy{}.For(query.ServiceName, readers, "GetAccount", "ListAccounts", "ListApiKeys", "ListAuditEvents"))
	r.Register(session, sessions, auth.Policy{}.For(session.ServiceName, anyone, "SignIn", "DescribeSignIn", "AcceptInvitation").
		For(session.ServiceName, signedIn, own...).
		Scope(session.ServiceName, own...))
	r.Register(event, events, auth.Policy{}.For(event.ServiceName, followers, "ListEvents", "LocateEvents", "WatchEvents"))
}

// checkIdentity refuses half a link to a user of a provider, one for a machine, and one that another account has.
func checkIdentity(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error {
	if account.GetIssuer() == "" && account.GetSubject() == "" {
		return nil
	}
	if account.GetIssuer() == "" || account.GetSubject() == "" || account.GetKind() != accessv1.Account_HUMAN {
		return fault.Invalid("account.subject", "IDENTITY_INCOMPLETE",
			"A link to a user of an OpenID Connect provider needs issuer and subject, and a person's account. Give both or neither.")
	}
	others, err := accounts.Accounts.Where(ctx, tx, "issuer = $1 AND subject = $2 AND name <> $3", account.GetIssuer(), account.GetSubject(), account.GetName())
	if err == nil && len(others) > 0 {
		return fault.Exists(account.GetSubject())
	}
	return err
}

func checkRoles(roles []string) error {
	for _, r := range roles {
		if !slices.Contains(Roles, r) {
			return fault.Invalid("account.roles", "ROLE_UNKNOWN", "%q is no role. Roles are %s.", r, strings.Join(Roles, ", "))
		}
	}
	return nil
}

// CreateAccount adds an account; a person's has no password until the invitation is accepted.
func (s *Server) CreateAccount(ctx context.Context, req *accessv1.CreateAccountRequest) (*accessv1.Account, error) {
	if err := checkRoles(req.GetAccount().GetRoles()); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.Account, error) {
		account := proto.CloneOf(req.GetAccount())
		resource.ClearOutputOnly(account)
		account.Name = "accounts/" + orNew(req.GetAccountId(), s.Store.IDs.New)
		account.State = accessv1.Account_INVITED
		if account.GetKind() == accessv1.Account_MACHINE {
			account.State = accessv1.Account_ACTIVE // it has keys, no password
		}
		taken, err := accounts.Accounts.Where(ctx, tx, "login = $1", account.GetLogin())
		if err != nil {
			return nil, err
		}
		if len(taken) > 0 {
			return nil, fault.Exists(account.GetLogin())
		}
		if err := checkIdentity(ctx, tx, account); err != nil {
			return nil, err
		}
		if err := accounts.LimitBreakGlass(ctx, account); err != nil {
			return nil, err
		}
		if err := s.Store.Touch(ctx, tx, account.GetName()); err != nil {
			return nil, err
		}
		return account, accounts.Accounts.Insert(ctx, tx, account, s.Store.Clock.Now())
	})
}

func orNew(id string, fresh func() string) string {
	if id != "" {
		return id
	}
	return fresh()
}

// UpdateAccount changes display name, person, roles or owners.
func (s *Server) UpdateAccount(ctx context.Context, req *accessv1.UpdateAccountRequest) (*accessv1.Account, error) {
	return s.changeOrdinary(ctx, req, req.GetAccount().GetName(), req.GetAccount().GetEtag(),
		func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error {
			wasAdmin := accounts.IsAdmin(account)
			if err := resource.Apply(account, req.GetAccount(), req.GetUpdateMask()); err != nil {
				return err
			}
			if err := checkRoles(account.GetRoles()); err != nil {
				return err
			}
			if err := checkIdentity(ctx, tx, account); err != nil {
				return err
			}
			if wasAdmin && !accounts.IsAdmin(account) {
				return accounts.KeepAnAdmin(ctx, tx, account.GetName())
			}
			return nil
		})
}

// DisableAccount ends every session and invitation of the account and keeps anybody from using it.
func (s *Server) DisableAccount(ctx context.Context, req *accessv1.DisableAccountRequest) (*accessv1.Account, error) {
	return s.change(ctx, req, req.GetName(), req.GetEtag(), func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error {
		if accounts.IsAdmin(account) {
			if err := accounts.KeepAnAdmin(ctx, tx, account.GetName()); err != nil {
				return err
			}
		}
		account.State = accessv1.Account_DISABLED
		if err := accounts.Uninvite(ctx, tx, account.GetName()); err != nil {
			return err
		}
		return accounts.EndSessions(ctx, tx, account.GetName())
	})
}

// EnableAccount lets a disabled or locked account in again.
func (s *Server) EnableAccount(ctx context.Context, req *accessv1.EnableAccountRequest) (*accessv1.Account, error) {
	return s.changeOrdinary(ctx, req, req.GetName(), req.GetEtag(), func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error {
		var passwords int
		if err := tx.QueryRow(ctx, "SELECT count(*) FROM passwords WHERE account = $1", account.GetName()).Scan(&passwords); err != nil {
			return err
		}
		account.State = accessv1.Account_ACTIVE
		if passwords == 0 && account.GetKind() == accessv1.Account_HUMAN && account.GetIssuer() == "" {
			account.State = accessv1.Account_INVITED
		}
		return accounts.ForgetGuesses(ctx, tx, account.GetName(), account.GetLogin())
	})
}

// ResetSecondFactor takes the second factor from an account.
func (s *Server) ResetSecondFactor(ctx context.Context, req *accessv1.ResetSecondFactorRequest) (*accessv1.Account, error) {
	return s.changeOrdinary(ctx, req, req.GetName(), req.GetEtag(), func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error {
		account.SecondFactor = false
		if err := accounts.RemoveFactor(ctx, tx, account.GetName()); err != nil {
			return err
		}
		return accounts.EndSessions(ctx, tx, account.GetName())
	})
}

// change locks an account, changes it and saves it, once per request.
func (s *Server) change(ctx context.Context, req proto.Message, name, etag string,
	fn func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error,
) (*accessv1.Account, error) {
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.Account, error) {
		account, err := accounts.Accounts.Lock(ctx, tx, name)
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(account, etag); err != nil {
			return nil, err
		}
		if err := fn(ctx, tx, account); err != nil {
			return nil, err
		}
		return account, accounts.Accounts.Save(ctx, tx, account, s.Store.Clock.Now())
	})
}

// changeOrdinary changes an account that is not the break-glass one; a break-glass session may neither find nor leave it one that signs.
func (s *Server) changeOrdinary(ctx context.Context, req proto.Message, name, etag string,
	fn func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error,
) (*accessv1.Account, error) {
	return s.change(ctx, req, name, etag, func(ctx context.Context, tx *storage.Tx, account *accessv1.Account) error {
		if err := accounts.Ordinary(account); err != nil {
			return err
		}
		if err := accounts.LimitBreakGlass(ctx, account); err != nil {
			return err
		}
		if err := fn(ctx, tx, account); err != nil {
			return err
		}
		if err := s.Store.Touch(ctx, tx, account.GetName()); err != nil {
			return err
		}
		return accounts.LimitBreakGlass(ctx, account)
	})
}

// InviteAccount makes a one-time token; a repeated request makes a new one, because tokens are kept as hashes only.
func (s *Server) InviteAccount(ctx context.Context, req *accessv1.InviteAccountRequest) (*accessv1.InviteAccountResponse, error) {
	answer := &accessv1.InviteAccountResponse{}
	err := s.Store.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		account, err := accounts.Accounts.Lock(ctx, tx, req.GetName())
		if err != nil {
			return err
		}
		if err := resource.CheckEtag(account, req.GetEtag()); err != nil {
			return err
		}
		if err := accounts.MayInvite(ctx, account); err != nil {
			return err
		}
		if account.GetKind() != accessv1.Account_HUMAN {
			return fault.Precondition("ACCOUNT_IS_A_MACHINE", "%s is a machine and has no password. Make an API key for it.", req.GetName())
		}
		if account.GetState() == accessv1.Account_DISABLED {
			return fault.Denied("ACCOUNT_DISABLED", "%s is disabled, and an invitation would let its person in again. Enable it first.", req.GetName())
		}
		if err := s.Store.Touch(ctx, tx, account.GetName()); err != nil {
			return err
		}
		token, expires, err := s.Store.Invite(ctx, tx, req.GetName())
		answer.Token, answer.Path, answer.ExpireTime = token, "/invitation#"+token, timestamppb.New(expires)
		return err
	})
	return answer, err
}

// CreateApiKey makes a key. A repeated request finds the key and gives it a new secret, because secrets are kept as hashes
// only.
func (s *Server) CreateApiKey(ctx context.Context, req *accessv1.CreateApiKeyRequest) (*accessv1.ApiKey, error) {
	key, err := idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.ApiKey, error) {
		account, err := accounts.Accounts.Get(ctx, tx, req.GetParent())
		if err != nil {
			return nil, err
		}
		if account.GetKind() != accessv1.Account_MACHINE {
			return nil, fault.Precondition("ACCOUNT_IS_A_PERSON",
				"%s is a person, who signs in. Make a machine account for the key.", req.GetParent())
		}
		if err := accounts.LimitBreakGlass(ctx, account); err != nil {
			return nil, err
		}
		if err := accounts.CheckScopes(account, req.GetApiKey().GetScopes()); err != nil {
			return nil, err
		}
		if err := s.Store.Touch(ctx, tx, account.GetName()); err != nil {
			return nil, err
		}
		key := proto.CloneOf(req.GetApiKey())
		resource.ClearOutputOnly(key)
		key.Name = req.GetParent() + "/apiKeys/" + orNew(req.GetApiKeyId(), s.Store.IDs.New)
		return key, s.Store.CreateKey(ctx, tx, key)
	})
	if err != nil || req.GetValidateOnly() {
		return key, err
	}
	key.Secret, err = s.Store.NewKeySecret(ctx, key.GetName())
	return key, err
}

// RevokeApiKey makes a key useless.
func (s *Server) RevokeApiKey(ctx context.Context, req *accessv1.RevokeApiKeyRequest) (*accessv1.ApiKey, error) {
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.ApiKey, error) {
		key, err := accounts.Keys.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(key, req.GetEtag()); err != nil || key.GetRevokeTime() != nil {
			return key, err
		}
		key.RevokeTime = timestamppb.New(s.Store.Clock.Now())
		return key, accounts.Keys.Save(ctx, tx, key, s.Store.Clock.Now())
	})
}

// GetAccount reads an account.
func (s *Server) GetAccount(ctx context.Context, req *accessv1.GetAccountRequest) (*accessv1.Account, error) {
	return accounts.Accounts.Read(ctx, s.Store.DB, req.GetName())
}

// ListAccounts lists accounts.
func (s *Server) ListAccounts(ctx context.Context, req *accessv1.ListAccountsRequest) (*accessv1.ListAccountsResponse, error) {
	items, next, err := accounts.Accounts.List(ctx, s.Store.DB, s.Lister, req, "")
	return &accessv1.ListAccountsResponse{Accounts: items, NextPageToken: next}, err
}

// ListApiKeys lists the keys of an account.
func (s *Server) ListApiKeys(ctx context.Context, req *accessv1.ListApiKeysRequest) (*accessv1.ListApiKeysResponse, error) {
	items, next, err := accounts.Keys.List(ctx, s.Store.DB, s.Lister, req, req.GetParent()+"/apiKeys")
	return &accessv1.ListApiKeysResponse{ApiKeys: items, NextPageToken: next}, err
}

// ListAuditEvents lists calls and refusals.
func (s *Server) ListAuditEvents(
	ctx context.Context, req *accessv1.ListAuditEventsRequest,
) (*accessv1.ListAuditEventsResponse, error) {
	if err := s.Audit.Flush(ctx); err != nil {
		return nil, err
	}
	items, next, err := accounts.Audit.List(ctx, s.Store.DB, s.Lister, req, "")
	return &accessv1.ListAuditEventsResponse{AuditEvents: items, NextPageToken: next}, err
}
