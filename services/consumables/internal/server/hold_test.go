package server_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/storage"
)

func (d desk) hold(lot string) {
	d.t.Helper()
	of(d.HoldLot(d.as("tina", "technician"), &consumablesv1.HoldLotRequest{Name: lot, Reason: "looks cloudy"})).done(d.t)
}

func (d desk) clear(lot string) (*consumablesv1.Lot, error) {
	return d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot})
}

func (d desk) lot(name string) *consumablesv1.Lot {
	d.t.Helper()
	return of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: name})).done(d.t)
}

// facts is how many facts of a type were published.
func (d desk) facts(typ string) (n int) {
	d.t.Helper()
	of(n, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT COUNT(*) FROM outbox WHERE type = $1", typ).Scan(&n)
	})).done(d.t)
	return n
}

// What is doubtful in the drum is doubtful in the bottle, and in the bottle that was filled from that.
func TestAHoldReachesContainers(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		drum := d.stocked("cleaner", "drum", "20", days(200)).GetName()
		bottle := of(d.decant(drum, "2", "")).done(t).GetName()
		small := of(d.decant(bottle, "1", "")).done(t).GetName()
		own := of(d.decant(drum, "1", "")).done(t).GetName()
		d.hold(own)
		d.hold(drum)
		if n := d.facts("coldsection.stock.lot.held.v1"); n != 4 {
			t.Errorf("%d facts of holds", n)
		}
		for _, name := range []string{bottle, small} {
			if lot := d.lot(name); lot.GetState() != consumablesv1.Lot_HELD || lot.GetHeldOrigin() != drum {
				t.Errorf("%s: %s %q by %q", name, lot.GetState(), lot.GetHoldReason(), lot.GetHeldOrigin())
			}
			_, err := d.clear(name)
			refused(t, "cleared before its drum", err, "ORIGIN_HELD")
		}
		of(d.clear(drum)).done(t)
		for name, want := range map[string]consumablesv1.Lot_State{bottle: consumablesv1.Lot_USABLE, small: consumablesv1.Lot_USABLE, own: consumablesv1.Lot_HELD} {
			if got := d.lot(name); got.GetState() != want || got.GetHeldOrigin() != "" {
				t.Errorf("%s is %s, held by %q", name, got.GetState(), got.GetHeldOrigin())
			}
		}
		of(d.clear(own)).done(t)
	})
}

// A mix of two lots on hold waits for both.
func TestAMixWaitsForBothOfItsParents(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName()
		d.hold("lots/cln")
		d.hold("lots/wtr")
		of(d.clear("lots/cln")).done(t)
		if got := d.lot(mix); got.GetState() != consumablesv1.Lot_HELD || got.GetHeldOrigin() != "lots/wtr" {
			t.Errorf("after the first: %s by %q", got.GetState(), got.GetHeldOrigin())
		}
		of(d.clear("lots/wtr")).done(t)
		if got := d.lot(mix); got.GetState() != consumablesv1.Lot_USABLE {
			t.Errorf("after both: %s, %s", got.GetState(), got.GetHoldReason())
		}
	})
}

// Water that fails a later test takes its containers with it.
func TestAFailedTestHoldsContainers(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		tank := d.stocked("water", "tank", "50", days(30)).GetName()
		bottle := of(d.decant(tank, "2", "")).done(t).GetName()
		of(d.tested(tank, "5.1")).done(t)
		if got := d.lot(bottle); got.GetState() != consumablesv1.Lot_HELD || got.GetHeldOrigin() != tank {
			t.Errorf("the bottle is %s by %q", got.GetState(), got.GetHeldOrigin())
		}
	})
}

// The last issue of what an order needs tells of it, and one that comes on top does not tell again.
func TestMetDemandIsToldOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		const met = "coldsection.stock.demand.met.v1"
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "1")
		of(d.issue(lot, order, "0.4")).done(t)
		if n := d.facts(met); n != 0 {
			t.Errorf("told %d times before it was met", n)
		}
		issue := of(d.issue(lot, order, "0.6")).done(t)
		of(d.issue(lot, order, "0.1")).done(t)
		if n := d.facts(met); n != 1 {
			t.Errorf("told %d times", n)
		}
		of(d.back(issue.GetName(), "0.5", "")).done(t)
		demand := of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands()[0]
		if demand.GetIssued().GetValue() != "0.6" || demand.GetState() == consumablesv1.StockDemand_ISSUED {
			t.Errorf("after a return: %v", demand)
		}
		of(d.issue(lot, order, "0.4")).done(t)
		if n := d.facts(met); n != 2 {
			t.Errorf("met again and told %d times", n)
		}
	})
}

