package app

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// lapse ends claims that can't be filled any more, and claims for their orders what there is instead: a claim on a lot that was recalled or
// spilt since would hide a shortage until somebody stands at the shelf.
func (a *App) lapse(ctx context.Context, dead []*consumablesv1.Reservation) error {
	byOrder := map[string][]*consumablesv1.Reservation{}
	names := make([]string, 0, len(dead))
	for _, claim := range dead {
		names, byOrder[claim.GetWorkOrder()] = append(names, claim.GetWorkOrder()), append(byOrder[claim.GetWorkOrder()], claim)
	}
	for _, order := range distinct(names) {
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return a.unit(ctx, tx).lapseOf(ctx, order, byOrder[order])
		}); err != nil {
			return err
		}
	}
	return nil
}

// deadClaims are the claims on an item's lots that ran out, that are for when their lot may not be used, or that are more than there is of it:
// of these the ones that are needed last.
func (u unit) deadClaims(ctx context.Context, item *consumablesv1.Item) (dead []*consumablesv1.Reservation, err error) {
	claims, err := store.Reservations.Where(ctx, u.Tx, "item = $1 AND state = 'CLAIMED' ORDER BY need_time, name", item.GetName())
	if err != nil {
		return nil, err
	}
	lots, left := map[string]*consumablesv1.Lot{}, map[string]stock.Micro{}
	for _, claim := range claims {
		name := claim.GetLot()
		if lots[name] == nil {
			if lots[name], err = store.Lots.Get(ctx, u.Tx, name); err != nil {
				return nil, err
			}
			there, err := u.candidate(ctx, lots[name], item, u.now)
			if err != nil {
				return nil, err
			}
			left[name] = there.Available
		}
		amount, err := amountOf(claim.GetQuantity(), item)
		if err != nil {
			return nil, err
		}
		at := u.needed(claim.GetNeedTime().AsTime())
		reason, _ := stock.Refuse(u.rules(ctx, lots[name], item, at), at)
		if reason != "" || amount > left[name] || claim.GetExpireTime().AsTime().Before(u.now) {
			dead = append(dead, claim)
			continue
		}
		left[name] -= amount
	}
	return dead, nil
}

// lapseOf ends those claims of an order that still are what was found, claims anew, and tells what the order has now.
func (u unit) lapseOf(ctx context.Context, order string, dead []*consumablesv1.Reservation) error {
	lapsed := map[string]bool{}
	for _, found := range dead {
		claim, err := store.Reservations.Lock(ctx, u.Tx, found.GetName())
		if err != nil {
			return err
		}
		if claim.GetEtag() != found.GetEtag() {
			continue // filled, freed or moved meanwhile; the next look sees what became of it
		}
		if err := u.unclaim(ctx, claim); err != nil {
			return err
		}
		claim.State = consumablesv1.Reservation_LAPSED
		if err := u.saveClaim(ctx, claim); err != nil {
			return err
		}
		if err := u.claimFact(ctx, "lapsed", claim); err != nil {
			return err
		}
		lapsed[claim.GetItem()] = true
	}
	if len(lapsed) == 0 {
		return nil
	}
	return u.claimAnew(ctx, order, lapsed)
}

// claimAnew claims what there is of items of which claims lapsed, and tells it. For an order whose time was a week ago nothing is claimed.
func (u unit) claimAnew(ctx context.Context, order string, lapsed map[string]bool) error {
	demands, err := store.DemandsOf(ctx, u.Tx, order)
	if err != nil {
		return err
	}
	answer := outcome{lots: map[string][]string{}}
	for _, d := range demands {
		item, err := store.Items.Get(ctx, u.Tx, d.Item)
		if err != nil {
			return err
		}
		var picked []string
		if lapsed[d.Item] && !d.Closed && u.now.Before(d.Need.Add(claimGrace)) {
			if d, picked, err = u.claim(ctx, d, item, d.Missing()); err != nil {
				return err
			}
		}
		if err := u.answer(ctx, &answer, item, d, picked); err != nil {
			return err
		}
	}
	return u.tell(ctx, order, answer)
}
