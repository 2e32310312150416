package app

import (
	"context"
	"errors"
	"maps"
	"slices"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
)

// batch is how many readings of a stream become durable together, and reported is how many refusals its answer carries.
const (
	batch    = 500
	reported = 1000
)

// StreamReadings takes readings in the order in which receive gives them, until it gives io.EOF. They become durable in that
// order, and each engine is worked out once at the end. A stream that breaks keeps what came before.
func (a *App) StreamReadings(
	ctx context.Context, receive func() (*performancev1.StreamReadingsRequest, error),
) (*performancev1.StreamReadingsResponse, error) {
	in := &inflow{
		app: a, resp: &performancev1.StreamReadingsResponse{}, profiles: map[string]store.Profile{}, touched: map[string]bool{}, drafts: map[string]*draft{},
	}
	broken := in.drain(ctx, receive)
	ctx = context.WithoutCancel(ctx) // what is durable is worked out, whoever waits
	for _, engine := range slices.Sorted(maps.Keys(in.touched)) {
		held, err := a.settle(ctx, engine, in.drafts[engine])
		if err != nil {
			return nil, errors.Join(broken, err)
		}
		in.resp.HeldCount += int64(held)
	}
	return in.resp, broken
}

// settle works an engine out that has new readings, and tells of these. It says how many of them are held. A draft of it is
// used where it still holds.
func (a *App) settle(ctx context.Context, engine string, d *draft) (held int32, err error) {
	err = a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		held, err = a.unit(ctx, tx).settle(ctx, engine, d)
		return err
	})
	return held, err
}

func (u unit) settle(ctx context.Context, engine string, d *draft) (held int32, err error) {
	if holds, err := u.adopt(ctx, d); err != nil || holds {
		return d.told.held, err
	}
	fresh, err := store.Unpend(ctx, u.Tx, engine)
	if err != nil || len(fresh) == 0 {
		return 0, err
	}
	stand, err := u.extend(ctx, engine, fresh)
	if err != nil {
		return 0, err
	}
	var c came
	for _, r := range fresh {
		c.add(stand[r.GetName()])
	}
	return c.held, u.recorded(ctx, engine, c)
}

// SettleAll works out what a process that ended early left behind.
func (a *App) SettleAll(ctx context.Context) error {
	var engines []string
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		engines, err = store.Pending(ctx, tx)
		return err
	})
	for _, engine := range engines {
		if err != nil {
			return err
		}
		_, err = a.settle(ctx, engine, nil)
	}
	return err
}
