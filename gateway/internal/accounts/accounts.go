// Package accounts keeps who may come in: accounts with their passwords, sessions, invitations and API keys, and the audit
// of calls.
//
// Secrets are kept as hashes only: passwords with argon2id, random tokens with SHA-256. The same refusal answers a wrong
// password and an unknown login. After five wrong passwords each further guess waits longer, a second at first and a quarter
// of an hour at most; that holds for logins that nobody has, too.
package accounts

import (
	"context"
	"embed"
	"errors"
	"io/fs"
	"log/slog"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// How long things last.
const (
	sessionLife    = 12 * time.Hour
	invitationLife = 7 * 24 * time.Hour
	keyLife        = 365 * 24 * time.Hour
	minPassword    = 12
)

//go:embed migrations
var migrations embed.FS

// Migrations are the tables of this package.
func Migrations() storage.Migrations {
	sub := func(engine string) fs.FS {
		f, err := fs.Sub(migrations, "migrations/"+engine)
		if err != nil {
			panic(err) // the folder is embedded
		}
		return f
	}
	return storage.Migrations{SQLite: sub("sqlite"), Postgres: sub("postgres")}
}

// Store keeps accounts in a database.
type Store struct {
	DB    *storage.DB
	Clock clock.Clock
	IDs   ids.Source
	Keys  *auth.Keys // seals the secrets of second factors
	// SecondFactorRoles are the roles whose holders may do nothing by password alone until they have a second factor.
	SecondFactorRoles []string
	// IdleLife is how long a session lives that nobody uses; 0 is as long as any.
	IdleLife time.Duration
	// Log is told of logins that are locked; nil for nobody.
	Log *slog.Logger

	recent recent
}

// The tables of resources.
var (
	// Accounts belong to no owner, not even those that are limited to some; who may read them decides the policy.
	Accounts = resource.NewTable[*accessv1.Account]("accounts", "login",
		"login", "state", "kind", "person", "create_time", "issuer", "subject").Shared()
	Keys  = resource.NewTable[*accessv1.ApiKey]("api_keys", "create_time", "create_time")
	Audit = resource.NewTable[*accessv1.AuditEvent]("audit_events", "create_time desc",
		"account", "method", "target", "outcome", "create_time")
)

func wrongCredentials() error {
	return fault.New(fault.Unauthenticated, "CREDENTIALS_WRONG", "The login or the password is wrong. Check both and try again.")
}

// SignIn opens a session; from is the address that the call came from, "" for none. Reasons: CREDENTIALS_WRONG, SECOND_FACTOR_NEEDED, SECOND_FACTOR_WRONG, ACCOUNT_LOCKED.
func (s *Store) SignIn(ctx context.Context, login, password, code, from string) (*accessv1.Session, error) {
	var account *accessv1.Account
	err := s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		found, err := Accounts.Where(ctx, tx, "login = $1", login)
		if len(found) == 1 {
			account = found[0]
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	target, err := s.targetOf(ctx, account.GetName(), login, from)
	if err != nil {
		return nil, err
	}
	compared, err := s.checkPassword(ctx, target, account, password, s.askFactor(account, code))
	if err != nil {
		return nil, err
	}
	return s.openStill(ctx, account.GetName(), compared, from)
}

// openStill opens a session of an account whose password has the hash that was compared. Comparing takes a while, in which the
// password may be changed or the account disabled: a session that began then would outlive what ended all others.
func (s *Store) openStill(ctx context.Context, account, compared, from string) (session *accessv1.Session, err error) {
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		now, err := Accounts.Lock(ctx, tx, account)
		if err != nil {
			return err
		}
		hash, err := hashIn(ctx, tx, account)
		if err != nil {
			return err
		}
		if hash != compared || now.GetState() == accessv1.Account_DISABLED {
			return wrongCredentials()
		}
		if session, err = s.open(ctx, tx, now, byPassword); err != nil {
			return err
		}
		return s.know(ctx, tx, account, from)
	})
	return session, err
}

