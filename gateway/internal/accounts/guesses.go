package accounts

import (
	"context"
	"strconv"
	"time"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/metric"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// What wrong passwords cost, common practice, no source. At its longest the wait lets through four guesses an hour. Who guesses on
// and on holds it there, and keeps the owner out where the owner has not signed in before; see targetOf.
const (
	freeGuesses  = 5
	firstWait    = time.Second
	longestWait  = 15 * time.Minute
	guessesCount = 24 * time.Hour // how long a wrong password counts
)

// Guesses at a login and at the password of somebody who is signed in are counted apart, so that a stranger's guesses keep
// nobody from signing a record. A target is kept as a hash, because people type passwords where the login belongs.
func loginTarget(login string) string   { return auth.HashSecret("login " + login) }
func proofTarget(account string) string { return auth.HashSecret("proof " + account) }

// waitAfter is how long the next guess must wait after this many wrong ones.
func waitAfter(failures int64) time.Duration {
	if failures < freeGuesses {
		return 0
	}
	doublings := min(failures-freeGuesses, 10)
	return min(firstWait<<doublings, longestWait)
}

// countGuess takes a guess for a wrong one until ForgetGuesses says otherwise, whether or not there is such an account; so
// guesses sent at once are counted before any is looked at. Whose says whose password it is, for those who keep watch. Reason: ACCOUNT_LOCKED, which counts
// nothing.
func (s *Store) countGuess(ctx context.Context, target, whose string) error {
	locks := false
	err := s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		now := s.Clock.Now()
		if _, err := tx.Exec(ctx, "DELETE FROM guesses WHERE forget_time <= $1", storage.Micros(now)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, "INSERT INTO guesses (target, failures, retry_time, forget_time) VALUES ($1, 0, 0, $2) ON CONFLICT DO NOTHING",
			target, storage.Micros(now.Add(guessesCount)))
		if err != nil {
			return err
		}
		var failures, retry int64
		err = tx.QueryRow(ctx, "SELECT failures, retry_time FROM guesses WHERE target = $1"+tx.ForUpdate(), target).Scan(&failures, &retry)
		if err != nil {
			return err
		}
		if retry > storage.Micros(now) {
			return tooManyGuesses(storage.FromMicros(retry).Sub(now))
		}
		locks = failures+1 == freeGuesses
		_, err = tx.Exec(ctx, "UPDATE guesses SET failures = $1, retry_time = $2, forget_time = $3 WHERE target = $4", failures+1,
			storage.Micros(now.Add(waitAfter(failures+1))), storage.Micros(now.Add(guessesCount)), target)
		return err
	})
	if err == nil && locks {
		s.tellLock(ctx, whose)
	}
	return err
}

// tellLock tells those who keep watch that guesses have to wait from now on, once a day of guessing. What was typed as the login stays unsaid, as people type
// passwords there.
func (s *Store) tellLock(ctx context.Context, whose string) {
	if whose == "" {
		whose = "no account"
	}
	if s.Log != nil {
		s.Log.WarnContext(ctx, "guesses at a password wait from now on", "account", whose, "guesses", freeGuesses)
	}
	locks, err := otel.Meter("coldsection.example/gateway/accounts").Int64Counter("coldsection.login.locks",
		metric.WithUnit("{lock}"), metric.WithDescription("Logins and accounts whose wrong passwords became so many that the next ones wait."))
	if err == nil {
		locks.Add(ctx, 1)
	}
}

func tooManyGuesses(wait time.Duration) error {
	seconds := int64((wait + time.Second - 1) / time.Second)
	return fault.New(fault.ResourceExhausted, "ACCOUNT_LOCKED",
		"Too many wrong passwords for this login. Wait %d s and try again, or ask an administrator to enable the account.", seconds).
		With("retry_after_seconds", strconv.FormatInt(seconds, 10))
}

// ForgetGuesses takes back every guess at an account, by its login and by those who are signed in to it.
func ForgetGuesses(ctx context.Context, tx *storage.Tx, account, login string) error {
	if _, err := tx.Exec(ctx, "DELETE FROM guesses WHERE target IN ($1, $2)", proofTarget(account), loginTarget(login)); err != nil {
		return err
	}
	return forgetPlaces(ctx, tx, account, login)
}
