package accounts

import (
	"context"
	"strings"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Characters are counted, not the bytes that they are written in.
func TestPasswordsThatAreTooEasyToGuess(t *testing.T) {
	for password, good := range map[string]bool{
		"": false, "elevenchars": false, "twelve chars": true, strings.Repeat("a", 12): false, strings.Repeat("a", 40): false, strings.Repeat("a", 12) + "b": true,
		strings.Repeat("é", 11): false, strings.Repeat("é", 12): false, strings.Repeat("é", 30): false, "éüöäéüöäéüö": false, "éüöäéüöäéüöä": true,
	} {
		err := checkStrength("new_password", password)
		f, _ := fault.As(err)
		if good != (err == nil) || !good && (f.Reason != "PASSWORD_TOO_WEAK" || f.Violations[0].Field != "new_password") {
			t.Errorf("%q: %v, want good %v", password, err, good)
		}
	}
}

const long = "a demonstration passphrase"

// begun is a store whose first administrator chose a password, and the session of that.
func begun(t *testing.T, db *storage.DB) (*Store, *accessv1.Session) {
	t.Helper()
	keys, err := auth.NewKeys([]byte(strings.Repeat("k", 32)))
	if err != nil {
		t.Fatal(err)
	}
	s := &Store{DB: db, Clock: clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), IDs: ids.System(), Keys: keys}
	invitation, err := s.FirstAdmin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Accept(t.Context(), invitation, "too short"); !fault.HasReason(err, "PASSWORD_TOO_WEAK") {
		t.Errorf("a weak password by invitation: %v", err)
	}
	session, err := s.Accept(t.Context(), invitation, long) // the weak one used nothing up
	if err != nil {
		t.Fatal(err)
	}
	return s, session
}

// A password that is changed is as strong as one that is chosen, and with a weak one nothing changes.
func TestAPasswordIsNotChangedIntoAWeakOne(t *testing.T) {
	storagetest.Engines(t, Migrations(), func(t *testing.T, db *storage.DB) {
		s, session := begun(t, db)
		id, _, err := s.Identify(t.Context(), session.GetToken())
		if err != nil {
			t.Fatal(err)
		}
		if err := s.ChangePassword(t.Context(), id, long, "too short"); !fault.HasReason(err, "PASSWORD_TOO_WEAK") {
			t.Errorf("changed into a weak one: %v", err)
		}
		if err := s.ChangePassword(t.Context(), id, "not the passphrase", long+"!"); !fault.HasReason(err, "CREDENTIALS_WRONG") {
			t.Errorf("changed by somebody who does not know the old one: %v", err)
		}
		if _, err := s.SignIn(t.Context(), "admin", long, "", ""); err != nil {
			t.Errorf("the password of before: %v", err)
		}
	})
}

// While a password is compared it may be changed, and the account disabled: then no session begins, also when both were right when they were read.
func TestNoSessionBeginsOnWhatIsNotSoAnyMore(t *testing.T) {
	storagetest.Engines(t, Migrations(), func(t *testing.T, db *storage.DB) {
		s, _ := begun(t, db)
		const name = "accounts/admin"
		compared, err := s.hashOf(t.Context(), name)
		if err != nil || compared == "" {
			t.Fatalf("%q, %v", compared, err)
		}
		opens := func(compared string) string {
			session, err := s.openStill(t.Context(), name, compared, "")
			if f, refused := fault.As(err); refused {
				return f.Reason
			}
			if err != nil || session.GetToken() == "" {
				t.Fatalf("%v, %v", session, err)
			}
			return ""
		}
		if now, before, none := opens(compared), opens(auth.HashPassword("the one of before")), opens(""); now != "" || before != "CREDENTIALS_WRONG" || none != "CREDENTIALS_WRONG" {
			t.Errorf("the password of now %q, of before %q, none %q", now, before, none)
		}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			account, err := Accounts.Lock(ctx, tx, name)
			if err != nil {
				return err
			}
			account.State = accessv1.Account_DISABLED
			return Accounts.Save(ctx, tx, account, s.Clock.Now())
		}); err != nil {
			t.Fatal(err)
		}
		if got := opens(compared); got != "CREDENTIALS_WRONG" {
			t.Errorf("a disabled account: %q", got)
		}
		if _, err := s.SignIn(t.Context(), "admin", long, "", ""); !fault.HasReason(err, "CREDENTIALS_WRONG") {
			t.Errorf("a disabled account signs in: %v", err)
		}
	})
}
