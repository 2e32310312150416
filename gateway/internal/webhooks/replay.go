package webhooks

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// Replay lets a message that ended be sent anew, with the same id and bytes, on a fresh schedule. Reason:
// WEBHOOK_DELIVERY_WAITING.
func (s *Store) Replay(ctx context.Context, tx *storage.Tx, reader facts.Reader, name string) (*accessv1.WebhookDelivery, error) {
	d, err := Deliveries.Lock(ctx, tx, name)
	if err == nil && !readable(reader, d) {
		err = fault.Missing(name)
	}
	if err != nil {
		return nil, err
	}
	if d.GetState() == accessv1.WebhookDelivery_WAITING {
		return nil, fault.Precondition("WEBHOOK_DELIVERY_WAITING", "%s is still to be sent. Wait for it, or enable its endpoint.", name)
	}
	now := s.Clock.Now()
	d.State, d.NextAttemptTime = accessv1.WebhookDelivery_WAITING, timestamppb.New(now)
	if err := Deliveries.Save(ctx, tx, d, now); err != nil {
		return nil, err
	}
	_, err = tx.Exec(ctx, "UPDATE webhook_messages SET waiting = 1, tried = 0, due_time = $1, claim = '', claim_until = 0 WHERE delivery = $2",
		storage.Micros(now), name)
	return d, err
}

// readable says whether the reader may see a delivery; tests tell nothing.
func readable(reader facts.Reader, d *accessv1.WebhookDelivery) bool {
	return d.GetEventType() == testEvent || reader.May(d.GetEventType())
}

// Readable is the condition of the deliveries that the reader may see, going on after args.
func Readable(reader facts.Reader, args []any) (string, []any) {
	theirs, args := reader.Condition("event_type", args)
	if theirs == "" {
		return "1 = 1", args
	}
	args = append(args, testEvent)
	return fmt.Sprintf("(%s OR event_type = $%d)", theirs, len(args)), args
}

// Read is a delivery with its body. One of a fact that the reader may not read is as if it were not there.
func (s *Store) Read(ctx context.Context, reader facts.Reader, name string) (d *accessv1.WebhookDelivery, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if d, err = Deliveries.Get(ctx, tx, name); err == nil && !readable(reader, d) {
			err = fault.Missing(name)
		}
		if err != nil {
			return err
		}
		var body []byte
		err := tx.QueryRow(ctx, "SELECT payload FROM webhook_messages WHERE delivery = $1", name).Scan(&body)
		d.Body = string(body)
		return err
	})
	return d, err
}

// Test sends a message to an endpoint at once, and never again.
func (w *Worker) Test(ctx context.Context, endpoint string) (*accessv1.WebhookDelivery, error) {
	s := w.store
	id := s.IDs.New()
	fact := outbox.New(id, s.Clock.Now(), source, testEvent, endpoint, &accessv1.TestWebhookEndpointRequest{Name: endpoint})
	body, err := feed.CloudEvent(eventbus.Message{Event: fact})
	if err != nil {
		return nil, err
	}
	c := claimed{delivery: endpoint + "/deliveries/" + id, endpoint: endpoint, claim: s.IDs.New(), test: true}
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		e, err := Endpoints.Get(ctx, tx, endpoint)
		if err != nil {
			return err
		}
		p, err := s.progressOf(ctx, tx, endpoint, "")
		if err != nil {
			return err
		}
		c.message = message{id: id, url: e.GetUrl(), body: body, secrets: p.secrets()}
		d := &accessv1.WebhookDelivery{Name: c.delivery, WebhookId: id, EventType: testEvent, Subject: endpoint}
		return s.insert(ctx, tx, d, body, 0, c.claim, storage.Micros(s.Clock.Now().Add(claimLife)))
	})
	if err != nil {
		return nil, err
	}
	d, err := w.attempt(ctx, c)
	if err == nil && d == nil {
		return nil, fault.Missing(endpoint) // it was deleted meanwhile
	}
	return d, err
}
