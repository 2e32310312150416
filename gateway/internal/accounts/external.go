package accounts

import (
	"context"
	"errors"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// How a session was opened, or a person proved to be there.
const (
	byPassword = "password"
	withFactor = "password and second factor"
	byProvider = "provider"
)

// External is somebody whom an OpenID Connect provider vouches for. Issuer and subject together are the identity; what the
// provider calls the user is only a name.
type External struct {
	Issuer, Subject    string
	Login, DisplayName string
	Roles, Owners      []string
	Mapped             bool // whether the provider's groups decide about roles and owners
}

// SignInExternal opens a session of the account that is linked to the user, and makes the account where groups give a role.
// A user who lost the last role loses the open sessions too. Reasons: PROVIDER_USER_UNKNOWN, PROVIDER_ROLE_MISSING,
// ACCOUNT_DISABLED.
func (s *Store) SignInExternal(ctx context.Context, who External) (session *accessv1.Session, err error) {
	var refusal error
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		session, refusal = nil, nil
		account, err := linked(ctx, tx, who)
		if err != nil {
			return err
		}
		if refusal = admissible(account, who); refusal != nil {
			return EndSessions(ctx, tx, account.GetName())
		}
		if account, err = s.bringUpToDate(ctx, tx, account, who); err != nil {
			return err
		}
		session, err = s.open(ctx, tx, account, byProvider)
		return err
	})
	if err == nil {
		err = refusal
	}
	return session, err
}

// linked is the account of a user, locked; nil when there is none.
func linked(ctx context.Context, tx *storage.Tx, who External) (*accessv1.Account, error) {
	found, err := Accounts.Where(ctx, tx, "issuer = $1 AND subject = $2", who.Issuer, who.Subject)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return Accounts.Lock(ctx, tx, found[0].GetName())
}

func admissible(account *accessv1.Account, who External) error {
	switch {
	case account.GetState() == accessv1.Account_DISABLED:
		return fault.Denied("ACCOUNT_DISABLED", "%s is disabled here. Ask an administrator.", account.GetName())
	case account == nil && !who.Mapped:
		return fault.Denied("PROVIDER_USER_UNKNOWN", "No account is linked to the user %q of %s. Ask an administrator to link one.", who.Subject, who.Issuer)
	case who.Mapped && len(who.Roles) == 0:
		return fault.Denied("PROVIDER_ROLE_MISSING", "None of the groups of the user %q gives a role here. Ask who runs %s.", who.Subject, who.Issuer)
	}
	return nil
}

// bringUpToDate gives an account what the provider's groups say, and makes it when there is none.
func (s *Store) bringUpToDate(ctx context.Context, tx *storage.Tx, account *accessv1.Account, who External) (*accessv1.Account, error) {
	made, before := account == nil, proto.CloneOf(account)
	if made {
		login, err := freeLogin(ctx, tx, who)
		if err != nil {
			return nil, err
		}
		account = &accessv1.Account{
			Name: "accounts/" + s.IDs.New(), Login: login, DisplayName: orText(shortened(who.DisplayName), login),
			Kind: accessv1.Account_HUMAN, Issuer: who.Issuer, Subject: who.Subject,
		}
	}
	if who.Mapped {
		if err := takeOver(ctx, tx, account, who); err != nil {
			return nil, err
		}
	}
	account.State = accessv1.Account_ACTIVE
	switch {
	case made:
		return account, Accounts.Insert(ctx, tx, account, s.Clock.Now())
	case proto.Equal(before, account):
		return account, nil
	}
	return account, Accounts.Save(ctx, tx, account, s.Clock.Now())
}

