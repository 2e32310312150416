// Package webhooks sends facts to other systems by the public scheme "Standard Webhooks".
//
// Every endpoint has a place of its own in the change feed. Facts after it are taken in order, each as a message with its
// final bytes, in the transaction that moves the place on; so none is skipped and none is taken twice. A message is sent
// until it succeeds or its schedule ends. Messages about one resource are sent one after the other; those about others do
// not wait. Several instances may send: a message is claimed in the database before it is sent, for longer than an attempt
// can last.
package webhooks

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

const (
	maxEndpoints = 50
	maxWaiting   = 1000                // of one endpoint; further facts stay in the feed
	keep         = 90 * 24 * time.Hour // how long deliveries that ended are kept
	maxAttempts  = 50                  // kept of one delivery
	sealPurpose  = "webhook secrets"
	source       = "gateway"
)

// The tables of resources.
var (
	Endpoints  = resource.NewTable[*accessv1.WebhookEndpoint]("webhook_endpoints", "create_time", "display_name", "state", "create_time")
	Deliveries = resource.NewTable[*accessv1.WebhookDelivery]("webhook_deliveries", "create_time desc",
		"webhook_id", "event_type", "subject", "state", "create_time")
)

// Store keeps endpoints and their messages.
type Store struct {
	DB    *storage.DB
	Clock clock.Clock
	IDs   ids.Source
	Keys  *auth.Keys
	Feed  feed.Source
	Guard Guard
	// Answers knows who answers for endpoints; nil lets everybody.
	Answers Answers
}

// progress is how far an endpoint is, and its secrets.
type progress struct {
	cursor       uint64
	firstFailure int64
	secret       []byte
	old          []oldSecret // those that still sign, newest first
}

func (s *Store) progressOf(ctx context.Context, tx *storage.Tx, endpoint, lock string) (p progress, err error) {
	var cursor int64
	var secret, old []byte
	var oldExpire int64
	err = tx.QueryRow(ctx, `SELECT cursor_sequence, first_failure_time, secret, old_secret, old_secret_expire FROM webhook_progress
		WHERE endpoint = $1`+lock, endpoint).Scan(&cursor, &p.firstFailure, &secret, &old, &oldExpire)
	if errors.Is(err, storage.ErrNoRows) {
		return p, fault.Missing(endpoint)
	}
	if err != nil {
		return p, err
	}
	p.cursor = uint64(max(cursor, 0))
	if p.secret, err = s.Keys.Unseal(sealPurpose, secret); err != nil {
		return p, fmt.Errorf("%s: %w", endpoint, err)
	}
	now := storage.Micros(s.Clock.Now())
	if oldExpire <= now {
		return p, nil
	}
	text, err := s.Keys.Unseal(sealPurpose, old)
	if err != nil {
		return p, err
	}
	all, err := unbundle(text, oldExpire)
	p.old = living(all, now)
	return p, err
}

// secrets are those that sign now, the current one first.
func (p progress) secrets() [][]byte {
	all := [][]byte{p.secret}
	for _, o := range p.old {
		all = append(all, o.secret)
	}
	return all
}

// Show adds to an endpoint what changes without its version.
func (s *Store) Show(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint) error {
	p, err := s.progressOf(ctx, tx, e.GetName(), "")
	if err != nil {
		return err
	}
	e.Cursor, e.FirstFailureTime, e.OldSecretExpireTime = feed.Cursor(p.cursor), instant(p.firstFailure), nil
	for _, o := range p.old {
		if end := instant(o.expire); e.GetOldSecretExpireTime() == nil || end.AsTime().After(e.GetOldSecretExpireTime().AsTime()) {
			e.OldSecretExpireTime = end
		}
	}
	e.WaitingCount, err = waiting(ctx, tx, e.GetName())
	return err
}

func instant(micros int64) *timestamppb.Timestamp {
	if micros == 0 {
		return nil
	}
	return timestamppb.New(storage.FromMicros(micros))
}

func waiting(ctx context.Context, tx *storage.Tx, endpoint string) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT count(*) FROM webhook_messages WHERE endpoint = $1 AND waiting = 1", endpoint).Scan(&n)
	return n, err
}

// Waiting counts the messages of all endpoints that are still to be sent.
func Waiting(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT count(*) FROM webhook_messages WHERE waiting = 1").Scan(&n)
	return n, err
}

// disable stops an endpoint by the suite's own decision, and lets everybody know.
func (s *Store) disable(ctx context.Context, tx *storage.Tx, endpoint, reason string, since int64) error {
	e, err := Endpoints.Lock(ctx, tx, endpoint)
	if err != nil || e.GetState() == accessv1.WebhookEndpoint_DISABLED {
		return err
	}
	e.State, e.DisableReason = accessv1.WebhookEndpoint_DISABLED, reason
	if err := Endpoints.Save(ctx, tx, e, s.Clock.Now()); err != nil {
		return err
	}
	left, err := waiting(ctx, tx, endpoint)
	if err != nil {
		return err
	}
	return outbox.Append(ctx, tx, outbox.New(s.IDs.New(), s.Clock.Now(), source, "coldsection.access.webhook.disabled.v1", endpoint,
		&accessv1.WebhookDisabled{
			WebhookEndpoint: endpoint, DisplayName: e.GetDisplayName(), DisableReason: reason, FirstFailureTime: instant(since),
			WaitingCount: left,
		}))
}

// Purge forgets deliveries that ended long ago.
func (s *Store) Purge(ctx context.Context) error {
	before := storage.Micros(s.Clock.Now().Add(-keep))
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		const old = "SELECT name FROM webhook_deliveries WHERE create_time < $1 AND state <> 'WAITING'"
		if _, err := tx.Exec(ctx, "DELETE FROM webhook_messages WHERE waiting = 0 AND delivery IN ("+old+")", before); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, "DELETE FROM webhook_deliveries WHERE create_time < $1 AND state <> 'WAITING'", before)
		return err
	})
}
