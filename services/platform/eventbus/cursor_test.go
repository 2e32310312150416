package eventbus_test

import (
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
)

// fromSequence opens a stream on a server of its own whose first fact will have this sequence, as if all before were lost.
func fromSequence(t *testing.T, first uint64) *eventbus.Bus {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(30 * time.Second) {
		t.Fatal("the server did not start")
	}
	cfg := eventbus.Config{URL: s.ClientURL(), Replicas: 1}
	conn, err := nats.Connect(cfg.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	open(t, cfg)
	config := settings(t, js)
	if err := js.DeleteStream(t.Context(), eventbus.StreamName); err != nil {
		t.Fatal(err)
	}
	config.FirstSeq = first
	if _, err := js.CreateStream(t.Context(), config); err != nil {
		t.Fatal(err)
	}
	return open(t, cfg)
}

func open(t *testing.T, cfg eventbus.Config) *eventbus.Bus {
	t.Helper()
	bus, err := eventbus.Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	return bus
}

// settings are those that the bus gave its stream.
func settings(t *testing.T, js jetstream.JetStream) jetstream.StreamConfig {
	t.Helper()
	stream, err := js.Stream(t.Context(), eventbus.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	return stream.CachedInfo().Config
}

func TestFeedNeverSkipsWhatIsNotKept(t *testing.T) {
	bus := fromSequence(t, 100)
	publish(t, bus, issued("a1", "lots/a", 1))
	publish(t, bus, issued("a2", "lots/a", 2))
	for _, c := range []struct {
		query  eventbus.FeedQuery
		reason string
		facts  int
	}{
		{eventbus.FeedQuery{}, "CURSOR_TOO_OLD", 0}, {eventbus.FeedQuery{After: 98}, "CURSOR_TOO_OLD", 0},
		{eventbus.FeedQuery{After: 99}, "", 2}, {eventbus.FeedQuery{After: 100}, "", 1}, {eventbus.FeedQuery{After: 101}, "", 0},
		{eventbus.FeedQuery{After: 102}, "CURSOR_AHEAD", 0}, {eventbus.FeedQuery{After: 1<<64 - 1}, "CURSOR_AHEAD", 0},
		{eventbus.FeedQuery{Oldest: true}, "", 2}, {eventbus.FeedQuery{After: 999, Oldest: true}, "", 2},
	} {
		c.query.Limit = 10
		facts, next, err := bus.Feed(t.Context(), c.query)
		refused, _ := fault.As(err)
		switch {
		case c.reason == "":
			if err != nil || len(facts) != c.facts || next != 101 {
				t.Errorf("%+v: %d facts up to %d, %v; want %d up to 101", c.query, len(facts), next, err, c.facts)
			}
		case refused == nil || refused.Reason != c.reason || refused.Category != fault.OutOfRange:
			t.Errorf("%+v: %v, want %s", c.query, err, c.reason)
		case refused.Metadata["newest_cursor"] != "00000000000000000101":
			t.Errorf("%+v does not say the way back: %v", c.query, refused.Metadata)
		}
	}
}
