package app

import (
	"context"
	"strings"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateStockCount records a blind count and compares it with the ledger as of the count's instant. A trial run shows
// nothing of the ledger, so that a count stays blind.
func (a *App) CreateStockCount(ctx context.Context, req *consumablesv1.CreateStockCountRequest) (*consumablesv1.StockCount, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockCount, error) {
		u, count := a.unit(ctx, tx), req.GetStockCount()
		resource.ClearOutputOnly(count)
		lot, err := store.Lots.Get(ctx, tx, count.GetLot())
		if err != nil {
			return nil, err
		}
		if count.CountTime, err = u.happenedTo(ctx, lot, "stock_count.count_time", count.GetCountTime()); err != nil {
			return nil, err
		}
		if _, err := store.Locations.Get(ctx, tx, count.GetLocation()); err != nil {
			return nil, err
		}
		difference, err := u.compare(ctx, count)
		if err != nil {
			return nil, err
		}
		count.Name, count.Counter, count.State = a.newName("stockCounts", req.GetStockCountId()), who(u.caller), consumablesv1.StockCount_AGREED
		if difference != 0 {
			count.State = consumablesv1.StockCount_WAITING
		}
		if err := u.supersede(ctx, count); err != nil {
			return nil, err
		}
		if err := store.Counts.Insert(ctx, tx, count, u.now); err != nil {
			return nil, err
		}
		if err := u.countFact(ctx, "recorded", count); err != nil {
			return nil, err
		}
		if req.GetValidateOnly() {
			count.Expected, count.Difference, count.State = nil, nil, consumablesv1.StockCount_WAITING
		}
		return count, nil
	})
}

// supersede ends the wait of earlier counts of the lot at the place; a count that was recorded late, after one of a later
// instant, waits for nobody itself. One that agrees waits too where the same person found a difference before: that answer said what the books
// hold, so that this count is not blind, and somebody else is to look at it.
func (u unit) supersede(ctx context.Context, count *consumablesv1.StockCount) error {
	others, err := store.Counts.Where(ctx, u.Tx, "lot = $1 AND location = $2 AND (state = 'WAITING' OR count_time > $3)",
		count.GetLot(), count.GetLocation(), storage.Micros(count.GetCountTime().AsTime()))
	if err != nil {
		return err
	}
	again := false
	for _, other := range others {
		if other.GetCountTime().AsTime().After(count.GetCountTime().AsTime()) {
			if count.GetState() == consumablesv1.StockCount_WAITING {
				count.State = consumablesv1.StockCount_SUPERSEDED
			}
			continue
		}
		if other, err = store.Counts.Lock(ctx, u.Tx, other.GetName()); err != nil {
			return err
		}
		again = again || other.GetCounter() == count.GetCounter()
		other.State = consumablesv1.StockCount_SUPERSEDED
		if err := store.Counts.Save(ctx, u.Tx, other, u.now); err != nil {
			return err
		}
	}
	if again && count.GetState() == consumablesv1.StockCount_AGREED {
		count.State = consumablesv1.StockCount_WAITING
	}
	return nil
}

// who is the person of a caller, or the account where it has none.
func who(id auth.Identity) string {
	if id.Person != "" {
		return id.Person
	}
	return id.Account
}

// isPerson refuses machines where a second person is asked for. Reason: PERSON_NEEDED.
func (u unit) isPerson() error {
	if u.caller.Person == "" {
		return fault.Denied("PERSON_NEEDED", "%s is not a person, and this is done by a second person. Sign in with a personal account.", u.caller.Account)
	}
	return nil
}

// compare fills in what the ledger held at the count's instant, and the difference, and returns that.
func (u unit) compare(ctx context.Context, count *consumablesv1.StockCount) (stock.Micro, error) {
	_, item, err := u.lockLot(ctx, count.GetLot(), "")
	if err != nil {
		return 0, err
	}
	counted, err := stock.FromCount(count.GetCounted().GetValue(), count.GetCounted().GetUnitCode(), item.GetBaseUnitCode())
	if err != nil {
		return 0, placed("stock_count.counted.", err)
	}
	expected, err := store.BalanceAt(ctx, u.Tx, count.GetLot(), count.GetLocation(), count.GetCountTime().AsTime())
	if err != nil {
		return 0, err
	}
	count.Expected, count.Difference = store.Quantity(expected, item.GetBaseUnitCode()), store.Quantity(counted-expected, item.GetBaseUnitCode())
	return counted - expected, nil
}

// ApproveStockCount posts the difference of a count that somebody else made.
func (a *App) ApproveStockCount(ctx context.Context, req *consumablesv1.ApproveStockCountRequest) (*consumablesv1.StockCount, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockCount, error) {
		u := a.unit(ctx, tx)
		count, err := store.Counts.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(count, req.GetEtag()); err != nil {
			return nil, err
		}
		if err := u.mayApprove(ctx, count); err != nil {
			return nil, err
		}
		if err := u.postDifference(ctx, count); err != nil {
			return nil, err
		}
		count.State, count.Approver = consumablesv1.StockCount_POSTED, who(u.caller)
		if err := store.Counts.Save(ctx, tx, count, u.now); err != nil {
			return nil, err
		}
		return count, u.countFact(ctx, "approved", count)
	})
}

func (u unit) mayApprove(ctx context.Context, count *consumablesv1.StockCount) error {
	if count.GetState() != consumablesv1.StockCount_WAITING {
		return fault.Precondition("COUNT_"+count.GetState().String(), "%s is %s; there is no difference to approve. Count again if the amount is in doubt.", count.GetName(), count.GetState())
	}
	if err := u.isPerson(); err != nil {
		return err
	}
	if who(u.caller) == count.GetCounter() {
		return fault.Precondition("SAME_PERSON", "The difference of lot %s is approved by another person than the one who counted it. Ask one to.", count.GetLot()).
			With("person", count.GetCounter())
	}
	newer, err := store.Counts.Where(ctx, u.Tx, "lot = $1 AND location = $2 AND count_time > $3 AND name <> $4 ORDER BY count_time DESC",
		count.GetLot(), count.GetLocation(), storage.Micros(count.GetCountTime().AsTime()), count.GetName())
	if err != nil || len(newer) == 0 {
		return err
	}
	return fault.Precondition("COUNT_SUPERSEDED", "Lot %s at %s was counted again by %s. Decide on that count.", count.GetLot(), count.GetLocation(), newer[0].GetCounter()).
		With("stock_count", newer[0].GetName())
}

// postDifference books the difference that the approver saw; one that changed since, through a movement dated before the
// count, is not booked.
func (u unit) postDifference(ctx context.Context, count *consumablesv1.StockCount) error {
	seen := count.GetDifference().GetValue()
	difference, err := u.compare(ctx, count)
	if err != nil {
		return err
	}
	if difference.Text() != seen {
		return fault.Precondition("LEDGER_CHANGED", "A movement of lot %s dated before the count was recorded after it: the difference was %s and is %s now. Count again.",
			count.GetLot(), seen, difference.Text())
	}
	if difference == 0 {
		return nil // counted again, and agreed to by somebody else
	}
	lot, item, err := u.lockLot(ctx, count.GetLot(), "")
	if err != nil {
		return err
	}
	m := u.movement(consumablesv1.StockMovement_COUNTED, lot, max(difference, -difference), item.GetBaseUnitCode())
	m.Reason = strings.TrimSuffix(count.GetName()+": "+count.GetReason(), ": ")
	m.EffectiveTime = count.GetCountTime()
	return u.post(ctx, m, item, stock.CountPostings(lot.GetName(), count.GetLocation(), store.CountDifference, difference))
}
