package server_test

import (
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// openingStock sends a table of opening stock, each time as a command of its own.
func (d desk) openingStock(table string) *consumablesv1.ImportStockResponse {
	d.t.Helper()
	return of(d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_LOTS, Content: []byte(table)})).done(d.t)
}

// A table of opening stock that is sent again books nothing twice: each row is known again, with a number by lot and place, without one by
// what it says. What was reversed as a mistake can be imported rightly.
func TestOpeningStockIsNotImportedTwice(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		const head = "item,quantity,unit,location,manufacturer_lot,use_by_date\n"
		const table = head + "cleaner,20.5,L,shelf,M-1,2027-06-30\ncleaner,5,L,back,M-1,2027-06-30\nwater,10,L,shelf,,2027-01-31\n"
		first := d.openingStock(table)
		if len(first.GetFaults()) != 0 || first.GetImportedCount() != 3 {
			t.Fatalf("faults %v", first.GetFaults())
		}
		again := d.openingStock(table + "cleaner,1,L,shelf,M-2,2027-06-30\n")
		if len(again.GetFaults()) != 3 || again.GetImportedCount() != 0 {
			t.Errorf("again: %v", again)
		}
		for _, f := range again.GetFaults() {
			if f.GetReason() != "ROW_IMPORTED_BEFORE" {
				t.Errorf("row %d: %s", f.GetLine(), f.GetReason())
			}
		}
		other := d.openingStock(head + "cleaner,21,L,shelf,M-1,2027-06-30\n")
		if len(other.GetFaults()) != 1 {
			t.Error("another amount of the same lot at the same place was booked on top")
		}
		if got := d.lot(first.GetNames()[0]).GetOnHand().GetValue(); got != "25.5" {
			t.Errorf("%s L of M-1", got)
		}
		if more := d.openingStock(head + "water,11,L,shelf,,2027-01-31\n"); more.GetImportedCount() != 1 {
			t.Errorf("other water: %v", more.GetFaults())
		}
		receipts := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `item = "items/water"`})).done(t).GetStockMovements()
		for _, m := range receipts {
			of(d.reverse(m.GetName())).done(t)
		}
		if right := d.openingStock(head + "water,10,L,shelf,,2027-01-31\n"); right.GetImportedCount() != 1 {
			t.Errorf("after the reversal: %v", right.GetFaults())
		}
	})
}
