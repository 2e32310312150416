package outbox

import (
	"context"
	"log/slog"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/killpoint"
	"coldsection.example/services/platform/storage"
)

// batch is how many facts a relay claims at once.
const batch = 200

// Publisher hands a fact to the stream and returns once the stream has it durably. The same id twice is one message.
type Publisher interface {
	Publish(ctx context.Context, e Event) error
}

// Relay publishes the facts of one database. Two relays on one database are safe: one holds the claim, the other waits.
type Relay struct {
	db    *storage.DB
	to    Publisher
	clk   clock.Clock
	every time.Duration
	log   *slog.Logger
}

// NewRelay makes a relay that looks for new facts at this interval.
func NewRelay(db *storage.DB, to Publisher, clk clock.Clock, every time.Duration, log *slog.Logger) *Relay {
	return &Relay{db: db, to: to, clk: clk, every: every, log: log}
}

// Run publishes until ctx ends.
func (r *Relay) Run(ctx context.Context) {
	for ctx.Err() == nil {
		n, err := r.Once(ctx)
		if err != nil && ctx.Err() == nil {
			r.log.WarnContext(ctx, "facts wait in the outbox", "error", err)
		}
		if n == batch && err == nil {
			continue
		}
		select {
		case <-ctx.Done():
		case <-clock.System().After(r.every): // real time, also where the suite's own clock stands still
		}
	}
}

// Once publishes what waits, at most one batch, and returns how many. On PostgreSQL the claim is an advisory lock held by
// the transaction, so that the facts of a subject never leave out of order; on SQLite there is one process.
func (r *Relay) Once(ctx context.Context) (int, error) {
	if r.db.Engine() == storage.Postgres {
		return r.oncePostgres(ctx)
	}
	var waiting []Event
	if err := r.db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		waiting, err = unsent(ctx, tx)
		return err
	}); err != nil {
		return 0, err
	}
	sent, err := r.publish(ctx, waiting)
	if len(sent) == 0 {
		return 0, err
	}
	if markErr := r.db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return r.mark(ctx, tx, sent) }); markErr != nil {
		return 0, markErr
	}
	return len(sent), err
}

func (r *Relay) oncePostgres(ctx context.Context) (n int, err error) {
	updateErr := r.db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var mine bool
		if err := tx.QueryRow(ctx, "SELECT pg_try_advisory_xact_lock(7346280114)").Scan(&mine); err != nil || !mine {
			return err
		}
		waiting, readErr := unsent(ctx, tx)
		if readErr != nil {
			return readErr
		}
		var sent []Event
		sent, err = r.publish(ctx, waiting)
		n = len(sent)
		return r.mark(ctx, tx, sent)
	})
	if updateErr != nil {
		return 0, updateErr
	}
	return n, err
}

// publish stops at the first fact that the stream does not take, so that order holds.
func (r *Relay) publish(ctx context.Context, waiting []Event) ([]Event, error) {
	for i, e := range waiting {
		killpoint.At(killpoint.RelayClaimed, e.Type)
		if err := r.to.Publish(ctx, e); err != nil {
			return waiting[:i], err
		}
		killpoint.At(killpoint.RelayPublished, e.Type)
	}
	return waiting, nil
}

func unsent(ctx context.Context, tx *storage.Tx) ([]Event, error) {
	return storage.Collect(ctx, tx, scanEvent, `SELECT id, type, source, subject, version, event_time, actor, traceparent, data,
		COALESCE((SELECT b.version FROM outbox b WHERE b.source = o.source AND b.subject = o.subject AND b.type = o.type AND b.version < o.version
			ORDER BY b.version DESC LIMIT 1), $2),
		COALESCE((SELECT b.id FROM outbox b WHERE b.source = o.source AND b.subject = o.subject AND b.type = o.type AND b.version < o.version
			ORDER BY b.version DESC LIMIT 1), '')
		FROM outbox o WHERE sent_time = 0 ORDER BY seq LIMIT $1`, batch, First)
}

func scanEvent(row storage.Scanner) (Event, error) {
	var e Event
	var at int64
	err := row.Scan(&e.ID, &e.Type, &e.Source, &e.Subject, &e.Version, &at, &e.Actor, &e.TraceParent, &e.Data, &e.Previous, &e.PreviousID)
	e.Time = storage.FromMicros(at)
	return e, err
}

func (r *Relay) mark(ctx context.Context, tx *storage.Tx, sent []Event) error {
	for _, e := range sent {
		if _, err := tx.Exec(ctx, "UPDATE outbox SET sent_time = $1 WHERE id = $2", storage.Micros(r.clk.Now()), e.ID); err != nil {
			return err
		}
	}
	return nil
}
