package app

import (
	"context"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// sealed reports whether a lot's containers have a seal that is not broken yet. Pieces have none.
func sealed(lot *consumablesv1.Lot, item *consumablesv1.Item) bool {
	return lot.GetOpenTime() == nil && item.GetBaseUnitCode() != "{each}"
}

// packOf is what one sealed container of a lot holds; 0 when the lot is one container, as what was mixed or filled here. Of
// several sizes that the item comes in the largest, which errs towards a shorter life.
func packOf(lot *consumablesv1.Lot, item *consumablesv1.Item) (stock.Micro, error) {
	if len(lot.GetParents()) > 0 {
		return 0, nil
	}
	if lot.GetPackQuantity() != nil {
		return amountOf(lot.GetPackQuantity(), item)
	}
	var largest stock.Micro
	for _, pack := range item.GetPackSizes() {
		size, err := amountOf(pack.GetQuantity(), item)
		if err != nil {
			return 0, err
		}
		largest = max(largest, size)
	}
	return largest, nil
}

// wholePacks reports whether an amount is a whole number of the lot's packs or, where the delivery did not say, of one of the
// item's.
func wholePacks(lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro) (bool, error) {
	if pack, err := packOf(lot, item); err != nil || pack == 0 || lot.GetPackQuantity() != nil {
		return pack > 0 && amount%pack == 0, err
	}
	for _, pack := range item.GetPackSizes() {
		size, err := amountOf(pack.GetQuantity(), item)
		if err != nil || amount%size == 0 {
			return err == nil, err
		}
	}
	return false, nil
}

// packsReceived keeps what the containers of a delivery hold; where two deliveries of a lot differ, the larger counts. Reason:
// PACK_NOT_WHOLE.
func (u unit) packsReceived(ctx context.Context, lot, delivery *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro) error {
	if delivery.GetPackQuantity() == nil {
		return nil
	}
	pack, err := amountAt("lot.pack_quantity", delivery.GetPackQuantity(), item)
	if err != nil {
		return err
	}
	if amount%pack != 0 {
		return fault.Invalid("lot.pack_quantity", "PACK_NOT_WHOLE", "%s %s is no whole number of packs of %s. Count the packs again, and read what one holds.",
			amount.Text(), item.GetBaseUnitCode(), pack.Text())
	}
	if lot.GetPackQuantity() != nil {
		before, err := amountOf(lot.GetPackQuantity(), item)
		if err != nil {
			return err
		}
		pack = max(pack, before)
	}
	lot.PackQuantity = store.Quantity(pack, item.GetBaseUnitCode())
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

// openingOf is how an amount to be issued comes out of a lot's packs at a place. Reasons: PACK_NOT_WHOLE, LOT_NOT_FIRST_TO_EXPIRE.
func (u unit) openingOf(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, req *consumablesv1.IssueStockRequest, amount stock.Micro, from string, need time.Time,
) (stock.Opening, error) {
	whole, err := wholePacks(lot, item, amount)
	if err != nil || whole || !sealed(lot, item) {
		return stock.Opening{Sealed: amount}, err
	}
	pack, err := packOf(lot, item)
	if err != nil {
		return stock.Opening{}, err
	}
	if req.GetSealedContainers() {
		if pack > 0 {
			return stock.Opening{}, fault.Invalid("quantity", "PACK_NOT_WHOLE",
				"%s %s of lot %s is no whole number of packs of %s, so it can't all be sealed. Take whole packs, or issue it as opened.",
				amount.Text(), item.GetBaseUnitCode(), lot.GetName(), pack.Text())
		}
		return stock.Opening{Sealed: amount}, nil
	}
	there, err := store.Balance(ctx, u.Tx, lot.GetName(), from)
	if err != nil || pack == 0 || req.GetOverrideReason() != "" {
		return stock.OpenPacks(amount, pack, there), err
	}
	return stock.OpenPacks(amount, pack, there), u.useUpFirst(ctx, lot, item, req.GetWorkOrder(), from, need)
}

// useUpFirst refuses to open another pack of a lot while an opened one stands beside it that is good for the need and not
// promised to others. Reason: LOT_NOT_FIRST_TO_EXPIRE.
func (u unit) useUpFirst(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, order, place string, need time.Time) error {
	packs, err := store.OpenedPacks(ctx, u.Tx, lot.GetName(), place)
	if err != nil {
		return err
	}
	for _, p := range packs {
		pack, err := store.Lots.Get(ctx, u.Tx, p.Lot)
		if err != nil {
			return err
		}
		claimed, err := u.claimedByOthers(ctx, p.Lot, order, item.GetBaseUnitCode())
		if err != nil {
			return err
		}
		if reason, _ := stock.Refuse(u.rules(ctx, pack, item, need), need); reason == "" && claimed < p.Amount {
			return fault.Precondition("LOT_NOT_FIRST_TO_EXPIRE", "%s %s of the opened pack %s (%s) is left and comes first. Take it, or give a reason to open another one.",
				(p.Amount-claimed).Text(), item.GetBaseUnitCode(), pack.GetShortCode(), p.Lot).With("suggested_lot", p.Lot)
		}
	}
	return nil
}

// wholeAt refuses to part a sealed pack where it stands: half of it would be open, and no label would say so. What is no full pack any
// more, as after a count, goes whole. Reason: PACK_NOT_WHOLE.
func (u unit) wholeAt(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, place string) error {
	pack, err := packOf(lot, item)
	if err != nil || pack == 0 || !sealed(lot, item) {
		return err
	}
	if whole, err := wholePacks(lot, item, amount); err != nil || whole {
		return err
	}
	there, err := store.Balance(ctx, u.Tx, lot.GetName(), place)
	if err != nil || amount%pack == there%pack || amount > there {
		return err // less than that is there, which the ledger refuses
	}
	return fault.Precondition("PACK_NOT_WHOLE", "%s %s of lot %s is no whole number of sealed packs of %s. Take whole packs, or fill the part over first, which opens its pack.",
		amount.Text(), item.GetBaseUnitCode(), lot.GetName(), pack.Text()).With("lot", lot.GetName())
}
