package app

import (
	"cmp"
	"context"
	"slices"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// allot ends claims on an item that can't be filled any more, for a claim on a lot that was recalled or spilt since would hide a shortage until
// somebody stands at the shelf; and claims what there is for the orders that miss some of it, the first that is needed first. Nobody who holds a
// claim loses it for that.
func (a *App) allot(ctx context.Context, w weighed) error {
	left := true // of the item; what the first can't have, none that is needed later can
	for _, line := range w.lines() {
		if len(line.dead) == 0 && !left {
			continue
		}
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
			left, err = a.unit(ctx, tx).serve(ctx, line)
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}

// served is an order that is short of an item, or claims what is not there.
type served struct {
	order, item string
	need        time.Time
	dead        []*consumablesv1.Reservation
}

// lines are the orders that something is to be done for, the first that is needed first.
func (w weighed) lines() []served {
	byOrder := map[string]*served{}
	line := func(order string, need time.Time) *served {
		if byOrder[order] == nil {
			byOrder[order] = &served{order: order, item: w.item.GetName(), need: need}
		}
		return byOrder[order]
	}
	for _, claim := range w.dead {
		l := line(claim.GetWorkOrder(), claim.GetNeedTime().AsTime())
		l.dead = append(l.dead, claim)
	}
	for _, d := range w.short {
		line(d.WorkOrder, d.Need)
	}
	lines := make([]served, 0, len(byOrder))
	for _, l := range byOrder {
		lines = append(lines, *l)
	}
	slices.SortFunc(lines, func(a, b served) int { return cmp.Or(a.need.Compare(b.need), cmp.Compare(a.order, b.order)) })
	return lines
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

// serve ends those claims of an order that still are what was found, claims what it misses of the item, and tells what the order has now where
// that is another thing. Nothing is claimed for an order whose time was a week ago. It reports whether anything may be left for others: not where the
// order got less than it waited for.
func (u unit) serve(ctx context.Context, line served) (left bool, err error) {
	left = true
	changed, err := u.lapseOf(ctx, line.dead)
	if err != nil {
		return false, err
	}
	demands, err := store.DemandsOf(ctx, u.Tx, line.order)
	if err != nil {
		return false, err
	}
	answer := outcome{lots: map[string][]string{}}
	for _, d := range demands {
		item, err := store.Items.Get(ctx, u.Tx, d.Item)
		if err != nil {
			return false, err
		}
		var picked []string
		if d.Item == line.item && !d.Closed && u.now.Before(d.Need.Add(claimGrace)) {
			if d, picked, err = u.claim(ctx, d, item, d.Wanting()); err != nil {
				return false, err
			}
			left, changed = d.Wanting() == 0, changed || len(picked) > 0
		}
		if err := u.answer(ctx, &answer, item, d, picked); err != nil {
			return false, err
		}
	}
	if !changed {
		return left, nil
	}
	return left, u.tell(ctx, line.order, answer)
}

// lapseOf ends claims that still are what was found, and says whether there were any.
func (u unit) lapseOf(ctx context.Context, dead []*consumablesv1.Reservation) (lapsed bool, err error) {
	for _, found := range dead {
		claim, err := store.Reservations.Lock(ctx, u.Tx, found.GetName())
		if err != nil {
			return false, err
		}
		if claim.GetEtag() != found.GetEtag() {
			continue // filled, freed or moved meanwhile; the next look sees what became of it
		}
		if err := u.unclaim(ctx, claim, false); err != nil {
			return false, err
		}
		claim.State = consumablesv1.Reservation_LAPSED
		if err := u.saveClaim(ctx, claim); err != nil {
			return false, err
		}
		if err := u.claimFact(ctx, "lapsed", claim); err != nil {
			return false, err
		}
		lapsed = true
	}
	return lapsed, nil
}
