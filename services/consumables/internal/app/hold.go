package app

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// HoldLot puts a lot aside with what was filled or mixed from it.
func (a *App) HoldLot(ctx context.Context, req *consumablesv1.HoldLotRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		lot, _, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if lot.GetState() == consumablesv1.Lot_RECALLED {
			return nil, fault.Precondition("LOT_RECALLED", "Lot %s is RECALLED (%s), which blocks it and what was made from it already. Set it aside; nothing more is to be held.",
				lot.GetName(), lot.GetHoldReason())
		}
		if lot.GetState() != consumablesv1.Lot_USABLE && lot.GetState() != consumablesv1.Lot_HELD {
			return nil, fault.Precondition("LOT_"+lot.GetState().String(), "Lot %s is %s and can't be held; only what may be used is. Recall it to block what was made from it.",
				lot.GetName(), lot.GetState())
		}
		if err := u.hold(ctx, lot, req.GetReason()); err != nil {
			return nil, err
		}
		return lot, u.lotFact(ctx, "held", lot, lot.GetOnHand(), req.GetReason())
	})
}

// hold puts a locked lot aside and, for as long as it is held, every usable lot that came from it: what is doubtful in the
// drum is doubtful in the bottle.
func (u unit) hold(ctx context.Context, lot *consumablesv1.Lot, reason string) error {
	u.blockAs(lot, consumablesv1.Lot_HELD, reason, "")
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
		return err
	}
	names, err := u.descendants(ctx, lot.GetName())
	if err != nil {
		return err
	}
	for _, name := range names[1:] {
		child, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if child.GetState() != consumablesv1.Lot_USABLE {
			continue
		}
		why := cameFromHeld(lot)
		u.blockAs(child, consumablesv1.Lot_HELD, why, lot.GetName())
		if err := store.Lots.Save(ctx, u.Tx, child, u.now); err != nil {
			return err
		}
		if err := u.lotFact(ctx, "held", child, child.GetOnHand(), why); err != nil {
			return err
		}
	}
	return nil
}

// release makes a held lot usable, and with it those that were held for its sake only. One that has another parent on hold
// waits for that.
func (u unit) release(ctx context.Context, lot *consumablesv1.Lot) error {
	unblockAs(lot, consumablesv1.Lot_USABLE)
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
		return err
	}
	names, err := u.descendants(ctx, lot.GetName())
	if err != nil {
		return err
	}
	for _, name := range names[1:] {
		child, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if child.GetState() != consumablesv1.Lot_HELD || child.GetHeldOrigin() != lot.GetName() {
			continue
		}
		origin, err := u.blockedOrigin(ctx, name)
		if err != nil {
			return err
		}
		if origin == nil {
			unblockAs(child, consumablesv1.Lot_USABLE)
		} else {
			u.blockAs(child, consumablesv1.Lot_HELD, cameFromHeld(origin), origin.GetName())
		}
		if err := store.Lots.Save(ctx, u.Tx, child, u.now); err != nil {
			return err
		}
		if origin == nil {
			if err := u.lotFact(ctx, "cleared", child, child.GetOnHand(), "Cleared with "+lot.GetName()); err != nil {
				return err
			}
		}
	}
	return nil
}

// originHeld refuses to clear what came from a lot that is held or recalled itself. Reason: ORIGIN_HELD.
func (u unit) originHeld(ctx context.Context, lot *consumablesv1.Lot) error {
	origin, err := u.blockedOrigin(ctx, lot.GetName())
	if err != nil || origin == nil {
		return err
	}
	return fault.Precondition("ORIGIN_HELD", "Lot %s came from %s, which is %s (%s). Clear that lot first.",
		lot.GetName(), origin.GetName(), origin.GetState(), origin.GetHoldReason()).With("origin", origin.GetName())
}

// blockedOrigin is a lot that this one came from, at any depth, and that is held or recalled for a reason of its own; nil
// when there is none.
func (u unit) blockedOrigin(ctx context.Context, name string) (*consumablesv1.Lot, error) {
	names, err := u.walk(ctx, name, false)
	if err != nil {
		return nil, err
	}
	for _, origin := range names[1:] {
		lot, err := store.Lots.Get(ctx, u.Tx, origin)
		if err != nil {
			return nil, err
		}
		held := lot.GetState() == consumablesv1.Lot_HELD && lot.GetHeldOrigin() == ""
		if held || lot.GetState() == consumablesv1.Lot_RECALLED {
			return lot, nil
		}
	}
	return nil, nil //nolint:nilnil // no such lot is an answer, not an error
}

// unlooked is why a lot is held of which something was found again after its recall was taken back.
const unlooked = "It was empty when its recall was taken back, and nobody has looked at it since"

// refilled makes a lot usable of which nothing was left and something is there again, by a count or because an entry was undone; one that came
// from what was held or recalled meanwhile is blocked as that is, and one whose own recall was taken back while it was empty is on hold.
func (u unit) refilled(ctx context.Context, lot *consumablesv1.Lot) error {
	origin, err := u.blockedOrigin(ctx, lot.GetName())
	switch {
	case err != nil:
		return err
	case origin == nil && lot.GetBlockTime() != nil:
		u.blockAs(lot, consumablesv1.Lot_HELD, unlooked, "")
		return u.lotFact(ctx, "held", lot, lot.GetOnHand(), unlooked)
	case origin == nil:
		lot.State = consumablesv1.Lot_USABLE
		return nil
	case origin.GetState() == consumablesv1.Lot_RECALLED:
		u.blockAs(lot, consumablesv1.Lot_RECALLED, origin.GetHoldReason(), "")
		return u.tellRecall(ctx, lot, nil, nil)
	default:
		why := cameFromHeld(origin)
		u.blockAs(lot, consumablesv1.Lot_HELD, why, origin.GetName())
		return u.lotFact(ctx, "held", lot, lot.GetOnHand(), why)
	}
}
