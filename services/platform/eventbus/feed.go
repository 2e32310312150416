package eventbus

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// FeedQuery asks for facts in the order of the stream.
type FeedQuery struct {
	After   uint64   // the sequence to go on after
	Oldest  bool     // begin with the oldest fact that is kept, whatever After says
	Types   []string // event types or prefixes; empty for all
	Subject string   // only facts about this resource, or about this collection, as in "engines/*"; empty for all
	// May says whether facts of a type may be read; nil is all. Others are passed over like those that were not asked for.
	May   func(typ string) bool
	Limit int           // at most this many
	Wait  time.Duration // how long to wait for a first fact

	most int // how many facts to look at; 0 is mostLooked
}

// fetchLimit is how long a batch that is known to be there may take.
const fetchLimit = 10 * time.Second

// answerLimit is how long one question to the stream may stay unanswered: a server that is no leader yet says nothing at all.
const answerLimit = 3 * time.Second

// silenceLimit is the longest pause before a stream for which nobody answers is asked once more; the pauses before it double up to it.
const silenceLimit = 2 * time.Second

// Feed reads facts and returns the sequence to go on after, which moves on past facts that were not asked for, too. It never
// skips a fact: sequences are given when a fact is stored, one after the other. Reasons: EVENT_TYPE_INVALID, CURSOR_AHEAD when
// the stream never gave this sequence, CURSOR_TOO_OLD when facts after it are not kept any more, EVENT_STREAM_UNAVAILABLE.
func (b *Bus) Feed(ctx context.Context, q FeedQuery) (facts []Message, next uint64, err error) {
	return patiently(ctx, func() ([]Message, uint64, error) { return b.feed(ctx, q) })
}

func (b *Bus) feed(ctx context.Context, q FeedQuery) (facts []Message, next uint64, err error) {
	subjects, err := subjectsOf(q.Types)
	if err != nil {
		return nil, q.After, err
	}
	if q.After, err = b.begin(ctx, q); err != nil {
		return nil, q.After, err
	}
	next = q.After
	var end time.Time // of the waiting, however many facts come meanwhile that were not asked for
	for looked := 0; len(facts) < q.Limit && looked < cmp.Or(q.most, mostLooked); {
		wait := time.Duration(0)
		if !end.IsZero() && len(facts) == 0 {
			wait = end.Sub(clock.System().Now())
		}
		if wait < 0 {
			break
		}
		batch, last, err := b.batch(ctx, subjects, next, q.size(len(facts), looked), wait)
		if err != nil {
			return nil, q.After, err
		}
		facts, last = q.pick(facts, batch, last)
		next, looked = max(next, last), looked+len(batch)
		if len(batch) == 0 && (!end.IsZero() || len(facts) > 0 || q.Wait == 0) {
			break
		}
		if len(batch) == 0 {
			end = clock.System().Now().Add(q.Wait)
		}
	}
	return facts, next, nil
}

// mostLooked bounds the facts that one call looks at: of a long stream of which little is asked for, an answer comes in time and says how far
// it looked.
const mostLooked = 20_000

// sieve is how many facts are read at once where some of them are not asked for.
const sieve = 1000

// size is how many facts to read next when there are so many of those looked at; more than are wanted only once some of them were left out.
func (q FeedQuery) size(have, looked int) int {
	want := q.Limit - have
	if looked > have {
		want = max(want, sieve)
	}
	return min(want, cmp.Or(q.most, mostLooked)-looked)
}

// pick adds what was asked for of a batch, up to the limit; last is how far it was looked at.
func (q FeedQuery) pick(facts, batch []Message, last uint64) ([]Message, uint64) {
	for _, m := range batch {
		if !about(m.Subject, q.Subject) || q.May != nil && !q.May(m.Type) {
			continue
		}
		if facts = append(facts, m); len(facts) == q.Limit {
			return facts, m.Sequence
		}
	}
	return facts, last
}

// about says whether a resource is the one asked for, or in the collection asked for.
func about(subject, wanted string) bool {
	collection, all := strings.CutSuffix(wanted, "*")
	return wanted == "" || subject == wanted || all && strings.HasSuffix(collection, "/") && strings.HasPrefix(subject, collection)
}

// begin is the sequence that a query goes on after.
func (b *Bus) begin(ctx context.Context, q FeedQuery) (uint64, error) {
	if !q.Oldest {
		return q.After, nil
	}
	oldest, _, err := b.Bounds(ctx)
	if err != nil {
		return q.After, err
	}
	return oldest, nil
}

// Bounds are the sequence before the oldest fact that is kept, and that of the newest one.
func (b *Bus) Bounds(ctx context.Context) (oldest, newest uint64, err error) {
	info, err := b.info(ctx)
	if err != nil {
		return 0, 0, err
	}
	return max(info.State.FirstSeq, 1) - 1, info.State.LastSeq, nil
}

