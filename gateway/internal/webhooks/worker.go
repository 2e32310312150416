package webhooks

import (
	"context"
	"log/slog"
	"sync"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"

	"coldsection.example/gateway/internal/beside"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Worker takes facts and sends messages. Each endpoint has its own turn, so that a slow receiver keeps nobody else waiting.
type Worker struct {
	store *Store
	send  *sender
	log   *slog.Logger
	sent  metric.Int64Counter

	mu   sync.Mutex
	busy map[string]bool
}

// NewWorker makes a worker over a store.
func NewWorker(store *Store, log *slog.Logger) (*Worker, error) {
	sent, err := otel.Meter("coldsection.example/gateway/webhooks").Int64Counter("coldsection.webhook.deliveries",
		metric.WithUnit("{attempt}"), metric.WithDescription("Attempts to send a fact to another system, by outcome."))
	return &Worker{store: store, send: newSender(store.Clock, store.Guard), log: log, sent: sent, busy: map[string]bool{}}, err
}

// Start gives every endpoint that is not at work its turn, and returns at once; wait for the turns with the returned group.
func (w *Worker) Start(ctx context.Context) *sync.WaitGroup {
	turns := &sync.WaitGroup{}
	var enabled []*accessv1.WebhookEndpoint
	if err := w.store.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		enabled, err = Endpoints.Where(ctx, tx, "state = 'ENABLED' ORDER BY name")
		return err
	}); err != nil {
		w.complain(ctx, "reading the endpoints", "", err)
	}
	for _, e := range enabled {
		if name := e.GetName(); w.begin(name) {
			turns.Go(func() {
				defer w.end(name)
				_ = beside.Do(ctx, w.log, "sending to "+name, func() error { w.turn(ctx, name); return nil })
			})
		}
	}
	return turns
}

func (w *Worker) begin(endpoint string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.busy[endpoint] {
		return false
	}
	w.busy[endpoint] = true
	return true
}

func (w *Worker) end(endpoint string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.busy, endpoint)
}

// turn takes what is new and sends what is due, until nothing is.
func (w *Worker) turn(ctx context.Context, endpoint string) {
	for ctx.Err() == nil {
		more, err := w.store.take(ctx, endpoint)
		if err != nil {
			w.complain(ctx, "taking facts", endpoint, err)
		}
		messages, err := w.store.claim(ctx, endpoint)
		if err != nil {
			w.complain(ctx, "choosing messages", endpoint, err)
		}
		var sending sync.WaitGroup
		for _, m := range messages {
			sending.Go(func() {
				_ = beside.Do(ctx, w.log, "sending "+m.delivery, func() error { _, err := w.attempt(ctx, m); return err })
			})
		}
		sending.Wait()
		if len(messages) == 0 && !more {
			return
		}
	}
}

// attempt sends one message once and writes down what became of it.
func (w *Worker) attempt(ctx context.Context, m claimed) (*accessv1.WebhookDelivery, error) {
	o := w.send.send(ctx, m.message)
	if ctx.Err() != nil && !o.delivered() && !m.test {
		return nil, ctx.Err() // this process ends; the claim ends by itself and the message is sent again
	}
	w.sent.Add(ctx, 1, metric.WithAttributes(attribute.String("outcome", kind(o))))
	d, err := w.store.settle(context.WithoutCancel(ctx), m, o)
	if err != nil {
		w.complain(ctx, "keeping an attempt", m.endpoint, err)
	}
	return d, err
}

func kind(o outcome) string {
	switch {
	case o.delivered():
		return "delivered"
	case o.status != 0:
		return "refused"
	default:
		return "unreachable"
	}
}

// complain logs what went wrong; an endpoint that was deleted meanwhile is nothing.
func (w *Worker) complain(ctx context.Context, what, endpoint string, err error) {
	if ctx.Err() == nil && !fault.HasReason(err, "NOT_FOUND") {
		w.log.WarnContext(ctx, "webhooks: "+what, "endpoint", endpoint, "error", err)
	}
}
