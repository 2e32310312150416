package eventbus_test

import (
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

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var (
	now = time.Date(2026, 3, 1, 8, 0, 0, 123456000, time.UTC)
	log = slog.New(slog.DiscardHandler)
)

// effects is a service with a table that remembers effects in their order; a name can be there once.
var effects = func() storage.Migrations {
	files := func(key string) fstest.MapFS {
		text := "-- +goose Up\nCREATE TABLE effects (seq " + key + ", name TEXT NOT NULL UNIQUE);\n"
		return fstest.MapFS{"0001_effects.sql": {Data: []byte(text)}}
	}
	return storage.Migrations{SQLite: files("INTEGER PRIMARY KEY AUTOINCREMENT"), Postgres: files("BIGINT GENERATED ALWAYS AS IDENTITY")}
}()

func fact(id, typ, subject string, version int64) outbox.Event {
	e := outbox.New(id, now, "consumables", typ, subject, &consumablesv1.StockMoved{Movement: id})
	e.Version = version
	return e
}

func issued(id, subject string, version int64) outbox.Event {
	return fact(id, "coldsection.stock.issued.v1", subject, version)
}

func publish(t *testing.T, bus *eventbus.Bus, events ...outbox.Event) {
	t.Helper()
	for _, e := range events {
		if err := bus.Publish(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
}

// record is the effect of writing a name down.
func record(name string) eventbus.Effect {
	return func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "INSERT INTO effects (name) VALUES ($1)", name)
		return err
	}
}

func names(t *testing.T, db *storage.DB) (names []string) {
	t.Helper()
	err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		names, err = storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
			err = row.Scan(&name)
			return name, err
		}, "SELECT name FROM effects ORDER BY seq")
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// start runs a consumer of stock facts until the returned function is called.
func start(t *testing.T, bus *eventbus.Bus, db *storage.DB, handle eventbus.Handler) (stop func()) {
	t.Helper()
	return run(t, bus, db, eventbus.Consumer{Handle: handle})
}

// run is start with a consumer that says more than how it handles facts.
func run(t *testing.T, bus *eventbus.Bus, db *storage.DB, c eventbus.Consumer) (stop func()) {
	t.Helper()
	c.Durable, c.Types = "reader", []string{"coldsection.stock.*"}
	return listening(t, bus, db, c)
}

// listening runs a consumer as it is.
func listening(t *testing.T, bus *eventbus.Bus, db *storage.DB, c eventbus.Consumer) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := bus.Run(ctx, db, clock.System(), log, c); err != nil {
			t.Error(err)
		}
	})
	stop = sync.OnceFunc(func() { cancel(); wg.Wait() })
	t.Cleanup(stop)
	return stop
}

