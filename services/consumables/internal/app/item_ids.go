package app

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// gtinID is the external id under which an item has its maker's trade item number.
const gtinID = "gtin"

// itemsOf reads the items that have a trade item number of 14 digits.
func (u unit) itemsOf(ctx context.Context, gtin string) ([]*consumablesv1.Item, error) {
	if gtin == "" {
		return nil, nil
	}
	return store.ItemIDs.Find(ctx, u.Tx, store.GTIN14, gtin)
}

// LookUpItem finds an item by its id in another system.
func (a *App) LookUpItem(ctx context.Context, req *consumablesv1.LookUpItemRequest) (*consumablesv1.Item, error) {
	var found *consumablesv1.Item
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		items, err := store.ItemIDs.Find(ctx, tx, req.GetSystem(), req.GetExternalId())
		if err != nil {
			return err
		}
		if len(items) == 0 {
			return fault.New(fault.NotFound, "ITEM_UNKNOWN", "No item has the id %.80q in %.40q. Enter it on the item first.", req.GetExternalId(), req.GetSystem())
		}
		found = items[0]
		return nil
	})
	return found, err
}

// index keeps the ids of one batch of items that the index does not have yet.
func (u unit) index(ctx context.Context) (int, error) {
	return store.ItemIDs.KeepLate(ctx, u.Tx, sweepBatch)
}
