package app

import (
	"cmp"
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

func cloneItem(item *consumablesv1.Item) (*consumablesv1.Item, bool) {
	c, ok := proto.Clone(item).(*consumablesv1.Item)
	return c, ok
}

// ReverseMovement undoes a movement with its mirror image; both stay visible.
func (a *App) ReverseMovement(ctx context.Context, req *consumablesv1.ReverseMovementRequest) (*consumablesv1.StockMovement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
		u := a.unit(ctx, tx)
		wrong, err := store.Movements.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(wrong, req.GetEtag()); err != nil {
			return nil, err
		}
		if err := reversible(wrong); err != nil {
			return nil, err
		}
		lot, item, err := u.lockLot(ctx, wrong.GetLot(), "")
		if err != nil {
			return nil, err
		}
		amount, err := amountOf(wrong.GetQuantity(), item)
		if err != nil {
			return nil, err
		}
		if err := u.leftThen(ctx, wrong, item, amount); err != nil {
			return nil, err
		}
		m := u.movement(consumablesv1.StockMovement_REVERSED, lot, amount, item.GetBaseUnitCode())
		m.WorkOrder, m.Reason, m.ReversesMovement = wrong.GetWorkOrder(), req.GetReason(), wrong.GetName()
		m.EffectiveTime = wrong.GetEffectiveTime() // what never happened is in the books of no instant
		mirror, err := mirrored(wrong, item)
		if err != nil {
			return nil, err
		}
		if err := u.post(ctx, m, item, mirror); err != nil {
			return nil, goneSince(wrong, err)
		}
		if err := u.unmake(ctx, wrong, item, amount); err != nil {
			return nil, err
		}
		wrong.ReversalMovement = m.GetName()
		return m, store.Movements.Save(ctx, tx, wrong, u.now)
	})
}

// reversible refuses what was undone already and what nothing undoes. Reasons: MOVEMENT_ALREADY_REVERSED, OPENING_STAYS.
func reversible(wrong *consumablesv1.StockMovement) error {
	if wrong.GetReversalMovement() != "" || wrong.GetKind() == consumablesv1.StockMovement_REVERSED {
		return fault.Precondition("MOVEMENT_ALREADY_REVERSED", "%s was reversed already, or is a reversal. Book the right movement instead.", wrong.GetName())
	}
	if wrong.GetKind() == consumablesv1.StockMovement_OPENED {
		return fault.Precondition("OPENING_STAYS", "%s opened a pack of %s, and no entry closes a seal again. Reverse or return what was taken out of it.", wrong.GetName(), wrong.GetLot())
	}
	return nil
}

// goneSince says of an entry that can't be undone, as not all that it brought is where it brought it, what is to be done about it. Reason:
// INSUFFICIENT_STOCK.
func goneSince(wrong *consumablesv1.StockMovement, err error) error {
	f, ok := fault.As(err)
	if !ok || f.Reason != "INSUFFICIENT_STOCK" {
		return err
	}
	return fault.Precondition(f.Reason, "%s brought %s %s of %s to %s, and not all of it is there any more. Reverse what was booked with it since, the latest first; then this.",
		wrong.GetName(), wrong.GetQuantity().GetValue(), wrong.GetQuantity().GetUnitCode(), cmp.Or(f.Metadata["lot"], wrong.GetLot()), f.Metadata["location"]).
		With("lot", f.Metadata["lot"]).With("location", f.Metadata["location"])
}

// leftThen refuses to undo an issue of which the job used something before it was handed out more: the books of then would have less than nothing at
// the job. Where the job has too little now, the ledger says so. Reason: TIME_BEFORE_ISSUE.
func (u unit) leftThen(ctx context.Context, wrong *consumablesv1.StockMovement, item *consumablesv1.Item, amount stock.Micro) error {
	lot, order := wrong.GetLot(), wrong.GetWorkOrder()
	if wrong.GetKind() != consumablesv1.StockMovement_ISSUED {
		return nil
	}
	now, err := store.Balance(ctx, u.Tx, lot, order)
	if err != nil || now < amount {
		return err
	}
	had, when, err := store.LowestFrom(ctx, u.Tx, lot, order, wrong.GetEffectiveTime().AsTime().Add(time.Minute))
	if err != nil || had < 0 || had >= amount {
		return err
	}
	return fault.Precondition("TIME_BEFORE_ISSUE", "Other entries left %s with %s %s of lot %s at %s, and undoing this issue takes %s away. Correct those entries first.",
		order, had.Text(), item.GetBaseUnitCode(), lot, when.UTC().Format(time.RFC3339), amount.Text()).With("lot", lot)
}

