package outbox_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"go.opentelemetry.io/otel/trace"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var none = func() storage.Migrations {
	files := fstest.MapFS{"0001_none.sql": {Data: []byte("-- +goose Up\nSELECT 1;\n")}}
	return storage.Migrations{SQLite: files, Postgres: files}
}()

var now = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// stream remembers what was published, each id once, and refuses the ids it is told to.
type stream struct {
	mu     sync.Mutex
	events []outbox.Event
	calls  int
	refuse map[string]bool
}

func (s *stream) Publish(_ context.Context, e outbox.Event) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	if s.refuse[e.ID] {
		return errors.New("no room")
	}
	if !slices.ContainsFunc(s.events, func(known outbox.Event) bool { return known.ID == e.ID }) {
		s.events = append(s.events, e)
	}
	return nil
}

func (s *stream) ids() (ids []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.events {
		ids = append(ids, e.ID)
	}
	return ids
}

func fact(id, subject string) outbox.Event {
	return outbox.New(id, now, "consumables", "coldsection.stock.issued.v1", subject, &consumablesv1.StockMoved{Movement: id})
}

func put(ctx context.Context, t *testing.T, db *storage.DB, events ...outbox.Event) {
	t.Helper()
	if err := db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return outbox.Append(ctx, tx, events...) }); err != nil {
		t.Fatal(err)
	}
}

func relay(db *storage.DB, to outbox.Publisher) *outbox.Relay {
	return outbox.NewRelay(db, to, clock.System(), time.Millisecond, slog.New(slog.DiscardHandler))
}

func TestFactsCarryTheirNumberCallerAndTrace(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		ctx := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/ada"})
		ctx = trace.ContextWithSpanContext(ctx, trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1}, SpanID: trace.SpanID{2}}))
		put(ctx, t, db, fact("a1", "lots/a"), fact("b1", "lots/b"), fact("a2", "lots/a"))
		put(t.Context(), t, db, fact("a3", "lots/a"))
		to := &stream{}
		if n, err := relay(db, to).Once(t.Context()); n != 4 || err != nil {
			t.Fatalf("published %d, %v", n, err)
		}
		var versions []int64
		for _, e := range to.events {
			versions = append(versions, e.Version)
		}
		if !slices.Equal(to.ids(), []string{"a1", "b1", "a2", "a3"}) || !slices.Equal(versions, []int64{1, 1, 2, 3}) {
			t.Errorf("published %v with versions %v", to.ids(), versions)
		}
		first, last := to.events[0], to.events[3]
		if first.Actor != "accounts/ada" || last.Actor != "" || !first.Time.Equal(now) || string(first.Data) != `{"movement":"a1"}` {
			t.Errorf("first %+v, last actor %q", first, last.Actor)
		}
		if want := "00-01000000000000000000000000000000-0200000000000000-00"; first.TraceParent != want || last.TraceParent != "" {
			t.Errorf("trace parents %q and %q, want %q and none", first.TraceParent, last.TraceParent, want)
		}
	})
}

// A fact names the version of the one of its own type before it, also when that left long ago, and again when everything leaves once more.
func TestFactsSayWhichOneTheyFollow(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		of := func(id, typ, subject string) outbox.Event {
			e := fact(id, subject)
			e.Type = "coldsection.stock." + typ + ".v1"
			return e
		}
		put(t.Context(), t, db, of("a1", "issued", "lots/a"), of("a2", "counted", "lots/a"))
		to := &stream{}
		if n, err := relay(db, to).Once(t.Context()); n != 2 || err != nil {
			t.Fatal(n, err)
		}
		put(t.Context(), t, db, of("a3", "issued", "lots/a"), of("b1", "issued", "lots/b"), of("a4", "counted", "lots/a"), of("a5", "issued", "lots/a"))
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return outbox.AppendFirst(ctx, tx, of("c1", "issued", "lots/c"))
		}); err != nil {
			t.Fatal(err)
		}
		if n, err := relay(db, to).Once(t.Context()); n != 5 || err != nil {
			t.Fatal(n, err)
		}
		const want = "a1:-1: a2:-1: a3:1:a1 b1:-1: a4:2:a2 a5:3:a3 c1:-1:"
		follows := func() string {
			var all []string
			for _, e := range to.events {
				all = append(all, fmt.Sprintf("%s:%d:%s", e.ID, e.Previous, e.PreviousID))
			}
			return strings.Join(all, " ")
		}
		if got := follows(); got != want {
			t.Errorf("they follow %s, want %s", got, want)
		}
		if err := db.Update(t.Context(), outbox.SendAgain); err != nil {
			t.Fatal(err)
		}
		to = &stream{}
		if n, err := relay(db, to).Once(t.Context()); n != 7 || err != nil || follows() != want {
			t.Errorf("once more: %d, %v: %s", n, err, follows())
		}
	})
}

func TestFactsOfARefusedRequestNeverLeave(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		boom := errors.New("boom")
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return errors.Join(outbox.Append(ctx, tx, fact("a1", "lots/a")), boom)
		})
		if !errors.Is(err, boom) {
			t.Fatal(err)
		}
		put(t.Context(), t, db, fact("a2", "lots/a"))
		to := &stream{}
		if n, err := relay(db, to).Once(t.Context()); n != 1 || err != nil || to.events[0].Version != 1 {
			t.Errorf("published %d %v with version %d, %v", n, to.ids(), to.events[0].Version, err)
		}
	})
}

