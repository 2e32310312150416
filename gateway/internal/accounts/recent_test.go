package accounts_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

const passphrase = "a long enough passphrase"

// signedIn is a store with an administrator who signed in, and the session's token.
func signedIn(t *testing.T, db *storage.DB) (s *accounts.Store, now *clock.Fake, token string) {
	t.Helper()
	now = clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	s = &accounts.Store{DB: db, Clock: now, IDs: ids.System()}
	invitation, err := s.FirstAdmin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	session, err := s.Accept(t.Context(), invitation, passphrase)
	if err != nil {
		t.Fatal(err)
	}
	return s, now, session.GetToken()
}

// A caller who was known a moment ago is known as what he is now: whatever was taken away, or came to its end, is gone at once.
func TestACallerIsNeverKnownByWhatWasTakenAway(t *testing.T) {
	change := func(s *accounts.Store, fn func(a *accessv1.Account)) func(context.Context) error {
		return func(ctx context.Context) error {
			return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
				a, err := accounts.Accounts.Lock(ctx, tx, "accounts/admin")
				if err != nil {
					return err
				}
				fn(a)
				return accounts.Accounts.Save(ctx, tx, a, s.Clock.Now())
			})
		}
	}
	for name, end := range map[string]func(s *accounts.Store, now *clock.Fake, session string) func(context.Context) error{
		"signed out": func(s *accounts.Store, _ *clock.Fake, session string) func(context.Context) error {
			return func(ctx context.Context) error { return s.SignOut(ctx, session) }
		},
		"another password": func(s *accounts.Store, _ *clock.Fake, _ string) func(context.Context) error {
			return func(ctx context.Context) error {
				return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
					return accounts.EndSessions(ctx, tx, "accounts/admin")
				})
			}
		},
		"disabled": func(s *accounts.Store, _ *clock.Fake, _ string) func(context.Context) error {
			return change(s, func(a *accessv1.Account) { a.State = accessv1.Account_DISABLED })
		},
		"too old": func(_ *accounts.Store, now *clock.Fake, _ string) func(context.Context) error {
			return func(context.Context) error { now.Advance(365 * 24 * time.Hour); return nil }
		},
	} {
		t.Run(name, func(t *testing.T) {
			storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
				s, now, token := signedIn(t, db)
				for range 2 {
					if id, _, err := s.Identify(t.Context(), token); err != nil || !id.Has("admin") {
						t.Fatalf("before: %v, %v", id, err)
					}
				}
				id, _, _ := s.Identify(t.Context(), token)
				if err := end(s, now, id.SessionID)(t.Context()); err != nil {
					t.Fatal(err)
				}
				if id, _, err := s.Identify(t.Context(), token); !fault.HasReason(err, "CREDENTIALS_WRONG") {
					t.Errorf("after: %v, %v", id, err)
				}
			})
		})
	}
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s, _, token := signedIn(t, db)
		id, _, _ := s.Identify(t.Context(), token)
		id.Roles[0] = "changed by a caller"
		if id, _, err := s.Identify(t.Context(), token); err != nil || !id.Has("admin") {
			t.Errorf("what one caller changed another sees: %v, %v", id, err)
		}
		if err := change(s, func(a *accessv1.Account) { a.Roles = []string{"viewer"} })(t.Context()); err != nil {
			t.Fatal(err)
		}
		if id, _, err := s.Identify(t.Context(), token); err != nil || id.Has("admin") {
			t.Errorf("after the role was taken away: %v, %v", id, err)
		}
	})
}

// A revoked key, and a token that it was exchanged for, are gone at once.
func TestAKeyIsNeverKnownAfterItsEnd(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s, now, _ := signedIn(t, db)
		key := &accessv1.ApiKey{Name: "accounts/admin/apiKeys/a", DisplayName: "A"}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return s.CreateKey(ctx, tx, key) }); err != nil {
			t.Fatal(err)
		}
		secret, err := s.NewKeySecret(t.Context(), key.GetName())
		if err != nil {
			t.Fatal(err)
		}
		token, _, life, err := s.Grant(t.Context(), key.GetName(), secret, nil)
		if err != nil {
			t.Fatal(err)
		}
		known := func(what string, wanted bool, tokens ...string) {
			for _, token := range tokens {
				for range 2 {
					if id, _, err := s.Identify(t.Context(), token); (err == nil) != wanted {
						t.Errorf("%s: %v, %v", what, id, err)
					}
				}
			}
		}
		known("new", true, secret, token)
		now.Advance(life)
		known("after the token's life", false, token)
		known("after the token's life", true, secret)
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			held, err := accounts.Keys.Lock(ctx, tx, key.GetName())
			if err != nil {
				return err
			}
			held.RevokeTime = timestamppb.New(now.Now())
			return accounts.Keys.Save(ctx, tx, held, now.Now())
		}); err != nil {
			t.Fatal(err)
		}
		known("revoked", false, secret, token)
	})
}

// Where no other process changes the database, a caller is read once as long as nothing changes: the second time needs none.
func TestACallerIsReadOnce(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s, _, token := signedIn(t, db)
		first, csrf, err := s.Identify(t.Context(), token)
		if err != nil {
			t.Fatal(err)
		}
		over, end := context.WithCancel(t.Context()) // no statement is run for a call that is over
		end()
		second, again, err := s.Identify(over, token)
		if known := err == nil && second.Account == first.Account && again == csrf; known != db.Sole() {
			t.Errorf("%v is known without a statement as %v: %v", db.Engine(), second, err)
		}
	})
}
