package app

import (
	"context"
	"slices"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// RecallLot blocks a lot and everything that was made from it, to any depth, and of a lot that was delivered all deliveries of its
// manufacturer's lot.
func (a *App) RecallLot(ctx context.Context, req *consumablesv1.RecallLotRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		roots, err := u.toRecall(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		var names, jobs, fleet []string
		for _, root := range roots {
			made, err := u.descendants(ctx, root)
			if err != nil {
				return nil, err
			}
			orders, engines, err := u.reached(ctx, root)
			if err != nil {
				return nil, err
			}
			names, jobs, fleet = append(names, made...), append(jobs, orders...), append(fleet, engines...)
		}
		if err := u.block(ctx, unique(names), req.GetReason(), distinct(jobs), distinct(fleet)); err != nil {
			return nil, err
		}
		return store.Lots.Get(ctx, tx, req.GetName())
	})
}

// toRecall is the asked lot, locked, and the other deliveries of its manufacturer's lot.
func (u unit) toRecall(ctx context.Context, name, etag string) ([]string, error) {
	lot, err := store.Lots.Get(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	roots := []string{lot.GetName()}
	if len(lot.GetParents()) == 0 { // before any lot is locked, in the order in which deliveries lock
		if err := u.alone(ctx, lot.GetItem(), lot.GetManufacturerLot()); err != nil {
			return nil, err
		}
		batch, err := u.batch(ctx, lot.GetItem(), lot.GetManufacturerLot())
		if err != nil {
			return nil, err
		}
		for _, l := range batch {
			roots = append(roots, l.GetName())
		}
	}
	_, _, err = u.lockLot(ctx, name, etag)
	return unique(roots), err
}

// block makes lots RECALLED and tells of each.
func (u unit) block(ctx context.Context, names []string, reason string, jobs, fleet []string) error {
	for _, name := range names {
		lot, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		u.blockAs(lot, consumablesv1.Lot_RECALLED, reason, lot.GetHeldOrigin())
		if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
			return err
		}
		if err := u.tellRecall(ctx, lot, jobs, fleet); err != nil {
			return err
		}
	}
	return nil
}

// unique are the names, each where it first stands.
func unique(names []string) []string {
	seen := map[string]bool{}
	return slices.DeleteFunc(names, func(name string) bool {
		before := seen[name]
		seen[name] = true
		return before
	})
}

// maxReached is how many orders, and how many engines, one fact of a recall names: some 60 kB of names of 30 letters each.
const maxReached = 1_000

// tellRecall tells that a lot is recalled and what it reached; as much as no single fact holds in several, because a recall is never
// refused for its size.
func (u unit) tellRecall(ctx context.Context, lot *consumablesv1.Lot, jobs, fleet []string) error {
	for first := 0; first == 0 || first < max(len(jobs), len(fleet)); first += maxReached {
		err := u.publish(ctx, "coldsection.stock.lot.recalled.v1", lot.GetName(), &consumablesv1.LotChanged{
			Lot: lot.GetName(), Item: lot.GetItem(), State: lot.GetState().String(), Reason: lot.GetHoldReason(), Quantity: lot.GetOnHand(),
			ReachedWorkOrders: from(jobs, first), ReachedEngines: from(fleet, first),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// reachedLate tells of an issue, a use or what was made that was booked after its lot was recalled: who read what the recall reached knows of
// neither the order nor the engine.
func (u unit) reachedLate(ctx context.Context, lot *consumablesv1.Lot, m *consumablesv1.StockMovement) error {
	if lot.GetState() != consumablesv1.Lot_RECALLED {
		return nil
	}
	return u.tellRecall(ctx, lot, distinct([]string{m.GetWorkOrder()}), distinct([]string{m.GetEngine()}))
}

// from are the names from a place on, as many as one fact holds.
func from(names []string, first int) []string {
	return names[min(first, len(names)):min(first+maxReached, len(names))]
}

// descendants are the lot itself and all that was made from it, locked: who makes something of a lot holds it until that can be seen, so that
// nothing is missed that is being made meanwhile.
func (u unit) descendants(ctx context.Context, lot string) ([]string, error) {
	return u.walk(ctx, lot, true)
}

// walk is the lot and all that was made from it, each locked before it is asked what that is, or all that it was made from; each once, so that no
// cycle can hold it up.
func (u unit) walk(ctx context.Context, lot string, forward bool) ([]string, error) {
	names, seen := []string{lot}, map[string]bool{lot: true}
	for i := 0; i < len(names); i++ {
		if forward && u.Engine() != storage.SQLite { // which has one writer
			if _, err := store.Lots.Lock(ctx, u.Tx, names[i]); err != nil {
				return nil, err
			}
		}
		edges, err := store.Edges(ctx, u.Tx, names[i], forward)
		if err != nil {
			return nil, err
		}
		for _, e := range edges {
			next := e.Target
			if !forward {
				next = e.Origin
			}
			if !seen[next] {
				seen[next] = true
				names = append(names, next)
			}
		}
	}
	return names, nil
}

// reached are the work orders and the engines that the lot and all that was made from it went to, each once and in order.
func (u unit) reached(ctx context.Context, lot string) (jobs, fleet []string, err error) {
	moves, err := store.NewFamily(u.Tx, lot, true, time.Time{}).Movements(ctx)
	for _, m := range moves {
		if m.GetReversalMovement() == "" {
			jobs, fleet = append(jobs, m.GetWorkOrder()), append(fleet, m.GetEngine())
		}
	}
	return distinct(jobs), distinct(fleet), err
}

func distinct(names []string) []string {
	slices.Sort(names)
	return slices.DeleteFunc(slices.Compact(names), func(name string) bool { return name == "" })
}
