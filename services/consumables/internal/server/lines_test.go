package server_test

import (
	"bytes"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/platform/ids"
)

// What an order claims is free for others once it is voided or released, and its demand is closed.
func TestClaimsAreFreedWhenTheirOrderEnds(t *testing.T) {
	for _, end := range []string{"coldsection.workorder.voided.v1", "coldsection.workorder.released.v1"} {
		desks(t, func(t *testing.T, d desk) {
			lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
			d.needs(order, "cleaner", "4")
			d.needs("workOrders/other", "cleaner", "1")
			d.known("workOrders/late")
			_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
				WorkOrder: "workOrders/late", Item: "items/cleaner", Quantity: litres("2"), NeedTime: timestamppb.New(days(1)),
			})
			refused(t, "while it is claimed", err, "INSUFFICIENT_STOCK")
			of(0, d.heard(end, &workordersv1.WorkOrderChanged{WorkOrder: order})).done(t)
			demands := of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{Filter: `work_order = "` + order + `"`})).done(t).GetStockDemands()
			if got := d.lot(lot).GetReserved().GetValue(); got != "1" || len(demands) != 1 || demands[0].GetState() != consumablesv1.StockDemand_CLOSED {
				t.Errorf("after %s %s is claimed, the demand is %v", end, got, demands)
			}
			_, err = d.issue(lot, order, "1")
			refused(t, "handed out after "+end, err, "WORK_ORDER_ENDED")
			_, err = d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(1))})
			refused(t, "claimed after "+end, err, "WORK_ORDER_ENDED")
			of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), OverrideReason: "handed out yesterday"})).done(t)
			d.needs("workOrders/late", "cleaner", "2")
			_, err = d.issue(lot, "workOrders/late", "2")
			of(0, err).done(t)
		})
	}
}

// A claim lapses a week after its need (the suite's own rule): until then it holds, to the instant, and then others may take the stock.
func TestAClaimLapsesByItself(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "5")
		claim := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{})).done(t).GetReservations()[0]
		if want := claim.GetNeedTime().AsTime().AddDate(0, 0, 7); !claim.GetExpireTime().AsTime().Equal(want) {
			t.Fatalf("it lapses at %s, want %s", claim.GetExpireTime().AsTime(), want)
		}
		d.known("workOrders/late")
		late := func() error {
			_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
				WorkOrder: "workOrders/late", Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(20)),
			})
			return err
		}
		d.clock.Advance(claim.GetExpireTime().AsTime().Sub(d.clock.Now()))
		refused(t, "at the last instant", late(), "INSUFFICIENT_STOCK")
		d.clock.Advance(time.Second)
		_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: claim.GetNeedTime(),
		})
		refused(t, "a claim that would lapse at once", err, "TIME_IN_PAST")
		of(0, late()).done(t)
		of(d.issue(lot, "workOrders/late", "1")).done(t)
	})
}

// Where the item asks for it, whoever received a lot does not clear it; another person does.
func TestASecondPersonClears(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) { i.SecondPersonClears = true })).done(t)
		lot := d.received("cleaner", "l1", "5", days(200)).GetName()
		_, err := d.clear(lot)
		refused(t, "who received it", err, "SAME_PERSON")
		if d.lot(lot).GetState() != consumablesv1.Lot_HELD {
			t.Error("it is not held any more")
		}
		got := of(d.ClearLot(d.as("dora", "stores"), &consumablesv1.ClearLotRequest{Name: lot})).done(t)
		if got.GetState() != consumablesv1.Lot_USABLE {
			t.Errorf("cleared by another: %s", got.GetState())
		}
	})
}

