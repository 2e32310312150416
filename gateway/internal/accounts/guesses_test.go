package accounts_test

import (
	"testing"
	"time"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Both engines count guesses that come at once, in a transaction each.
func TestGuessesAtOnce(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		now := clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		s := &accounts.Store{DB: db, Clock: now, IDs: ids.System()}
		const guesses = 20
		answers := make(chan error, guesses)
		for range guesses {
			go func() {
				_, err := s.SignIn(t.Context(), "nobody", "wrong", "")
				answers <- err
			}()
		}
		looked := 0
		for range guesses {
			switch err := <-answers; {
			case fault.HasReason(err, "CREDENTIALS_WRONG"):
				looked++
			case !fault.HasReason(err, "ACCOUNT_LOCKED"):
				t.Errorf("got %v", err)
			}
		}
		if looked != 10 {
			t.Errorf("%d of %d guesses were looked at, want 10", looked, guesses)
		}
		now.Advance(24 * time.Hour)
		for range 2 {
			if _, err := s.SignIn(t.Context(), "nobody", "wrong", ""); !fault.HasReason(err, "CREDENTIALS_WRONG") {
				t.Errorf("a day later, when all is forgotten: %v", err)
			}
		}
	})
}
