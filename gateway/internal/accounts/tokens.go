package accounts

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// FirstAdmin makes the account of the first administrator where there is no account, and a one-time token for it as long
// as it was not used; it returns "" once somebody can sign in.
func (s *Store) FirstAdmin(ctx context.Context) (token string, err error) {
	token, err = s.firstAdmin(ctx)
	if fault.HasReason(err, "ALREADY_EXISTS") { // another process made it at the same moment
		token, err = s.firstAdmin(ctx)
	}
	return token, err
}

func (s *Store) firstAdmin(ctx context.Context) (token string, err error) {
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		token = ""
		all, err := Accounts.Where(ctx, tx, "1 = 1 ORDER BY name")
		if err != nil || len(all) > 1 || len(all) == 1 && all[0].GetState() != accessv1.Account_INVITED {
			return err
		}
		admin := &accessv1.Account{
			Name: "accounts/admin", Login: "admin", DisplayName: "Administrator", Roles: []string{"admin"},
			Kind: accessv1.Account_HUMAN, State: accessv1.Account_INVITED,
		}
		if len(all) == 0 {
			if err := Accounts.Insert(ctx, tx, admin, s.Clock.Now()); err != nil {
				return err
			}
		}
		token, _, err = s.Invite(ctx, tx, admin.GetName())
		return err
	})
	return token, err
}

// Invite makes a one-time token for choosing a password; earlier ones of the account stop working.
func (s *Store) Invite(ctx context.Context, tx *storage.Tx, account string) (token string, expires time.Time, err error) {
	if err := Uninvite(ctx, tx, account); err != nil {
		return "", expires, err
	}
	token, expires = auth.NewSecret("csi_"), s.Clock.Now().Add(invitationLife)
	_, err = tx.Exec(ctx, "INSERT INTO invitations (token_hash, account, expire_time) VALUES ($1, $2, $3)",
		auth.HashSecret(token), account, storage.Micros(expires))
	return token, expires, err
}

// Uninvite makes every one-time token of an account useless.
func Uninvite(ctx context.Context, tx *storage.Tx, account string) error {
	_, err := tx.Exec(ctx, "DELETE FROM invitations WHERE account = $1", account)
	return err
}

// Accept chooses a password with a one-time token and opens a session. It starts the account anew: a second factor of before
// is gone with the password. Reasons: INVITATION_INVALID, PASSWORD_TOO_WEAK.
func (s *Store) Accept(ctx context.Context, token, password string) (session *accessv1.Session, err error) {
	if err := checkStrength("password", password); err != nil {
		return nil, err
	}
	hash := auth.HashPassword(password)
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		account, err := s.invited(ctx, tx, token)
		if err != nil {
			return err
		}
		name := account.GetName()
		if err := s.setPassword(ctx, tx, name, hash); err != nil {
			return err
		}
		if err := Uninvite(ctx, tx, name); err != nil {
			return err
		}
		if err := ForgetGuesses(ctx, tx, name, account.GetLogin()); err != nil {
			return err
		}
		if err := RemoveFactor(ctx, tx, name); err != nil {
			return err
		}
		account.State, account.SecondFactor = accessv1.Account_ACTIVE, false
		if err := Accounts.Save(ctx, tx, account, s.Clock.Now()); err != nil {
			return err
		}
		session, err = s.open(ctx, tx, account, byPassword)
		return err
	})
	return session, err
}

// invited is the account that an invitation is for, locked; one that is disabled has none.
func (s *Store) invited(ctx context.Context, tx *storage.Tx, token string) (*accessv1.Account, error) {
	var name string
	var expires int64
	err := tx.QueryRow(ctx, "SELECT account, expire_time FROM invitations WHERE token_hash = $1"+tx.ForUpdate(), auth.HashSecret(token)).
		Scan(&name, &expires)
	if errors.Is(err, storage.ErrNoRows) || err == nil && expires < storage.Micros(s.Clock.Now()) {
		return nil, wrongInvitation()
	}
	if err != nil {
		return nil, err
	}
	account, err := Accounts.Lock(ctx, tx, name)
	if err == nil && account.GetState() == accessv1.Account_DISABLED { // of a suite that left invitations of disabled accounts behind
		err = wrongInvitation()
	}
	return account, err
}

func wrongInvitation() error {
	return fault.New(fault.Unauthenticated, "INVITATION_INVALID",
		"This invitation was used, replaced or is too old. Ask an administrator for a new one.")
}

// setPassword also ends every session of the account.
func (s *Store) setPassword(ctx context.Context, tx *storage.Tx, account, hash string) error {
	_, err := tx.Exec(ctx, `INSERT INTO passwords (account, hash, failures, locked_until) VALUES ($1, $2, 0, 0)
		ON CONFLICT (account) DO UPDATE SET hash = excluded.hash`, account, hash)
	if err != nil {
		return err
	}
	return EndSessions(ctx, tx, account)
}

// EndSessions ends every session of an account.
func EndSessions(ctx context.Context, tx *storage.Tx, account string) error {
	_, err := tx.Exec(ctx, "DELETE FROM sessions WHERE account = $1", account)
	return err
}

func checkStrength(field, password string) error {
	letters := []rune(password)
	if len(letters) < minPassword || len(slices.Compact(letters)) == 1 {
		return fault.Invalid(field, "PASSWORD_TOO_WEAK",
			"The password is too easy to guess. Use at least %d characters that are not all the same, such as a few words.", minPassword)
	}
	return nil
}

