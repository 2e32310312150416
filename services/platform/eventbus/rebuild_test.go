package eventbus_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// shelves is a service that counts what was told of each lot, with when it was last told; what is counted by hand stands beside it.
var shelves = storage.Portable(fstest.MapFS{"0001_shelves.sql": {Data: []byte(
	"-- +goose Up\nCREATE TABLE shelves (lot TEXT PRIMARY KEY, told BIGINT NOT NULL, last BIGINT NOT NULL, by_hand BIGINT NOT NULL);\n")}})

// shelf is a consumer whose model is the table; a fact about a lot whose item begins with "late" waits for one about lots/first.
func shelf(clk clock.Clock) eventbus.Consumer {
	return eventbus.Consumer{
		Durable: "reader", Types: []string{"coldsection.stock.*"},
		Model: eventbus.Model{Types: []string{"coldsection.stock.issued.v1"}, Rows: []eventbus.Rows{{Table: "shelves", Where: "by_hand = 0"}}},
		Handle: func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
			return func(ctx context.Context, tx *storage.Tx) error {
				var first int
				if err := tx.QueryRow(ctx, "SELECT count(*) FROM shelves WHERE lot = 'lots/first'").Scan(&first); err != nil {
					return err
				}
				_, err := tx.Exec(ctx, `INSERT INTO shelves (lot, told, last, by_hand) VALUES ($1, 1, $2, 0)
					ON CONFLICT (lot) DO UPDATE SET told = shelves.told * 10 + $3, last = excluded.last`,
					m.Subject, storage.Micros(clock.Now(ctx, clk)), m.Version)
				if err == nil && first == 0 && strings.HasPrefix(m.Subject, "lots/late") {
					return eventbus.NotYet("lots/first is not known")
				}
				return err
			}, nil
		},
	}
}

// lived is a database whose consumer processed facts, some of them late, and one more that it has not heard of.
func lived(t *testing.T, bus *eventbus.Bus, db *storage.DB) {
	t.Helper()
	facts := []outbox.Event{
		issued("l1", "lots/late", 1), issued("l2", "lots/late", 2), issued("a1", "lots/a", 1), issued("f1", "lots/first", 1), issued("a2", "lots/a", 2),
	}
	publish(t, bus, facts...)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- bus.Run(ctx, db, clock.System(), log, shelf(clock.System())) }()
	for deadline := clock.System().After(time.Minute); ; {
		var n int
		look(t, db, func(ctx context.Context, tx *storage.Tx) error {
			return tx.QueryRow(ctx, "SELECT count(*) FROM processed_events").Scan(&n)
		})
		if n == len(facts) {
			break
		}
		select {
		case <-deadline:
			t.Fatalf("%d of %d facts took effect", n, len(facts))
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	publish(t, bus, issued("a3", "lots/a", 3))
	change(t, db, "INSERT INTO shelves (lot, told, last, by_hand) VALUES ('lots/hand', 5, 0, 1)")
}

func look(t *testing.T, db *storage.DB, fn storage.Func) {
	t.Helper()
	if err := db.View(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

func change(t *testing.T, db *storage.DB, statement string, args ...any) {
	t.Helper()
	if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, statement, args...)
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

func rows(t *testing.T, db *storage.DB) (all string) {
	t.Helper()
	look(t, db, func(ctx context.Context, tx *storage.Tx) error {
		lines, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
			var lot string
			var told, last, hand int64
			err := row.Scan(&lot, &told, &last, &hand)
			return fmt.Sprint(lot, " ", told, " ", last, " ", hand), err
		}, "SELECT lot, told, last, by_hand FROM shelves ORDER BY lot")
		all = strings.Join(lines, "\n")
		return err
	})
	return all
}

// Case D10: all facts replayed into an empty model come to the same rows with the same times. A model that says otherwise is put back as it was
// and reported, unless the difference is accepted; what is no model stays, and a fact that was never processed waits for its consumer.
func TestAModelIsFilledAgainFromTheFacts(t *testing.T) {
	storagetest.Engines(t, shelves, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		lived(t, bus, db)
		want := rows(t, db)
		rebuild := func(accept bool) eventbus.Rebuilt {
			t.Helper()
			rebuilt, err := bus.Rebuild(t.Context(), db, shelf(clock.System()), accept)
			if err != nil || len(rebuilt) != 1 {
				t.Fatalf("%v, %v", rebuilt, err)
			}
			return rebuilt[0]
		}
		if r := rebuild(false); !r.Same() || r.After.Count != 3 || rows(t, db) != want {
			t.Errorf("the facts say something else: %+v\n%s\ninstead of\n%s", r, rows(t, db), want)
		}
		for _, damage := range []string{
			"DELETE FROM shelves WHERE lot = 'lots/a'", "UPDATE shelves SET last = last + 1 WHERE lot = 'lots/first'",
			"INSERT INTO shelves (lot, told, last, by_hand) VALUES ('lots/nobody', 1, 1, 0)",
		} {
			change(t, db, damage)
			damaged := rows(t, db)
			if r := rebuild(false); r.Same() || rows(t, db) != damaged {
				t.Errorf("after %q: %+v\n%s", damage, r, rows(t, db))
			}
			if r := rebuild(true); r.Same() || rows(t, db) != want {
				t.Errorf("after %q the model is\n%s\ninstead of\n%s", damage, rows(t, db), want)
			}
		}
	})
}

