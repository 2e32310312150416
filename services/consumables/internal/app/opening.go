package app

import (
	"context"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
)

// openToIssue opens the lot when a part of a container is handed out, and refuses what would then not keep until it is
// needed. Pieces are not opened. Reason: LOT_EXPIRED.
func (u unit) openToIssue(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, req *consumablesv1.IssueStockRequest,
	amount stock.Micro, from string, at, need time.Time,
) error {
	whole, err := wholePacks(item, amount)
	if err != nil || whole || req.GetSealedContainers() || item.GetBaseUnitCode() == "{each}" {
		return err
	}
	if req.GetLocation() != "" {
		from = req.GetLocation()
	}
	if err := u.open(ctx, lot, item, from, at); err != nil {
		return err
	}
	return u.usable(ctx, lot, item, need)
}

// wholePacks reports whether an amount is a whole number of one of the item's packs.
func wholePacks(item *consumablesv1.Item, amount stock.Micro) (bool, error) {
	for _, pack := range item.GetPackSizes() {
		size, err := amountOf(pack.GetQuantity(), item)
		if err != nil {
			return false, err
		}
		if amount%size == 0 {
			return true, nil
		}
	}
	return false, nil
}

// openToUse opens what was handed out sealed, when it is used: what comes back of it was opened then. Its days are counted
// where the rest of the lot stands.
func (u unit) openToUse(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) error {
	if lot.GetOpenTime() != nil || item.GetBaseUnitCode() == "{each}" {
		return nil
	}
	home := ""
	for _, b := range lot.GetBalances() {
		if store.Physical(b.GetLocation()) {
			home = b.GetLocation()
		}
	}
	return u.open(ctx, lot, item, home, at)
}
