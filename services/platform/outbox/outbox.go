// Package outbox lets facts leave a service in the transaction that made them.
//
// Append writes a fact as a row; a Relay publishes the rows and marks them sent once the stream has acknowledged them. Sent
// rows are kept, so that a lost stream can be filled again. Facts about one subject carry the numbers 1, 2, 3 … and leave
// in that order.
package outbox

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Event is a fact.
type Event struct {
	ID          string    // unique for ever
	Type        string    // coldsection.<area>.<thing>.<past tense>.v1
	Source      string    // the service, such as "consumables"
	Subject     string    // the resource that it is about
	Version     int64     // counts the facts of this source about this subject from 1; set by Append
	Previous    int64     // the version of the fact of this type about this subject before it, or First or NotTold; set by the relay
	PreviousID  string    // the id of that fact; set by the relay
	Time        time.Time // when it happened
	Actor       string    // the account that caused it; set by Append
	TraceParent string    // W3C trace context; set by Append
	Data        []byte    // the payload, protobuf JSON
}

// What a fact says that is told without, or that has, no other of its type about its subject before it.
const (
	NotTold = int64(0)
	First   = int64(-1)
)

// New makes a fact; the payload is rendered as JSON at once.
func New(id string, now time.Time, source, typ, subject string, data proto.Message) Event {
	raw, err := protojson.Marshal(data)
	if err != nil {
		raw = []byte("{}") // a message of ours always has a JSON form
	}
	return Event{ID: id, Type: typ, Source: source, Subject: subject, Time: now, Data: raw}
}

// maxFact is the most bytes that a fact's payload may have: half of what event servers take by default with all headers (1 MiB, max_payload of
// nats-server), and many times what any fact of the suite has.
const maxFact = 512 << 10

// Append writes facts in the transaction that made them; one that no event server would take fails the transaction, so that nothing happens which
// nobody could be told. Reason: FACT_TOO_LARGE.
func Append(ctx context.Context, tx *storage.Tx, events ...Event) error {
	for _, e := range events {
		if err := waitForTurn(ctx, tx, e.Source, e.Subject); err != nil {
			return err
		}
		if err := add(ctx, tx, e, false); err != nil {
			return err
		}
	}
	return nil
}

// AppendFirst is Append for the first fact about a subject that this transaction made, under a name that nobody had: its number is known,
// and nobody else can be writing about it.
func AppendFirst(ctx context.Context, tx *storage.Tx, e Event) error {
	return add(ctx, tx, e, true)
}

// The statements that add a fact with the next number, and with the first.
const (
	insertOne   = `INSERT INTO outbox (id, type, source, subject, event_time, actor, traceparent, data, version) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, `
	insertNext  = insertOne + "(SELECT COALESCE(MAX(version), 0) + 1 FROM outbox WHERE source = $3 AND subject = $4))"
	insertFirst = insertOne + "$9)"
)

func add(ctx context.Context, tx *storage.Tx, e Event, first bool) error {
	if len(e.Data) > maxFact {
		return fault.New(fault.ResourceExhausted, "FACT_TOO_LARGE",
			"What would be told of %s has %d bytes; a fact may have %d. Nothing was changed; do it in smaller parts.", e.Subject, len(e.Data), maxFact)
	}
	id, _ := auth.FromContext(ctx)
	args := []any{e.ID, e.Type, e.Source, e.Subject, storage.Micros(e.Time), id.Account, traceParent(ctx), e.Data}
	var err error
	if first {
		err = tx.QueueEach(ctx, nil, insertFirst, append(args, int64(1))...)
	} else {
		err = tx.Queue(ctx, nil, insertNext, args...)
	}
	if err != nil {
		return fmt.Errorf("writing fact %s: %w", e.Type, err)
	}
	return nil
}

// traceParent is the trace of the context as W3C writes it; empty without one.
func traceParent(ctx context.Context) string {
	if !trace.SpanContextFromContext(ctx).IsValid() {
		return ""
	}
	carrier := propagation.MapCarrier{}
	propagation.TraceContext{}.Inject(ctx, carrier)
	return carrier["traceparent"]
}

// waitForTurn waits on PostgreSQL, where many write at once, for whoever is writing about the same subject, so that the number
// of the next fact is read after theirs.
func waitForTurn(ctx context.Context, tx *storage.Tx, source, subject string) error {
	if tx.Engine() != storage.Postgres {
		return nil
	}
	return tx.Queue(ctx, nil, "SELECT pg_advisory_xact_lock(hashtextextended($1, 0))", source+"\n"+subject)
}

// Waiting counts the facts that the stream does not have yet.
func Waiting(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT count(*) FROM outbox WHERE sent_time = 0").Scan(&n)
	return n, err
}

// Oldest is when the oldest of the facts happened that the stream does not have yet, in seconds since 1970; 0 when it has all.
func Oldest(ctx context.Context, tx *storage.Tx) (seconds int64, err error) {
	err = tx.QueryRow(ctx, "SELECT COALESCE(MIN(event_time), 0) / 1000000 FROM outbox WHERE sent_time = 0").Scan(&seconds)
	return seconds, err
}

// About reads the facts about a subject whose numbers are higher than after, in their order, at most so many.
func About(ctx context.Context, tx *storage.Tx, source, subject string, after int64, most int) ([]Event, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (Event, error) {
		var at int64
		e := Event{Source: source, Subject: subject}
		err := row.Scan(&e.ID, &e.Type, &e.Version, &at, &e.Actor, &e.Data)
		e.Time = time.UnixMicro(at).UTC()
		return e, err
	}, `SELECT id, type, version, event_time, actor, data FROM outbox WHERE source = $1 AND subject = $2 AND version > $3
		ORDER BY version LIMIT $4`, source, subject, after, most)
}

// Gapless names a subject whose facts are not numbered 1, 2, 3 … to the last: one was lost.
func Gapless(ctx context.Context, tx *storage.Tx) error {
	var subject string
	err := tx.QueryRow(ctx, "SELECT source || ' ' || subject FROM outbox GROUP BY source, subject HAVING COUNT(*) <> MAX(version) ORDER BY 1 LIMIT 1").Scan(&subject)
	switch {
	case errors.Is(err, storage.ErrNoRows):
		return nil
	case err != nil:
		return err
	default:
		return fmt.Errorf("a fact of %s is missing", subject)
	}
}

// SendAgain lets every fact leave once more, for a stream that is new. Consumers know which they had.
func SendAgain(ctx context.Context, tx *storage.Tx) error {
	_, err := tx.Exec(ctx, "UPDATE outbox SET sent_time = 0")
	return err
}