// askFactor checks the second factor once the password was right.
func (s *Store) askFactor(account *accessv1.Account, code string) func(context.Context) error {
	return func(ctx context.Context) error { return s.checkFactor(ctx, account.GetName(), code) }
}

// checkPassword counts the guess, compares, checks what else there is, and takes the guess back when all was right. It does
// the same and takes the same time for an account that does not exist. It returns the hash that was compared.
func (s *Store) checkPassword(
	ctx context.Context, target string, account *accessv1.Account, password string, also ...func(context.Context) error,
) (hash string, err error) {
	if err := s.countGuess(ctx, target, account.GetName()); err != nil {
		return "", err
	}
	if hash, err = s.hashOf(ctx, account.GetName()); err != nil {
		return "", err
	}
	if !auth.CheckPassword(password, hash) || account.GetState() == accessv1.Account_DISABLED {
		return "", wrongCredentials()
	}
	for _, check := range also {
		if err := check(ctx); err != nil {
			return "", err
		}
	}
	return hash, s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "DELETE FROM guesses WHERE target = $1", target)
		return err
	})
}

// hashOf is the hash of an account's password, "" when it has none.
func (s *Store) hashOf(ctx context.Context, account string) (hash string, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		hash, err = hashIn(ctx, tx, account)
		return err
	})
	return hash, err
}

func hashIn(ctx context.Context, tx *storage.Tx, account string) (hash string, err error) {
	err = tx.QueryRow(ctx, "SELECT hash FROM passwords WHERE account = $1", account).Scan(&hash)
	if errors.Is(err, storage.ErrNoRows) {
		return "", nil
	}
	return hash, err
}

// open makes a session of an account; the token is in this answer only.
func (s *Store) open(ctx context.Context, tx *storage.Tx, account *accessv1.Account, method string) (*accessv1.Session, error) {
	now := s.Clock.Now()
	token, csrf := auth.NewSecret("css_"), auth.NewSecret("")
	expires := now.Add(lifeOf(method))
	_, err := tx.Exec(ctx, "INSERT INTO sessions (token_hash, account, csrf_token, auth_time, expire_time, method, use_time) VALUES ($1, $2, $3, $4, $5, $6, $4)",
		auth.HashSecret(token), account.GetName(), csrf, storage.Micros(now), storage.Micros(expires), method)
	session := sessionOf(account, expires)
	session.Token, session.CsrfToken, session.Method = token, csrf, method
	if s.factorDue(account, method) {
		session.Roles, session.SecondFactorDue = nil, true
	}
	return session, err
}

// lifeOf is how long a session lives that was opened like this.
func lifeOf(method string) time.Duration {
	if method == byBreakGlass {
		return breakGlassLife
	}
	return sessionLife
}

// Reauthenticate checks the caller's password once more, or that the caller just signed in by the provider anew, and says
// how it was proved.
func (s *Store) Reauthenticate(ctx context.Context, id auth.Identity, password, code string) (method string, err error) {
	facts, err := s.SessionFacts(ctx, id.SessionID)
	if err != nil {
		return "", err
	}
	if err := refuseBreakGlassProof(facts.Method); err != nil {
		return "", err
	}
	if facts.Method == byProvider && password == "" {
		return byProvider, s.takeExternalProof(ctx, id)
	}
	a, err := Accounts.Read(ctx, s.DB, id.Account)
	if err != nil {
		return "", wrongCredentials()
	}
	if a.GetSecondFactor() {
		method = withFactor
	} else {
		method = byPassword
	}
	_, err = s.checkPassword(ctx, proofTarget(id.Account), a, password, s.askFactor(a, code))
	return method, err
}

// provePassword checks the password of somebody who is signed in.
func (s *Store) provePassword(ctx context.Context, account, password string) error {
	a, err := Accounts.Read(ctx, s.DB, account)
	if err != nil {
		return wrongCredentials()
	}
	_, err = s.checkPassword(ctx, proofTarget(account), a, password)
	return err
}
