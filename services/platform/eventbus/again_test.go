package eventbus_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// kept gives the messages of a stream as they are stored.
func kept(t *testing.T, url string) (messages []*nats.Msg) {
	t.Helper()
	conn, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(t.Context(), eventbus.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	for seq := uint64(1); seq <= stream.CachedInfo().State.LastSeq; seq++ {
		m, err := stream.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		messages = append(messages, &nats.Msg{Subject: m.Subject, Data: m.Data, Header: m.Header})
	}
	return messages
}

// pastTheWindow puts a message on the stream again so many times, as a publisher does of whose first time the server remembers no more: the
// server compares ids for ten minutes only.
func pastTheWindow(t *testing.T, url string, m *nats.Msg, times int) {
	t.Helper()
	again := &nats.Msg{Subject: m.Subject, Data: m.Data, Header: nats.Header{}}
	for name, values := range m.Header {
		if name != jetstream.MsgIDHeader {
			again.Header[name] = values
		}
	}
	for range times {
		strange(t, url, again)
	}
}

// byPlace writes down a fact and where it stands in the stream, so that a second effect of it shows.
func byPlace(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
	return record(fmt.Sprintf("%s %d", m.ID, m.Sequence)), nil
}

// Case D5: the same fact a hundred times, within the time in which the server itself knows it again, past it, and a year later, by one or two
// instances of a consumer, has one effect, and what follows it is not held up.
func TestAFactDeliveredAHundredTimesTakesEffectOnce(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		url := external(t)
		bus, err := eventbus.Open(t.Context(), eventbus.Config{URL: url, Replicas: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(bus.Close)
		now := clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		var running sync.WaitGroup
		ctx, cancel := context.WithCancel(t.Context())
		instances := 1
		if db.Engine() == storage.Postgres {
			instances = 2
		}
		for range instances {
			running.Go(func() {
				if err := bus.Run(ctx, db, now, log, eventbus.Consumer{Durable: "reader", Types: []string{"coldsection.stock.*"}, Handle: byPlace}); err != nil {
					t.Error(err)
				}
			})
		}
		t.Cleanup(func() { cancel(); running.Wait() })

		for range 100 {
			publish(t, bus, issued("a1", "lots/a", 1))
		}
		if n := len(kept(t, url)); n != 1 {
			t.Fatalf("within its time the server kept the fact %d times", n)
		}
		publish(t, bus, issued("a2", "lots/a", 2))
		await(t, db, "a1 1", "a2 2")
		pastTheWindow(t, url, kept(t, url)[0], 100)
		if n := len(kept(t, url)); n != 102 {
			t.Fatalf("past its time the server kept %d messages, want 102", n)
		}
		publish(t, bus, issued("a3", "lots/a", 3))
		await(t, db, "a1 1", "a2 2", "a3 103")
		now.Set(now.Now().AddDate(1, 0, 0))
		pastTheWindow(t, url, kept(t, url)[0], 1)
		publish(t, bus, issued("a4", "lots/a", 4))
		await(t, db, "a1 1", "a2 2", "a3 103", "a4 105")
	})
}
