package app

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// sweepBatch bounds how many lots one transaction of a sweep changes.
const sweepBatch = 100

// Sweep does what time brings: it marks the lots whose life ended since the last look and tells of each, indexes items that are
// in no index yet, and tells of items that ran low. No rule depends on it: every use asks for the end of life itself.
func (a *App) Sweep(ctx context.Context) error {
	for _, step := range []func(unit, context.Context) (int, error){unit.expire, unit.index} {
		if err := a.batches(ctx, step); err != nil {
			return err
		}
	}
	return a.weigh(ctx)
}

// batches repeats a step, each time in a transaction of its own, until it finds less than a batch.
func (a *App) batches(ctx context.Context, step func(unit, context.Context) (int, error)) error {
	for {
		swept := 0
		err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
			swept, err = step(a.unit(ctx, tx), ctx)
			return err
		})
		if err != nil || swept < sweepBatch {
			return err
		}
	}
}

// expire marks one batch of lots.
func (u unit) expire(ctx context.Context) (int, error) {
	ended, err := store.Lots.Where(ctx, u.Tx, "state IN ('HELD', 'USABLE') AND expire_time > 0 AND expire_time < $1 ORDER BY expire_time LIMIT $2",
		u.now.UnixMicro(), sweepBatch)
	if err != nil {
		return 0, err
	}
	for _, found := range ended {
		lot, err := store.Lots.Lock(ctx, u.Tx, found.GetName())
		if err != nil {
			return 0, err
		}
		if s := lot.GetState(); s != consumablesv1.Lot_USABLE && s != consumablesv1.Lot_HELD {
			continue
		}
		lot.State = consumablesv1.Lot_EXPIRED
		if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
			return 0, err
		}
		if err := u.lotFact(ctx, "expired", lot, lot.GetOnHand(), lot.GetLifeRule()); err != nil {
			return 0, err
		}
	}
	return len(ended), nil
}
