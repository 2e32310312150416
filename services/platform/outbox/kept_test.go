package outbox_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// view runs fn on what is kept, where it has to succeed.
func view(t *testing.T, db *storage.DB, fn storage.Func) {
	t.Helper()
	if err := db.View(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

func waiting(t *testing.T, db *storage.DB) (n int64) {
	t.Helper()
	view(t, db, func(ctx context.Context, tx *storage.Tx) (err error) {
		n, err = outbox.Waiting(ctx, tx)
		return err
	})
	return n
}

// The facts about one subject are read back as they were told, in their order, from a number on and at most so many.
func TestFactsAboutASubjectAreReadBack(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		ada := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/ada"})
		for i := range 4 {
			e, other := fact(fmt.Sprint("a", i+1), "lots/a"), fact(fmt.Sprint("o", i+1), "lots/a")
			e.Time, other.Source = now.Add(time.Duration(i)*time.Minute+123456*time.Microsecond), "workorders"
			put(ada, t, db, e, fact(fmt.Sprint("b", i+1), "lots/b"), other)
		}
		for _, c := range []struct {
			after int64
			most  int
			want  string
		}{{0, 10, "a1 a2 a3 a4"}, {0, 2, "a1 a2"}, {1, 2, "a2 a3"}, {3, 10, "a4"}, {4, 10, ""}, {0, 0, ""}} {
			view(t, db, func(ctx context.Context, tx *storage.Tx) error {
				all, err := outbox.About(ctx, tx, "consumables", "lots/a", c.after, c.most)
				var ids []string
				for _, e := range all {
					ids = append(ids, e.ID)
				}
				if got := strings.Join(ids, " "); got != c.want {
					t.Errorf("after %d at most %d: %s, want %s", c.after, c.most, got, c.want)
				}
				return err
			})
		}
		view(t, db, func(ctx context.Context, tx *storage.Tx) error {
			all, err := outbox.About(ctx, tx, "consumables", "lots/a", 2, 1)
			want := outbox.Event{
				ID: "a3", Type: "coldsection.stock.issued.v1", Source: "consumables", Subject: "lots/a", Version: 3, Actor: "accounts/ada",
				Time: now.Add(2*time.Minute + 123456*time.Microsecond), Data: []byte(`{"movement":"a3"}`),
			}
			if len(all) != 1 || fmt.Sprintf("%+v", all[0]) != fmt.Sprintf("%+v", want) {
				t.Errorf("got %+v, want %+v", all, want)
			}
			return err
		})
	})
}

// A fact that was lost is told of with its subject; what is whole says nothing.
func TestALostFactIsNoticed(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		said := func() (why string) {
			view(t, db, func(ctx context.Context, tx *storage.Tx) error {
				if err := outbox.Gapless(ctx, tx); err != nil {
					why = err.Error()
				}
				return nil
			})
			return why
		}
		if why := said(); why != "" {
			t.Errorf("without facts: %s", why)
		}
		put(t.Context(), t, db, fact("a1", "lots/a"), fact("b1", "lots/b"), fact("b2", "lots/b"), fact("c1", "lots/c"), fact("c2", "lots/c"), fact("c3", "lots/c"))
		if why := said(); why != "" {
			t.Errorf("with all of them: %s", why)
		}
		for _, c := range []struct{ gone, want string }{
			{"c2", "a fact of consumables lots/c is missing"}, {"b1", "a fact of consumables lots/b is missing"}, {"b2", "a fact of consumables lots/c is missing"},
		} {
			storagetest.Statements(t, db, "DELETE FROM outbox WHERE id = '"+c.gone+"'")
			if why := said(); why != c.want {
				t.Errorf("without %s: %q, want %q", c.gone, why, c.want)
			}
		}
	})
}

