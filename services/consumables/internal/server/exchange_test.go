package server_test

import (
	"bytes"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/sheet"
)

func (d desk) export(req *consumablesv1.ExportStockRequest) *consumablesv1.ExportStockResponse {
	d.t.Helper()
	return of(d.ExportStock(d.clerk(), req)).done(d.t)
}

// balancesByHledger runs the journal through hledger, which refuses a transaction that does not balance, and returns what it
// says is where: place and lot to amount.
func balancesByHledger(t *testing.T, journal []byte) map[string]string {
	t.Helper()
	path, err := exec.LookPath("hledger")
	if err != nil {
		if os.Getenv("COLDSECTION_TEST_NO_HLEDGER") == "1" {
			t.Skip("no hledger, and COLDSECTION_TEST_NO_HLEDGER=1")
		}
		t.Fatal("hledger is missing; integration/test.sh installs it")
	}
	strict := exec.CommandContext(t.Context(), path, "-f", "-", "check", "--strict", "ordereddates")
	strict.Stdin, strict.Env = bytes.NewReader(journal), append(os.Environ(), "LC_ALL=C.UTF-8")
	if out, err := strict.CombinedOutput(); err != nil {
		t.Fatalf("hledger check: %v %s\n%s", err, out, journal)
	}
	cmd := exec.CommandContext(t.Context(), path, "-f", "-", "balance", "--flat", "--layout=bare", "--output-format=csv", "--no-total", "-c", `1.000000 "x"`)
	cmd.Stdin, cmd.Env = bytes.NewReader(journal), append(os.Environ(), "LC_ALL=C.UTF-8")
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("hledger: %v %s\n%s", err, complaint.String(), journal)
	}
	table := of(sheet.Read(out, sheet.CSV, sheet.Options{})).done(t)
	got := map[string]string{}
	for _, r := range table.Rows {
		got[r.Cells[0]+" "+strings.Trim(r.Cells[1], `"`)] = r.Cells[2]
	}
	return got
}

// lived is a little of everything: receipts, a mix, uses, a return, a reversal, a count and waste.
func (d desk) lived() {
	d.t.Helper()
	d.ingredients()
	d.kitted(order)
	mix := of(d.blend(batch(order))).done(d.t).GetName()
	d.clock.Advance(time.Hour)
	of(d.use(mix, order, "engines/e1", "1.5")).done(d.t)
	of(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: mix, Location: order, Quantity: litres("0.393"), Reason: "left over"})).done(d.t)
	wrong := d.issued("cleaner", "lots/cln", "workOrders/w2", "0.5")
	of(d.reverse(wrong.GetName())).done(d.t)
	back := d.issued("cleaner", "lots/cln", "workOrders/w3", "0.5")
	of(d.back(back.GetName(), "0.2", "")).done(d.t)
	d.clock.Advance(24 * time.Hour)
	of(d.approve("dora", of(d.count("lots/wtr", "18.25", d.clock.Now())).done(d.t).GetName())).done(d.t)
}

// hledger reads the journal, finds every transaction in balance, and comes to the balances that the API gives.
func TestTheJournalBalancesByAnotherProgram(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.lived()
		whole := d.export(&consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_JOURNAL})
		later := d.export(&consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_JOURNAL, StartTime: timestamppb.New(morning.Add(time.Minute))})
		if bytes.Count(later.GetContent(), []byte("\n\n")) >= bytes.Count(whole.GetContent(), []byte("\n\n")) {
			t.Error("the later journal is no shorter")
		}
		for _, file := range []*consumablesv1.ExportStockResponse{whole, later} {
			theirs, n := balancesByHledger(t, file.GetContent()), 0
			for _, lot := range of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots() {
				for _, b := range lot.GetBalances() {
					n++
					key := strings.ReplaceAll(b.GetLocation(), "/", ":") + " " + lot.GetName() + " L"
					ours := micro(t, b.GetQuantity())
					value, negative := strings.CutPrefix(theirs[key], "-")
					their, err := stock.FromCount(value, "L", "L")
					if negative {
						their = -their
					}
					if err != nil || their != ours {
						t.Errorf("%s: hledger says %q, the ledger %s", key, theirs[key], ours.Text())
					}
				}
			}
			if n != len(theirs) || n < 10 {
				t.Errorf("%d balances here, %d there: %v", n, len(theirs), theirs)
			}
		}
	})
}

// An auditor finds in the journal when each movement happened and was recorded, who booked it, why, and what a reversal undid; a reason can't write
// lines of its own. A day is one of UTC, whatever the zone of the place.
func TestTheJournalSaysWhenWhoAndWhy(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot, _ := d.zoned("Pacific/Auckland") // where it is the day after
		wrong := of(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{
			Name: lot, Location: d.lot(lot).GetBalances()[0].GetLocation(), Quantity: litres("1"), Reason: "spilt\n2026-01-01 * forged\n    a  1 \"x\"",
		})).done(t)
		d.clock.Advance(15 * time.Hour)
		undone := of(d.reverse(wrong.GetName())).done(t)
		journal := d.export(&consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_JOURNAL}).GetContent()
		balancesByHledger(t, journal)
		for _, want := range []string{
			"Dates are days in UTC", "reason: spilt 2026-01-01 * forged a 1 \"x\"\n", "by: people/cleo\n", "reverses: " + wrong.GetName() + "\n",
			"reversed-by: " + undone.GetName() + "\n", "recorded: 2026-11-25T23:00:00Z\n",
		} {
			if !strings.Contains(string(journal), want) {
				t.Errorf("%q is not in\n%s", want, journal)
			}
		}
		if n := strings.Count(string(journal), "\n2026-11-25 * "); n != strings.Count(string(journal), " * (") || n < 3 {
			t.Errorf("%d days of 2026-11-25 in\n%s", n, journal)
		}
	})
}

