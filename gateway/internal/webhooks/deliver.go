package webhooks

import (
	"context"
	"net/http"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/storage"
)

const (
	claimLife  = 2 * time.Minute // longer than an attempt and what is written after it
	atOnce     = 4               // messages of one endpoint that are sent at the same time
	testEvent  = "coldsection.access.webhook.tested.v1"
	gone410    = "The receiver answered with 410, Gone: it wants no messages any more."
	failedLong = "Every attempt failed for five days. Correct the receiver, then enable the endpoint."
)

// claimed is a message that this instance alone may send until its claim ends.
type claimed struct {
	message

	delivery, endpoint, claim, eventType string

	tried int
	test  bool
}

func parent(delivery string) string {
	endpoint, _, _ := strings.Cut(delivery, "/deliveries/")
	return endpoint
}

// claim takes the messages of an endpoint that are due, at most one of each resource: the oldest that waits.
func (s *Store) claim(ctx context.Context, endpoint string) (out []claimed, err error) {
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		out = nil
		e, err := Endpoints.Get(ctx, tx, endpoint)
		if err != nil || e.GetState() != accessv1.WebhookEndpoint_ENABLED {
			return err
		}
		p, err := s.progressOf(ctx, tx, endpoint, tx.ForUpdate()) // one instance after the other chooses
		if err != nil {
			return err
		}
		now, claim := s.Clock.Now(), s.IDs.New()
		reader, stop, err := s.answered(ctx, tx, e)
		if err == nil && stop != "" {
			return s.stopped(ctx, tx, endpoint, stop)
		}
		if err != nil {
			return err
		}
		if out, err = due(ctx, tx, endpoint, storage.Micros(now)); err != nil {
			return err
		}
		if out, err = s.withhold(ctx, tx, out, reader); err != nil {
			return err
		}
		for i := range out {
			out[i].endpoint, out[i].claim, out[i].url, out[i].secrets = endpoint, claim, e.GetUrl(), p.secrets()
			if _, err := tx.Exec(ctx, "UPDATE webhook_messages SET claim = $1, claim_until = $2 WHERE delivery = $3",
				claim, storage.Micros(now.Add(claimLife)), out[i].delivery); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}

func due(ctx context.Context, tx *storage.Tx, endpoint string, now int64) ([]claimed, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (c claimed, err error) {
		err = row.Scan(&c.delivery, &c.tried, &c.body, &c.id, &c.eventType)
		c.test = c.eventType == testEvent
		return c, err
	}, `SELECT m.delivery, m.tried, m.payload, d.webhook_id, d.event_type FROM webhook_messages m JOIN webhook_deliveries d ON d.name = m.delivery
		WHERE m.endpoint = $1 AND m.waiting = 1 AND m.due_time <= $2 AND m.claim_until <= $2 AND NOT EXISTS (
			SELECT 1 FROM webhook_messages e WHERE e.endpoint = $1 AND e.subject = m.subject AND e.waiting = 1 AND e.position < m.position)
		ORDER BY m.position LIMIT $3`, endpoint, now, atOnce)
}

// settle writes down what became of an attempt. An instance whose claim ended meanwhile writes nothing: another one has the
// message, and the receiver may see it twice under the same id.
func (s *Store) settle(ctx context.Context, c claimed, o outcome) (d *accessv1.WebhookDelivery, err error) {
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		next, again := nextDelay(c.delivery, c.tried+1, o.retryAfter)
		again = again && !c.test && !o.delivered()
		dueTime := s.Clock.Now().Add(next)
		waiting := 0
		if again {
			waiting = 1
		}
		mine, err := tx.Exec(ctx, `UPDATE webhook_messages SET claim = '', claim_until = 0, tried = $1, waiting = $2, due_time = $3
			WHERE delivery = $4 AND claim = $5`, c.tried+1, waiting, storage.Micros(dueTime), c.delivery, c.claim)
		if err != nil || mine == 0 {
			return err
		}
		if d, err = Deliveries.Lock(ctx, tx, c.delivery); err != nil {
			return err
		}
		note(d, o, again, dueTime)
		if err := Deliveries.Save(ctx, tx, d, s.Clock.Now()); err != nil || c.test {
			return err
		}
		return s.judge(ctx, tx, c.endpoint, o)
	})
	return d, err
}

// note adds an attempt to a delivery.
func note(d *accessv1.WebhookDelivery, o outcome, again bool, next time.Time) {
	d.Attempts = append(d.Attempts, &accessv1.WebhookDelivery_Attempt{
		AttemptTime: timestamppb.New(o.at), HttpStatus: int32(o.status), Problem: o.problem, UntrustedResponseText: o.excerpt,
	})
	d.Attempts = d.GetAttempts()[max(0, len(d.GetAttempts())-maxAttempts):]
	d.NextAttemptTime = nil
	switch {
	case o.delivered():
		d.State = accessv1.WebhookDelivery_DELIVERED
	case again:
		d.NextAttemptTime = timestamppb.New(next)
	default:
		d.State = accessv1.WebhookDelivery_FAILED
	}
}

// judge counts how long an endpoint has failed, and disables it when its receiver is gone or has failed for too long.
func (s *Store) judge(ctx context.Context, tx *storage.Tx, endpoint string, o outcome) error {
	p, err := s.progressOf(ctx, tx, endpoint, tx.ForUpdate())
	if err != nil {
		return err
	}
	now := storage.Micros(s.Clock.Now())
	first := p.firstFailure
	switch {
	case o.delivered():
		first = 0
	case first == 0:
		first = now
	}
	if first != p.firstFailure {
		if _, err := tx.Exec(ctx, "UPDATE webhook_progress SET first_failure_time = $1 WHERE endpoint = $2", first, endpoint); err != nil {
			return err
		}
	}
	switch {
	case o.status == http.StatusGone:
		return s.disable(ctx, tx, endpoint, gone410, first)
	case first != 0 && now-first >= disableAfter.Microseconds():
		return s.disable(ctx, tx, endpoint, failedLong, first)
	default:
		return nil
	}
}
