package server_test

import (
	"strings"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage/storagetest"
)

const lotHeader = "item;quantity;unit;location;lot_id;manufacturer_lot;use_by_date\n"

// Whatever is sent as a table of opening stock: it is taken whole, or refused whole with a line, a reason and a sentence for each fault, and never
// with a fault of ours. The seeds are the dirt of real spreadsheets.
func FuzzImportStock(f *testing.F) {
	for _, table := range []string{
		"\ufeff" + lotHeader + "cleaner;2,5;L;shelf;x1;M-1;2027-06-30\r\ncleaner ; 2,5 ; L ; shelf ;x2; M-2 ;2027-06-30\r\n",
		lotHeader + "cleaner;1,234;L;shelf;;M-1;30.06.2027\n", lotHeader + "cleaner;20 L;;shelf;;;\ncleaner;;L;shelf;;;\n;2;;;;;\n",
		lotHeader + "cleaner;2;L;shelf;;M-1;46568\ncleaner;2;L;shelf;;M-1;06/30/27\n", lotHeader + "=1+1;@SUM(A1);L;shelf;;;\n",
		lotHeader + "cleaner;-2;L;shelf;;;\ncleaner;0;L;shelf;;;\ncleaner;1e3;L;shelf;;;\ncleaner;2;gallons;shelf;;;\ncleaner;99999999999999;L;shelf;;;\n",
		lotHeader + "cleaner;2;L;shelf;Bad Id;;\ncleaner;2;L;locations/supplier;;;\nitems/cleaner;2;L;locations/shelf;;;2026-02-30\n",
		lotHeader + "o-ring;1,5;{each};shelf;;;\no-ring;3;{each};shelf;;;\n", lotHeader + "cleaner;2;L;shelf;twice;M-1;2027-06-30\ncleaner;2;L;back;twice;M-1;2028-06-30\n",
		lotHeader, "", "\x00", "PK\x03\x04",
	} {
		f.Add([]byte(table))
	}
	db := storagetest.SQLite(f, store.Migrations())
	d := open(f, db)
	d.catalogue()
	f.Fuzz(func(t *testing.T, table []byte) {
		d := d
		d.t = t
		got, err := d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_LOTS, ValidateOnly: true, Content: table})
		if refusal, ok := fault.As(err); err != nil && (!ok || refusal.Reason == "" || refusal.Reason == "INTERNAL") {
			t.Fatalf("%q: %v", table, err)
		}
		if len(got.GetFaults()) > 0 && got.GetImportedCount() > 0 {
			t.Errorf("%q: in part: %v", table, got)
		}
		for _, row := range got.GetFaults() {
			if row.GetReason() == "" || row.GetLine() < 2 || !strings.HasSuffix(strings.TrimSpace(row.GetExplanation()), ".") {
				t.Errorf("%q: a fault that helps nobody: %v", table, row)
			}
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots(); len(lots) != 0 {
			t.Fatalf("%q: a trial left %v", table, lots)
		}
	})
}
