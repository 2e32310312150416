package accounts

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/pquerna/otp/hotp"
	"github.com/pquerna/otp/totp"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Second factors are time-based one-time passwords as RFC 6238 has them by default: SHA-1, six digits, 30 s.
const (
	step          = 30 * time.Second
	drift         = 1 // steps by which the clock of a phone may be wrong; RFC 6238 section 5.2 recommends at most one
	recoveryCodes = 10
	recoveryBytes = 10 // random bytes of a recovery code, 16 letters
	sealedFactor  = "second factor"
)

// stepOf is the step in which a secret shows this code, if it is a later one than the last that was used.
func stepOf(secret, code string, now time.Time, last int64) (int64, bool) {
	current := now.Unix() / int64(step/time.Second)
	for s := current - drift; s <= current+drift; s++ {
		if s > last && hotp.Validate(code, uint64(s), secret) {
			return s, true
		}
	}
	return 0, false
}

// factor is an account's second factor.
type factor struct {
	secret    string // base 32
	confirmed bool
	last      int64 // the step of the last code that was used
}

// factorOf reads and locks an account's second factor; nil when there is none.
func (s *Store) factorOf(ctx context.Context, tx *storage.Tx, account string) (*factor, error) {
	var sealed []byte
	f := &factor{}
	err := tx.QueryRow(ctx, "SELECT secret, confirmed, last_step FROM second_factors WHERE account = $1"+tx.ForUpdate(), account).
		Scan(&sealed, &f.confirmed, &f.last)
	if errors.Is(err, storage.ErrNoRows) {
		return nil, nil //nolint:nilnil // most accounts have none
	}
	if err != nil {
		return nil, err
	}
	secret, err := s.Keys.Unseal(sealedFactor, sealed)
	f.secret = string(secret)
	return f, err
}

// EnrolSecondFactor begins a second factor, which counts once it is confirmed.
func (s *Store) EnrolSecondFactor(ctx context.Context, id auth.Identity, password string) (secret, uri string, err error) {
	if err := s.provePassword(ctx, id.Account, password); err != nil {
		return "", "", err
	}
	account, err := Accounts.Read(ctx, s.DB, id.Account)
	if err != nil {
		return "", "", err
	}
	key, err := totp.Generate(totp.GenerateOpts{Issuer: "coldsection", AccountName: account.GetLogin(), SecretSize: 20})
	if err != nil {
		return "", "", err
	}
	sealed, err := s.Keys.Seal(sealedFactor, []byte(key.Secret()))
	if err != nil {
		return "", "", err
	}
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		n, err := tx.Exec(ctx, `INSERT INTO second_factors (account, secret, confirmed, last_step) VALUES ($1, $2, 0, 0)
			ON CONFLICT (account) DO UPDATE SET secret = excluded.secret WHERE second_factors.confirmed = 0`, id.Account, sealed)
		if err == nil && n == 0 {
			return fault.Precondition("SECOND_FACTOR_EXISTS",
				"%s has a second factor. Ask an administrator to reset it when it is lost.", id.Account)
		}
		return err
	})
	return key.Secret(), key.URL(), err
}

// ConfirmSecondFactor makes the second factor count, and ends every session of the account but the one that calls.
func (s *Store) ConfirmSecondFactor(ctx context.Context, id auth.Identity, code string) (codes []string, err error) {
	if err := s.countGuess(ctx, proofTarget(id.Account), id.Account); err != nil {
		return nil, err
	}
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		f, err := s.factorOf(ctx, tx, id.Account)
		if err != nil {
			return err
		}
		if f == nil || f.confirmed {
			return fault.Precondition("SECOND_FACTOR_NOT_ENROLLED", "%s has no second factor to be confirmed. Enrol one first.", id.Account)
		}
		used, ok := stepOf(f.secret, digits(code), s.Clock.Now(), f.last)
		if !ok {
			return wrongFactor()
		}
		if _, err := tx.Exec(ctx, "UPDATE second_factors SET confirmed = 1, last_step = $1 WHERE account = $2", used, id.Account); err != nil {
			return err
		}
		if codes, err = s.newRecoveryCodes(ctx, tx, id.Account); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "DELETE FROM sessions WHERE account = $1 AND token_hash <> $2", id.Account, id.SessionID); err != nil {
			return err
		}
		account, err := s.markFactor(ctx, tx, id.Account, true)
		if err != nil {
			return err
		}
		return ForgetGuesses(ctx, tx, account.GetName(), account.GetLogin())
	})
	return codes, err
}

