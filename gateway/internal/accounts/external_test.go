package accounts_test

import (
	"context"
	"testing"
	"time"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Who somebody is says the issuer together with the subject (OpenID Connect Core 1.0 section 5.7): neither the same subject of another provider, of
// before this one was set up, nor another subject of the same, comes into the account.
func TestAnAccountIsOfOneSubjectOfOneIssuer(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s := &accounts.Store{DB: db, Clock: clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), IDs: ids.System()}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return accounts.Accounts.Insert(ctx, tx, &accessv1.Account{
				Name: "accounts/ines", Login: "ines", Roles: []string{"inspector"}, Kind: accessv1.Account_HUMAN, State: accessv1.Account_ACTIVE,
				Issuer: "https://one.example", Subject: "u-1",
			}, s.Clock.Now())
		}); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct{ issuer, subject, want string }{
			{"https://one.example", "u-1", ""}, {"https://two.example", "u-1", "PROVIDER_USER_UNKNOWN"}, {"https://one.example", "u-2", "PROVIDER_USER_UNKNOWN"},
			{"", "", "PROVIDER_USER_UNKNOWN"}, {"https://one.example", "", "PROVIDER_USER_UNKNOWN"}, {"https://one.example", "U-1", "PROVIDER_USER_UNKNOWN"},
		} {
			session, err := s.SignInExternal(t.Context(), accounts.External{Issuer: c.issuer, Subject: c.subject, Login: "ines"})
			if c.want != "" && !fault.HasReason(err, c.want) || c.want == "" && (err != nil || session.GetAccount() != "accounts/ines") {
				t.Errorf("%s of %s: %v, %v, want %q", c.subject, c.issuer, session, err, c.want)
			}
		}
	})
}

// A proof at the provider is of the session that asked for it: another session of the same account, such as one that was left open elsewhere, signs
// nothing by it.
func TestAProofAtTheProviderIsOfOneSession(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		now := clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		s := &accounts.Store{DB: db, Clock: now, IDs: ids.System()}
		who := accounts.External{Issuer: "https://one.example", Subject: "u-1", Login: "ines", Roles: []string{"inspector"}, Mapped: true}
		prove := func(token string) string {
			id, _, err := s.Identify(t.Context(), token)
			if err != nil {
				t.Fatal(err)
			}
			method, err := s.Reauthenticate(t.Context(), id, "", "")
			if f, refused := fault.As(err); refused {
				return f.Reason
			}
			return method
		}
		var tokens, opened []string
		for range 2 {
			session, err := s.SignInExternal(t.Context(), who)
			if err != nil {
				t.Fatal(err)
			}
			id, _, err := s.Identify(t.Context(), session.GetToken())
			if err != nil {
				t.Fatal(err)
			}
			tokens, opened = append(tokens, session.GetToken()), append(opened, id.SessionID)
		}
		if err := s.ProveExternal(t.Context(), opened[0], who); err != nil {
			t.Fatal(err)
		}
		if other, own, again := prove(tokens[1]), prove(tokens[0]), prove(tokens[0]); other != "PROVIDER_SIGN_IN_NEEDED" || own != "provider" || again != "PROVIDER_SIGN_IN_NEEDED" {
			t.Errorf("another session %q, its own %q, once more %q", other, own, again)
		}
		now.Advance(12 * time.Hour)
		if err := s.ProveExternal(t.Context(), opened[0], who); !fault.HasReason(err, "PROVIDER_SIGN_IN_NEEDED") {
			t.Errorf("of a session that is over: %v", err)
		}
	})
}
