package server_test

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

// by is a call of an account, which may have a person or be a machine's.
func (d desk) by(account, person, kind string) context.Context {
	return auth.NewContext(d.t.Context(), auth.Identity{Account: account, Person: person, Roles: []string{"stores"}, Kind: kind})
}

// Who counted approves the difference under no other account, and no machine does: a second person is a person.
func TestADifferenceIsApprovedByASecondPersonUnderNoOtherName(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		d.clock.Advance(time.Minute)
		count := of(d.count(lot, "2.5", d.clock.Now())).done(t)
		for what, c := range map[string]struct {
			ctx    context.Context
			reason string
		}{
			"another account of hers":   {d.by("accounts/cleo-night", "people/cleo", auth.Human), "SAME_PERSON"},
			"her account for emergency": {d.by("accounts/emergency", "people/cleo", auth.Emergency), "SAME_PERSON"},
			"a machine":                 {d.by("accounts/scale", "", auth.Machine), "PERSON_NEEDED"},
			"nobody":                    {d.by("", "", auth.Human), "UNAUTHENTICATED"},
		} {
			_, err := d.ApproveStockCount(c.ctx, &consumablesv1.ApproveStockCountRequest{Name: count.GetName()})
			if !fault.HasReason(err, c.reason) && c.reason != "UNAUTHENTICATED" || err == nil {
				t.Errorf("%s: got %v, want %s", what, err, c.reason)
			}
		}
		if got := d.at(lot, shelf); got != "3" {
			t.Errorf("%s on the shelf", got)
		}
		of(d.approve("dora", count.GetName())).done(t)
		d.clock.Advance(time.Minute)
		weighed := of(d.CreateStockCount(d.by("accounts/scale", "", auth.Machine), &consumablesv1.CreateStockCountRequest{StockCount: &consumablesv1.StockCount{
			Lot: lot, Location: shelf, Counted: litres("2"), CountTime: timestamppb.New(d.clock.Now()),
		}})).done(t)
		_, err := d.ApproveStockCount(d.by("accounts/other-scale", "", auth.Machine), &consumablesv1.ApproveStockCountRequest{Name: weighed.GetName()})
		refused(t, "one machine of what another weighed", err, "PERSON_NEEDED")
		of(d.approve("cleo", weighed.GetName())).done(t)
		if got := d.at(lot, shelf); got != "2" {
			t.Errorf("%s on the shelf", got)
		}
		d.balanced()
	})
}

// Where the item asks for a second person, a machine is none either.
func TestAMachineIsNoSecondPersonOfAnInspection(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "guarded", Item: &consumablesv1.Item{
			DisplayName: "guarded", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", SecondPersonClears: true,
		}})).done(t)
		lot := d.received("guarded", "g1", "5", days(200)).GetName()
		_, err := d.clear(lot)
		refused(t, "who received it", err, "SAME_PERSON")
		_, err = d.ClearLot(d.by("accounts/robot", "", auth.Machine), &consumablesv1.ClearLotRequest{Name: lot})
		refused(t, "a machine", err, "PERSON_NEEDED")
		of(d.ClearLot(d.as("dora", "stores"), &consumablesv1.ClearLotRequest{Name: lot})).done(t)
	})
}

// Of many that approve at once one does, and what was missed is booked once; of many counts at once one is left to decide on.
func TestManyApproveAtOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		d.clock.Advance(time.Minute)
		var counting sync.WaitGroup
		for range 8 {
			counting.Go(func() {
				if _, err := d.count(lot, "2.5", d.clock.Now()); err != nil {
					t.Error(err)
				}
			})
		}
		counting.Wait()
		waiting := of(d.ListStockCounts(d.clerk(), &consumablesv1.ListStockCountsRequest{Filter: `state = "WAITING"`})).done(t).GetStockCounts()
		all := of(d.ListStockCounts(d.clerk(), &consumablesv1.ListStockCountsRequest{})).done(t).GetStockCounts()
		if len(all) != 8 || len(waiting) != 1 {
			t.Fatalf("%d of %d counts wait", len(waiting), len(all))
		}
		var mu sync.Mutex
		posted, reasons := 0, []string(nil)
		for _, person := range []string{"dora", "emil", "fay", "gus", "hal", "ida", "jon", "kim"} {
			counting.Go(func() {
				_, err := d.approve(person, waiting[0].GetName())
				mu.Lock()
				defer mu.Unlock()
				if f, ok := fault.As(err); ok {
					reasons = append(reasons, f.Reason)
				} else if err == nil {
					posted++
				} else {
					t.Error(err)
				}
			})
		}
		counting.Wait()
		if posted != 1 || slices.ContainsFunc(reasons, func(r string) bool { return r != "COUNT_POSTED" && r != "ETAG_MISMATCH" }) {
			t.Errorf("%d posted it, the others were told %v", posted, reasons)
		}
		if got := d.at(lot, shelf); got != "2.5" || d.facts("coldsection.stock.counted.v1") != 1 {
			t.Errorf("%s on the shelf after %d postings", got, d.facts("coldsection.stock.counted.v1"))
		}
		d.balanced()
	})
}

// What was recalled and what was opened is counted like all else, and stays what it is.
func TestRecalledAndOpenedStockIsCounted(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		cans := d.canned("cans", "20", "5", june)
		d.needs(order, "cleaner", "2")
		can := of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: cans, WorkOrder: order, Quantity: litres("2")})).done(t).GetLot()
		d.recall(cans)
		d.clock.Advance(time.Hour)
		for lot, found := range map[string]string{can: "2.5", cans: "10"} {
			count := of(d.count(lot, found, d.clock.Now())).done(t)
			if count.GetState() != consumablesv1.StockCount_WAITING {
				t.Fatalf("%s: %v", lot, count)
			}
			of(d.approve("dora", count.GetName())).done(t)
			if got := d.lot(lot); d.at(lot, shelf) != found || got.GetState() != consumablesv1.Lot_RECALLED {
				t.Errorf("%s: %s on the shelf, %s", lot, d.at(lot, shelf), got.GetState())
			}
		}
		trace := d.trace(cans, consumablesv1.TraceLotRequest_FORWARD, time.Time{})
		if got := trace.GetTotal(); got.GetDifference().GetValue() != "5.5" || got.GetOnHand().GetValue() != "12.5" ||
			got.GetIssuedUnused().GetValue() != "2" || got.GetReceived().GetValue() != "20" {
			t.Errorf("total %v", got)
		}
		addsUp(t, trace.GetTotal())
		d.balanced()
	})
}
