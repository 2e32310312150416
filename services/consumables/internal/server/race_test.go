package server_test

import (
	"fmt"
	"sync"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
)

// 64 clerks at once want 0.03 L each of the last litre, over the API: 33 get it, and 0.01 L is left. Then 31 go on asking in
// vain.
func TestSixtyFourClerksWantTheLastLitre(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "l1", "64", days(200))
		last := d.stocked("keepless", "last", "1", days(100)).GetName()
		for i := range 64 {
			d.needs(fmt.Sprintf("workOrders/r%d", i), "cleaner", "0.03") // known orders; their claims are on another item
		}
		var wg sync.WaitGroup
		errs := make([]error, 64)
		for i := range errs {
			wg.Go(func() {
				_, errs[i] = d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: last, WorkOrder: fmt.Sprintf("workOrders/r%d", i), Quantity: litres("0.03")})
			})
		}
		wg.Wait()
		won, lost := 0, 0
		for _, err := range errs {
			switch {
			case err == nil:
				won++
			case fault.HasReason(err, "INSUFFICIENT_STOCK"):
				lost++
			default:
				t.Errorf("refused with %v", err)
			}
		}
		if won != 33 || lost != 31 || d.at(last, shelf) != "0.01" {
			t.Errorf("%d won, %d lost, %s left", won, lost, d.at(last, shelf))
		}
		issued := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "ISSUED"`, PageSize: 100})).done(t).GetStockMovements()
		if len(issued) != won || d.facts("coldsection.stock.issued.v1") != won {
			t.Errorf("%d movements and %d facts of %d issues", len(issued), d.facts("coldsection.stock.issued.v1"), won)
		}
		d.balanced()
	})
}

// Two planners at once are not promised the same litre: of a lot of five, five claims of a litre stand, whoever was first, and the others are
// refused.
func TestNoLitreIsPromisedTwice(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		errs := make([]error, 16)
		for i := range errs {
			d.known(fmt.Sprintf("workOrders/r%d", i))
		}
		var wg sync.WaitGroup
		for i := range errs {
			wg.Go(func() {
				_, errs[i] = d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
					WorkOrder: fmt.Sprintf("workOrders/r%d", i), Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(1)),
				})
			})
		}
		wg.Wait()
		won := 0
		for _, err := range errs {
			if err == nil {
				won++
			} else if !fault.HasReason(err, "INSUFFICIENT_STOCK") {
				t.Errorf("refused with %v", err)
			}
		}
		if won != 5 || d.claims() != 5 || d.lot(lot).GetReserved().GetValue() != "5" {
			t.Errorf("%d won, %d claims, %v promised", won, d.claims(), d.lot(lot).GetReserved())
		}
	})
}
