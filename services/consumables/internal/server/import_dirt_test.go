package server_test

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// A clerk's workbook with all that happens to one: what nobody sees in it, or sees otherwise than it is, is named row by row and nothing is booked;
// what is put right comes in with its numbers as they stand on the labels.
func TestAClerksWorkbookIsReadAsItIsSeen(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		f := excelize.NewFile()
		set := func(line int, values ...any) {
			of(0, f.SetSheetRow("Sheet1", fmt.Sprintf("A%d", line), &values)).done(t)
		}
		set(1, "item", "quantity", "unit", "location", "manufacturer_lot", "use_by_date")
		until := time.Date(2027, 6, 30, 0, 0, 0, 0, time.UTC)
		set(2, "cleaner", 20.5, "L", "shelf", 12345, until)
		set(3, "cleaner", "2,5", "L", "shelf", "LOT\u200b 9\u00a0", "2027-06-30")
		set(4, "cleaner", 7, "L", "shelf", "M-4", until)
		set(5, "cleaner", 7, "L", "back", "M-4", until)
		set(6, "cleaner", 1, "L", "back", until, until)
		set(7, "cleaner", 1, "L", "back", "#REF!", "30.06.2027")
		set(8, "cleaner", 1, "L", "back", 123456789012345678, "2027-06-30")
		zeros := "0000000"
		for cell, style := range map[string]*excelize.Style{"E2": {CustomNumFmt: &zeros}, "E6": {NumFmt: 16}} {
			of(0, f.SetCellStyle("Sheet1", cell, cell, of(f.NewStyle(style)).done(t))).done(t)
		}
		of(0, f.SetRowVisible("Sheet1", 4, false)).done(t)
		send := func() *consumablesv1.ImportStockResponse {
			var file bytes.Buffer
			of(0, f.Write(&file)).done(t)
			return of(d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_LOTS, Content: file.Bytes()})).done(t)
		}
		faults := func(got *consumablesv1.ImportStockResponse) (all []string) {
			for _, f := range got.GetFaults() {
				all = append(all, fmt.Sprintf("%d %s", f.GetLine(), f.GetReason()))
			}
			return all
		}
		if got := faults(send()); !slices.Equal(got, []string{"4 ROW_HIDDEN", "6 VALUE_INVALID", "7 VALUE_INVALID", "7 DATE_INVALID", "8 VALUE_INVALID"}) {
			t.Errorf("faults %q", got)
		}
		of(0, f.SetRowVisible("Sheet1", 4, true)).done(t)
		of(0, f.RemoveRow("Sheet1", 8)).done(t)
		of(0, f.RemoveRow("Sheet1", 7)).done(t)
		of(0, f.RemoveRow("Sheet1", 6)).done(t)
		of(0, f.MergeCell("Sheet1", "E4", "E5")).done(t)
		if got := faults(send()); !slices.Equal(got, []string{"4 CELLS_MERGED", "5 CELLS_MERGED"}) {
			t.Errorf("faults %q", got)
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots(); len(lots) != 0 {
			t.Fatalf("booked %v", lots)
		}
		of(0, f.UnmergeCell("Sheet1", "E4", "E5")).done(t)
		of(0, f.SetCellValue("Sheet1", "E5", "M-4")).done(t)
		right := send()
		if len(right.GetFaults()) != 0 || right.GetImportedCount() != 4 {
			t.Fatalf("put right: %v", right)
		}
		for i, want := range []string{"0012345 20.5", "LOT 9 2.5", "M-4 14", "M-4 14"} {
			if lot := d.lot(right.GetNames()[i]); lot.GetManufacturerLot()+" "+lot.GetOnHand().GetValue() != want {
				t.Errorf("row %d is %s %s, want %s", i+2, lot.GetManufacturerLot(), lot.GetOnHand().GetValue(), want)
			}
		}
	})
}
