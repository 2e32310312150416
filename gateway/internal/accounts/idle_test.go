package accounts_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// A session that is used lives through its shift; one that nobody uses ends after its idle life, a tenth later at most, and says so. What a page
// asks by itself is no use.
func TestASessionThatNobodyUsesEnds(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s, now, token := signedIn(t, db)
		s.IdleLife = 2 * time.Hour
		ask := func(ctx context.Context) error {
			_, _, err := s.Identify(ctx, token)
			return err
		}
		for _, pause := range []time.Duration{time.Second, 11 * time.Minute, time.Minute, 119 * time.Minute, 2 * time.Hour, 13 * time.Minute, 2 * time.Hour} {
			now.Advance(pause)
			if err := ask(t.Context()); err != nil {
				t.Fatalf("%s after it was used: %v", pause, err)
			}
		}
		id, _, err := s.Identify(t.Context(), token)
		if err != nil {
			t.Fatal(err)
		}
		if list, err := s.OwnSessions(t.Context(), id); err != nil || len(list) != 1 {
			t.Errorf("open sessions %v, %v", list, err)
		}
		for range 12 { // a page that is left open
			now.Advance(10 * time.Minute)
			if err := ask(accounts.Unattended(t.Context())); err != nil {
				t.Fatalf("before its idle life is over: %v", err)
			}
		}
		now.Advance(12*time.Minute + time.Second)
		for name, ctx := range map[string]context.Context{"a person": t.Context(), "the page": accounts.Unattended(t.Context()), "a person again": t.Context()} {
			if err := ask(ctx); !fault.HasReason(err, "SESSION_IDLE") || !strings.Contains(err.Error(), "for 2h, so") {
				t.Errorf("%s: %v", name, err)
			}
		}
		if list, err := s.OwnSessions(t.Context(), id); err != nil || len(list) != 0 {
			t.Errorf("open sessions %v, %v", list, err)
		}
	})
}

// Whenever the uses were noted, a pause shorter than the idle life ends nothing, and one that is a tenth longer always does.
func TestTheIdleLifeIsExactToATenth(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s, now, token := signedIn(t, db)
		s.IdleLife = time.Hour
		for used := time.Duration(0); used < 13*time.Minute; used += 100 * time.Second { // between two notes of a use, and after
			for pause, want := range map[time.Duration]string{time.Hour: "", 66*time.Minute + time.Second: "SESSION_IDLE"} {
				opened := storage.Micros(now.Now())
				if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					_, err := tx.Exec(ctx, "UPDATE sessions SET use_time = $1, expire_time = $2", opened, opened+(12*time.Hour).Microseconds())
					return err
				}); err != nil {
					t.Fatal(err)
				}
				now.Advance(used)
				if _, _, err := s.Identify(t.Context(), token); err != nil {
					t.Fatal(err)
				}
				now.Advance(pause)
				if _, _, err := s.Identify(t.Context(), token); want == "" && err != nil || want != "" && !fault.HasReason(err, want) {
					t.Errorf("used after %s, then not for %s: %v, want %q", used, pause, err, want)
				}
			}
		}
	})
}

// Sessions of a suite that noted no uses go on, as their uses are noted from now on; the 12 h of each stay as they were; keys are nobody's device.
func TestWhomTheIdleLifeLeavesAlone(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		s, now, token := signedIn(t, db)
		s.IdleLife = time.Hour
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "UPDATE sessions SET use_time = 0 WHERE token_hash = $1", auth.HashSecret(token))
			return err
		}); err != nil {
			t.Fatal(err)
		}
		now.Advance(5 * time.Hour)
		if _, _, err := s.Identify(t.Context(), token); err != nil {
			t.Errorf("a session of before: %v", err)
		}
		now.Advance(2 * time.Hour)
		if _, _, err := s.Identify(t.Context(), token); !fault.HasReason(err, "SESSION_IDLE") {
			t.Errorf("once its use was noted: %v", err)
		}
		s.IdleLife = 0
		if _, _, err := s.Identify(t.Context(), token); err != nil {
			t.Errorf("without an idle life: %v", err)
		}
		now.Advance(5*time.Hour + time.Second)
		if _, _, err := s.Identify(t.Context(), token); !fault.HasReason(err, "CREDENTIALS_WRONG") {
			t.Errorf("after 12 h: %v", err)
		}
	})
}
