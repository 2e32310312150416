package server_test

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// twinPlanes and twinRequirements make more subjects than are weighed together, with few items each.
const twinPlanes, twinRequirements = 12, 8

// twin is one of two fleets to which the same happens.
type twin struct {
	db    *storage.DB
	app   *app.App
	clock *clock.Fake
	cores int // on which it is worked out; on one, one subject comes after the other in the transaction
}

// happening is what comes upon a fleet between two days on which it is worked out.
type happening struct {
	Days, Engine, Requirement int
	Ended, Spoiled, Revised   bool // flying was taken back, what is kept can't be read, the requirement has another version
	Worked                    bool
}

// happen writes it into the tables.
func (w twin) happen(t *testing.T, n int, h happening) {
	t.Helper()
	w.clock.Advance(time.Duration(h.Days) * 24 * time.Hour)
	now, engine, requirement := w.clock.Now(), fmt.Sprintf("engines/e%04d", h.Engine), fmt.Sprintf("requirements/r%03d", h.Requirement)
	err := w.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		if h.Ended {
			entry := &compliancev1.Utilization{Name: fmt.Sprintf("aircraft/p%04d/utilizations/%d", h.Engine, n), FlightDate: on(2026, 2, 1), FlownSeconds: 7200, Cycles: 1}
			if err := store.AddFlown(ctx, tx, engine, engine, entry, start.Add(-time.Hour)); err != nil {
				return err
			}
			if err := store.EndFlown(ctx, tx, engine, entry.GetName(), now); err != nil {
				return err
			}
		}
		if h.Worked {
			if err := store.Accomplishments.Insert(ctx, tx, &compliancev1.Accomplishment{
				Name: fmt.Sprintf("%s/accomplishments/again%d", requirement, n), Subject: engine, DoneDate: day(now), Counters: counters, Certifier: "people/ada",
			}, now); err != nil {
				return err
			}
		}
		if h.Spoiled {
			if _, err := tx.Exec(ctx, "UPDATE due_points SET body = $1 WHERE subject = $2", []byte{2, 2}, engine); err != nil {
				return err
			}
		}
		r, err := store.Requirements.Lock(ctx, tx, requirement)
		if err != nil || !h.Revised {
			return err
		}
		return store.Requirements.Save(ctx, tx, r, now)
	})
	if err != nil {
		t.Fatal(err)
	}
}

// workOut works out the whole fleet on its cores.
func (w twin) workOut(t *testing.T) {
	t.Helper()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(w.cores))
	if err := w.app.RecomputeAll(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// says is every row that working out writes.
func (w twin) says(t *testing.T) (all []string) {
	t.Helper()
	err := w.db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for _, query := range []string{
			"SELECT name, version, band, due_date, body FROM due_items ORDER BY name", "SELECT subject, day_time, rules, '', body FROM due_points ORDER BY subject",
			"SELECT subject, version, type, '', data FROM outbox ORDER BY subject, version",
		} {
			some, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
				var name, a, b string
				var number int64
				var body []byte
				err := row.Scan(&name, &number, &a, &b, &body)
				return fmt.Sprintf("%s %d %s %s %x", name, number, a, b, body), err
			}, query)
			if err != nil {
				return err
			}
			all = append(all, some...)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Whatever happened to a fleet, working it out beside the transaction, on several cores, writes and tells the same as one subject after the other in it:
// also where a subject needs the store, because flying was taken back, or what is kept of it can't be read.
func TestOnManyCoresTheSameComesOutAsOnOne(t *testing.T) {
	for name, open := range map[string]func(testing.TB, storage.Migrations) *storage.DB{"sqlite": storagetest.SQLite, "postgres": storagetest.Postgres} {
		t.Run(name, func(t *testing.T) {
			var twins []twin
			for _, cores := range []int{1, 4} {
				db := open(t, store.Migrations())
				a, now := fleetOf(t, db, twinPlanes, twinRequirements)
				twins = append(twins, twin{db, a, now, cores})
			}
			draw := rapid.Custom(func(t *rapid.T) happening {
				flag := rapid.Custom(func(t *rapid.T) bool { return rapid.IntRange(0, 2).Draw(t, "one in three") == 0 })
				return happening{
					Days: rapid.IntRange(0, 60).Draw(t, "days"), Engine: rapid.IntRange(0, twinPlanes-1).Draw(t, "engine"), Requirement: rapid.IntRange(0, twinRequirements-1).Draw(t, "of"),
					Ended: flag.Draw(t, "ended"), Spoiled: flag.Draw(t, "spoiled"), Revised: flag.Draw(t, "revised"), Worked: flag.Draw(t, "worked"),
				}
			})
			for n := range 15 {
				h := draw.Example(n)
				for _, w := range twins {
					w.happen(t, n, h)
					w.workOut(t)
				}
				one, many := twins[0].says(t), twins[1].says(t)
				if len(one) < twinPlanes*twinRequirements || !slices.Equal(one, many) {
					t.Fatalf("after %d, %+v: %d rows on one core, %d on many", n, h, len(one), len(many))
				}
			}
		})
	}
}