// Stock and movements leave as tables; a cell that a spreadsheet would run is defused by the writer.
func TestStockAndMovementsAsTables(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.lived()
		for _, format := range []consumablesv1.ExportStockRequest_Format{consumablesv1.ExportStockRequest_CSV, consumablesv1.ExportStockRequest_XLSX} {
			file := d.export(&consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_STOCK, Format: format})
			table := of(sheet.Read(file.GetContent(), sheet.Detect(file.GetContent()), sheet.Options{})).done(t)
			if len(table.Rows) != 2 || table.Rows[0].Cells[0] != "lots/cln" || file.GetFileName() == "" {
				t.Errorf("%s: %v", format, table.Rows)
			}
		}
		file := d.export(&consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_MOVEMENTS})
		table := of(sheet.Read(file.GetContent(), sheet.CSV, sheet.Options{})).done(t)
		var sum stock.Micro
		for _, r := range table.Rows {
			q := litres(r.Cells[7])
			sum += micro(t, q)
		}
		if sum != 0 || len(table.Rows) < 20 {
			t.Errorf("%d postings sum to %s", len(table.Rows), sum.Text())
		}
	})
}

func (d desk) importing(rows consumablesv1.ImportStockRequest_Rows, dry bool, lines ...string) *consumablesv1.ImportStockResponse {
	d.t.Helper()
	return of(d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: rows, ValidateOnly: dry, Content: []byte(strings.Join(lines, "\n") + "\n")})).done(d.t)
}

// Items and opening stock come in from a table: all rows or none, each fault with its line, and a trial changes nothing.
func TestItemsAndOpeningStockComeFromTables(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		header := "item_id,name,kind,unit,shelf_life_months,certificate_required,hazard_statements,sds_date,erp_id"
		good := "degreaser,Degreaser,CLEANER,LTR,24,true,H319 Causes serious eye irritation; H315 Causes skin irritation,2026-01-31,4711"
		bad := d.importing(consumablesv1.ImportStockRequest_ITEMS, false, header, good,
			"cleaner,Again,CLEANER,L,,,,,", "Bad Id,Name,CLEANER,L,,,,,", "x,X,GLUE,L,,,,,", "y,Y,OTHER,m,many,,,,", "z,Z,OTHER,MIN,,,,,")
		var got []string
		for _, f := range bad.GetFaults() {
			got = append(got, f.GetReason())
		}
		if strings.Join(got, " ") != "VALUE_NOT_A_NUMBER ALREADY_EXISTS FIELD_INVALID ITEM_KIND_UNKNOWN UNIT_MISMATCH" || bad.GetImportedCount() != 0 {
			t.Errorf("faults %v", bad.GetFaults())
		}
		for _, life := range []string{"-12", "99999999999", "36501"} { // which was no life at all once
			got := d.importing(consumablesv1.ImportStockRequest_ITEMS, true, header, strings.Replace(good, ",24,", ","+life+",", 1)).GetFaults()
			if len(got) != 1 || got[0].GetReason() != "FIELD_INVALID" || !strings.Contains(got[0].GetExplanation(), life) {
				t.Errorf("a shelf life of %s months: %v", life, got)
			}
		}
		if trial := d.importing(consumablesv1.ImportStockRequest_ITEMS, true, header, good); trial.GetImportedCount() != 1 {
			t.Errorf("trial %v", trial)
		}
		_, err := d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/degreaser"})
		refused(t, "after a bad import and a trial", err, "NOT_FOUND")
		of(d.importing(consumablesv1.ImportStockRequest_ITEMS, false, header, good), nil).done(t)
		item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/degreaser"})).done(t)
		if len(item.GetHazardStatements()) != 2 || item.GetBaseUnitCode() != "L" || !item.GetCertificateRequired() ||
			item.GetExternalIds()["erp"] != "4711" || item.GetSafetyDataSheetDate().GetDay() != 31 {
			t.Errorf("item %v", item)
		}
		lots := []string{
			"item;quantity;unit;location;lot_id;manufacturer_lot;certificate_number;manufacture_date", "degreaser;2,5;GLL;shelf;deg-1;M-7;C-7;2026-08-31",
			"degreaser;5;L;nowhere;deg-2;;;2026-08-31",
		}
		if bad := d.importing(consumablesv1.ImportStockRequest_LOTS, false, lots...); len(bad.GetFaults()) != 1 ||
			bad.GetFaults()[0].GetReason() != "NOT_FOUND" || bad.GetFaults()[0].GetLine() != 3 {
			t.Errorf("faults %v", bad)
		}
		done := d.importing(consumablesv1.ImportStockRequest_LOTS, false, lots[:2]...)
		lot := d.lot("lots/deg-1")
		if done.GetNames()[0] != "lots/deg-1" || lot.GetOnHand().GetValue() != "9.463529" || lot.GetState() != consumablesv1.Lot_HELD ||
			lot.GetExpireTime().AsTime().Format(time.DateOnly) != "2028-08-31" {
			t.Errorf("lot %v", lot)
		}
		_, err = d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_ITEMS, Content: []byte("colour\nred\n")})
		refused(t, "another table", err, "HEADER_INVALID")
		_, err = d.ImportStock(d.as("tina", "technician"), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_ITEMS, Content: []byte("x")})
		refused(t, "a technician", err, "ROLE_MISSING")
	})
}
