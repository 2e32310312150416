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
				_, err := s.SignIn(t.Context(), "nobody", "wrong", "", "")
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
			if _, err := s.SignIn(t.Context(), "nobody", "wrong", "", ""); !fault.HasReason(err, "CREDENTIALS_WRONG") {
				t.Errorf("a day later, when all is forgotten: %v", err)
			}
		}
	})
}

// Processes that begin at once on an empty database all begin, and one of their tokens, the newest, lets the administrator in.
func TestSeveralProcessesBeginAtOnce(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s := &accounts.Store{DB: db, Clock: clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), IDs: ids.System()}
		const processes = 4
		type begun struct {
			token string
			err   error
		}
		answers := make(chan begun, processes)
		for range processes {
			go func() {
				token, err := s.FirstAdmin(t.Context())
				answers <- begun{token, err}
			}()
		}
		works := 0
		for range processes {
			b := <-answers
			if b.err != nil || b.token == "" {
				t.Errorf("a process does not begin: %q %v", b.token, b.err)
			}
			if _, err := s.Accept(t.Context(), b.token, "a demonstration passphrase"); err == nil {
				works++
			} else if !fault.HasReason(err, "INVITATION_INVALID") {
				t.Error(err)
			}
		}
		if works > 1 {
			t.Errorf("%d tokens work", works)
		}
	})
}
