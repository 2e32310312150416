package app

import (
	"context"
	"slices"
	"strings"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// ReturnStock takes back at most what an issue handed out or what a job mixed. What may not be used again comes back into a hold area only, and what
// is contaminated becomes a held lot of its own there.
func (a *App) ReturnStock(ctx context.Context, req *consumablesv1.ReturnStockRequest) (*consumablesv1.StockMovement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
		u := a.unit(ctx, tx)
		issue, err := store.Movements.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(issue, req.GetEtag()); err != nil {
			return nil, err
		}
		place, err := store.Locations.Get(ctx, tx, req.GetLocation())
		if err != nil {
			return nil, err
		}
		lot, item, err := u.lockLot(ctx, issue.GetLot(), "")
		if err != nil {
			return nil, err
		}
		amount, err := amountOf(req.GetQuantity(), item)
		if err != nil {
			return nil, err
		}
		if err := u.mayComeBack(ctx, issue, item, amount); err != nil {
			return nil, err
		}
		if lot, err = u.broughtBack(ctx, req, issue, lot, item, amount); err != nil {
			return nil, err
		}
		if err := u.mayStandAt(ctx, lot, item, place, req.GetContaminated()); err != nil {
			return nil, err
		}
		m, err := u.giveBack(ctx, req, issue, lot, item, amount, place)
		if err != nil {
			return nil, err
		}
		if issue.GetKind() == consumablesv1.StockMovement_BLENDED {
			return m, nil // stores handed out what it was mixed from, and that is used
		}
		return m, u.handedOut(ctx, issue, -amount, true)
	})
}

// mayComeBack checks that an issue handed so much out, or that so much was mixed with the job, that has not come back yet. Reason:
// RETURN_EXCEEDS_ISSUE.
func (u unit) mayComeBack(ctx context.Context, issue *consumablesv1.StockMovement, item *consumablesv1.Item, amount stock.Micro) error {
	left, err := u.returnable(ctx, issue, item)
	if err != nil {
		return err
	}
	if issue.GetKind() != consumablesv1.StockMovement_ISSUED && issue.GetKind() != consumablesv1.StockMovement_BLENDED {
		return fault.Precondition("RETURN_EXCEEDS_ISSUE", "%s is %s and handed nothing out. Return stock against the movement that issued it.", issue.GetName(), issue.GetKind())
	}
	if amount > left {
		return fault.Precondition("RETURN_EXCEEDS_ISSUE", "%s %s of %s can still come back from this issue; %s was brought. Return at most that.",
			left.Text(), item.GetBaseUnitCode(), issue.GetLot(), amount.Text()).With("returnable", left.Text())
	}
	return nil
}

// broughtBack is the container that an amount comes back in: the one that was scanned, or the one that it must have come out
// of; what is no whole pack was opened at the earliest when it was handed out. Reason: LOT_NOT_ISSUED.
func (u unit) broughtBack(
	ctx context.Context, req *consumablesv1.ReturnStockRequest, issue *consumablesv1.StockMovement, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro,
) (*consumablesv1.Lot, error) {
	if req.GetLot() == "" || req.GetLot() == lot.GetName() {
		return u.atJob(ctx, lot, item, amount, issue.GetWorkOrder(), issue.GetEffectiveTime().AsTime())
	}
	pack, err := store.Lots.Lock(ctx, u.Tx, req.GetLot())
	if err != nil {
		return nil, err
	}
	if pack.GetSourceLot() == lot.GetName() {
		return pack, nil
	}
	return nil, fault.Precondition("LOT_NOT_ISSUED", "%s handed out lot %s, and lot %s was brought back. Return it against the issue that handed it out, or set it aside.",
		issue.GetName(), lot.GetName(), pack.GetName()).With("lot", lot.GetName())
}

// mayStandAt keeps what may not be used again away from usable stock. Reason: RETURN_NEEDS_HOLD_AREA.
func (u unit) mayStandAt(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, place *consumablesv1.Location, contaminated bool) error {
	if place.GetKind() == consumablesv1.Location_HOLD_AREA {
		return nil
	}
	why, banned := u.banned(ctx, lot, item)
	if contaminated {
		why, banned = "What comes back of lot "+lot.GetName()+" is contaminated.", true
	}
	if !banned {
		return nil
	}
	return fault.Precondition("RETURN_NEEDS_HOLD_AREA", "%s It can't stand among usable stock at %s. Return it to a place of kind HOLD_AREA, or book it out as waste.",
		why, place.GetName()).With("lot", lot.GetName())
}