// NotKept refuses to go on where facts would be skipped, and says how to get back: the state of things is in the resources,
// which any list shows. It is nil for a cursor from oldest, the sequence before the oldest fact kept, to the newest one.
// Reasons: CURSOR_AHEAD, CURSOR_TOO_OLD.
func NotKept(after, oldest, newest uint64) error {
	refuse := func(reason, why string) error {
		return fault.New(fault.OutOfRange, reason,
			"%s Read the resources anew with their List methods, then follow the feed after %020d, or without a cursor from the oldest fact on.",
			why, newest).With("newest_cursor", fmt.Sprintf("%020d", newest)).With("oldest_cursor", fmt.Sprintf("%020d", oldest))
	}
	switch {
	case after > newest:
		return refuse("CURSOR_AHEAD", fmt.Sprintf("The cursor %020d is ahead of the newest fact, so it is of another stream.", after))
	case after < oldest:
		return refuse("CURSOR_TOO_OLD", fmt.Sprintf("The facts after the cursor %020d are not kept any more; the oldest one is %020d.",
			after, oldest+1))
	default:
		return nil
	}
}

// unreachable is the refusal of a stream that does not answer.
func unreachable(err error) error {
	return fault.New(fault.Unavailable, "EVENT_STREAM_UNAVAILABLE", "The event stream can't be read now. Nothing is lost; ask again in a moment.").Because(err)
}

// patiently reads again while nobody answers for the stream: servers that begin, or choose a new leader among themselves, are silent for a
// moment. To read changes nothing, so it may be done again.
func patiently(ctx context.Context, read func() ([]Message, uint64, error)) (facts []Message, next uint64, err error) {
	for pause := 50 * time.Millisecond; ; pause *= 2 {
		facts, next, err = read()
		if ctx.Err() != nil { // whoever gave up is told that
			return nil, next, ctx.Err()
		}
		if pause > silenceLimit || !errors.Is(err, nats.ErrNoResponders) && !errors.Is(err, context.DeadlineExceeded) {
			return facts, next, err
		}
		select {
		case <-ctx.Done():
			return nil, next, ctx.Err()
		case <-clock.System().After(pause):
		}
	}
}

// info is what the stream holds now.
func (b *Bus) info(ctx context.Context) (*jetstream.StreamInfo, error) {
	ctx, cancel := context.WithTimeout(ctx, answerLimit)
	defer cancel()
	info, err := b.stream.Info(ctx)
	if err != nil {
		return nil, unreachable(err)
	}
	return info, nil
}

// batch reads the facts after a sequence that the stream holds now, or waits for the first one; last is how far it looked.
func (b *Bus) batch(
	ctx context.Context, subjects []string, after uint64, limit int, wait time.Duration,
) (facts []Message, last uint64, err error) {
	info, err := b.info(ctx)
	if err != nil {
		return nil, 0, err
	}
	if err := NotKept(after, max(info.State.FirstSeq, 1)-1, info.State.LastSeq); err != nil {
		return nil, 0, err
	}
	if info.State.LastSeq == after && wait == 0 {
		return nil, after, nil
	}
	asked, answered := context.WithTimeout(ctx, answerLimit)
	defer answered()
	reader, err := b.stream.CreateConsumer(asked, jetstream.ConsumerConfig{
		Name: b.reader, FilterSubjects: subjects, DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: after + 1,
		AckPolicy: jetstream.AckNonePolicy, MemoryStorage: true, Replicas: 1, InactiveThreshold: time.Minute,
	})
	if err != nil {
		return nil, 0, unreachable(err)
	}
	defer func() { _ = b.stream.DeleteConsumer(context.WithoutCancel(ctx), reader.CachedInfo().Name) }()
	waiting := int(min(reader.CachedInfo().NumPending, uint64(limit)))
	if waiting > 0 {
		wait = fetchLimit
	} else if wait == 0 {
		return nil, info.State.LastSeq, nil
	}
	limited, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	fetched, err := reader.Fetch(max(waiting, 1), jetstream.FetchContext(limited))
	if err != nil {
		return nil, 0, unreachable(err)
	}
	for msg := range fetched.Messages() {
		m, err := decode(msg)
		if err == nil {
			facts = append(facts, m)
		}
		last = m.Sequence
	}
	if ctx.Err() != nil {
		return nil, 0, ctx.Err()
	}
	if err := fetched.Error(); err != nil && !errors.Is(err, nats.ErrTimeout) && !errors.Is(err, context.DeadlineExceeded) {
		return nil, 0, unreachable(err)
	}
	if len(facts) < waiting {
		return facts, max(last, after), nil
	}
	if waiting < limit {
		last = max(last, info.State.LastSeq)
	}
	return facts, max(last, after), nil
}
