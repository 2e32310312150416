package app

import (
	"context"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/reorder"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// weighEvery is how often an item's level and its claims are looked at. An order takes days to come; the past use that its reorder point may be
// computed from is too much to read at every movement.
const weighEvery = 5 * time.Minute

// weighed is an item with what was found of it.
type weighed struct {
	item   *consumablesv1.Item
	advice reorder.Advice
	dead   []*consumablesv1.Reservation // claims that can't be filled any more
	short  []store.Demand               // what waits for stock, the first that is needed first
}

// weigh looks at the levels of items and tells once of each that came down to its reorder point, until it was above it again; it ends
// claims that can't be filled any more, and claims what came in for orders that were left short.
// What it reads is read outside the transaction that writes, so that nobody waits for it.
func (a *App) weigh(ctx context.Context) error {
	for {
		var found []weighed
		if err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
			found, err = a.unit(ctx, tx).levels(ctx)
			return err
		}); err != nil || len(found) == 0 {
			return err
		}
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return a.unit(ctx, tx).tellLow(ctx, found) }); err != nil {
			return err
		}
		for _, w := range found {
			if err := a.allot(ctx, w); err != nil {
				return err
			}
		}
	}
}

// levels weighs one batch of items. One without a policy, or with one that nothing can be computed from, is never low.
func (u unit) levels(ctx context.Context) ([]weighed, error) {
	items, err := store.ItemsToWeigh(ctx, u.Tx, u.now.Add(-weighEvery), sweepBatch)
	if err != nil {
		return nil, err
	}
	found := make([]weighed, 0, len(items))
	for _, item := range items {
		advice, err := u.advise(ctx, item, "")
		if _, refused := fault.As(err); err != nil && !refused {
			return nil, err
		}
		dead, err := u.deadClaims(ctx, item)
		if err != nil {
			return nil, err
		}
		short, err := store.ShortDemands(ctx, u.Tx, item.GetName(), u.now.Add(-claimGrace))
		if err != nil {
			return nil, err
		}
		found = append(found, weighed{item, advice, dead, short})
	}
	return found, nil
}

func (u unit) tellLow(ctx context.Context, found []weighed) error {
	for _, w := range found {
		crossed, err := store.SetLevel(ctx, u.Tx, w.item.GetName(), w.advice.Now, u.now)
		if err != nil {
			return err
		}
		if !crossed || !w.advice.Now {
			continue
		}
		shown := adviceOf(w.item, w.advice)
		if err := u.publish(ctx, "coldsection.stock.item.ran_low.v1", w.item.GetName(), &consumablesv1.ItemRanLow{
			Item: w.item.GetName(), Position: shown.GetPosition(), ReorderPoint: shown.GetReorderPoint(), Quantity: shown.GetQuantity(),
			Explanation: shown.GetExplanation(),
		}); err != nil {
			return err
		}
	}
	return nil
}

// nearDays are how many days before their end lots are counted (stores handbook B13: the clerk's queue at the start of a shift).
var nearDays = map[string]int{"1": 1, "7": 7, "30": 30}

// NearEnd counts usable lots whose life ends within 1, 7 and 30 days.
func (a *App) NearEnd(ctx context.Context, tx *storage.Tx) (map[string]int64, error) {
	now, counts := a.Clock.Now(), map[string]int64{}
	for label, days := range nearDays {
		n, err := store.LotsEndingBefore(ctx, tx, now, now.AddDate(0, 0, days))
		if err != nil {
			return nil, err
		}
		counts[label] = n
	}
	return counts, nil
}
