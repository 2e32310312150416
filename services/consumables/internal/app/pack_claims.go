package app

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// moveClaims moves what is claimed of a lot and no longer there, once so much more leaves it, onto the pack that was opened of
// it: claims of the order first that it was opened for. Reason: PACK_PROMISED.
func (u unit) moveClaims(ctx context.Context, lot, pack *consumablesv1.Lot, item *consumablesv1.Item, order string, leaving stock.Micro) error {
	claims, err := store.Reservations.Where(ctx, u.Tx,
		"lot = $1 AND state = 'CLAIMED' ORDER BY CASE WHEN work_order = $2 THEN 0 ELSE 1 END, need_time, name", lot.GetName(), order)
	if err != nil {
		return err
	}
	left, err := stock.FromCount(lot.GetOnHand().GetValue(), lot.GetOnHand().GetUnitCode(), item.GetBaseUnitCode())
	if err != nil {
		return err
	}
	promised, err := u.claimed(claims, item.GetBaseUnitCode())
	if err != nil {
		return err
	}
	moved, excess := stock.Micro(0), promised[lot.GetName()]-(left-leaving)
	for _, c := range claims {
		if c.GetExpireTime().AsTime().Before(u.now) || excess <= moved {
			continue
		}
		if end := pack.GetExpireTime(); end != nil && c.GetNeedTime().AsTime().After(end.AsTime()) {
			continue
		}
		take, err := u.moveClaim(ctx, c, pack.GetName(), item, excess-moved)
		if err != nil {
			return err
		}
		moved += take
	}
	if moved < excess {
		return fault.Precondition("PACK_PROMISED",
			"%s %s of the pack that would be opened of lot %s is promised to an order for when it keeps no longer. Take whole packs or another lot, or have that order claim anew.",
			(excess-moved).Text(), item.GetBaseUnitCode(), lot.GetName()).With("lot", lot.GetName())
	}
	lot.Reserved = store.Quantity(promised[lot.GetName()]-max(moved, 0), item.GetBaseUnitCode())
	pack.Reserved = store.Quantity(max(moved, 0), item.GetBaseUnitCode())
	return nil
}

// moveClaim moves at most so much of a claim to another lot and says how much it was.
func (u unit) moveClaim(ctx context.Context, c *consumablesv1.Reservation, lot string, item *consumablesv1.Item, most stock.Micro) (stock.Micro, error) {
	held, err := amountOf(c.GetQuantity(), item)
	if err != nil {
		return 0, err
	}
	if held <= most {
		c.Lot = lot
		return held, store.Reservations.Save(ctx, u.Tx, c, u.now)
	}
	c.Quantity = store.Quantity(held-most, item.GetBaseUnitCode())
	if err := store.Reservations.Save(ctx, u.Tx, c, u.now); err != nil {
		return 0, err
	}
	return most, store.Reservations.Insert(ctx, u.Tx, &consumablesv1.Reservation{
		Name: u.app.newName("reservations", ""), WorkOrder: c.GetWorkOrder(), Item: c.GetItem(), Lot: lot, Quantity: store.Quantity(most, item.GetBaseUnitCode()),
		NeedTime: c.GetNeedTime(), ExpireTime: c.GetExpireTime(), State: consumablesv1.Reservation_CLAIMED,
	}, u.now)
}
