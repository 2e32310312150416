package eventbus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
)

// A part whose database was put back by itself, from a time before that of the others and of the stream, is behind in two ways. It told facts that
// it does not know any more, so that it gives their numbers to new facts, which every consumer holds for wrong. And the stream does not offer it
// again what it was done with once. What follows brings it back among the others: consumers judge its facts by what it knows now, it hears what
// it missed, and what it does not know any more is named.

// Teller is a part as it tells facts.
type Teller struct {
	Part  string // the source of its facts
	Types []string
	DB    *storage.DB
}

// putBack is the name under which a part's own database remembers, among what was processed, what it knows of having been put back: the ids of
// facts that it does not know any more, and unfinished until it is among the others again.
const (
	putBack    = "put-back"
	unfinished = "unfinished"
)

// MarkPutBack writes into a database that it was put back by itself, so that its part does not start before Rejoined.
func MarkPutBack(ctx context.Context, tx *storage.Tx) error {
	return mark(ctx, tx, unfinished, time.Time{})
}

func mark(ctx context.Context, tx *storage.Tx, id string, now time.Time) error {
	_, err := tx.Exec(ctx, "INSERT INTO processed_events (consumer, event_id, process_time, digest) VALUES ($1, $2, $3, '') ON CONFLICT DO NOTHING",
		putBack, id, storage.Micros(now))
	return err
}

// errSilent is a stream that has more facts and does not hand them over.
var errSilent = errors.New("the event stream has more facts and does not hand them over")

// each does something with every fact of these types that the stream has, in its order; where the stream hands over some only, it fails.
func (b *Bus) each(ctx context.Context, types []string, do func(m Message) error) error {
	_, newest, err := patiently(ctx, func() ([]Message, uint64, error) {
		_, newest, err := b.Bounds(ctx)
		return nil, newest, err
	})
	if err != nil {
		return err
	}
	read := func(q FeedQuery) ([]Message, uint64, error) { return b.Feed(ctx, q) }
	return walk(FeedQuery{Oldest: true, Types: types, Limit: replayBatch}, newest, read, do)
}

// walk goes through a feed up to the newest fact of when it began.
func walk(q FeedQuery, newest uint64, read func(FeedQuery) ([]Message, uint64, error), do func(m Message) error) error {
	for {
		facts, next, err := read(q)
		if err != nil || len(facts) == 0 && next >= newest {
			return err
		}
		if len(facts) == 0 && next <= q.After {
			return unreachable(errSilent)
		}
		for _, m := range facts {
			if err := do(m); err != nil {
				return err
			}
		}
		q.After, q.Oldest = next, false
	}
}

// Unknown are the facts that the stream has of a part and that the part does not know, in their order. Facts that it knows and the stream has not
// leave when the part works, also if they did before, and are counted.
func (b *Bus) Unknown(ctx context.Context, t Teller) (lost []Message, again int64, err error) {
	err = t.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		lost, again = nil, 0
		has := map[string]bool{}
		if err := b.each(ctx, t.Types, func(m Message) error {
			if m.Source != t.Part || has[m.ID] {
				return nil
			}
			has[m.ID] = true
			known, err := tells(ctx, tx, m.ID)
			if err == nil && !known {
				lost = append(lost, m)
			}
			return err
		}); err != nil {
			return err
		}
		all, err := storage.Collect(ctx, tx, scanText, "SELECT id FROM outbox")
		for _, id := range all {
			if err == nil && !has[id] {
				again++
				_, err = tx.Exec(ctx, "UPDATE outbox SET sent_time = 0 WHERE id = $1", id)
			}
		}
		return err
	})
	return lost, again, err
}

func scanText(row storage.Scanner) (text string, err error) {
	err = row.Scan(&text)
	return text, err
}

// tells says whether a fact is one that a part told and knows.
func tells(ctx context.Context, tx *storage.Tx, id string) (bool, error) {
	var n int
	err := tx.QueryRow(ctx, "SELECT count(*) FROM outbox WHERE id = $1", id).Scan(&n)
	return n > 0, err
}

// line is the facts of a type about a resource.
type line struct{ subject, typ string }

// inLine is a fact of a line.
type inLine struct {
	id      string
	version int64
}

