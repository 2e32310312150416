package server_test

import (
	"fmt"
	"sync"
	"testing"

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