// banned says why a lot may not be used again, and whether that is so. Water that waits for a test may stand on its shelf.
func (u unit) banned(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item) (why string, is bool) {
	reason, why := stock.Refuse(u.rules(ctx, lot, item, u.now), u.now)
	why, _, _ = strings.Cut(why, " Take another lot")
	return strings.TrimSuffix(why, ".") + ".", slices.Contains([]string{"LOT_EXPIRED", "LOT_RECALLED", "LOT_HELD", "LOT_LIFE_UNKNOWN"}, reason)
}

// giveBack posts a return, and sets apart what is contaminated and what is taken to a hold area though its lot may be used: nobody would see
// on the lot that this part of it may not.
func (u unit) giveBack(
	ctx context.Context, req *consumablesv1.ReturnStockRequest, issue *consumablesv1.StockMovement, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro,
	place *consumablesv1.Location,
) (*consumablesv1.StockMovement, error) {
	m := u.movement(consumablesv1.StockMovement_RETURNED, lot, amount, item.GetBaseUnitCode())
	m.WorkOrder, m.Reason = issue.GetWorkOrder(), req.GetReason()
	if m.GetReason() == "" {
		m.Reason = "Returned from " + issue.GetName()
	} else {
		m.Reason += " (from " + issue.GetName() + ")"
	}
	if err := u.post(ctx, m, item, transfer(lot.GetName(), issue.GetWorkOrder(), place.GetName(), amount)); err != nil {
		return m, err
	}
	if req.GetContaminated() {
		return m, u.setApart(ctx, lot, item, amount, place.GetName(), "Contaminated: "+m.GetReason())
	}
	if _, banned := u.banned(ctx, lot, item); place.GetKind() == consumablesv1.Location_HOLD_AREA && !banned {
		return m, u.setApart(ctx, lot, item, amount, place.GetName(), "Brought back to a hold area: "+m.GetReason())
	}
	return m, u.countedAt(ctx, lot.GetName(), item, place.GetName())
}

// setApart makes a held lot of its own of an amount that may be spoilt, so that the rest of its lot stays usable.
func (u unit) setApart(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, place, why string) error {
	lot, err := store.Lots.Lock(ctx, u.Tx, lot.GetName())
	if err != nil {
		return err
	}
	apart, err := u.fillOver(ctx, lot, item, amount, place, place, u.now)
	if err != nil {
		return err
	}
	if apart, err = store.Lots.Lock(ctx, u.Tx, apart.GetName()); err != nil {
		return err
	}
	if lot.GetState() == consumablesv1.Lot_RECALLED {
		apart.State, apart.HoldReason, apart.BlockTime = lot.GetState(), lot.GetHoldReason(), lot.GetBlockTime()
		return store.Lots.Save(ctx, u.Tx, apart, u.now)
	}
	if err := u.hold(ctx, apart, why); err != nil {
		return err
	}
	return u.lotFact(ctx, "held", apart, apart.GetOnHand(), why)
}

// returnable is what an issue handed out less what came back from it; nothing once the issue was undone.
func (u unit) returnable(ctx context.Context, issue *consumablesv1.StockMovement, item *consumablesv1.Item) (stock.Micro, error) {
	left, err := amountOf(issue.GetQuantity(), item)
	if err != nil || issue.GetReversalMovement() != "" {
		return 0, err
	}
	returns, err := store.Movements.Where(ctx, u.Tx, "work_order = $1 AND item = $2 AND kind = 'RETURNED'", issue.GetWorkOrder(), issue.GetItem())
	if err != nil {
		return 0, err
	}
	for _, r := range returns {
		if r.GetReversalMovement() != "" || !cameFrom(r.GetReason(), issue.GetName()) {
			continue
		}
		back, err := amountOf(r.GetQuantity(), item)
		if err != nil {
			return 0, err
		}
		left -= back
	}
	return left, nil
}

// cameFrom reports whether a return's reason ends with the issue that it came from.
func cameFrom(reason, issue string) bool {
	return reason == "Returned from "+issue || strings.HasSuffix(reason, "(from "+issue+")")
}