// await waits until the effects are these.
func await(t *testing.T, db *storage.DB, want ...string) {
	t.Helper()
	for deadline := clock.System().After(20 * time.Second); ; {
		got := names(t, db)
		if slices.Equal(got, want) {
			return
		}
		select {
		case <-deadline:
			t.Fatalf("effects %v, want %v", got, want)
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
}

// awaitEffects waits until there are so many.
func awaitEffects(t *testing.T, db *storage.DB, want int) {
	t.Helper()
	for deadline := clock.System().After(20 * time.Second); len(names(t, db)) != want; {
		select {
		case <-deadline:
			t.Fatalf("effects %v, want %d", names(t, db), want)
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
}

func byID(_ context.Context, m eventbus.Message) (eventbus.Effect, error) { return record(m.ID), nil }

func TestFactsTakeEffectOnceInTheirOrder(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		publish(t, bus, issued("a1", "lots/a", 1), fact("x1", "coldsection.workorder.started.v1", "workOrders/x", 1), issued("a2", "lots/a", 2))
		stop := start(t, bus, db, byID)
		await(t, db, "a1", "a2")
		stop()
		publish(t, bus, issued("a3", "lots/a", 3), issued("a1", "lots/a", 1))
		start(t, bus, db, byID)
		await(t, db, "a1", "a2", "a3")
	})
}

func TestTwoInstancesShareTheWorkInOrder(t *testing.T) {
	db := storagetest.Postgres(t, effects)
	bus := eventbustest.Embedded(t)
	start(t, bus, db, byID)
	start(t, bus, db, byID)
	var want []string
	for i := range 40 {
		id := fmt.Sprintf("a%02d", i)
		publish(t, bus, issued(id, "lots/a", int64(i+1)))
		want = append(want, id)
	}
	await(t, db, want...)
}

func TestMessageIsWhatWasPublished(t *testing.T) {
	bus, db := eventbustest.Embedded(t), storagetest.SQLite(t, effects)
	sent := issued("a1", "lots/ä \"1%\"", 7)
	sent.Actor, sent.TraceParent = "accounts/ada", "00-01000000000000000000000000000000-0200000000000000-01"
	publish(t, bus, sent)
	got := make(chan eventbus.Message, 1)
	start(t, bus, db, func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
		got <- m
		return nil, nil
	})
	m := <-got
	if m.Sequence != 1 || fmt.Sprint(m.Event) != fmt.Sprint(sent) {
		t.Errorf("got %+v, want %+v", m.Event, sent)
	}
	var moved consumablesv1.StockMoved
	if err := m.Decode(&moved); err != nil || moved.GetMovement() != "a1" {
		t.Errorf("payload %v, %v", &moved, err)
	}
	m.Data = []byte(`{"movement":"a1","addedLater":1}`)
	if err := m.Decode(&moved); err != nil {
		t.Errorf("a field of a later version: %v", err)
	}
	m.Data = []byte(`{`)
	if err := m.Decode(&moved); err == nil {
		t.Error("half a payload passes")
	}
}

// A fact that can't take effect yet holds its successors and nobody else's, and takes effect once its parent is there.
func TestEarlyFactsWait(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		var mu sync.Mutex
		parent := false
		start(t, bus, db, func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
			mu.Lock()
			defer mu.Unlock()
			if m.ID == "parent" {
				parent = true
			}
			if m.Subject == "lots/a" && !parent {
				return nil, eventbus.NotYet("no parent of %s", m.ID)
			}
			return record(m.ID), nil
		})
		publish(t, bus, issued("a1", "lots/a", 1), issued("a2", "lots/a", 2), issued("b1", "lots/b", 1))
		await(t, db, "b1")
		if parked := parkedIDs(t, db); !slices.Equal(parked, []string{"a1", "a2"}) {
			t.Errorf("parked %v", parked)
		}
		publish(t, bus, issued("parent", "lots/c", 1))
		await(t, db, "b1", "parent", "a1", "a2")
		if parked := parkedIDs(t, db); len(parked) != 0 {
			t.Errorf("still parked: %v", parked)
		}
	})
}

