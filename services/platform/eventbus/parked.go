package eventbus

import (
	"context"
	"fmt"
	"strings"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
)

// Parked is a fact that waits beside the stream.
type Parked struct {
	Message

	Consumer string
	Reason   string
	ParkTime time.Time

	DiscardTime              time.Time // zero unless somebody gave it up
	Discarder, DiscardReason string
}

// ParkedColumns are the columns of parked_events that ScanParked reads.
const ParkedColumns = `consumer, event_id, type, source, subject, version, event_time, actor, traceparent, data, reason, park_time, discard_time,
	discarder, discard_reason, previous, previous_id`

// ParkedEvents lists what waits in a database, in the order in which it would take effect.
func ParkedEvents(ctx context.Context, tx *storage.Tx) ([]Parked, error) {
	return storage.Collect(ctx, tx, ScanParked, "SELECT "+ParkedColumns+" FROM parked_events WHERE discard_time = 0 ORDER BY consumer, source, subject, version")
}

// CountParked counts what ParkedEvents lists.
func CountParked(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT count(*) FROM parked_events WHERE discard_time = 0").Scan(&n)
	return n, err
}

// OldestParked is when the first of them was parked, in seconds since 1970; 0 when none waits.
func OldestParked(ctx context.Context, tx *storage.Tx) (seconds int64, err error) {
	err = tx.QueryRow(ctx, "SELECT COALESCE(MIN(park_time), 0) / 1000000 FROM parked_events WHERE discard_time = 0").Scan(&seconds)
	return seconds, err
}

// ScanParked reads a row of ParkedColumns.
func ScanParked(row storage.Scanner) (Parked, error) {
	var p Parked
	var at, parked, discarded int64
	err := row.Scan(&p.Consumer, &p.ID, &p.Type, &p.Source, &p.Subject, &p.Version, &at, &p.Actor, &p.TraceParent, &p.Data, &p.Reason, &parked, &discarded,
		&p.Discarder, &p.DiscardReason, &p.Previous, &p.PreviousID)
	p.Time, p.ParkTime, p.DiscardTime = storage.FromMicros(at), storage.FromMicros(parked), storage.FromMicros(discarded)
	return p, err
}

// compare keeps a fact that came again with other content than when it took effect; a repetition is nothing new.
func (w *worker) compare(ctx context.Context, m Message) error {
	var other bool
	err := w.db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		other, err = changed(ctx, tx, w.Durable, m)
		return err
	})
	if err != nil || !other {
		return err
	}
	return w.parkUnreadable(ctx, another(m), fmt.Errorf("message %d of the stream tells %s of %s again, with other content than the one that took effect", m.Sequence, m.ID, m.Source))
}

// state says whether a fact took effect already, and whether an earlier one about its subject is parked.
func (w *worker) state(ctx context.Context, m Message) (done, held bool, err error) {
	err = w.db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var parked int
		var err error
		if done, err = Processed(ctx, tx, w.Durable, m.ID); err != nil {
			return err
		}
		err = tx.QueryRow(ctx, "SELECT count(*) FROM parked_events WHERE consumer = $1 AND source = $2 AND subject = $3 AND discard_time = 0",
			w.Durable, m.Source, m.Subject).Scan(&parked)
		held = parked > 0
		return err
	})
	return done, held, err
}

func (w *worker) park(ctx context.Context, m Message, reason string) error {
	return w.db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return keepParked(ctx, tx, w.Durable, m, reason, w.clk.Now())
	})
}

// keepParked parks a fact that is not parked yet.
func keepParked(ctx context.Context, tx *storage.Tx, consumer string, m Message, reason string, now time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO parked_events (consumer, event_id, type, source, subject, version, event_time, actor,
		traceparent, data, reason, park_time, previous, previous_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14) ON CONFLICT DO NOTHING`,
		consumer, m.ID, m.Type, m.Source, m.Subject, m.Version, storage.Micros(m.Time), m.Actor, m.TraceParent, m.Data,
		reason, storage.Micros(now), m.Previous, m.PreviousID)
	return err
}

// parkUnreadable keeps a message that can't take effect, until somebody gives it up; what it was to tell is entered by hand.
func (w *worker) parkUnreadable(ctx context.Context, m Message, why error) error {
	done, _, err := w.state(ctx, m)
	if err != nil || done {
		return err // given up already
	}
	w.log.ErrorContext(ctx, "message parked", "event", m.ID, "reason", why)
	return w.park(ctx, m, why.Error())
}

// Apply makes a parked fact take effect now, as the consumer at work does; whichever of the two is first does it.
func Apply(ctx context.Context, db *storage.DB, clk clock.Clock, c Consumer, p Parked) error {
	return (&worker{Consumer: c, db: db, clk: clk}).apply(ctx, p.Message)
}

// Explain keeps why a parked fact can't take effect now, where that is another reason than before, and returns it.
func Explain(ctx context.Context, db *storage.DB, p Parked, why error) (string, error) {
	reason, _, _ := strings.Cut(why.Error(), "\n") // what follows is the stack of a panic
	if reason == p.Reason {
		return reason, nil
	}
	return reason, db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "UPDATE parked_events SET reason = $1 WHERE consumer = $2 AND event_id = $3 AND discard_time = 0", reason, p.Consumer, p.ID)
		return err
	})
}

// Processed says whether a fact took effect in a consumer, or was given up there.
func Processed(ctx context.Context, tx *storage.Tx, consumer, event string) (bool, error) {
	var n int
	err := tx.QueryRow(ctx, "SELECT count(*) FROM processed_events WHERE consumer = $1 AND event_id = $2", consumer, event).Scan(&n)
	return n > 0, err
}

// Discard gives a parked fact up at the time and for the reason that it says, so that it never takes effect; false when it took effect meanwhile.
func Discard(ctx context.Context, tx *storage.Tx, p Parked) (bool, error) {
	at := storage.Micros(p.DiscardTime)
	first, err := finish(ctx, tx, p.Consumer, p.Message, at)
	if err != nil || !first {
		return false, err
	}
	n, err := tx.Exec(ctx, "UPDATE parked_events SET discard_time = $1, discarder = $2, discard_reason = $3 WHERE consumer = $4 AND event_id = $5 AND discard_time = 0",
		at, p.Discarder, p.DiscardReason, p.Consumer, p.ID)
	return n == 1, err
}
