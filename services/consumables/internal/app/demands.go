package app

import (
	"context"
	"slices"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
)

// settle books an issue against the order's demand and claims. It returns what the order still claims of the lot, which the
// caller saves with the lot, and whether the issue was the one that met the last of the demands.
func (u unit) settle(ctx context.Context, line store.Line, amount stock.Micro) (own stock.Micro, met bool, err error) {
	before, after := true, true
	for i, d := range line.Demands {
		before = before && d.Issued >= d.Needed
		if d.Item == line.Lot.GetItem() {
			var freed stock.Micro
			if freed, own, err = u.fill(ctx, d, line, amount); err != nil {
				return 0, false, err
			}
			d.Issued += amount
			d.Reserved -= freed
			if err := store.ChangeDemand(ctx, u.Tx, d); err != nil {
				return 0, false, err
			}
			line.Demands[i] = d
		}
		after = after && d.Issued >= d.Needed
	}
	return own, after && !before, nil
}

// fill takes an issue off the order's claims, those on the same lot first. It returns how much claim it used up, and what the
// order still claims of the lot.
func (u unit) fill(ctx context.Context, d store.Demand, line store.Line, amount stock.Micro) (used, own stock.Micro, err error) {
	lot := line.Lot.GetName()
	for _, c := range ownClaims(line.Claims, d, lot) {
		held, err := stock.FromQuantity(c.GetQuantity().GetValue(), c.GetQuantity().GetUnitCode(), d.Unit)
		if err != nil {
			return 0, 0, err
		}
		take := min(held, amount-used)
		used += take
		if c.GetLot() == lot && !c.GetExpireTime().AsTime().Before(u.now) {
			own += held - take
		}
		if err := u.takeOff(ctx, c, held, take, d.Unit, lot); err != nil {
			return 0, 0, err
		}
	}
	return used, own, nil
}

// ended reports whether an order that stores know of was released or voided.
func ended(demands []store.Demand) bool {
	return len(demands) > 0 && !slices.ContainsFunc(demands, func(d store.Demand) bool { return !d.Closed })
}

// ownClaims are those of an order on an item, those on a lot first, else in the order in which they come.
func ownClaims(claims []*consumablesv1.Reservation, d store.Demand, lot string) []*consumablesv1.Reservation {
	var first, rest []*consumablesv1.Reservation
	for _, c := range claims {
		switch {
		case c.GetWorkOrder() != d.WorkOrder || c.GetItem() != d.Item:
		case c.GetLot() == lot:
			first = append(first, c)
		default:
			rest = append(rest, c)
		}
	}
	return append(first, rest...)
}

// takeOff takes so much off a claim that holds so much, and refreshes its lot unless that is the one which the caller saves.
func (u unit) takeOff(ctx context.Context, c *consumablesv1.Reservation, held, take stock.Micro, unitCode, saved string) error {
	if take == 0 {
		return nil
	}
	if c.State = consumablesv1.Reservation_FILLED; take < held {
		c.State, c.Quantity = consumablesv1.Reservation_CLAIMED, store.Quantity(held-take, unitCode)
	}
	if c.GetLot() == saved {
		return store.Reservations.SaveLater(ctx, u.Tx, c, u.now)
	}
	return u.saveClaim(ctx, c)
}

// saveClaim writes a claim and what its lot then has claimed.
func (u unit) saveClaim(ctx context.Context, c *consumablesv1.Reservation) error {
	if err := store.Reservations.Save(ctx, u.Tx, c, u.now); err != nil {
		return err
	}
	return u.refreshClaims(ctx, c.GetLot())
}

func (u unit) refreshClaims(ctx context.Context, name string) error {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return err
	}
	item, err := u.itemOf(ctx, lot)
	if err != nil {
		return err
	}
	claimed, err := u.claimedByOthers(ctx, name, "", item.GetBaseUnitCode())
	if err != nil {
		return err
	}
	lot.Reserved = store.Quantity(claimed, item.GetBaseUnitCode())
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

func demandLines(demands []store.Demand, lots map[string][]string) []*consumablesv1.DemandLine {
	var lines []*consumablesv1.DemandLine
	for _, d := range demands {
		lines = append(lines, &consumablesv1.DemandLine{
			Item: d.Item, Needed: store.Quantity(d.Needed, d.Unit), Reserved: store.Quantity(d.Reserved, d.Unit),
			Shortfall: store.Quantity(d.Missing(), d.Unit), Lots: lots[d.Item],
		})
	}
	return lines
}
