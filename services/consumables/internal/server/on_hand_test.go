package server_test

import (
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

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

// An item's etag tells two answers apart that differ in stock only, so that nobody who asks whether anything is new keeps old stock; and a
// change of the item is made on its version, whatever came and went since it was read.
func TestAnItemsEtagCoversWhatThereIsOfIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		item := func() *consumablesv1.Item {
			return of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(t)
		}
		none := item()
		d.stocked("cleaner", "a", "10", days(200))
		some := item()
		d.needs(order, "cleaner", "2.5")
		claimed := item()
		if again := item(); again.GetEtag() != claimed.GetEtag() {
			t.Errorf("nothing happened, and %s became %s", claimed.GetEtag(), again.GetEtag())
		}
		listed := of(d.ListItems(d.clerk(), &consumablesv1.ListItemsRequest{Filter: `display_name = "cleaner"`})).done(t).GetItems()
		if len(listed) != 1 || listed[0].GetEtag() != claimed.GetEtag() {
			t.Errorf("listed as %v, read as %s", listed, claimed.GetEtag())
		}
		of(d.issue("lots/a", order, "1")).done(t)
		seen := map[string]bool{none.GetEtag(): true, some.GetEtag(): true, claimed.GetEtag(): true, item().GetEtag(): true}
		if len(seen) != 4 {
			t.Errorf("four stocks have the etags %v", seen)
		}
		change := func(etag string) (*consumablesv1.Item, error) {
			return d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{
				Item:       &consumablesv1.Item{Name: "items/cleaner", DisplayName: "cleaner of " + etag, Etag: etag},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}},
			})
		}
		of(change(some.GetEtag())).done(t)
		_, err := change(some.GetEtag())
		refused(t, "a change of the version before", err, "ETAG_MISMATCH")
		of(change(item().GetEtag())).done(t)
	})
}
