package server_test

import (
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// An item says what is in stores of it, usable or not, and what of that nobody has claimed, wherever it is read.
func TestAnItemSaysWhatThereIsOfIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "good", "10", days(200))
		d.stocked("cleaner", "soon", "4", days(1))
		d.stocked("cleaner", "bad", "3", days(300))
		of(d.HoldLot(d.clerk(), &consumablesv1.HoldLotRequest{Name: "lots/bad", Reason: "dented"})).done(t)
		d.there("17 L", "14 L")
		d.needs(order, "cleaner", "2.5")
		d.there("17 L", "11.5 L")
		of(d.issue("lots/soon", order, "1")).done(t)
		d.there("16 L", "11.5 L") // what was issued had been claimed
		d.clock.Advance(days(3).Sub(morning))
		d.there("16 L", "10 L") // what ended is there, and not for use
	})
}

func (d desk) there(hand, free string) {
	d.t.Helper()
	listed := of(d.ListItems(d.clerk(), &consumablesv1.ListItemsRequest{Filter: "part_number = \"\""})).done(d.t).GetItems()
	items := []*consumablesv1.Item{of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(d.t)}
	for _, item := range listed {
		if item.GetName() == "items/cleaner" {
			items = append(items, item)
		} else if item.GetOnHand().GetValue() != "0" || item.GetAvailable().GetValue() != "0" {
			d.t.Errorf("%s: %v, %v", item.GetName(), item.GetOnHand(), item.GetAvailable())
		}
	}
	for _, item := range items {
		h, f := item.GetOnHand(), item.GetAvailable()
		if got := [2]string{h.GetValue() + " " + h.GetUnitCode(), f.GetValue() + " " + f.GetUnitCode()}; got != [2]string{hand, free} {
			d.t.Errorf("on hand and available %v, want %s and %s", got, hand, free)
		}
	}
	if len(items) != 2 {
		d.t.Errorf("%d items", len(items))
	}
}