// The first fact about a subject has the number 1, and the next is counted on from it. An id that is taken, and a first fact of what has one
// already, fail the transaction.
func TestAFirstFactHasTheNumberOne(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		first := func(e outbox.Event) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error { return outbox.AppendFirst(ctx, tx, e) }
		}
		then := func(e outbox.Event) storage.Func {
			return func(ctx context.Context, tx *storage.Tx) error { return outbox.Append(ctx, tx, e) }
		}
		if err := db.Update(t.Context(), first(fact("a1", "lots/a"))); err != nil {
			t.Fatal(err)
		}
		put(t.Context(), t, db, fact("a2", "lots/a"))
		for what, wrong := range map[string]storage.Func{
			"an id again": then(fact("a1", "lots/a")), "an id of another subject": then(fact("a1", "lots/b")), "an id again, first": first(fact("a2", "lots/b")),
		} {
			if err := db.Update(t.Context(), wrong); !storage.IsUnique(err) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if err := db.Update(t.Context(), first(fact("x1", "lots/a"))); err == nil {
			t.Error("a subject with facts had a first one again")
		}
		to := &stream{}
		if n, err := relay(db, to).Once(t.Context()); n != 2 || err != nil || !slices.Equal(to.ids(), []string{"a1", "a2"}) ||
			to.events[0].Version != 1 || to.events[1].Version != 2 || to.events[1].PreviousID != "a1" {
			t.Errorf("published %d, %v: %+v", n, err, to.events)
		}
	})
}

// What can't be read is an error and not a count of nothing: who watches would take it for a stream that has all.
func TestAnOutboxThatCantBeReadIsNotEmpty(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		put(t.Context(), t, db, fact("a1", "lots/a"))
		storagetest.Statements(t, db, "ALTER TABLE outbox RENAME TO away")
		to := &stream{}
		for what, ask := range map[string]storage.Func{
			"waiting": func(ctx context.Context, tx *storage.Tx) error { _, err := outbox.Waiting(ctx, tx); return err },
			"oldest":  func(ctx context.Context, tx *storage.Tx) error { _, err := outbox.Oldest(ctx, tx); return err },
			"gapless": outbox.Gapless,
			"send":    outbox.SendAgain,
			"about": func(ctx context.Context, tx *storage.Tx) error {
				_, err := outbox.About(ctx, tx, "consumables", "lots/a", 0, 1)
				return err
			},
			"append": func(ctx context.Context, tx *storage.Tx) error { return outbox.Append(ctx, tx, fact("a2", "lots/a")) },
			"the first": func(ctx context.Context, tx *storage.Tx) error {
				return outbox.AppendFirst(ctx, tx, fact("b1", "lots/b"))
			},
		} {
			if err := db.Update(t.Context(), ask); err == nil {
				t.Errorf("%s: no error", what)
			}
		}
		if n, err := relay(db, to).Once(t.Context()); n != 0 || err == nil {
			t.Errorf("a relay: %d, %v", n, err)
		}
		storagetest.Statements(t, db, "ALTER TABLE away RENAME TO outbox")
		if n := waiting(t, db); n != 1 {
			t.Errorf("%d facts wait, want 1", n)
		}
	})
}

// What left is marked with the time; where the mark can't be kept, the fact counts as one that waits and leaves again under its id.
func TestWhatLeftIsMarked(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		put(t.Context(), t, db, fact("a1", "lots/a"), fact("a2", "lots/a"))
		storagetest.Statements(t, db, refusesMarks(db.Engine())...)
		to := &stream{}
		r := outbox.NewRelay(db, to, clock.NewFake(now.Add(time.Hour)), time.Millisecond, slog.New(slog.DiscardHandler))
		if n, err := r.Once(t.Context()); n != 0 || err == nil || waiting(t, db) != 2 {
			t.Errorf("a mark that is refused: %d, %v; %d wait", n, err, waiting(t, db))
		}
		storagetest.Statements(t, db, refusesMarksNoLonger(db.Engine()))
		if n, err := r.Once(t.Context()); n != 2 || err != nil || to.calls != 4 || !slices.Equal(to.ids(), []string{"a1", "a2"}) || waiting(t, db) != 0 {
			t.Errorf("then: %d, %v; %d calls, %v, %d wait", n, err, to.calls, to.ids(), waiting(t, db))
		}
		view(t, db, func(ctx context.Context, tx *storage.Tx) error {
			var marked int
			err := tx.QueryRow(ctx, "SELECT count(*) FROM outbox WHERE sent_time = $1", storage.Micros(now.Add(time.Hour))).Scan(&marked)
			if marked != 2 {
				t.Errorf("%d facts have the time at which they left", marked)
			}
			return err
		})
	})
}

func refusesMarks(engine storage.Engine) []string {
	if engine == storage.SQLite {
		return []string{"CREATE TRIGGER unmarked BEFORE UPDATE ON outbox BEGIN SELECT RAISE(ABORT, 'full'); END"}
	}
	return []string{
		"CREATE FUNCTION refuse() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION 'full'; END $$ LANGUAGE plpgsql",
		"CREATE TRIGGER unmarked BEFORE UPDATE ON outbox FOR EACH ROW EXECUTE FUNCTION refuse()",
	}
}

