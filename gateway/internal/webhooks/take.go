package webhooks

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// batch is how many facts are taken at once.
const batch = 100

// take makes messages of the next facts of the feed for an endpoint and says whether there may be more.
func (s *Store) take(ctx context.Context, endpoint string) (more bool, err error) {
	var e *accessv1.WebhookEndpoint
	var p progress
	var left int64
	var reader facts.Reader
	var stop string
	if err := s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if e, err = Endpoints.Get(ctx, tx, endpoint); err != nil {
			return err
		}
		if p, err = s.progressOf(ctx, tx, endpoint, ""); err != nil {
			return err
		}
		if reader, stop, err = s.answered(ctx, tx, e); err != nil {
			return err
		}
		left, err = waiting(ctx, tx, endpoint)
		return err
	}); err != nil {
		return false, err
	}
	if stop != "" {
		return false, s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return s.stopped(ctx, tx, endpoint, stop) })
	}
	if left >= maxWaiting || e.GetState() != accessv1.WebhookEndpoint_ENABLED {
		return false, nil
	}
	found, next, err := s.Feed.Feed(ctx, eventbus.FeedQuery{After: p.cursor, Types: reader.Narrow(e.GetTypes()), May: reader.May, Subject: e.GetSubject(), Limit: batch})
	if f, ok := fault.As(err); ok && f.Category == fault.OutOfRange {
		return false, s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return s.disable(ctx, tx, endpoint, f.Message+" Then enable the endpoint with skip_missed.", 0)
		})
	}
	if err != nil || next == p.cursor {
		return false, err
	}
	return len(found) == batch, s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return s.enqueue(ctx, tx, endpoint, p.cursor, found, next)
	})
}

// enqueue keeps messages and moves the endpoint's place on, unless another instance did so meanwhile.
func (s *Store) enqueue(ctx context.Context, tx *storage.Tx, endpoint string, from uint64, found []eventbus.Message, next uint64) error {
	moved, err := tx.Exec(ctx, "UPDATE webhook_progress SET cursor_sequence = $1 WHERE endpoint = $2 AND cursor_sequence = $3",
		int64(next), endpoint, int64(from))
	if err != nil || moved == 0 {
		return err
	}
	for _, m := range found {
		body, err := feed.CloudEvent(m)
		if err != nil {
			return err
		}
		d := &accessv1.WebhookDelivery{
			Name: endpoint + "/deliveries/" + m.ID, WebhookId: m.ID, EventType: m.Type, Subject: m.Subject, Sequence: feed.Cursor(m.Sequence),
		}
		err = s.insert(ctx, tx, d, body, int64(m.Sequence), "", 0)
		if fault.HasReason(err, "ALREADY_EXISTS") {
			continue // the stream has the fact twice, or the endpoint was put back
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// insert keeps a message that is due at once; a claim keeps others from sending it.
func (s *Store) insert(ctx context.Context, tx *storage.Tx, d *accessv1.WebhookDelivery, body []byte, position int64, claim string, until int64) error {
	now := s.Clock.Now()
	d.State, d.NextAttemptTime = accessv1.WebhookDelivery_WAITING, timestamppb.New(now)
	if err := Deliveries.Insert(ctx, tx, d, now); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `INSERT INTO webhook_messages (delivery, endpoint, subject, position, waiting, tried, due_time, claim, claim_until, payload)
		VALUES ($1, $2, $3, $4, 1, 0, $5, $6, $7, $8)`,
		d.GetName(), parent(d.GetName()), d.GetSubject(), position, storage.Micros(now), claim, until, body)
	return err
}
