package eventbus

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"golang.org/x/sync/errgroup"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/killpoint"
	"coldsection.example/services/platform/storage"
)

// Effect is what a fact does to the consumer's database; it can run more than once before it commits, like every
// transaction body.
type Effect func(ctx context.Context, tx *storage.Tx) error

// Handler looks at a fact outside of any transaction, where it may call other services, and returns its effect; nil means
// that there is nothing to do. NotYet parks the fact until it can take effect. Any other error is tried again a few times
// and then parked too.
type Handler func(ctx context.Context, m Message) (Effect, error)

// Consumer handles facts of some types, each once.
type Consumer struct {
	Durable string   // its name for ever, such as "workorders"
	Types   []string // event types, or prefixes such as "coldsection.stock.*"
	Handle  Handler
	Model   Model // what it keeps of facts alone; see Rebuild

	// Limit is how long one try of a fact may take, its effect with it; 0 is five minutes. Handle has to heed its context.
	Limit time.Duration
}

type notYetError struct{ reason string }

func (e notYetError) Error() string { return "not yet: " + e.reason }

// NotYet says that a fact came before what it rests on; it is tried again until that is there.
func NotYet(format string, args ...any) error { return notYetError{fmt.Sprintf(format, args...)} }

const (
	longest     = 5 * time.Minute        // that a try may take, unless the consumer says otherwise; the work is done in seconds
	tries       = 4                      // of a fact that fails, before it is parked
	firstPause  = 50 * time.Millisecond  // between tries; four times as long each time
	retryParked = 250 * time.Millisecond // between looks at parked facts
	retryEarly  = 5 * time.Second        // at most between tries of a parked fact that came too early
	retryFailed = 30 * time.Second       // between tries of a parked fact that failed
	ackWait     = 4 * time.Second        // after which a fact of a process that died is offered again
	stillAlive  = time.Second            // how often a worker says that it is still at work on a fact
)

// worker is a consumer at work on one service's database.
type worker struct {
	Consumer

	db    *storage.DB
	clk   clock.Clock
	log   *slog.Logger
	taken atomic.Uint64 // how many facts took effect: what waits may rest on one of them
}

// Consume handles facts until ctx ends. Any number of processes may run the same consumer: one fact is in work at a time,
// so that order holds. It returns an error only when the consumer can't be set up.
func (b *Bus) Consume(ctx context.Context, db *storage.DB, clk clock.Clock, log *slog.Logger, c Consumer) error {
	subjects, err := subjectsOf(c.Types)
	if err != nil {
		return err
	}
	var durable jetstream.Consumer
	if err = b.listen(ctx, db, c, subjects); err == nil {
		durable, err = b.durable(ctx, c.Durable, subjects)
	}
	if ctx.Err() != nil {
		return nil // asked to stop before it began
	}
	if err != nil {
		return fmt.Errorf("consumer %s: %w", c.Durable, err)
	}
	w := &worker{Consumer: c, db: db, clk: clk, log: log.With("consumer", c.Durable)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		w.unpark(ctx)
	}()
	defer func() { <-done }()
	for ctx.Err() == nil {
		if err := w.pull(ctx, durable); err != nil && ctx.Err() == nil {
			w.log.WarnContext(ctx, "facts wait in the stream", "error", err)
			pause(ctx, time.Second)
		}
	}
	return nil
}

// durable makes a consumer that stays, or finds it.
func (b *Bus) durable(ctx context.Context, name string, subjects []string) (durable jetstream.Consumer, err error) {
	err = leaderless(ctx, func() error {
		durable, err = b.stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{
			Durable: name, FilterSubjects: subjects, AckPolicy: jetstream.AckExplicitPolicy, AckWait: ackWait, MaxAckPending: 1, MaxDeliver: -1,
		})
		return err
	})
	return durable, err
}

// Run handles the facts of several consumers of one database until ctx ends or one of them can't be set up.
func (b *Bus) Run(ctx context.Context, db *storage.DB, clk clock.Clock, log *slog.Logger, consumers ...Consumer) error {
	group, ctx := errgroup.WithContext(ctx)
	for _, c := range consumers {
		group.Go(func() error { return b.Consume(ctx, db, clk, log, c) })
	}
	return group.Wait()
}