// A model whose effects tell facts is none, and one that rests on facts that came to nothing is refused: nothing is changed.
func TestWhatIsNoModelIsNotFilledAgain(t *testing.T) {
	db, bus := storagetest.SQLite(t, shelves), eventbustest.Embedded(t)
	lived(t, bus, db)
	want := rows(t, db)
	telling, waiting, unknown := shelf(clock.System()), shelf(clock.System()), shelf(clock.System())
	telling.Handle = func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
		return func(ctx context.Context, tx *storage.Tx) error {
			return outbox.Append(ctx, tx, issued("told-"+m.ID, m.Subject, 0))
		}, nil
	}
	waiting.Handle = func(context.Context, eventbus.Message) (eventbus.Effect, error) { return nil, eventbus.NotYet("never") }
	unknown.Model.Rows = []eventbus.Rows{{Table: "cupboards"}}
	for name, try := range map[string]struct {
		consumer eventbus.Consumer
		words    string
	}{"telling": {telling, "tells facts"}, "waiting": {waiting, "5 facts can't take effect again"}, "unknown": {unknown, "no table cupboards"}} {
		if _, err := bus.Rebuild(t.Context(), db, try.consumer, true); err == nil || !strings.Contains(err.Error(), try.words) {
			t.Errorf("%s: %v", name, err)
		}
		if got := rows(t, db); got != want {
			t.Errorf("%s left\n%s", name, got)
		}
	}
}

// A fact that was given up has no effect when its model is filled again.
func TestWhatWasGivenUpIsNotFilledIn(t *testing.T) {
	storagetest.Engines(t, shelves, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		lived(t, bus, db)
		change(t, db, `INSERT INTO parked_events (consumer, event_id, type, source, subject, version, event_time, actor, traceparent, data, reason, park_time)
			VALUES ('reader', 'a3', 'coldsection.stock.issued.v1', 'consumables', 'lots/a', 3, 1, '', '', $1, 'broken', 1)`, []byte("{}"))
		given := eventbus.Parked{Consumer: "reader", DiscardTime: now, Discarder: "accounts/admin", DiscardReason: "Entered by hand."}
		given.ID = "a3"
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if done, err := eventbus.Discard(ctx, tx, given); err != nil || !done {
				return fmt.Errorf("discarded: %t, %w", done, err)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		want := rows(t, db)
		if r, err := bus.Rebuild(t.Context(), db, shelf(clock.System()), false); err != nil || !r[0].Same() || rows(t, db) != want {
			t.Errorf("%+v, %v:\n%s\ninstead of\n%s", r, err, rows(t, db), want)
		}
	})
}
