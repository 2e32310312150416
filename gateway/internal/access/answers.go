package access

import (
	"context"
	"slices"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// endpointRoles are those whose holders have endpoints.
var endpointRoles = []string{"admin", "integrator"}

// Answers says for whom an endpoint is sent facts: an account that is active, has a role that may have endpoints, is not limited to owners and not the
// break-glass one, and where it used a key, one that works.
type Answers struct{ Store *accounts.Store }

// KeyOf is the key with which somebody calls who is to answer for an endpoint. Reasons: BREAK_GLASS_LIMITED, CREDENTIALS_WRONG.
func (a Answers) KeyOf(ctx context.Context, tx *storage.Tx, id auth.Identity) (string, error) {
	if err := accounts.AnswerForFacts(id); err != nil {
		return "", err
	}
	if id.Kind != auth.Machine {
		return "", nil
	}
	return accounts.KeyOf(ctx, tx, id.SessionID)
}

// For is what whoever answers for an endpoint may let out. An endpoint that does not say what its key was narrowed to, as it is older than that, has
// what the key has.
func (a Answers) For(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint) (reader facts.Reader, stop string, err error) {
	account, err := accounts.Accounts.Get(ctx, tx, e.GetResponsibleAccount())
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return reader, "", err
	}
	scopes := e.GetScopes()
	if key := e.GetResponsibleKey(); key != "" && len(scopes) == 0 {
		if scopes, err = accounts.ScopesOf(ctx, tx, key); err != nil {
			return reader, "", err
		}
	}
	reader = accounts.Reader(e.GetResponsibleAccount(), account.GetRoles(), scopes)
	may := slices.ContainsFunc(reader.Roles, func(role string) bool { return slices.Contains(endpointRoles, role) })
	if !may || account.GetState() != accessv1.Account_ACTIVE || len(account.GetOwners()) > 0 || account.GetBreakGlass() {
		return reader, e.GetResponsibleAccount() + ", who answered for it, may not have endpoints any more.", nil
	}
	if e.GetResponsibleKey() == "" {
		return reader, "", nil
	}
	works, err := a.Store.Works(ctx, tx, e.GetResponsibleKey())
	if err == nil && !works {
		stop = "The key " + e.GetResponsibleKey() + ", with which it was let have facts, was revoked or has ended."
	}
	return reader, stop, err
}