func parkedIDs(t *testing.T, db *storage.DB) (ids []string) {
	t.Helper()
	err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		parked, err := eventbus.ParkedEvents(ctx, tx)
		for _, p := range parked {
			ids = append(ids, p.ID)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return ids
}

// parkedReason is why a fact is parked, "" when it is not.
func parkedReason(t *testing.T, db *storage.DB, id string) (why string) {
	t.Helper()
	err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		parked, err := eventbus.ParkedEvents(ctx, tx)
		for _, p := range parked {
			if p.ID == id {
				why = p.Reason
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return why
}

// A handler that fails, panics, or whose effect fails leaves nothing behind; the fact is kept and the others go on.
func TestFailingFactsAreParked(t *testing.T) {
	for name, handle := range map[string]eventbus.Handler{
		"error": func(context.Context, eventbus.Message) (eventbus.Effect, error) { return nil, errors.New("boom") },
		"panic": func(context.Context, eventbus.Message) (eventbus.Effect, error) { panic("boom") },
		"effect": func(context.Context, eventbus.Message) (eventbus.Effect, error) {
			return func(ctx context.Context, tx *storage.Tx) error {
				return errors.Join(record("half")(ctx, tx), errors.New("boom"))
			}, nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			bus, db := eventbustest.Embedded(t), storagetest.SQLite(t, effects)
			publish(t, bus, issued("a1", "lots/a", 1), issued("a2", "lots/a", 2), issued("b1", "lots/b", 1))
			start(t, bus, db, func(ctx context.Context, m eventbus.Message) (eventbus.Effect, error) {
				if m.ID == "a1" {
					return handle(ctx, m)
				}
				return record(m.ID), nil
			})
			await(t, db, "b1")
			if parked := parkedIDs(t, db); !slices.Equal(parked, []string{"a1", "a2"}) {
				t.Errorf("parked %v", parked)
			}
		})
	}
}

// Fault D9: a handler that does not come back, as one that waits for an answer that never comes, is stopped; its fact is parked and the others go on.
func TestAFactThatTakesTooLongIsParked(t *testing.T) {
	bus, db := eventbustest.Embedded(t), storagetest.SQLite(t, effects)
	publish(t, bus, issued("a1", "lots/a", 1), issued("a2", "lots/a", 2), issued("b1", "lots/b", 1))
	run(t, bus, db, eventbus.Consumer{Limit: 50 * time.Millisecond, Handle: func(ctx context.Context, m eventbus.Message) (eventbus.Effect, error) {
		if m.ID == "a1" {
			<-ctx.Done()
			return nil, ctx.Err()
		}
		return record(m.ID), nil
	}})
	await(t, db, "b1")
	if parked := parkedIDs(t, db); !slices.Equal(parked, []string{"a1", "a2"}) {
		t.Errorf("parked %v", parked)
	}
	if why := parkedReason(t, db, "a1"); !strings.Contains(why, "deadline") {
		t.Errorf("a1 is parked because: %s", why)
	}
}

// A short failure, such as a database that is away for a moment, costs no order.
func TestPassingFailureIsTriedAgain(t *testing.T) {
	bus, db := eventbustest.Embedded(t), storagetest.SQLite(t, effects)
	failures := 2
	start(t, bus, db, func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
		if failures > 0 {
			failures--
			return nil, errors.New("away")
		}
		return record(m.ID), nil
	})
	publish(t, bus, issued("a1", "lots/a", 1), issued("a2", "lots/a", 2))
	await(t, db, "a1", "a2")
}

func TestFactsSurviveARestart(t *testing.T) {
	dir, db := t.TempDir(), storagetest.SQLite(t, effects)
	bus, err := eventbus.Open(t.Context(), eventbus.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, bus, issued("a1", "lots/a", 1))
	stop := start(t, bus, db, byID)
	await(t, db, "a1")
	stop()
	publish(t, bus, issued("a2", "lots/a", 2))
	bus.Close()
	again := eventbustest.Open(t, dir)
	start(t, again, db, byID)
	await(t, db, "a1", "a2")
}

func TestFeed(t *testing.T) {
	bus := eventbustest.Embedded(t)
	if facts, next, err := bus.Feed(t.Context(), eventbus.FeedQuery{Limit: 10}); len(facts) != 0 || next != 0 || err != nil {
		t.Errorf("an empty stream: %v, %d, %v", facts, next, err)
	}
	for i := range 25 {
		typ := []string{"coldsection.stock.issued.v1", "coldsection.stock.lot.received.v1", "coldsection.workorder.started.v1"}[i%3]
		publish(t, bus, fact(fmt.Sprintf("f%02d", i), typ, fmt.Sprintf("lots/%d", i%2), int64(i/2+1)))
	}
	for _, c := range []struct {
		query eventbus.FeedQuery
		want  string
	}{
		{eventbus.FeedQuery{}, "00 01 02 03 04 05 06 07 08 09 10 11 12 13 14 15 16 17 18 19 20 21 22 23 24"},
		{eventbus.FeedQuery{Types: []string{"coldsection.workorder.*"}}, "02 05 08 11 14 17 20 23"},
		{eventbus.FeedQuery{Types: []string{"coldsection.stock.issued.v1"}}, "00 03 06 09 12 15 18 21 24"},
		{eventbus.FeedQuery{Types: []string{"coldsection.stock.lot.*", "coldsection.workorder.started.v1"}, After: 18}, "19 20 22 23"},
		{eventbus.FeedQuery{Subject: "lots/1", After: 20}, "21 23"},
		{eventbus.FeedQuery{Types: []string{"coldsection.nothing.*"}}, ""},
		{eventbus.FeedQuery{After: 25}, ""},
	} {
		for _, limit := range []int{1, 7, 100} {
			q := c.query
			q.Limit = limit
			ids, last := readAll(t, bus, q)
			if got := strings.ReplaceAll(strings.Join(ids, " "), "f", ""); got != c.want || last != 25 {
				t.Errorf("%+v: %s up to %d, want %s up to 25", q, got, last, c.want)
			}
		}
	}
	for _, wrong := range []string{"stock.issued", "coldsection.stock.issued", "coldsection.>.v1", "*", "other.*"} {
		if _, _, err := bus.Feed(t.Context(), eventbus.FeedQuery{Types: []string{wrong}, Limit: 1}); err == nil {
			t.Errorf("type %q passes", wrong)
		}
	}
}

// readAll follows the feed until it has nothing new.
func readAll(t *testing.T, bus *eventbus.Bus, q eventbus.FeedQuery) (ids []string, last uint64) {
	t.Helper()
	for {
		facts, next, err := bus.Feed(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range facts {
			ids = append(ids, m.ID)
		}
		if next == q.After {
			return ids, next
		}
		q.After = next
	}
}

func TestFeedWaitsForTheFirstFact(t *testing.T) {
	bus := eventbustest.Embedded(t)
	go func() {
		<-clock.System().After(50 * time.Millisecond)
		_ = bus.Publish(context.WithoutCancel(t.Context()), issued("a1", "lots/a", 1))
	}()
	facts, next, err := bus.Feed(t.Context(), eventbus.FeedQuery{Limit: 10, Wait: 10 * time.Second})
	if err != nil || len(facts) != 1 || next != 1 {
		t.Errorf("got %v, %d, %v", facts, next, err)
	}
	if facts, _, err := bus.Feed(t.Context(), eventbus.FeedQuery{After: 1, Limit: 10, Wait: 50 * time.Millisecond}); len(facts) != 0 || err != nil {
		t.Errorf("nothing new: %v, %v", facts, err)
	}
}

// external starts a server with a port, as a distributed installation has.
func external(t *testing.T) string {
	t.Helper()
	options := &server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true}
	s, err := server.NewServer(options)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the server does not start")
	}
	return s.ClientURL()
}