// A lot whose last went to waste is disposed of; what comes back by an entry that was undone is held. A recalled lot stays recalled, and
// its batch does not come in as a new lot.
func TestALotWhoseLastWentToWasteIsDisposedOf(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		waste := func(lot, amount, from string) *consumablesv1.StockMovement {
			return of(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: lot, Quantity: litres(amount), Location: from, Reason: "spoilt"})).done(t)
		}
		state := func(lot string, want consumablesv1.Lot_State) {
			t.Helper()
			if got := d.lot(lot).GetState(); got != want {
				t.Errorf("%s is %s, want %s", lot, got, want)
			}
		}
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.issued("cleaner", lot, order, "1")
		waste(lot, "4", shelf)
		state(lot, consumablesv1.Lot_USABLE) // a litre is with the job
		last := waste(lot, "1", order)
		state(lot, consumablesv1.Lot_DISPOSED)
		of(d.ReverseMovement(d.clerk(), &consumablesv1.ReverseMovementRequest{Name: last.GetName(), Reason: "another drum"})).done(t)
		state(lot, consumablesv1.Lot_HELD)
		held := d.received("cleaner", "l2", "5", days(200)).GetName()
		waste(held, "5", shelf)
		state(held, consumablesv1.Lot_DISPOSED)
		bad := d.stocked("cleaner", "l3", "5", days(200)).GetName()
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: bad, Reason: "maker's letter"})).done(t)
		waste(bad, "5", shelf)
		again := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("5"), Lot: d.draftOf("cleaner", "l3", days(200))})).done(t)
		if again.GetName() == bad || again.GetState() != consumablesv1.Lot_RECALLED {
			t.Errorf("the recalled batch came in as %s, %s", again.GetName(), again.GetState())
		}
		d.balanced()
	})
}

// Opening stock comes from a workbook as from a text: dates as the numbers that spreadsheets keep, each fault with its row, a trial that
// changes nothing.
func TestOpeningStockComesFromAWorkbook(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		book := func(rows ...[]any) []byte {
			file := excelize.NewFile()
			for i, row := range rows {
				of(0, file.SetSheetRow("Sheet1", "A"+strconv.Itoa(i+1), &row)).done(t)
			}
			var out bytes.Buffer
			of(0, file.Write(&out)).done(t)
			return out.Bytes()
		}
		header := []any{"item", "quantity", "unit", "location", "lot_id", "manufacturer_lot", "use_by_date"}
		row := func(id, place string) []any {
			return []any{"cleaner", 2.5, "L", place, id, "M-" + id, time.Date(2027, 6, 30, 0, 0, 0, 0, time.UTC)}
		}
		take := func(dry bool, content []byte) *consumablesv1.ImportStockResponse {
			return of(d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_LOTS, ValidateOnly: dry, Content: content})).done(t)
		}
		bad := take(false, book(header, row("x1", "shelf"), row("x2", "nowhere")))
		if len(bad.GetFaults()) != 1 || bad.GetFaults()[0].GetLine() != 3 || bad.GetFaults()[0].GetReason() != "NOT_FOUND" || bad.GetImportedCount() != 0 {
			t.Errorf("a bad row: %v", bad)
		}
		good := book(header, row("x1", "shelf"), row("x2", "shelf"))
		if trial := take(true, good); trial.GetImportedCount() != 2 {
			t.Errorf("a trial: %v", trial)
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots(); len(lots) != 0 {
			t.Errorf("the trial left %v", lots)
		}
		if done := take(false, good); strings.Join(done.GetNames(), " ") != "lots/x1 lots/x2" {
			t.Errorf("taken: %v", done)
		}
		if lot := d.lot("lots/x2"); lot.GetOnHand().GetValue() != "2.5" || lot.GetUseByDate().GetYear() != 2027 || lot.GetUseByDate().GetDay() != 30 {
			t.Errorf("lot %v", lot)
		}
		d.balanced()
	})
}

// A lot whose last day ended is marked once, and the fact is told once; on the day itself it stays usable.
func TestALotWhoseLifeEndedIsMarkedOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(1)).GetName()
		for _, step := range []struct {
			wait time.Duration
			want consumablesv1.Lot_State
			told int
		}{{39*time.Hour + 59*time.Minute, consumablesv1.Lot_USABLE, 0}, {2 * time.Minute, consumablesv1.Lot_EXPIRED, 1}, {time.Hour, consumablesv1.Lot_EXPIRED, 1}} {
			d.clock.Advance(step.wait)
			of(0, (&app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}).Sweep(t.Context())).done(t)
			if got, told := d.lot(lot).GetState(), len(d.factsAbout(lot, "coldsection.stock.lot.expired.v1")); got != step.want || told != step.told {
				t.Errorf("at %s it is %s, told %d times", d.clock.Now(), got, told)
			}
		}
	})
}