// lines are what a part knows of the lines of facts, the newest of each first.
func (t Teller) lines(ctx context.Context, of []Message) (map[line][]inLine, error) {
	lines := map[line][]inLine{}
	err := t.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for _, m := range of {
			one := line{m.Subject, m.Type}
			if _, ok := lines[one]; ok {
				continue
			}
			facts, err := storage.Collect(ctx, tx, func(row storage.Scanner) (f inLine, err error) {
				err = row.Scan(&f.id, &f.version)
				return f, err
			}, "SELECT id, version FROM outbox WHERE source = $1 AND subject = $2 AND type = $3 ORDER BY version DESC", t.Part, m.Subject, m.Type)
			if err != nil {
				return err
			}
			lines[one] = facts
		}
		return nil
	})
	return lines, err
}

// Believe has a consumer judge the facts of a part by what the part knows. Of those that it does not know any more, what took effect stays in
// effect, as others and people went on from it; what did not, never does, and is kept with those that were given up.
func (t Teller) Believe(ctx context.Context, db *storage.DB, clk clock.Clock, c Consumer, lost []Message) error {
	lost = slices.DeleteFunc(slices.Clone(lost), func(m Message) bool { return !c.takes(m.Type) })
	if len(lost) == 0 {
		return nil
	}
	lines, err := t.lines(ctx, lost)
	if err != nil {
		return err
	}
	return db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for _, m := range lost {
			if err := t.giveUp(ctx, tx, clk.Now(), c.Durable, m); err != nil {
				return err
			}
		}
		for one, facts := range lines {
			if err := t.last(ctx, tx, c.Durable, one, facts); err != nil {
				return err
			}
		}
		return nil
	})
}

// giveUp keeps a fact from taking effect that did not until now.
func (t Teller) giveUp(ctx context.Context, tx *storage.Tx, now time.Time, consumer string, m Message) error {
	if done, err := Processed(ctx, tx, consumer, m.ID); err != nil || done {
		return err
	}
	why := t.Part + " was put back to a time before it told this, and does not know it any more"
	if err := keepParked(ctx, tx, consumer, m, why, now); err != nil {
		return err
	}
	_, err := Discard(ctx, tx, Parked{Message: m, Consumer: consumer, DiscardTime: now, Discarder: "services/" + t.Part, DiscardReason: why})
	return err
}

// last puts a consumer at the newest fact of a line that both know.
func (t Teller) last(ctx context.Context, tx *storage.Tx, consumer string, one line, facts []inLine) error {
	version := int64(0)
	for _, f := range facts {
		done, err := Processed(ctx, tx, consumer, f.id)
		if err != nil {
			return err
		}
		if done {
			version = f.version
			break
		}
	}
	query, args := "UPDATE seen_versions SET version = $5 WHERE consumer = $1 AND source = $2 AND subject = $3 AND type = $4", []any{consumer, t.Part, one.subject, one.typ, version}
	if version == 0 {
		query, args = "DELETE FROM seen_versions WHERE consumer = $1 AND source = $2 AND subject = $3 AND type = $4", args[:4]
	}
	_, err := tx.Exec(ctx, query, args...)
	return err
}

// Missed parks the facts that the stream has for a consumer, and that it is not done with, so that they take effect when its part works; the
// stream offers none twice that was acknowledged. What it heard from the first fact on, it takes all of; of any other type what follows on one that it
// was offered, or on one that it missed. What is parked already waits for the same and is counted.
func (b *Bus) Missed(ctx context.Context, db *storage.DB, clk clock.Clock, c Consumer) (n int, err error) {
	err = db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		n = 0
		whole, err := heardWhole(ctx, tx, c.Durable)
		if err != nil {
			return err
		}
		heard, missing := map[string]bool{}, false
		return b.each(ctx, c.Types, func(m Message) error {
			done, waits, err := offered(ctx, tx, c.Durable, m.ID)
			switch {
			case err != nil:
				return err
			case waits:
				n++
			}
			if done || waits {
				heard[m.Type] = true
				return nil
			}
			if !missing && !heard[m.Type] && !slices.ContainsFunc(whole, func(one string) bool { return covers(one, m.Type) }) {
				return nil
			}
			missing, n = true, n+1
			return keepParked(ctx, tx, c.Durable, m, "it was told before "+c.Durable+" was brought back among the others, and takes effect when that works", clk.Now())
		})
	})
	return n, err
}