func TestExternalServers(t *testing.T) {
	url, db := external(t), storagetest.SQLite(t, effects)
	for range 2 { // the second finds the stream that the first made
		bus, err := eventbus.Open(t.Context(), eventbus.Config{URL: url, Replicas: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(bus.Close)
		if err := bus.Ready(t.Context()); err != nil {
			t.Error(err)
		}
		publish(t, bus, issued("a1", "lots/a", 1))
		stop := start(t, bus, db, byID)
		await(t, db, "a1")
		stop()
	}
	if _, err := eventbus.Open(t.Context(), eventbus.Config{URL: "nats://127.0.0.1:1", Replicas: 1}); err == nil {
		t.Error("a server that is not there passes")
	}
}

func TestAStreamWithOtherSettingsIsRefused(t *testing.T) {
	url := external(t)
	conn, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	other := jetstream.StreamConfig{
		Name: eventbus.StreamName, Subjects: []string{"coldsection.v1.>"}, MaxAge: time.Hour, Discard: jetstream.DiscardNew,
	}
	if _, err := js.CreateStream(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	_, err = eventbus.Open(t.Context(), eventbus.Config{URL: url, Replicas: 1})
	if err == nil || !strings.Contains(err.Error(), "nats stream edit") {
		t.Errorf("got %v", err)
	}
	if info, err := js.Stream(t.Context(), eventbus.StreamName); err != nil || info.CachedInfo().Config.MaxAge != time.Hour {
		t.Errorf("the stream was changed: %v", err)
	}
}