// Somebody who watches sees since when facts wait.
func TestTheOldestWaitingFactIsTold(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		since := func() (seconds int64) {
			if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
				seconds, err = outbox.Oldest(ctx, tx)
				return err
			}); err != nil {
				t.Fatal(err)
			}
			return seconds
		}
		if at := since(); at != 0 {
			t.Errorf("without facts: %d", at)
		}
		later := fact("a2", "lots/a")
		later.Time = now.Add(time.Hour)
		put(t.Context(), t, db, fact("a1", "lots/a"), later)
		to := &stream{refuse: map[string]bool{"a2": true}}
		for _, want := range []int64{now.Unix(), now.Add(time.Hour).Unix(), 0} {
			if at := since(); at != want {
				t.Errorf("facts wait since %d, want %d", at, want)
			}
			if _, err := relay(db, to).Once(t.Context()); err != nil {
				to.refuse = nil
			}
		}
	})
}

// A stream that is away delays facts; it loses none, repeats none and changes no order.
func TestRefusedFactsWait(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		put(t.Context(), t, db, fact("a1", "lots/a"), fact("a2", "lots/a"), fact("a3", "lots/a"))
		to := &stream{refuse: map[string]bool{"a2": true}}
		r := relay(db, to)
		for range 2 {
			if _, err := r.Once(t.Context()); err == nil || !slices.Equal(to.ids(), []string{"a1"}) {
				t.Errorf("published %v, %v", to.ids(), err)
			}
		}
		calls := to.calls
		to.refuse = nil
		if n, err := r.Once(t.Context()); n != 2 || err != nil || !slices.Equal(to.ids(), []string{"a1", "a2", "a3"}) {
			t.Errorf("published %d, %v; in all %v", n, err, to.ids())
		}
		if to.calls != calls+2 {
			t.Errorf("a fact that was sent went out again: %d calls", to.calls-calls)
		}
		if n, err := r.Once(t.Context()); n != 0 || err != nil {
			t.Errorf("afterwards: %d, %v", n, err)
		}
	})
}

// Two relays on one PostgreSQL database, as two instances of a service have them, keep the order of every subject.
func TestTwoRelaysKeepTheOrder(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		to := &stream{}
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		relays := 2
		if db.Engine() == storage.SQLite {
			relays = 1
		}
		for range relays {
			wg.Go(func() { relay(db, to).Run(ctx) })
		}
		const each = 40
		for i := range each {
			put(t.Context(), t, db, fact(fmt.Sprintf("a%d", i), "lots/a"), fact(fmt.Sprintf("b%d", i), "lots/b"))
		}
		for deadline := clock.System().After(20 * time.Second); len(to.ids()) < 2*each; {
			select {
			case <-deadline:
				t.Fatalf("published %d of %d", len(to.ids()), 2*each)
			case <-clock.System().After(time.Millisecond):
			}
		}
		cancel()
		wg.Wait()
		next := map[string]int64{}
		for _, e := range to.events {
			next[e.Subject]++
			if e.Version != next[e.Subject] {
				t.Fatalf("%s: version %d came as number %d", e.Subject, e.Version, next[e.Subject])
			}
		}
	})
}

// Requests about one subject at the same moment queue up for its next number; none fails for the other.
func TestFactsAtTheSameMoment(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		var wg sync.WaitGroup
		errs := make([]error, 30)
		for i := range errs {
			wg.Go(func() {
				errs[i] = db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					return outbox.Append(ctx, tx, fact(fmt.Sprintf("a%d", i), "lots/a"), fact(fmt.Sprintf("b%d", i), "lots/b"))
				})
			})
		}
		wg.Wait()
		if err := errors.Join(errs...); err != nil {
			t.Fatal(err)
		}
		to := &stream{}
		if n, err := relay(db, to).Once(t.Context()); n != 60 || err != nil {
			t.Fatalf("published %d, %v", n, err)
		}
		next := map[string]int64{}
		for _, e := range to.events {
			next[e.Subject]++
			if e.Version != next[e.Subject] {
				t.Fatalf("%s: version %d came as number %d", e.Subject, e.Version, next[e.Subject])
			}
		}
	})
}

// Case D12: the command whose fact is too large does nothing.
func TestAFactThatNoEventServerTakesIsRefusedBeforeTheCommit(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		for name, c := range map[string]struct {
			bytes  int
			reason string
		}{"at the limit": {512 << 10, ""}, "above it": {512<<10 + 1, "FACT_TOO_LARGE"}, "two megabytes": {2 << 20, "FACT_TOO_LARGE"}} {
			small, large := fact(name+" small", "lots/a"), fact(name+" large", "lots/a")
			large.Data = bytes.Repeat([]byte("x"), c.bytes)
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return outbox.Append(ctx, tx, small, large) })
			if (err != nil) != (c.reason != "") || err != nil && !fault.HasReason(err, c.reason) {
				t.Errorf("%s: %v", name, err)
			}
		}
		var kept int
		if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return tx.QueryRow(ctx, "SELECT count(*) FROM outbox").Scan(&kept)
		}); err != nil || kept != 2 {
			t.Errorf("%d facts are kept, want the 2 of the command at the limit: %v", kept, err)
		}
	})
}