// What would not keep until the order needs it, once open, is not opened for it.
func TestWhatDoesNotKeepOpenIsNotIssuedEarly(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "brief", Item: &consumablesv1.Item{
			DisplayName: "brief", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", OpenedLifeDays: 1,
		}})).done(t)
		lot := d.stocked("brief", "b1", "5", days(200)).GetName()
		d.needs(order, "brief", "1")
		d.known("workOrders/late")
		of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: "workOrders/late", Item: "items/brief", Quantity: litres("1"), NeedTime: timestamppb.New(days(9)),
		})).done(t)
		_, err := d.issue(lot, "workOrders/late", "1")
		refused(t, "needed in nine days", err, "LOT_EXPIRED")
		if d.lot(lot).GetOpenTime() != nil {
			t.Error("the refusal opened the lot")
		}
		of(d.issue(lot, order, "1")).done(t)
	})
}

// A count that was replaced waits no longer, and one that comes late does not wait at all.
func TestReplacedCountsDoNotWait(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		early := d.clock.Now()
		d.clock.Advance(time.Hour)
		first := of(d.count(lot, "2.9", d.clock.Now())).done(t)
		d.clock.Advance(time.Hour)
		of(d.count(lot, "2.8", d.clock.Now())).done(t)
		late := of(d.count(lot, "2.7", early)).done(t)
		for _, name := range []string{first.GetName(), late.GetName()} {
			_, err := d.approve("dora", name)
			refused(t, name, err, "COUNT_SUPERSEDED")
		}
		waiting := of(d.ListStockCounts(d.clerk(), &consumablesv1.ListStockCountsRequest{Filter: `state = "WAITING"`})).done(t).GetStockCounts()
		if len(waiting) != 1 || waiting[0].GetCounted().GetValue() != "2.8" {
			t.Errorf("waiting: %v", waiting)
		}
	})
}

// A code that is no name of a lot is looked up as a short code; an error of the database is not taken for that.
func TestAnErrorIsNotALotThatIsMissing(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "l1", "3", days(200))
		of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "UPDATE lots SET body = $1 WHERE name = 'lots/l1'", []byte{0xff})
			return err
		})).done(t)
		_, err := d.LookUpLot(d.clerk(), &consumablesv1.LookUpLotRequest{Code: "lots/l1"})
		refused(t, "a row that can't be read", err, "INTERNAL")
	})
}

// A bottle that was empty when its drum was held or recalled and has something in it again, by a count or because an entry was undone, is blocked
// as its drum is.
func TestWhatIsThereAgainIsBlockedAsItsOriginIs(t *testing.T) {
	for state, block := range map[consumablesv1.Lot_State]func(desk, string){consumablesv1.Lot_HELD: desk.hold, consumablesv1.Lot_RECALLED: desk.recall} {
		t.Run(state.String(), func(t *testing.T) {
			desks(t, func(t *testing.T, d desk) {
				drum := d.stocked("cleaner", "drum", "20", days(200)).GetName()
				used := of(d.decant(drum, "2", "")).done(t).GetName()
				found := of(d.decant(used, "1", "")).done(t).GetName()
				d.issued("cleaner", used, order, "1")
				of(d.use(used, order, "engines/e1", "1")).done(t)
				d.clock.Advance(time.Hour)
				of(d.approve("dora", of(d.count(found, "0", d.clock.Now())).done(t).GetName())).done(t)
				for _, name := range []string{used, found} {
					if got := d.lot(name).GetState(); got != consumablesv1.Lot_EMPTIED {
						t.Fatalf("%s is %s", name, got)
					}
				}
				block(d, drum)
				d.clock.Advance(time.Hour)
				for _, m := range of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "CONSUMED"`})).done(t).GetStockMovements() {
					of(d.reverse(m.GetName())).done(t)
				}
				of(d.approve("dora", of(d.count(found, "0.5", d.clock.Now())).done(t).GetName())).done(t)
				for _, name := range []string{used, found} {
					if got := d.lot(name); got.GetState() != state {
						t.Errorf("%s of a drum that is %s is %s", name, state, got.GetState())
					}
					_, err := d.use(name, order, "engines/e1", "0.1")
					refused(t, name, err, "LOT_"+state.String())
				}
				d.balanced()
			})
		})
	}
}