// pull works off messages until the stream fails or ctx ends.
func (w *worker) pull(ctx context.Context, durable jetstream.Consumer) error {
	messages, err := durable.Messages(jetstream.PullMaxMessages(1))
	if err != nil {
		return err
	}
	defer messages.Stop()
	for {
		msg, err := messages.Next(jetstream.NextContext(ctx))
		if err != nil {
			return err
		}
		m, err := decode(msg)
		killpoint.At(killpoint.ConsumerOffered, m.Type, w.Durable)
		if m.Sequence == 0 {
			return err // not of a stream: it can be neither kept nor acknowledged
		}
		settle := func() error { return w.settle(ctx, m) }
		if err != nil {
			settle = func() error { return w.parkUnreadable(ctx, m, err) }
		}
		if err := w.keepAlive(ctx, msg, settle); err != nil {
			_ = msg.NakWithDelay(time.Second)
			return err
		}
		killpoint.At(killpoint.ConsumerApplied, m.Type, w.Durable)
		if err := msg.DoubleAck(ctx); err != nil {
			return err
		}
		killpoint.At(killpoint.ConsumerAcked, m.Type, w.Durable)
	}
}

// keepAlive tells the stream that the fact is in work as long as fn runs.
func (w *worker) keepAlive(ctx context.Context, msg jetstream.Msg, fn func() error) error {
	working, done := context.WithCancel(ctx)
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		for pause(working, stillAlive); working.Err() == nil; pause(working, stillAlive) {
			_ = msg.InProgress() // without it the fact is offered again, which does no harm
		}
	}()
	defer func() { done(); <-stopped }()
	return fn()
}

// settle makes a fact take effect or parks it; an error means that the database could do neither.
func (w *worker) settle(ctx context.Context, m Message) error {
	done, held, err := w.state(ctx, m)
	if err != nil {
		return err
	}
	if done {
		return w.compare(ctx, m)
	}
	if held {
		return w.park(ctx, m, "held behind an earlier fact about the same subject")
	}
	wait := firstPause
	for try := 1; ; try++ {
		err := w.apply(ctx, m)
		if err == nil || ctx.Err() != nil {
			return err
		}
		wrong := errors.Is(err, errWrongFact)
		if wrong || isNotYet(err) || try == tries {
			level := slog.LevelWarn
			if wrong {
				level = slog.LevelError
			}
			w.log.Log(ctx, level, "fact parked", "type", m.Type, "event", m.ID, "subject", m.Subject, "reason", err)
			return w.park(ctx, m, err.Error())
		}
		pause(ctx, wait)
		wait *= 4
	}
}

func isNotYet(err error) bool {
	var early notYetError
	return errors.As(err, &early)
}

// apply runs the handler and commits its effect together with the row that says so.
func (w *worker) apply(ctx context.Context, m Message) error {
	ctx = propagation.TraceContext{}.Extract(ctx, propagation.MapCarrier{"traceparent": m.TraceParent})
	ctx, span := otel.Tracer("coldsection.example/services/platform/eventbus").Start(ctx, w.Durable+" "+m.Type, trace.WithSpanKind(trace.SpanKindConsumer))
	defer span.End()
	ctx, done := context.WithTimeout(ctx, cmp.Or(w.Limit, longest))
	defer done()
	now := w.clk.Now()
	ctx = clock.Standing(asConsumer(ctx, w.Durable), now)
	effect, err := w.handle(ctx, m)
	if err != nil {
		return err
	}
	killpoint.At(killpoint.ConsumerHandled, m.Type, w.Durable)
	err = w.db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if wrong := inOrder(ctx, tx, w.Durable, m); wrong != nil {
			if done, err := Processed(ctx, tx, w.Durable, m.ID); err != nil || !done {
				return errors.Join(wrong, err)
			}
		}
		first, err := finish(ctx, tx, w.Durable, m, storage.Micros(now))
		if err != nil {
			return err
		}
		if first && effect != nil {
			if err := effect(ctx, tx); err != nil {
				return err
			}
		}
		_, err = tx.Exec(ctx, "DELETE FROM parked_events WHERE consumer = $1 AND event_id = $2 AND discard_time = 0", w.Durable, m.ID)
		return err
	})
	if err == nil {
		w.taken.Add(1)
	}
	return err
}

// handle turns a panic of the handler into an error, so that one fact can't stop the consumer.
func (w *worker) handle(ctx context.Context, m Message) (effect Effect, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the handler of %s panicked: %v", m.Type, r)
		}
	}()
	if m.Source == unreadableSource { // parked, and tried again
		return nil, errors.New(m.Subject + " is no fact that can take effect; it is kept to be looked at")
	}
	if !w.takes(m.Type) { // a newer release at work on the same facts asked for it, and knows it
		return nil, NotYet("this release of %s knows no facts of the type %s", w.Durable, m.Type)
	}
	return w.Handle(ctx, m)
}

// pause waits in real time, also where the suite's own clock stands still.
func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-clock.System().After(d):
	}
}
