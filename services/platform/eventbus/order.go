package eventbus

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// A consumer hears some types only, so that the versions of a resource's facts have gaps for it. Each fact therefore names the version of the one of
// its own type before it, and a consumer remembers the last version of each type about each resource: what comes out of that order is missing
// something, or is another fact under a number that is taken.

// errWrongFact is a fact that contradicts those that took effect; it never does itself.
var errWrongFact = errors.New("contradicts facts that took effect")

// takes says whether a consumer asked for facts of a type. A newer release may have asked for more under the same name.
func (c Consumer) takes(typ string) bool {
	return len(c.Types) == 0 || slices.ContainsFunc(c.Types, func(one string) bool { return covers(one, typ) })
}

// covers says whether a type is another one, or of its prefix.
func covers(one, typ string) bool {
	prefix, all := strings.CutSuffix(one, "*")
	return one == typ || all && strings.HasPrefix(typ, prefix)
}

// digest tells facts with other content apart; a repetition has the same.
func digest(m Message) string {
	sum := sha256.New()
	for _, part := range [][]byte{[]byte(m.Type), []byte(m.Source), []byte(m.Subject), fmt.Append(nil, m.Version), m.Data} {
		_, _ = fmt.Fprintf(sum, "%d\n", len(part)) // a hash takes everything
		sum.Write(part)
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// finish writes down that a consumer is done with a fact, which took effect or was given up; false when it was done with already.
func finish(ctx context.Context, tx *storage.Tx, consumer string, m Message, at int64) (bool, error) {
	n, err := tx.Exec(ctx, "INSERT INTO processed_events (consumer, event_id, process_time, digest) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
		consumer, m.ID, at, digest(m))
	if err != nil || n == 0 || m.Version < 1 {
		return n == 1, err
	}
	_, err = tx.Exec(ctx, `INSERT INTO seen_versions (consumer, source, subject, type, version) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (consumer, source, subject, type) DO UPDATE SET version = excluded.version WHERE seen_versions.version < excluded.version`,
		consumer, m.Source, m.Subject, m.Type, m.Version)
	return true, err
}

// inOrder refuses a fact before which one is missing, with NotYet, and one that has no place after those that the consumer is done with, with
// errWrongFact.
func inOrder(ctx context.Context, tx *storage.Tx, consumer string, m Message) error {
	if m.Version < 1 {
		return nil // nobody numbered it
	}
	var last int64
	err := tx.QueryRow(ctx, "SELECT version FROM seen_versions WHERE consumer = $1 AND source = $2 AND subject = $3 AND type = $4",
		consumer, m.Source, m.Subject, m.Type).Scan(&last)
	if errors.Is(err, storage.ErrNoRows) {
		return begins(ctx, tx, consumer, m)
	}
	before := max(m.Previous, 0)
	switch {
	case err != nil:
		return err
	case m.Version <= last:
		return fmt.Errorf("version %d of %s, told as %s, came after version %d, which took effect: it %w%s", m.Version, m.Subject, m.ID, last, errWrongFact, wayOn(m))
	case m.Previous == outbox.NotTold || before == last:
		return nil
	case before > last:
		return missing(ctx, tx, consumer, m, last)
	}
	return fmt.Errorf("version %d of %s, told as %s, says that it follows version %d, and version %d took effect: it %w%s", m.Version, m.Subject, m.ID, before, last, errWrongFact, wayOn(m))
}

// wayOn is what may be done about a fact that contradicts others: one way in which many do has a remedy.
func wayOn(m Message) string {
	return fmt.Sprintf(". If the database of %s was put back by itself, stop all processes and run coldsection rejoin; else discard it and enter by hand what it tells", m.Source)
}

// begins judges the first fact of its type about a resource: one that is not the first is missing others, where the consumer heard all.
func begins(ctx context.Context, tx *storage.Tx, consumer string, m Message) error {
	if m.Previous == outbox.NotTold || m.Previous == outbox.First {
		return nil
	}
	heard, err := heardWhole(ctx, tx, consumer)
	if err != nil || !slices.ContainsFunc(heard, func(one string) bool { return covers(one, m.Type) }) {
		return err
	}
	return missing(ctx, tx, consumer, m, 0)
}

// heardWhole are the types, and prefixes of types, that a consumer heard from the first fact on.
func heardWhole(ctx context.Context, tx *storage.Tx, consumer string) ([]string, error) {
	return storage.Collect(ctx, tx, scanText, "SELECT type FROM consumed_types WHERE consumer = $1 AND whole = 1", consumer)
}

// missing says that the fact before has not come, unless an instance of an earlier release was done with it, which remembers ids only.
func missing(ctx context.Context, tx *storage.Tx, consumer string, m Message, last int64) error {
	if m.PreviousID != "" {
		if done, err := Processed(ctx, tx, consumer, m.PreviousID); err != nil || done {
			return err
		}
	}
	return NotYet("version %d of %s, a fact of the type %s, has not come, after version %d", m.Previous, m.Subject, m.Type, last)
}

// changed says that a fact came again with other content than when the consumer was done with it.
func changed(ctx context.Context, tx *storage.Tx, consumer string, m Message) (bool, error) {
	var had string
	err := tx.QueryRow(ctx, "SELECT digest FROM processed_events WHERE consumer = $1 AND event_id = $2", consumer, m.ID).Scan(&had)
	return err == nil && had != "" && had != digest(m), err
}

// another is a fact under the id of one that took effect, kept under its place in the stream, where it holds nothing up.
func another(m Message) Message {
	place := fmt.Sprintf("stream-%d", m.Sequence)
	m.ID, m.Source, m.Subject, m.Version = place, unreadableSource, place, 0
	return m
}

// listen writes down what a consumer listens to, before the stream knows: of a type that it hears from the first fact on, none may be missing; of
// any other, what came before is not its own.
func (b *Bus) listen(ctx context.Context, db *storage.DB, c Consumer, subjects []string) error {
	heard, err := b.filters(ctx, c.Durable)
	if err != nil {
		return err
	}
	types := c.Types
	if len(types) == 0 {
		types = []string{typePrefix + "*"}
	}
	return db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var done int64
		if err := tx.QueryRow(ctx, "SELECT count(*) FROM (SELECT 1 FROM processed_events WHERE consumer = $1 LIMIT 1) AS one", c.Durable).Scan(&done); err != nil {
			return err
		}
		whole := 0
		if heard == nil && done == 0 {
			whole = 1
		}
		for _, typ := range types {
			if err := wasHeard(ctx, tx, c.Durable, typ, heard, subjects); err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, "INSERT INTO consumed_types (consumer, type, whole) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", c.Durable, typ, whole); err != nil {
				return err
			}
		}
		return nil
	})
}

