package accounts_test

import (
	"sync"
	"testing"
	"time"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Sessions that are opened with the old password while it is changed end with all others, however the two meet.
func TestNoSessionOfTheOldPasswordOutlivesItsChange(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s := &accounts.Store{DB: db, Clock: clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), IDs: ids.System()}
		invitation, err := s.FirstAdmin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		const old, fresh = "a demonstration passphrase", "another demonstration passphrase"
		first, err := s.Accept(t.Context(), invitation, old)
		if err != nil {
			t.Fatal(err)
		}
		owner, _, err := s.Identify(t.Context(), first.GetToken())
		if err != nil {
			t.Fatal(err)
		}
		var all sync.WaitGroup
		tokens := make(chan string, 1000)
		for range 2 { // less than the guesses that are free, so that all are looked at
			all.Go(func() {
				for { // until the old password is refused
					session, err := s.SignIn(t.Context(), "admin", old, "", "192.0.2.7")
					if err != nil {
						return
					}
					tokens <- session.GetToken()
				}
			})
		}
		if err := s.ChangePassword(t.Context(), owner, old, fresh); err != nil {
			t.Error(err)
		}
		all.Wait()
		close(tokens)
		for token := range tokens {
			if _, _, err := s.Identify(t.Context(), token); err == nil {
				t.Error("a session of the old password goes on")
			}
		}
		if _, _, err := s.Identify(t.Context(), first.GetToken()); err != nil {
			t.Errorf("the session that changed it: %v", err)
		}
	})
}
