package app

import (
	"context"
	"slices"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
)

// candidate is a lot as the rules see it at an instant, with what stands of it.
func (u unit) candidate(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) (stock.Candidate, error) {
	c := u.rules(ctx, lot, item, at)
	balances, err := store.Balances(ctx, u.Tx, lot.GetName())
	stands(&c, balances)
	return c, err
}

// rules is what of a lot decides whether it may be used at an instant.
func (u unit) rules(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) stock.Candidate {
	c := stock.Candidate{
		Lot: lot.GetName(), ShortCode: lot.GetShortCode(), State: lot.GetState().String(), Opened: lot.GetOpenTime() != nil,
		Received: lot.GetCreateTime().AsTime(), Rule: lot.GetLifeRule(),
	}
	if lot.GetExpireTime() != nil {
		c.Expire, c.Known = lot.GetExpireTime().AsTime(), true
	} else {
		c.Known = item.GetNoLifeLimit()
	}
	c.UntestedReason, c.Untested = u.untested(ctx, lot, item, at)
	return c
}

// stands adds what is in stores of a lot, and the place that holds most.
func stands(c *stock.Candidate, balances []stock.Posting) {
	var most stock.Micro
	for _, b := range balances {
		if !store.Physical(b.Location) {
			continue
		}
		c.Available += b.Amount
		if b.Amount > most {
			most, c.Location = b.Amount, b.Location
		}
	}
}

// claimedByOthers is what reservations of other orders hold of a lot.
func (u unit) claimedByOthers(ctx context.Context, lot, order string, base string) (stock.Micro, error) {
	claims, err := store.Reservations.Where(ctx, u.Tx, "lot = $1 AND state = 'CLAIMED' AND work_order <> $2", lot, order)
	if err != nil {
		return 0, err
	}
	return u.others(claims, lot, order, base)
}

// others is what those of the claims that are not an order's hold of a lot.
func (u unit) others(claims []*consumablesv1.Reservation, lot, order, base string) (stock.Micro, error) {
	sums, err := u.claimed(slices.DeleteFunc(slices.Clone(claims), func(c *consumablesv1.Reservation) bool {
		return c.GetLot() != lot || c.GetWorkOrder() == order
	}), base)
	return sums[lot], err
}

// claimed sums the claims that have not lapsed, lot by lot.
func (u unit) claimed(claims []*consumablesv1.Reservation, base string) (map[string]stock.Micro, error) {
	sums := map[string]stock.Micro{}
	for _, c := range claims {
		if c.GetExpireTime().AsTime().Before(u.now) {
			continue
		}
		m, err := stock.FromQuantity(c.GetQuantity().GetValue(), c.GetQuantity().GetUnitCode(), base)
		if err != nil {
			return nil, err
		}
		sums[c.GetLot()] += m
	}
	return sums, nil
}

// choose applies the rules to every lot of an item, leaving out what other orders have claimed.
func (u unit) choose(ctx context.Context, item *consumablesv1.Item, order string, need stock.Micro, at time.Time) ([]stock.Pick, []stock.Skip, stock.Micro, error) {
	lots, err := store.Lots.Where(ctx, u.Tx, "item = $1 AND state IN ('USABLE', 'HELD') ORDER BY name", item.GetName())
	if err != nil {
		return nil, nil, 0, err
	}
	return u.chooseAmong(ctx, lots, item, order, need, at)
}

// chooseAmong is choose among some of the item's lots. Its reads are two, however many lots there are.
func (u unit) chooseAmong(
	ctx context.Context, lots []*consumablesv1.Lot, item *consumablesv1.Item, order string, need stock.Micro, at time.Time,
) ([]stock.Pick, []stock.Skip, stock.Micro, error) {
	if len(lots) == 0 {
		return nil, nil, need, nil
	}
	balances, err := store.BalancesOfItem(ctx, u.Tx, item.GetName())
	if err != nil {
		return nil, nil, 0, err
	}
	claims, err := store.Reservations.Where(ctx, u.Tx, "item = $1 AND state = 'CLAIMED' AND work_order <> $2", item.GetName(), order)
	if err != nil {
		return nil, nil, 0, err
	}
	claimed, err := u.claimed(claims, item.GetBaseUnitCode())
	if err != nil {
		return nil, nil, 0, err
	}
	var all []stock.Candidate
	for _, lot := range lots {
		c := u.rules(ctx, lot, item, at)
		stands(&c, balances[lot.GetName()])
		c.Available = max(0, c.Available-claimed[lot.GetName()])
		all = append(all, c)
	}
	picks, skips, missing := stock.Choose(all, need, at)
	return picks, skips, missing, nil
}