// wasHeard begins anew with a type that a consumer asks for and did not hear so far, where it heard others.
func wasHeard(ctx context.Context, tx *storage.Tx, consumer, typ string, heard, subjects []string) error {
	of, err := subjectsOf([]string{typ})
	if err != nil || heard == nil || slices.Contains(heard, of[0]) || !slices.Contains(subjects, of[0]) {
		return err
	}
	return hearsAnew(ctx, tx, consumer, typ)
}

// hearsAnew forgets what was last heard of a type that a consumer did not listen to for a while, and that it heard all of it, also as part of an area.
func hearsAnew(ctx context.Context, tx *storage.Tx, consumer, typ string) error {
	known, err := storage.Collect(ctx, tx, func(row storage.Scanner) (one string, err error) {
		err = row.Scan(&one)
		return one, err
	}, "SELECT type FROM consumed_types WHERE consumer = $1", consumer)
	for _, one := range known {
		if err == nil && (covers(one, typ) || covers(typ, one)) {
			_, err = tx.Exec(ctx, "DELETE FROM consumed_types WHERE consumer = $1 AND type = $2", consumer, one)
		}
	}
	if err != nil {
		return err
	}
	query, arg := "DELETE FROM seen_versions WHERE consumer = $1 AND type = $2", typ
	if prefix, all := strings.CutSuffix(typ, "*"); all {
		query, arg = "DELETE FROM seen_versions WHERE consumer = $1 AND substr(type, 1, length($2)) = $2", prefix
	}
	_, err = tx.Exec(ctx, query, consumer, arg)
	return err
}

// filters are the subjects that a durable consumer has now; nil when there is no such consumer.
func (b *Bus) filters(ctx context.Context, name string) (subjects []string, err error) {
	err = leaderless(ctx, func() error {
		durable, err := b.stream.Consumer(ctx, name)
		if err == nil {
			have := durable.CachedInfo().Config
			subjects = append(append([]string{}, have.FilterSubjects...), have.FilterSubject)
		}
		return err
	})
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		return nil, nil
	}
	return subjects, err
}
