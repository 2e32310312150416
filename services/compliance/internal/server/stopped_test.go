package server_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"testing"
	"time"

	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// stopping makes ids, and calls stop when so many were made: somewhere in the middle of what is worked out, as facts have ids.
type stopping struct {
	ids.Source

	mu   sync.Mutex
	left int
	stop func()
}

func (s *stopping) New() string {
	s.mu.Lock()
	s.left--
	now := s.left == 0
	s.mu.Unlock()
	if now {
		s.stop()
	}
	return s.Source.New()
}

// factsOf are the facts of a store: how often each kind was told of each item.
func factsOf(t *testing.T, a *app.App) map[string]int {
	t.Helper()
	all := map[string]int{}
	if err := a.DB.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
			var kind, subject string
			err := row.Scan(&kind, &subject)
			all[kind+" "+subject]++
			return kind, err
		}, "SELECT type, subject FROM outbox")
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return all
}

// planes is how many aircraft a fleet of twins has, each with an engine, and eachPlane how many due items: more subjects than two transactions work out.
const planes, eachPlane = 600, 4

// twins are two fleets of three transactions' size that are worked out; whatever is done with one, the other shows how it ought to be.
func twins(t *testing.T, db *storage.DB) (a, undisturbed *app.App, clocks []*clock.Fake) {
	t.Helper()
	open := map[storage.Engine]func(testing.TB, storage.Migrations) *storage.DB{storage.SQLite: storagetest.SQLite, storage.Postgres: storagetest.Postgres}
	a, now := fleetOf(t, db, planes, eachPlane)
	undisturbed, then := fleetOf(t, open[db.Engine()](t, store.Migrations()), planes, eachPlane)
	if err := undisturbed.RecomputeAll(t.Context()); err != nil {
		t.Fatal(err)
	}
	return a, undisturbed, []*clock.Fake{now, then}
}

// alike compares rows and facts with those of the undisturbed fleet.
func alike(t *testing.T, when string, a, undisturbed *app.App) {
	t.Helper()
	got, want := rowsOf(t, a), rowsOf(t, undisturbed)
	for name, row := range want {
		if got[name] != row {
			t.Errorf("%s: %s is %v, want %v", when, name, got[name], row)
		}
	}
	if facts := factsOf(t, a); len(got) != len(want) || !maps.Equal(facts, factsOf(t, undisturbed)) || len(facts) < 50 {
		t.Errorf("%s: %d rows, want %d; %d facts, want %d", when, len(got), len(want), len(facts), len(factsOf(t, undisturbed)))
	}
}

// What is given up in the middle, by whoever asked or by a crash, has told and written what it had finished, and goes on where it stopped: the end is
// that of one that nobody disturbed, and nothing is told twice.
func TestAStoppedRecomputeGoesOnToTheSameEnd(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		a, undisturbed, clocks := twins(t, db)
		crashed := 0
		for round, after := range []int{1, 40, 2, 20} {
			ctx, cancel := context.WithCancel(t.Context())
			stop := cancel
			if round%2 == 1 {
				stop = func() { panic("the process ends here") }
			}
			a.IDs = &stopping{Source: &ids.Sequence{Prefix: fmt.Sprintf("round-%d", round)}, left: after, stop: stop}
			if err := a.RecomputeAll(ctx); err != nil {
				crashed++
			}
			cancel()
			if rows := len(rowsOf(t, a)); round == 0 && rows > planes*eachPlane/2 {
				t.Errorf("%d rows are written by what was stopped at its first fact", rows)
			}
		}
		if crashed < 3 { // whoever gives up may be told that all was done
			t.Errorf("%d of 4 were stopped", crashed)
		}
		a.IDs = &ids.Sequence{Prefix: "whole"}
		if err := a.RecomputeAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		alike(t, "stopped", a, undisturbed)
		for _, days := range []int{1, 45} {
			for _, c := range clocks {
				c.Advance(time.Duration(days) * 24 * time.Hour)
			}
			if err := undisturbed.Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			a.IDs = &stopping{Source: &ids.Sequence{Prefix: fmt.Sprintf("day-%d", days)}, left: 2, stop: cancel}
			_ = a.Sweep(ctx) // which may have come to its end
			cancel()
			if err := a.Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
			alike(t, fmt.Sprintf("%d days on", days), a, undisturbed)
		}
	})
}

// Two instances that work everything out at the same moment, from history and for a new day, come to the same end as one, and tell of each change once.
func TestTwoInstancesComeToTheSameEnd(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		a, undisturbed, clocks := twins(t, db)
		b := &app.App{DB: a.DB, Clock: a.Clock, IDs: &ids.Sequence{Prefix: "b"}, Lister: a.Lister, Keys: a.Keys}
		both := func(work ...func(context.Context) error) {
			t.Helper()
			calls := make([]func() error, len(work))
			for i, w := range work {
				calls[i] = func() error { return w(t.Context()) }
			}
			if err := atOnce(calls...); err != nil {
				t.Fatal(err)
			}
		}
		both(a.RecomputeAll, b.RecomputeAll)
		alike(t, "at first", a, undisturbed)
		for i, days := range []int{1, 30, 60} {
			for _, c := range clocks {
				c.Advance(time.Duration(days) * 24 * time.Hour)
			}
			if err := undisturbed.Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
			work := []func(context.Context) error{a.Sweep, b.RecomputeAll, b.Sweep, a.RecomputeAll}
			both(slices.Concat(work[i:], work[:i])...)
			alike(t, fmt.Sprintf("%d days on", days), a, undisturbed)
		}
	})
}
