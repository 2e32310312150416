package gateway

import (
	"context"
	"errors"
	"net/netip"
	"sync"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/webhooks"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// Deliver gives every webhook endpoint its turn: new facts are taken and what is due is sent. It returns at once; an endpoint
// that is still at work keeps its turn. Wait for the turns with the returned group.
func (g *Gateway) Deliver(ctx context.Context) *sync.WaitGroup { return g.sender.Start(ctx) }

// Settle writes in the audit how calls ended; Deliver's caller calls it as often.
func (g *Gateway) Settle(ctx context.Context) error { return g.doorman.audit.Flush(ctx) }

// Purge forgets what is kept for a limited time: answers to idempotency keys and deliveries that ended.
func (g *Gateway) Purge(ctx context.Context) error {
	if err := g.store.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return idempotency.Sweep(ctx, tx, g.deps.Clock.Now())
	}); err != nil {
		return err
	}
	return g.hooks.Purge(ctx)
}

// Reseal seals the secrets of webhooks and second factors under the first internal secret, so that one that was replaced can go.
func (g *Gateway) Reseal(ctx context.Context) error {
	return errors.Join(g.hooks.Reseal(ctx), g.store.Reseal(ctx))
}

// CountWaitingMessages counts the messages to other systems that are still to be sent.
func CountWaitingMessages(ctx context.Context, tx *storage.Tx) (int64, error) {
	return webhooks.Waiting(ctx, tx)
}

// CountUnreviewedBreakGlass counts the times that the break-glass account was used and nobody has reviewed it.
func CountUnreviewedBreakGlass(ctx context.Context, tx *storage.Tx) (int64, error) {
	return accounts.UnreviewedBreakGlass(ctx, tx)
}

// ParseNetworks reads networks such as 10.2.0.0/16, and single addresses.
func ParseNetworks(texts []string) ([]netip.Prefix, error) { return webhooks.ParseNetworks(texts) }