// unmake takes an undone movement out of what was counted of it: the order's demand of an issue or a return, and what a lot
// received or was made with.
func (u unit) unmake(ctx context.Context, wrong *consumablesv1.StockMovement, item *consumablesv1.Item, amount stock.Micro) error {
	switch wrong.GetKind() {
	case consumablesv1.StockMovement_ISSUED:
		return u.handedOut(ctx, wrong, -amount, false)
	case consumablesv1.StockMovement_RETURNED:
		return u.handedOut(ctx, wrong, amount, true)
	default:
	}
	for _, p := range wrong.GetPostings() {
		made := p.GetLocation() == store.Supplier || p.GetLocation() == store.Production
		if !made || !strings.HasPrefix(p.GetQuantity().GetValue(), "-") {
			continue
		}
		if _, err := u.addReceived(ctx, p.GetLot(), -amount, item); err != nil {
			return err
		}
	}
	return nil
}

// handedOut changes what the order of a movement had handed out and not returned. What was brought back is not claimed for it again by itself: the
// job had it and did not need it.
func (u unit) handedOut(ctx context.Context, of *consumablesv1.StockMovement, amount stock.Micro, returned bool) error {
	demands, err := store.DemandsOf(ctx, u.Tx, of.GetWorkOrder())
	if err != nil {
		return err
	}
	for _, d := range demands {
		if d.Item != of.GetItem() {
			continue
		}
		missing := d.Missing()
		d.Issued = max(0, d.Issued+amount)
		if returned {
			d.GivenUp = max(0, d.GivenUp+d.Missing()-missing)
		}
		if err := store.SaveDemand(ctx, u.Tx, d); err != nil {
			return err
		}
	}
	return nil
}

func mirrored(m *consumablesv1.StockMovement, item *consumablesv1.Item) ([]stock.Posting, error) {
	var out []stock.Posting
	for _, p := range m.GetPostings() {
		value, sign := strings.CutPrefix(p.GetQuantity().GetValue(), "-")
		amount, err := stock.FromQuantity(value, p.GetQuantity().GetUnitCode(), item.GetBaseUnitCode())
		if err != nil {
			return nil, err
		}
		if !sign {
			amount = -amount
		}
		out = append(out, stock.Posting{Lot: p.GetLot(), Location: p.GetLocation(), Amount: amount})
	}
	return out, nil
}

// DisposeStock books stock out as waste, from a place of stores or from a job.
func (a *App) DisposeStock(ctx context.Context, req *consumablesv1.DisposeStockRequest) (*consumablesv1.StockMovement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
		u := a.unit(ctx, tx)
		if !strings.HasPrefix(req.GetLocation(), orders) {
			if _, err := store.Locations.Get(ctx, tx, req.GetLocation()); err != nil {
				return nil, err
			}
		}
		lot, item, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		amount, err := amountOf(req.GetQuantity(), item)
		if err != nil {
			return nil, err
		}
		if lot, err = u.thrownAway(ctx, lot, item, amount, req.GetLocation()); err != nil {
			return nil, err
		}
		m := u.movement(consumablesv1.StockMovement_DISPOSED, lot, amount, item.GetBaseUnitCode())
		m.Reason = req.GetReason()
		if err := u.post(ctx, m, item, transfer(lot.GetName(), req.GetLocation(), store.Waste, amount)); err != nil {
			return nil, err
		}
		return m, u.allDisposed(ctx, lot.GetName())
	})
}

// allDisposed marks a lot of which nothing is left in stores or with a job since its last went to waste. A recalled one stays recalled, so
// that the same batch isn't taken in again as a new lot.
func (u unit) allDisposed(ctx context.Context, name string) error {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil || lot.GetState() == consumablesv1.Lot_RECALLED {
		return err
	}
	for _, b := range lot.GetBalances() {
		if store.Physical(b.GetLocation()) || isOrder(b.GetLocation()) == nil {
			return nil
		}
	}
	lot.State, lot.HoldReason, lot.HeldOrigin = consumablesv1.Lot_DISPOSED, "", ""
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

// thrownAway is the container that waste comes out of: with a job the one that was opened there, in stores whole packs only.
func (u unit) thrownAway(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, place string) (*consumablesv1.Lot, error) {
	if isOrder(place) == nil {
		return u.atJob(ctx, lot, item, amount, place, u.now)
	}
	return lot, u.wholeAt(ctx, lot, item, amount, place)
}
