package app

import (
	"context"
	"strings"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// MoveStock moves stock between places. What may not be used stays out of the bins, and what is taken to a hold area may not be used from
// then on.
func (a *App) MoveStock(ctx context.Context, req *consumablesv1.MoveStockRequest) (*consumablesv1.StockMovement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
		u := a.unit(ctx, tx)
		source, err := store.Locations.Get(ctx, tx, req.GetSourceLocation())
		if err != nil {
			return nil, err
		}
		target, err := store.Locations.Get(ctx, tx, req.GetTargetLocation())
		if err != nil {
			return nil, err
		}
		if source.GetName() == target.GetName() {
			return nil, fault.Invalid("target_location", "PLACE_SAME", "%s is both where it stands and where it goes. Correct one of them.", target.GetName())
		}
		lot, item, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		amount, err := amountOf(req.GetQuantity(), item)
		if err != nil {
			return nil, err
		}
		if err := u.wholeAt(ctx, lot, item, amount, source.GetName()); err != nil {
			return nil, err
		}
		if err := u.mayLeave(ctx, lot, item, source, target); err != nil {
			return nil, err
		}
		m := u.movement(consumablesv1.StockMovement_MOVED, lot, amount, item.GetBaseUnitCode())
		if err := u.post(ctx, m, item, transfer(lot.GetName(), source.GetName(), target.GetName(), amount)); err != nil {
			return nil, err
		}
		if target.GetKind() == consumablesv1.Location_HOLD_AREA && source.GetKind() != target.GetKind() {
			return m, u.putInHold(ctx, lot.GetName(), item, amount, target.GetName())
		}
		return m, u.countedAt(ctx, lot.GetName(), item, target.GetName())
	})
}

// mayLeave keeps what may not be used in its hold area. Reason: MOVE_NEEDS_HOLD_AREA.
func (u unit) mayLeave(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, source, target *consumablesv1.Location) error {
	if source.GetKind() != consumablesv1.Location_HOLD_AREA || target.GetKind() == consumablesv1.Location_HOLD_AREA {
		return nil
	}
	why, banned := u.banned(ctx, lot, item)
	if !banned {
		return nil
	}
	f := fault.Precondition("MOVE_NEEDS_HOLD_AREA", "%s It can't be moved out of %s to usable stock at %s. Take it to another HOLD_AREA, or book it out as waste.",
		why, source.GetName(), target.GetName())
	if lot.GetState() == consumablesv1.Lot_HELD {
		f = fault.Precondition("MOVE_NEEDS_HOLD_AREA", "%s It can't be moved out of %s to usable stock at %s. Clear it to that place after its inspection, or leave it.",
			why, source.GetName(), target.GetName())
	}
	return f.With("lot", lot.GetName())
}

// putInHold holds what was moved to a hold area though its lot may be used: the lot, when nothing of it is anywhere else, or a lot of its own.
func (u unit) putInHold(ctx context.Context, name string, item *consumablesv1.Item, amount stock.Micro, place string) error {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return err
	}
	if _, banned := u.banned(ctx, lot, item); banned {
		return u.countedAt(ctx, name, item, place)
	}
	anywhere, err := u.anywhere(ctx, name)
	if err != nil {
		return err
	}
	const why = "Moved to a hold area"
	if anywhere > amount {
		return u.setApart(ctx, lot, item, amount, place, why)
	}
	u.blockAs(lot, consumablesv1.Lot_HELD, why, "")
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
		return err
	}
	return u.lotFact(ctx, "held", lot, lot.GetOnHand(), why)
}

// countedAt shortens the life of a lot that came to a place whose days end earlier than those it was counted in. One that came to where they
// end later keeps its end.
func (u unit) countedAt(ctx context.Context, name string, item *consumablesv1.Item, place string) error {
	zone, err := u.zoneOf(ctx, place)
	if err != nil {
		return err
	}
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil || lot.GetExpireTime() == nil || strings.HasSuffix(lot.GetLifeRule(), stock.Counted(zone)) {
		return err
	}
	end, rule, known, err := u.lifeOf(ctx, lot, item, place, mixed{})
	if err != nil {
		return err
	}
	shorter := known && !end.IsZero() && endsBy(lot, end, rule)
	if lot.GetOpenTime() != nil {
		end, rule, known, err = stock.Life{Opened: lot.GetOpenTime().AsTime(), OpenedDays: int(item.GetOpenedLifeDays())}.End(zone)
		if err != nil {
			return err
		}
		shorter = known && endsBy(lot, end, rule) || shorter
	}
	if !shorter {
		return nil
	}
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}
