package server_test

import (
	"strings"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

func (d desk) move(lot, amount, from, to string) (*consumablesv1.StockMovement, error) {
	return d.MoveStock(d.clerk(), &consumablesv1.MoveStockRequest{Name: lot, Quantity: litres(amount), SourceLocation: from, TargetLocation: to})
}

// heldOf are the lots on hold that were filled from a lot.
func (d desk) heldOf(lot string) (held []*consumablesv1.Lot) {
	d.t.Helper()
	for _, l := range of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{Filter: `state = "HELD"`})).done(d.t).GetLots() {
		if len(l.GetParents()) == 1 && l.GetParents()[0].GetLot() == lot {
			held = append(held, l)
		}
	}
	return held
}

// What is brought back or moved to a hold area is on hold from then on, whether or not anybody called it contaminated: nobody is advised to
// take it, and it comes out again by being cleared.
func TestWhatStandsInAHoldAreaIsOnHold(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.cage()
		const cage = "locations/cage"
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		out := d.issued("cleaner", lot, order, "2")
		of(d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: out.GetName(), Quantity: litres("1.5"), Location: cage, Reason: "smells odd"})).done(t)
		of(d.move(lot, "2", shelf, cage)).done(t)
		held := d.heldOf(lot)
		if len(held) != 2 || held[0].GetOnHand().GetValue() == held[1].GetOnHand().GetValue() || !strings.Contains(held[0].GetHoldReason()+held[1].GetHoldReason(), "smells odd") {
			t.Fatalf("held %v", held)
		}
		advice := of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "5", QuantityUnitCode: "L"})).done(t)
		if len(advice.GetSuggestions()) != 1 || advice.GetSuggestions()[0].GetQuantity().GetValue() != "1" || advice.GetShortfall().GetValue() != "4" {
			t.Errorf("advice %v", advice)
		}
		of(d.move(lot, "1", shelf, cage)).done(t) // the last of it on a shelf, while half a litre is with the job
		if got := d.lot(lot); got.GetState() != consumablesv1.Lot_USABLE || len(d.heldOf(lot)) != 3 {
			t.Errorf("%s, held %v", got.GetState(), d.heldOf(lot))
		}
		bottle := d.heldOf(lot)[0]
		amount := bottle.GetOnHand().GetValue()
		_, err := d.move(bottle.GetName(), amount, cage, shelf)
		refused(t, "out of the cage", err, "MOVE_NEEDS_HOLD_AREA")
		_, err = d.move(bottle.GetName(), amount, cage, cage)
		refused(t, "to where it stands", err, "PLACE_SAME")
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: bottle.GetName(), Location: shelf})).done(t)
		if d.at(bottle.GetName(), shelf) != amount {
			t.Errorf("cleared: %v", d.lot(bottle.GetName()).GetBalances())
		}
		whole := d.stocked("cleaner", "l2", "3", days(300)).GetName()
		of(d.move(whole, "3", shelf, cage)).done(t)
		if got := d.lot(whole); got.GetState() != consumablesv1.Lot_HELD || d.at(whole, cage) != "3" || len(d.factsAbout(whole, "coldsection.stock.lot.held.v1")) != 1 {
			t.Errorf("all of a lot: %v", got)
		}
		d.balanced()
	})
}

// Use by 2026-12-25 ends 17 hours earlier in Tokyo than in Los Angeles. Whatever of a lot comes to Tokyo, all of it ends with the day there;
// what goes the other way keeps the end that it had. Zones: the tz database, UTC+9 and UTC-8 in December.
func TestALotThatMovesWestToEastEndsWithTheEarlierDay(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.zoned("America/Los_Angeles")
		d.zoned("Asia/Tokyo")
		west, east := "locations/los-angeles", "locations/tokyo"
		westEnd, eastEnd := time.Date(2026, 12, 26, 8, 0, 0, -1000, time.UTC), time.Date(2026, 12, 25, 15, 0, 0, -1000, time.UTC)
		ends := func(lot string, want time.Time, rule string) {
			t.Helper()
			if got := d.lot(lot); !got.GetExpireTime().AsTime().Equal(want) || !strings.HasSuffix(got.GetLifeRule(), rule) {
				t.Errorf("%s ends %s by %q, want %s", lot, got.GetExpireTime().AsTime(), got.GetLifeRule(), want)
			}
		}
		come := func(id, place string) string {
			of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{LotId: id, Location: place, Quantity: litres("5"), Lot: d.draftOf("cleaner", id, days(30))})).done(t)
			return "lots/" + id
		}
		moved := come("moved", west)
		of(d.clear(moved)).done(t)
		ends(moved, westEnd, "America/Los_Angeles")
		of(d.move(moved, "1", west, east)).done(t)
		ends(moved, eastEnd, "Asia/Tokyo")
		of(d.move(moved, "1", east, west)).done(t)
		ends(moved, eastEnd, "Asia/Tokyo")
		away := come("away", west)
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: away, Location: east})).done(t)
		ends(away, eastEnd, "Asia/Tokyo")
		drum := come("drum", west)
		of(d.clear(drum)).done(t)
		of(d.changed(func(i *consumablesv1.Item) { i.OpenedLifeDays = 0 })).done(t)
		bottle := of(d.decant(drum, "1", east)).done(t)
		ends(bottle.GetName(), eastEnd, "Asia/Tokyo")
		ends(drum, westEnd, "America/Los_Angeles")
	})
}
