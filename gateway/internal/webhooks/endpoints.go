package webhooks

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// defaultOverlap is how long the secret before signs, too, unless a caller says otherwise.
const defaultOverlap = 24 * time.Hour

// checkFilter refuses what an endpoint can't be, before anything is written. Reasons: WEBHOOK_URL_INVALID,
// WEBHOOK_TARGET_FORBIDDEN, EVENT_TYPE_INVALID, SUBJECT_INVALID.
func (s *Store) checkFilter(e *accessv1.WebhookEndpoint) error {
	if err := s.Guard.CheckURL(e.GetUrl()); err != nil {
		return err
	}
	if err := eventbus.CheckTypes(e.GetTypes()); err != nil {
		return err
	}
	if e.GetSubject() != "" && !strings.Contains(e.GetSubject(), "/") {
		return fault.Invalid("webhook_endpoint.subject", "SUBJECT_INVALID",
			"%q is no resource and no collection. Write engines/e1 for one engine, or engines/* for all.", e.GetSubject())
	}
	return nil
}

// Create adds an endpoint that starts after a place in the feed.
func (s *Store) Create(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint, after uint64) error {
	if err := s.checkFilter(e); err != nil {
		return err
	}
	var n int
	if err := tx.QueryRow(ctx, "SELECT count(*) FROM webhook_endpoints").Scan(&n); err != nil {
		return err
	}
	if n >= maxEndpoints {
		return fault.Precondition("WEBHOOK_ENDPOINTS_TOO_MANY", "There are %d endpoints already, and %d at most. Delete one that is not used.",
			n, maxEndpoints)
	}
	sealed, err := s.Keys.Seal(sealPurpose, newSecret())
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `INSERT INTO webhook_progress (endpoint, cursor_sequence, first_failure_time, secret, old_secret, old_secret_expire)
		VALUES ($1, $2, 0, $3, $4, 0) ON CONFLICT (endpoint) DO NOTHING`, e.GetName(), int64(after), sealed, []byte{}); err != nil {
		return err
	}
	e.State = accessv1.WebhookEndpoint_ENABLED
	if err := s.takeOver(ctx, tx, e); err != nil {
		return err
	}
	if err := Endpoints.Insert(ctx, tx, e, s.Clock.Now()); err != nil {
		return err
	}
	return s.Show(ctx, tx, e)
}

// Reveal adds the current secret to an answer.
func (s *Store) Reveal(ctx context.Context, e *accessv1.WebhookEndpoint) (*accessv1.WebhookEndpoint, error) {
	e = proto.CloneOf(e)
	err := s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, err := s.progressOf(ctx, tx, e.GetName(), "")
		e.Secret = written(p.secret)
		return err
	})
	return e, err
}

// Change locks an endpoint, changes and saves it.
func (s *Store) Change(ctx context.Context, tx *storage.Tx, name, etag string,
	fn func(e *accessv1.WebhookEndpoint) error,
) (*accessv1.WebhookEndpoint, error) {
	e, err := Endpoints.Lock(ctx, tx, name)
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(e, etag); err != nil {
		return nil, err
	}
	if err := fn(e); err != nil {
		return nil, err
	}
	if err := Endpoints.Save(ctx, tx, e, s.Clock.Now()); err != nil {
		return nil, err
	}
	return e, s.Show(ctx, tx, e)
}

// Update takes the new values of an endpoint that the mask names. Whoever sends facts to another address, or other facts,
// answers for it from then on. Reasons: FIELD_UNKNOWN and those of Create.
func (s *Store) Update(ctx context.Context, tx *storage.Tx, e, update *accessv1.WebhookEndpoint, mask *fieldmaskpb.FieldMask) error {
	before := proto.CloneOf(e)
	if err := resource.Apply(e, update, mask); err != nil {
		return err
	}
	if e.GetUrl() != before.GetUrl() || e.GetSubject() != before.GetSubject() || !slices.Equal(e.GetTypes(), before.GetTypes()) {
		if err := s.takeOver(ctx, tx, e); err != nil {
			return err
		}
	}
	return s.checkFilter(e)
}

// Enable lets an endpoint go on; with a place in the feed it leaves out what happened before.
func (s *Store) Enable(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint, skipTo *uint64) error {
	e.State, e.DisableReason = accessv1.WebhookEndpoint_ENABLED, ""
	if err := s.takeOver(ctx, tx, e); err != nil {
		return err
	}
	now := storage.Micros(s.Clock.Now())
	if _, err := tx.Exec(ctx, "UPDATE webhook_progress SET first_failure_time = 0 WHERE endpoint = $1", e.GetName()); err != nil {
		return err
	}
	if skipTo == nil {
		_, err := tx.Exec(ctx, "UPDATE webhook_messages SET due_time = $1 WHERE endpoint = $2 AND waiting = 1", now, e.GetName())
		return err
	}
	if err := s.failWaiting(ctx, tx, e.GetName()); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, "UPDATE webhook_progress SET cursor_sequence = $1 WHERE endpoint = $2", int64(*skipTo), e.GetName())
	return err
}

// failWaiting gives up what waits.
func (s *Store) failWaiting(ctx context.Context, tx *storage.Tx, endpoint string) error {
	names, err := storage.Collect(ctx, tx, scanText, "SELECT delivery FROM webhook_messages WHERE endpoint = $1 AND waiting = 1", endpoint)
	if err != nil {
		return err
	}
	for _, name := range names {
		d, err := Deliveries.Lock(ctx, tx, name)
		if err != nil {
			return err
		}
		d.State, d.NextAttemptTime = accessv1.WebhookDelivery_FAILED, nil
		if err := Deliveries.Save(ctx, tx, d, s.Clock.Now()); err != nil {
			return err
		}
	}
	_, err = tx.Exec(ctx, "UPDATE webhook_messages SET waiting = 0 WHERE endpoint = $1 AND waiting = 1", endpoint)
	return err
}

func scanText(row storage.Scanner) (text string, err error) {
	err = row.Scan(&text)
	return text, err
}

// Delete removes an endpoint and all that belongs to it.
func (s *Store) Delete(ctx context.Context, tx *storage.Tx, name, etag string) error {
	e, err := Endpoints.Lock(ctx, tx, name)
	if err != nil {
		return err
	}
	if err := resource.CheckEtag(e, etag); err != nil {
		return err
	}
	for _, statement := range []string{
		"DELETE FROM webhook_deliveries WHERE name IN (SELECT delivery FROM webhook_messages WHERE endpoint = $1)",
		"DELETE FROM webhook_messages WHERE endpoint = $1", "DELETE FROM webhook_progress WHERE endpoint = $1",
		"DELETE FROM webhook_endpoints WHERE name = $1",
	} {
		if _, err := tx.Exec(ctx, statement, name); err != nil {
			return err
		}
	}
	return nil
}
