package eventbus_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// strange puts messages on an event server's stream that no program of the suite published.
func strange(t *testing.T, url string, messages ...*nats.Msg) {
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
	for _, m := range messages {
		if _, err := js.PublishMsg(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
}

// Fault D7: a message that is no fact is kept with its bytes and why, holds nothing up, never takes effect, and stays away once it was given up.
func TestAMessageThatIsNoFactIsParked(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		url := external(t)
		bus, err := eventbus.Open(t.Context(), eventbus.Config{URL: url, Replicas: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(bus.Close)
		odd := &nats.Msg{Subject: "coldsection.v1.stock.issued", Data: []byte("2 kg of soap"), Header: nats.Header{
			"ce-id": {"%00%FF"}, "ce-type": {"%00"}, "ce-actor": {"%00"}, "ce-time": {"yesterday"}, "ce-source": {"consumables"}, "ce-subject": {"lots/b"},
		}}
		strange(t, url, &nats.Msg{Subject: "coldsection.v1.stock.issued"}, odd)
		publish(t, bus, issued("b1", "lots/b", 1))
		stop := start(t, bus, db, byID)
		await(t, db, "b1")
		if ids := parkedIDs(t, db); !slices.Equal(ids, []string{"stream-1", "stream-2"}) {
			t.Fatalf("parked %q", ids)
		}
		var parked []eventbus.Parked
		in := func(fn func(ctx context.Context, tx *storage.Tx) error) {
			t.Helper()
			if err := db.Update(t.Context(), fn); err != nil {
				t.Fatal(err)
			}
		}
		in(func(ctx context.Context, tx *storage.Tx) (err error) {
			parked, err = eventbus.ParkedEvents(ctx, tx)
			return err
		})
		for i, p := range parked {
			data := []string{"", "2 kg of soap"}[i]
			if string(p.Data) != data || p.Type != odd.Subject || p.Time.IsZero() || !strings.Contains(p.Reason, "no fact") || !strings.Contains(p.Reason, "message "+p.ID[len("stream-"):]+" ") {
				t.Errorf("kept as %+v", p)
			}
			if err := eventbus.Apply(t.Context(), db, clock.System(), eventbus.Consumer{Durable: "reader", Handle: byID}, p); err == nil || !strings.Contains(err.Error(), "no fact") {
				t.Errorf("%s tried again: %v", p.ID, err)
			}
			p.DiscardTime, p.Discarder, p.DiscardReason = now, "accounts/admin", "not ours"
			in(func(ctx context.Context, tx *storage.Tx) error {
				if gone, err := eventbus.Discard(ctx, tx, p); err != nil || !gone {
					t.Errorf("%s given up: %v, %v", p.ID, gone, err)
				}
				return nil
			})
		}
		stop()
		publish(t, bus, issued("b2", "lots/b", 2))
		start(t, bus, db, byID)
		await(t, db, "b1", "b2")
		if ids := parkedIDs(t, db); len(ids) != 0 {
			t.Errorf("parked again: %q", ids)
		}
	})
}
