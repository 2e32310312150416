package accounts_test

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"go.opentelemetry.io/otel"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/metric/metricdata"

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
		if looked != 5 {
			t.Errorf("%d of %d guesses were looked at, want 5", looked, guesses)
		}
		now.Advance(24 * time.Hour)
		for range 2 {
			if _, err := s.SignIn(t.Context(), "nobody", "wrong", "", ""); !fault.HasReason(err, "CREDENTIALS_WRONG") {
				t.Errorf("a day later, when all is forgotten: %v", err)
			}
		}
	})
}

// Fault C10: that the guesses at a login have become so many that they wait is told once to those who keep watch, with the account where there is one and
// without what was typed.
func TestALockedLoginIsTold(t *testing.T) {
	reader := sdkmetric.NewManualReader()
	before := otel.GetMeterProvider()
	otel.SetMeterProvider(sdkmetric.NewMeterProvider(sdkmetric.WithReader(reader)))
	t.Cleanup(func() { otel.SetMeterProvider(before) })
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		var told bytes.Buffer
		now := clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		s := &accounts.Store{DB: db, Clock: now, IDs: ids.System(), Log: slog.New(slog.NewTextHandler(&told, nil))}
		if _, err := s.FirstAdmin(t.Context()); err != nil {
			t.Fatal(err)
		}
		counted := locks(t, reader)
		for _, login := range []string{"admin", "hunter2"} {
			told.Reset()
			for guess := range 4 {
				if err := s.GuessAt(t.Context(), login); err != nil {
					t.Fatalf("guess %d at %s: %v", guess+1, login, err)
				}
			}
			if told.Len() > 0 {
				t.Errorf("before %s is locked: %s", login, told.String())
			}
			for _, reason := range []string{"CREDENTIALS_WRONG", "ACCOUNT_LOCKED"} { // the fifth locks it, the next comes too early
				if _, err := s.SignIn(t.Context(), login, "wrong", "", ""); !fault.HasReason(err, reason) {
					t.Errorf("%s: got %v, want %s", login, err, reason)
				}
			}
			now.Advance(2 * time.Second)
			if err := s.GuessAt(t.Context(), login); err != nil {
				t.Errorf("after the wait: %v", err)
			}
			account := map[string]string{"admin": "account=accounts/", "hunter2": `account="no account"`}[login]
			if text := told.String(); strings.Count(text, "\n") != 1 || !strings.Contains(text, "level=WARN") || !strings.Contains(text, account) || strings.Contains(text, "hunter2") {
				t.Errorf("%s is locked: %s", login, text)
			}
		}
		if n := locks(t, reader) - counted; n != 2 {
			t.Errorf("%d locks are counted, want 2", n)
		}
	})
}

// locks is how many the counter has.
func locks(t *testing.T, reader sdkmetric.Reader) (n int64) {
	t.Helper()
	var all metricdata.ResourceMetrics
	if err := reader.Collect(t.Context(), &all); err != nil {
		t.Fatal(err)
	}
	for _, scope := range all.ScopeMetrics {
		for _, m := range scope.Metrics {
			if sum, ok := m.Data.(metricdata.Sum[int64]); ok && m.Name == "coldsection.login.locks" {
				for _, p := range sum.DataPoints {
					n += p.Value
				}
			}
		}
	}
	return n
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
