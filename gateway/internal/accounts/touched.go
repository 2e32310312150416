package accounts

import (
	"context"
	"errors"
	"time"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// touchedFor is how long an account that was made, changed or invited out of a break-glass session closes no use of it: so
// long, whoever opened the envelope can't end the alarm by another name. It ends, so that a house whose only administrator was
// let in again is not left with an alarm for good. Common practice, no source.
const touchedFor = 7 * 24 * time.Hour

// Touch notes that an account was made, changed or invited, if a break-glass session did so or an account that one touched.
func (s *Store) Touch(ctx context.Context, tx *storage.Tx, account string) error {
	if id, _ := auth.FromContext(ctx); !emergency(ctx) {
		until, err := s.touchedUntil(ctx, tx, id.Account)
		if err != nil || until.IsZero() {
			return err
		}
	}
	_, err := tx.Exec(ctx, `INSERT INTO break_glass_touched (account, touch_time) VALUES ($1, $2)
		ON CONFLICT (account) DO UPDATE SET touch_time = excluded.touch_time`, account, storage.Micros(s.Clock.Now()))
	return err
}

// touchedUntil is until when an account closes no use; zero when it may now.
func (s *Store) touchedUntil(ctx context.Context, tx *storage.Tx, account string) (time.Time, error) {
	var at int64
	err := tx.QueryRow(ctx, "SELECT touch_time FROM break_glass_touched WHERE account = $1", account).Scan(&at)
	if errors.Is(err, storage.ErrNoRows) {
		return time.Time{}, nil
	}
	if until := storage.FromMicros(at).Add(touchedFor); err == nil && until.After(s.Clock.Now()) {
		return until, nil
	}
	return time.Time{}, err
}

// independent refuses a reviewer whom a break-glass session may have made. Reason: REVIEWER_NOT_INDEPENDENT.
func (s *Store) independent(ctx context.Context, tx *storage.Tx, account string) error {
	until, err := s.touchedUntil(ctx, tx, account)
	if err != nil || until.IsZero() {
		return err
	}
	return fault.Precondition("REVIEWER_NOT_INDEPENDENT",
		"%s was made, changed or invited out of a session of the break-glass account, so it can't review a use before %s. Ask somebody else of quality or an administrator.",
		account, until.UTC().Format(time.RFC3339))
}

// AnswerForFacts refuses a break-glass session to answer for what is sent to another system: that would go on when the session is over and its use
// reviewed. Reason: BREAK_GLASS_LIMITED.
func AnswerForFacts(id auth.Identity) error {
	if id.Kind == auth.Emergency {
		return limited("may not have facts sent to another system, which would go on after it")
	}
	return nil
}

// KeepAlarm refuses a break-glass session to stop or redirect what carries the alarm to other systems. Reason: BREAK_GLASS_LIMITED.
func KeepAlarm(ctx context.Context) error {
	if emergency(ctx) {
		return limited("may not stop, change or remove what sends facts to other systems, its alarm among them")
	}
	return nil
}