// ChangePassword sets the caller's own password, and ends every session of the account but the one that calls and every
// invitation to choose another one.
func (s *Store) ChangePassword(ctx context.Context, id auth.Identity, old, fresh string) error {
	if err := checkStrength("new_password", fresh); err != nil {
		return err
	}
	if err := s.provePassword(ctx, id.Account, old); err != nil {
		return err
	}
	hash := auth.HashPassword(fresh)
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "UPDATE passwords SET hash = $1 WHERE account = $2", hash, id.Account)
		if err == nil {
			_, err = tx.Exec(ctx, "DELETE FROM sessions WHERE account = $1 AND token_hash <> $2", id.Account, id.SessionID)
		}
		if err == nil {
			err = Uninvite(ctx, tx, id.Account)
		}
		return err
	})
}

// SignOut ends one session.
func (s *Store) SignOut(ctx context.Context, session string) error {
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "DELETE FROM sessions WHERE token_hash = $1", session)
		return err
	})
}

// Identify says whose token this is: of a session, an API key or a token that a key was exchanged for. The session id of the identity is the token's hash, which
// opens nothing. A call that somebody sits before is a use of the session. Reasons: CREDENTIALS_WRONG, SESSION_IDLE.
func (s *Store) Identify(ctx context.Context, token string) (id auth.Identity, csrf string, err error) {
	hash, changes, now := auth.HashSecret(token), s.DB.Changes(), storage.Micros(s.Clock.Now())
	attended := ctx.Value(unattended{}) == nil
	if known, ok := s.recent.find(hash, changes, now); ok && (known.noteAt > now || !attended) {
		return known.id, known.csrf, nil
	}
	found, err := s.identify(ctx, hash)
	if err != nil {
		return auth.Identity{}, "", err
	}
	if found.noteAt <= now && attended {
		s.noteUse(ctx, hash)
	}
	if s.DB.Sole() {
		s.recent.keep(hash, changes, found)
	}
	return found.id, found.csrf, nil
}

// identify reads whose token has this hash.
func (s *Store) identify(ctx context.Context, hash string) (found caller, err error) {
	now := storage.Micros(s.Clock.Now())
	var account *accessv1.Account
	var since int64
	var method string
	var scopes []string
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var name string
		var last int64
		err := tx.QueryRow(ctx, "SELECT account, csrf_token, auth_time, method, expire_time, use_time FROM sessions WHERE token_hash = $1 AND expire_time > $2", hash, now).
			Scan(&name, &found.csrf, &since, &method, &found.until, &last)
		switch {
		case errors.Is(err, storage.ErrNoRows):
			found.noteAt = math.MaxInt64
			name, since, scopes, found.until, err = s.keyOwner(ctx, tx, hash)
		case err == nil:
			found.until, found.noteAt = s.use(last, found.until)
			err = s.inUse(found.until, now)
		}
		if err != nil {
			return err
		}
		account, err = Accounts.Get(ctx, tx, name)
		return err
	})
	usable := account.GetState() == accessv1.Account_ACTIVE
	if errors.Is(err, storage.ErrNoRows) || fault.HasReason(err, "NOT_FOUND") || err == nil && !usable {
		return found, fault.New(fault.Unauthenticated, "CREDENTIALS_WRONG", "This session or key is not valid any more. Sign in again.")
	}
	if err != nil {
		return found, err
	}
	roles, kind := narrowed(slices.Clone(account.GetRoles()), scopes), auth.Human
	if s.factorDue(account, method) {
		roles = []string{auth.SecondFactorDue}
	}
	switch {
	case account.GetKind() == accessv1.Account_MACHINE:
		kind = auth.Machine
	case account.GetBreakGlass():
		kind = auth.Emergency
	}
	found.id = auth.Identity{
		Account: account.GetName(), Person: account.GetPerson(), DisplayName: account.GetDisplayName(),
		Roles: roles, Kind: kind, AuthTime: storage.FromMicros(since), SessionID: hash,
		Owners: slices.Clone(account.GetOwners()), Scopes: scopes, Units: unitsOf(account),
	}
	return found, nil
}

// CreateKey makes an API key that has no secret yet.
func (s *Store) CreateKey(ctx context.Context, tx *storage.Tx, key *accessv1.ApiKey) error {
	now := s.Clock.Now()
	if key.GetExpireTime() == nil {
		key.ExpireTime = timestamppb.New(now.Add(keyLife))
	}
	return Keys.Insert(ctx, tx, key, now)
}

// NewKeySecret gives a key a secret; the one before stops working. It is kept as a hash only.
func (s *Store) NewKeySecret(ctx context.Context, key string) (secret string, err error) {
	secret = auth.NewSecret("csk_")
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO api_key_secrets (secret_hash, api_key) VALUES ($1, $2)
			ON CONFLICT (api_key) DO UPDATE SET secret_hash = excluded.secret_hash`, auth.HashSecret(secret), key)
		return err
	})
	return secret, err
}

func sessionOf(account *accessv1.Account, expires time.Time) *accessv1.Session {
	return &accessv1.Session{
		Account: account.GetName(), Person: account.GetPerson(), DisplayName: account.GetDisplayName(), Roles: account.GetRoles(),
		ExpireTime: timestamppb.New(expires), Owners: account.GetOwners(), UnitSystem: account.GetUnitSystem(),
	}
}