// takeOver gives an account the roles and owners of the provider's groups, but never takes the last administrator's role away: somebody
// must be left who can put it right.
func takeOver(ctx context.Context, tx *storage.Tx, account *accessv1.Account, who External) error {
	roles, owners := slices.Clone(who.Roles), who.Owners
	stays := slices.Contains(roles, "admin") && len(owners) == 0
	if account.GetState() == accessv1.Account_ACTIVE && IsAdmin(account) && !stays {
		err := KeepAnAdmin(ctx, tx, account.GetName())
		if err != nil && !fault.HasReason(err, "LAST_ADMIN") {
			return err
		}
		if err != nil {
			roles, owners = append(slices.DeleteFunc(roles, func(r string) bool { return r == "admin" }), "admin"), account.GetOwners()
		}
	}
	account.Roles, account.Owners = roles, owners
	return nil
}

var loginPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9._@-]{1,62}$`)

// freeLogin is what the provider calls the user, if that is a login and nobody's: a name never makes two accounts one.
func freeLogin(ctx context.Context, tx *storage.Tx, who External) (string, error) {
	wanted := strings.ToLower(who.Login)
	if loginPattern.MatchString(wanted) {
		taken, err := Accounts.Where(ctx, tx, "login = $1", wanted)
		if err != nil || len(taken) == 0 {
			return wanted, err
		}
	}
	const digits = 16
	return "provider-" + auth.HashSecret(who.Issuer + "\n" + who.Subject)[:digits], nil
}

func shortened(name string) string {
	const most = 120
	runes := []rune(strings.ToValidUTF8(name, ""))
	return string(runes[:min(len(runes), most)])
}

func orText(text, fallback string) string {
	if text == "" {
		return fallback
	}
	return text
}

// ProveExternal notes that the owner of a session just proved at the provider to be there; Reauthenticate takes that once.
// What the provider's groups say by now holds from here on: whoever lost a role there since the sign-in does not sign with it.
// Reasons: PROVIDER_SIGN_IN_NEEDED, also for a user who is not the session's; PROVIDER_ROLE_MISSING, which ends the account's
// sessions.
func (s *Store) ProveExternal(ctx context.Context, session string, who External) error {
	var refusal error
	err := s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		refusal = nil
		account, err := linked(ctx, tx, who)
		if err != nil {
			return err
		}
		now := storage.Micros(s.Clock.Now())
		n, err := tx.Exec(ctx, "UPDATE sessions SET proof_time = $1 WHERE token_hash = $2 AND account = $3 AND expire_time > $1",
			now, session, account.GetName())
		if err == nil && (n == 0 || account.GetState() != accessv1.Account_ACTIVE) {
			return needProvider()
		}
		if err != nil {
			return err
		}
		if refusal = admissible(account, who); refusal != nil {
			return EndSessions(ctx, tx, account.GetName())
		}
		_, err = s.bringUpToDate(ctx, tx, account, who)
		return err
	})
	if err == nil {
		err = refusal
	}
	return err
}

// takeExternalProof uses up a proof of ProveExternal.
func (s *Store) takeExternalProof(ctx context.Context, id auth.Identity) error {
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		oldest := s.Clock.Now().Add(-auth.ProofLife)
		n, err := tx.Exec(ctx, "UPDATE sessions SET proof_time = 0 WHERE token_hash = $1 AND account = $2 AND proof_time > $3",
			id.SessionID, id.Account, storage.Micros(oldest))
		if err == nil && n == 0 {
			return needProvider()
		}
		return err
	})
}

func needProvider() error {
	return fault.Denied("PROVIDER_SIGN_IN_NEEDED",
		"This needs a fresh sign-in by the provider, as the user of this session, used once and within two minutes. Open the page that DescribeSignIn names, then try again.")
}

// Facts of a session that its token does not show.
type Facts struct {
	Method, CSRF string
	Expires      time.Time
}

// SessionFacts reads a session by its id; an API key has none.
func (s *Store) SessionFacts(ctx context.Context, id string) (f Facts, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var expires int64
		err := tx.QueryRow(ctx, "SELECT method, csrf_token, expire_time FROM sessions WHERE token_hash = $1", id).Scan(&f.Method, &f.CSRF, &expires)
		if errors.Is(err, storage.ErrNoRows) {
			return nil
		}
		f.Expires = storage.FromMicros(expires)
		return err
	})
	return f, err
}