func (s *Store) markFactor(ctx context.Context, tx *storage.Tx, name string, has bool) (*accessv1.Account, error) {
	account, err := Accounts.Lock(ctx, tx, name)
	if err != nil {
		return nil, err
	}
	account.SecondFactor = has
	return account, Accounts.Save(ctx, tx, account, s.Clock.Now())
}

// newRecoveryCodes replaces the recovery codes of an account; only their hashes are kept.
func (s *Store) newRecoveryCodes(ctx context.Context, tx *storage.Tx, account string) ([]string, error) {
	if _, err := tx.Exec(ctx, "DELETE FROM recovery_codes WHERE account = $1", account); err != nil {
		return nil, err
	}
	codes := make([]string, 0, recoveryCodes)
	for range recoveryCodes {
		raw := make([]byte, recoveryBytes)
		_, _ = rand.Read(raw)
		code := base32.StdEncoding.EncodeToString(raw)
		if _, err := tx.Exec(ctx, "INSERT INTO recovery_codes (account, code_hash) VALUES ($1, $2)", account, auth.HashSecret(code)); err != nil {
			return nil, err
		}
		codes = append(codes, grouped(code))
	}
	return codes, nil
}

// RemoveFactor takes the second factor and its recovery codes from an account.
func RemoveFactor(ctx context.Context, tx *storage.Tx, account string) error {
	for _, table := range []string{"second_factors", "recovery_codes"} {
		if _, err := tx.Exec(ctx, "DELETE FROM "+table+" WHERE account = $1", account); err != nil {
			return err
		}
	}
	return nil
}

// checkFactor asks for the second factor of an account that has one, and uses the code up.
func (s *Store) checkFactor(ctx context.Context, account, code string) error {
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		f, err := s.factorOf(ctx, tx, account)
		if err != nil || f == nil || !f.confirmed {
			return err
		}
		if code == "" {
			return fault.New(fault.Unauthenticated, "SECOND_FACTOR_NEEDED",
				"This account has a second factor. Send the six digits that the authenticator app shows too, or a recovery code.")
		}
		if used, ok := stepOf(f.secret, digits(code), s.Clock.Now(), f.last); ok {
			_, err := tx.Exec(ctx, "UPDATE second_factors SET last_step = $1 WHERE account = $2", used, account)
			return err
		}
		n, err := tx.Exec(ctx, "DELETE FROM recovery_codes WHERE account = $1 AND code_hash = $2", account,
			auth.HashSecret(strings.ToUpper(strings.ReplaceAll(digits(code), "-", ""))))
		if err == nil && n == 0 {
			return wrongFactor()
		}
		return err
	})
}

// digits leaves out the spaces that apps show and people type.
func digits(code string) string { return strings.Join(strings.Fields(code), "") }

func wrongFactor() error {
	return fault.New(fault.Unauthenticated, "SECOND_FACTOR_WRONG",
		"The code is wrong, too old or was used. Wait for the next one that the app shows, or use a recovery code.")
}

// factorDue says whether an account must enrol a second factor before it may do what its roles allow.
func (s *Store) factorDue(account *accessv1.Account, method string) bool {
	return method == byPassword && !account.GetSecondFactor() &&
		slices.ContainsFunc(account.GetRoles(), func(r string) bool { return slices.Contains(s.SecondFactorRoles, r) })
}