// offered says whether a consumer is done with a fact, and whether it has it parked: either way it was offered it.
func offered(ctx context.Context, tx *storage.Tx, consumer, event string) (done, waits bool, err error) {
	if done, err = Processed(ctx, tx, consumer, event); err != nil || done {
		return done, false, err
	}
	var n int
	err = tx.QueryRow(ctx, "SELECT count(*) FROM parked_events WHERE consumer = $1 AND event_id = $2 AND discard_time = 0", consumer, event).Scan(&n)
	return false, n > 0, err
}

// Rejoined writes down what a part does not know any more, which lets it start.
func (t Teller) Rejoined(ctx context.Context, clk clock.Clock, lost []Message) error {
	return t.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for _, m := range lost {
			if err := mark(ctx, tx, m.ID, clk.Now()); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, "DELETE FROM processed_events WHERE consumer = $1 AND event_id = $2", putBack, unfinished)
		return err
	})
}

// Behind says why a part must not tell anything before Rejoined: it was put back, or the newest fact that the stream has of it is none that it knows.
// Reason: EVENT_STREAM_UNAVAILABLE, where only the stream could say it.
func (b *Bus) Behind(ctx context.Context, t Teller) (why string, err error) {
	var marked bool
	if err := t.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		marked, err = Processed(ctx, tx, putBack, unfinished)
		return err
	}); err != nil {
		return "", err
	}
	if marked {
		return "its database was put back from a backup", nil
	}
	newest, err := b.newest(ctx, t.Types)
	if err != nil || newest.Source != t.Part {
		return "", err
	}
	err = t.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error { // after the stream, as a fact is kept before it leaves
		known, err := tells(ctx, tx, newest.ID)
		if err == nil && !known {
			known, err = Processed(ctx, tx, putBack, newest.ID)
		}
		if err == nil && !known {
			why = fmt.Sprintf("the event stream has %s of it about %s, of %s, and its database knows nothing of that, so it is older",
				newest.Type, newest.Subject, newest.Time.UTC().Format(time.RFC3339))
		}
		return err
	})
	return why, err
}

// newest is the newest fact of these types that the stream has; none has no source. Two instances of a part may ask at once and have one name for it:
// each asks again until it has the name alone, as of one reader the one would be told what the other was.
func (b *Bus) newest(ctx context.Context, types []string) (m Message, err error) {
	subjects, err := subjectsOf(types)
	if err != nil {
		return m, err
	}
	for wait := firstPause; ; wait *= 2 {
		m, err = b.last(ctx, subjects)
		if err == nil || ctx.Err() != nil {
			return m, err
		}
		if wait > silenceLimit || !electing(err) && !errors.Is(err, jetstream.ErrConsumerExists) && !errors.Is(err, errSilent) {
			return m, unreachable(err)
		}
		pause(ctx, wait)
	}
}

// last asks once for the newest fact on these subjects.
func (b *Bus) last(ctx context.Context, subjects []string) (m Message, err error) {
	asked, answered := context.WithTimeout(ctx, answerLimit)
	defer answered()
	reader, err := b.stream.CreateConsumer(asked, jetstream.ConsumerConfig{
		Name: b.reader, FilterSubjects: subjects, DeliverPolicy: jetstream.DeliverLastPolicy, AckPolicy: jetstream.AckNonePolicy,
		MemoryStorage: true, Replicas: 1, InactiveThreshold: time.Minute,
		Metadata: map[string]string{"asked-by": nats.NewInbox()}, // another's reader of this name is none of ours
	})
	if err != nil {
		return m, err
	}
	defer func() { _ = b.stream.DeleteConsumer(context.WithoutCancel(ctx), reader.CachedInfo().Name) }()
	if reader.CachedInfo().NumPending == 0 {
		return m, nil
	}
	fetched, err := reader.Fetch(1, jetstream.FetchContext(asked))
	if err != nil {
		return m, err
	}
	came := false
	for msg := range fetched.Messages() {
		came = true
		if one, err := decode(msg); err == nil {
			m = one
		}
	}
	if err := fetched.Error(); err != nil || came {
		return m, err
	}
	return m, errSilent
}
