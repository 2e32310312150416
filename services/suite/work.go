package suite

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// How often work that nobody asks for is done, in real time.
const (
	relayEvery = 20 * time.Millisecond
	sweepEvery = time.Second
	purgeEvery = time.Hour
	sendEvery  = 500 * time.Millisecond
)

// startWork starts the relay and the consumers of every service, and what is done when time goes by.
func (s *Suite) startWork(start context.Context) error {
	ctx, cancel := context.WithCancel(context.WithoutCancel(start))
	var running sync.WaitGroup
	s.life.OnStop("work", func(context.Context) error {
		cancel()
		running.Wait()
		return nil
	})
	for _, part := range s.local() {
		service, log := s.services[part], s.log.With("part", part)
		relay := outbox.NewRelay(service.DB(), s.buses[part], s.clock, relayEvery, log)
		for _, run := range []func(){
			func() { relay.Run(ctx) },
			func() { every(ctx, purgeEvery, func() { s.purge(ctx, part) }) },
			func() {
				if w, ok := service.(worker); ok {
					w.Work(ctx)
				}
			},
			func() {
				if sw, ok := service.(sweeper); ok {
					every(ctx, sweepEvery, func() {
						if err := sw.Sweep(ctx); err != nil && ctx.Err() == nil {
							log.Warn("sweeping", "error", err)
						}
					})
				}
			},
		} {
			running.Go(run)
		}
		running.Add(1)
		s.life.Go(part, func(context.Context) error {
			defer running.Done()
			return s.buses[part].Run(ctx, service.DB(), s.clock, log, service.Consumers()...)
		})
	}
	return nil
}

// startGatewayWork starts the relay of the gateway's facts and the sending of webhooks.
func (s *Suite) startGatewayWork(start context.Context) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(start))
	var running sync.WaitGroup
	s.life.OnStop("work of "+Gateway, func(context.Context) error {
		cancel()
		running.Wait()
		return nil
	})
	log := s.log.With("part", Gateway)
	relay := outbox.NewRelay(s.gateway.DB(), s.buses[Gateway], s.clock, relayEvery, log)
	running.Go(func() { relay.Run(ctx) })
	running.Go(func() { every(ctx, sendEvery, func() { running.Go(s.gateway.Deliver(ctx).Wait) }) })
	running.Go(func() { every(ctx, sendEvery, func() { _ = s.gateway.Settle(ctx) }) }) // it logs what fails, and keeps it
	running.Go(func() {
		every(ctx, purgeEvery, func() {
			if err := s.gateway.Purge(ctx); err != nil && ctx.Err() == nil {
				log.Warn("forgetting what is old", "error", err)
			}
		})
	})
}

// purge forgets old answers to idempotency keys, and operations that ended long ago.
func (s *Suite) purge(ctx context.Context, part string) {
	err := s.services[part].DB().Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return errors.Join(idempotency.Sweep(ctx, tx, s.clock.Now()), operations.Sweep(ctx, tx, s.clock.Now()))
	})
	if err != nil && ctx.Err() == nil {
		s.log.Warn("forgetting old answers", "part", part, "error", err)
	}
}

// every calls fn at once and then at this interval, until ctx ends.
func every(ctx context.Context, interval time.Duration, fn func()) {
	for ctx.Err() == nil {
		fn()
		select {
		case <-ctx.Done():
		case <-clock.System().After(interval):
		}
	}
}

// ensureDatabase makes a part's PostgreSQL database where it is missing.
func (s *Suite) ensureDatabase(ctx context.Context, part string) error {
	cfg, err := s.cfg.storage(part)
	if err != nil || cfg.Engine != storage.Postgres {
		return err
	}
	if err := storage.EnsureDatabase(ctx, cfg.DSN); err != nil {
		return fmt.Errorf("making its database: %w", err)
	}
	return nil
}
