package app

import (
	"context"
	"math"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// GetItem reads an item with what there is of it.
func (a *App) GetItem(ctx context.Context, req *consumablesv1.GetItemRequest) (*consumablesv1.Item, error) {
	item, err := store.Items.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	return item, a.stocked(ctx, item)
}

// ListItems lists items with what there is of each.
func (a *App) ListItems(ctx context.Context, req *consumablesv1.ListItemsRequest) ([]*consumablesv1.Item, string, error) {
	items, next, err := store.Items.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, "", err
	}
	return items, next, a.stocked(ctx, items...)
}

// stocked says of items what is in stores now, and what of that may be promised.
func (a *App) stocked(ctx context.Context, items ...*consumablesv1.Item) error {
	return a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		for _, item := range items {
			hand, err := store.OnHand(ctx, tx, item.GetName())
			if err != nil {
				return err
			}
			picks, _, _, err := u.choose(ctx, item, "", math.MaxInt64, u.now)
			if err != nil {
				return err
			}
			var free stock.Micro
			for _, p := range picks {
				free += p.Amount
			}
			item.OnHand, item.Available = store.Quantity(hand, item.GetBaseUnitCode()), store.Quantity(free, item.GetBaseUnitCode())
			if hand != 0 || free != 0 { // who has the item as it was, but not what there is of it now, has not what is shown
				item.Etag += "." + hand.Text() + ":" + free.Text()
			}
		}
		return nil
	})
}
