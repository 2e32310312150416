package server_test

import (
	"strings"
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

// Two rows that say the same are a line that was pasted twice or two cans in two lines, and only who counted knows: the report names both rows, in
// a trial too, and nothing is booked until one is left out or each has an id of its own.
func TestARowThatSaysTheSameAsOneAboveItIsAskedAbout(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		const head = "item;quantity;unit;location;manufacturer_lot;use_by_date;supplier;lot_id;row_id\n"
		const first = "cleaner;5;L;shelf;M-1;2027-06-30;;;\n"
		for what, again := range map[string]string{
			"pasted": first, "in millilitres": "cleaner;5000;mL;shelf;M-1;2027-06-30;;;\n", "with a comma": "cleaner;5,0;L;shelf;M-1;2027-06-30;;;\n",
			"by full names": "items/cleaner;5;LTR;locations/shelf;M-1;2027-06-30;;;\n",
		} {
			for _, dry := range []bool{true, false} {
				got := d.importing(consumablesv1.ImportStockRequest_LOTS, dry, head+first+"water;9;L;back;;2027-01-31;;;\n"+again)
				if f := got.GetFaults(); len(f) != 1 || f[0].GetReason() != "ROW_REPEATED" || f[0].GetLine() != 4 || !strings.Contains(f[0].GetExplanation(), "row 2") {
					t.Errorf("%s: %v", what, got)
				}
			}
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots(); len(lots) != 0 {
			t.Fatalf("booked %v", lots)
		}
		for what, c := range map[string]struct{ rows, hand string }{
			"told apart":        {"cleaner;5;L;shelf;A;2027-06-30;;;1\ncleaner;5;L;shelf;A;2027-06-30;;;2\n", "10"},
			"another amount":    {"cleaner;5;L;shelf;B;2027-06-30;;;\ncleaner;4;L;shelf;B;2027-06-30;;;\n", "9"},
			"another place":     {"cleaner;5;L;shelf;C;2027-06-30;;;\ncleaner;5;L;back;C;2027-06-30;;;\n", "10"},
			"another supplier":  {"cleaner;5;L;shelf;D;2027-06-30;North;;\ncleaner;5;L;shelf;D;2027-06-30;South;;\n", "10"},
			"a row of its own":  {"cleaner;5;L;shelf;E;2027-06-30;;;\ncleaner;5;L;shelf;F;2027-06-30;;;\n", "5"},
			"lots of their own": {"o-ring;5;{each};shelf;;2027-06-30;;g-1;\no-ring;5;{each};shelf;;2027-06-30;;g-2;\n", "5"},
		} {
			got := d.importing(consumablesv1.ImportStockRequest_LOTS, false, head+c.rows)
			if len(got.GetFaults()) != 0 || got.GetImportedCount() != 2 {
				t.Errorf("%s: %v", what, got)
			} else if hand := d.lot(got.GetNames()[0]).GetOnHand().GetValue(); hand != c.hand {
				t.Errorf("%s: %s on hand, want %s", what, hand, c.hand)
			}
		}
		d.balanced()
	})
}
