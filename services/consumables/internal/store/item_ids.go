package store

import (
	"maps"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/gs1"
)

// gtinID is the external id under which an item has its maker's trade item number; GTIN14 is where the index has it with 14 digits,
// however it was entered.
const (
	gtinID = "gtin"
	GTIN14 = "gtin/14"
)

// ItemIDs finds items by their ids in other systems.
var ItemIDs = Items.FoundBy("item_ids", "item", func(item *consumablesv1.Item) map[string]string {
	ids := item.GetExternalIds()
	number, ok := gs1.GTIN14(ids[gtinID])
	if !ok {
		return ids
	}
	if ids = maps.Clone(ids); ids != nil {
		ids[GTIN14] = number
	}
	return ids
})

// LotIDs finds lots by their ids in other systems, which they are given when they are received.
var LotIDs = Lots.ToldOf("lot_ids", "lot", (*consumablesv1.Lot).GetExternalIds)
