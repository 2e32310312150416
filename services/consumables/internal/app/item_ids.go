package app

import (
	"context"
	"maps"
	"math"
	"slices"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// gtinID is the external id under which an item has its maker's trade item number; gtin14 is where the index has it with 14
// digits, however it was entered.
const (
	gtinID = "gtin"
	gtin14 = "gtin/14"
)

// indexed makes an item that was just saved findable by its ids in other systems.
func (u unit) indexed(ctx context.Context, item *consumablesv1.Item) error {
	ids := maps.Clone(item.GetExternalIds())
	delete(ids, "")
	if number, ok := gs1.GTIN14(ids[gtinID]); ok {
		ids[gtin14] = number
	}
	return store.IndexItem(ctx, u.Tx, item.GetName(), ids)
}

// withID reads the items that have an id; has decides by the item itself. Where the index knows none, items that are in no index
// yet are looked through: those that a process of the version before saved, until the next sweep.
func (u unit) withID(ctx context.Context, system, id string, has func(*consumablesv1.Item) bool) ([]*consumablesv1.Item, error) {
	found, err := store.ItemsByID(ctx, u.Tx, system, id)
	if err != nil {
		return nil, err
	}
	hasNot := func(item *consumablesv1.Item) bool { return !has(item) }
	if found = slices.DeleteFunc(found, hasNot); len(found) > 0 {
		return found, nil
	}
	late, err := store.UnindexedItems(ctx, u.Tx, math.MaxInt32)
	return slices.DeleteFunc(late, hasNot), err
}

// itemsOf reads the items that have a trade item number of 14 digits.
func (u unit) itemsOf(ctx context.Context, gtin string) ([]*consumablesv1.Item, error) {
	if gtin == "" {
		return nil, nil
	}
	return u.withID(ctx, gtin14, gtin, func(item *consumablesv1.Item) bool {
		number, ok := gs1.GTIN14(item.GetExternalIds()[gtinID])
		return ok && number == gtin
	})
}

// LookUpItem finds an item by its id in another system.
func (a *App) LookUpItem(ctx context.Context, req *consumablesv1.LookUpItemRequest) (*consumablesv1.Item, error) {
	var found *consumablesv1.Item
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		items, err := a.unit(ctx, tx).withID(ctx, req.GetSystem(), req.GetExternalId(), func(item *consumablesv1.Item) bool {
			return item.GetExternalIds()[req.GetSystem()] == req.GetExternalId()
		})
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

// index adds one batch of items that are in no index yet, and says how many they were.
func (u unit) index(ctx context.Context) (int, error) {
	late, err := store.UnindexedItems(ctx, u.Tx, sweepBatch)
	if err != nil {
		return 0, err
	}
	for _, item := range late {
		if err := u.indexed(ctx, item); err != nil {
			return 0, err
		}
	}
	return len(late), nil
}