func refusesMarksNoLonger(engine storage.Engine) string {
	if engine == storage.SQLite {
		return "DROP TRIGGER unmarked"
	}
	return "DROP TRIGGER unmarked ON outbox"
}

// said is a log that is read while it grows.
type said struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

func (s *said) count(words string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Count(s.text.String(), words)
}

// until waits for what follows by itself.
func until(t *testing.T, what string, done func() bool) {
	t.Helper()
	for deadline := clock.System().After(time.Minute); !done(); {
		select {
		case <-deadline:
			t.Fatal(what)
		case <-clock.System().After(time.Millisecond):
		}
	}
}

// Where more wait than leave at once, the rest follows without a pause; a stream that takes nothing is told of in the log, each time, and
// the end of the relay is not.
func TestARelayGoesOnUntilNothingWaits(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		const many = 450
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for i := range many {
				if err := outbox.AppendFirst(ctx, tx, fact(fmt.Sprint("a", i), fmt.Sprint("lots/", i))); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		run := func(to *stream, every time.Duration, log *said) (stop func()) {
			ctx, cancel := context.WithCancel(t.Context())
			var running sync.WaitGroup
			running.Go(func() {
				outbox.NewRelay(db, to, clock.System(), every, slog.New(slog.NewTextHandler(log, nil))).Run(ctx)
			})
			return func() { cancel(); running.Wait() }
		}
		to, log := &stream{}, &said{}
		stop := run(to, time.Hour, log)
		until(t, "they do not all leave", func() bool { return waiting(t, db) == 0 })
		before := db.Changes()
		for range 20 {
			waiting(t, db)
		}
		if looks := db.Changes() - before; looks > 1 { // the one that may be ending; the next is due in an hour
			t.Errorf("it looked %d times more where nothing waited", looks)
		}
		stop()
		if n := len(to.ids()); n != many || log.count("facts wait in the outbox") != 0 {
			t.Errorf("%d left of %d, and the log says %d times that facts wait", n, many, log.count("facts wait"))
		}
		put(t.Context(), t, db, fact("b1", "lots/b"))
		stop = run(&stream{refuse: map[string]bool{"b1": true}}, time.Millisecond, log)
		until(t, "a stream without room is not told of", func() bool { return log.count("facts wait in the outbox") >= 2 })
		stop()
		if log.count("no room") != log.count("facts wait in the outbox") || waiting(t, db) != 1 {
			t.Errorf("the log says %d times why; %d wait", log.count("no room"), waiting(t, db))
		}
	})
}

// A payload without a form in JSON is told as one that says nothing, so that what happened is not held up by it.
func TestAPayloadWithoutAFormSaysNothing(t *testing.T) {
	e := outbox.New("a1", now, "consumables", "coldsection.stock.issued.v1", "lots/a", &consumablesv1.StockMoved{Movement: "\xff"})
	if string(e.Data) != "{}" {
		t.Errorf("told %q", e.Data)
	}
}

// asking is a stream that asks something while a fact is on its way to it.
type asking struct {
	stream

	meanwhile func()
}

func (a *asking) Publish(ctx context.Context, e outbox.Event) error {
	a.meanwhile()
	return a.stream.Publish(ctx, e)
}

// While one relay is at work, another on the same database publishes nothing and has no error; what it left alone is the first one's.
func TestTheClaimOfARelayIsItsOwn(t *testing.T) {
	db := storagetest.Postgres(t, none) // SQLite has one process
	put(t.Context(), t, db, fact("a1", "lots/a"), fact("a2", "lots/a"))
	second := &stream{}
	first := &asking{meanwhile: func() {
		if n, err := relay(db, second).Once(t.Context()); n != 0 || err != nil || second.calls != 0 {
			t.Errorf("the second relay: %d, %v, %v", n, err, second.ids())
		}
	}}
	if n, err := relay(db, first).Once(t.Context()); n != 2 || err != nil || !slices.Equal(first.ids(), []string{"a1", "a2"}) {
		t.Errorf("the first relay: %d, %v, %v", n, err, first.ids())
	}
	if n, err := relay(db, second).Once(t.Context()); n != 0 || err != nil || second.calls != 0 || waiting(t, db) != 0 {
		t.Errorf("afterwards: %d, %v, %v", n, err, second.ids())
	}
}
