package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// What is filled over into a hold area is on hold, as what is moved there is: nobody is advised to take it, and it comes out by being cleared.
func TestWhatIsFilledIntoAHoldAreaIsOnHold(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.cage()
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		before := d.facts("coldsection.stock.lot.held.v1")
		bottle := of(d.decant(lot, "1", "locations/cage")).done(t)
		if bottle.GetState() != consumablesv1.Lot_HELD || bottle.GetHoldReason() != "Filled over into a hold area" || !bottle.GetBlockTime().AsTime().Equal(morning) {
			t.Errorf("the bottle is %s (%s) since %v", bottle.GetState(), bottle.GetHoldReason(), bottle.GetBlockTime())
		}
		if n := d.facts("coldsection.stock.lot.held.v1"); n != before+1 || d.lot(lot).GetState() != consumablesv1.Lot_USABLE {
			t.Errorf("%d facts of holds after %d; its lot is %s", n, before, d.lot(lot).GetState())
		}
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: bottle.GetName(), Location: shelf})).done(t)
		if got := d.lot(bottle.GetName()); got.GetState() != consumablesv1.Lot_USABLE || d.at(bottle.GetName(), shelf) != "1" {
			t.Errorf("cleared to the shelf it is %v", got)
		}
		d.clock.Advance(2 * time.Hour)
		of(d.decantedAt(lot, "1", "locations/cage", hours(1))).done(t)
		d.recall(lot)
		if late := of(d.decantedAt(lot, "1", "locations/cage", hours(1))).done(t); late.GetState() != consumablesv1.Lot_RECALLED {
			t.Errorf("of what is recalled it is %s", late.GetState())
		}
		d.balanced()
	})
}

// Whoever scans for an order that has ended, or prints its slip, is told so, and not to schedule it.
func TestAnOrderThatEndedIsNotToldToBeScheduled(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200))
		d.needs(order, "cleaner", "1")
		of(0, d.heard("coldsection.workorder.released.v1", &workordersv1.WorkOrderChanged{WorkOrder: order, Engine: "engines/e1", PlanStartTime: timestamppb.New(morning)})).done(t)
		_, err := d.RenderIssueSlip(d.clerk(), &consumablesv1.RenderIssueSlipRequest{WorkOrder: order})
		refused(t, "its slip", err, "WORK_ORDER_ENDED")
		if said := status.Convert(err).Message(); !strings.Contains(said, order+" was released or voided") || strings.Contains(said, "Schedule") {
			t.Errorf("said %q", said)
		}
		scanned := d.scan(lot.GetShortCode(), order)
		if got := action(scanned, consumablesv1.ScanAction_ISSUE); got != "WORK_ORDER_ENDED" {
			t.Errorf("to hand out is %s", got)
		}
		_, err = d.RenderIssueSlip(d.clerk(), &consumablesv1.RenderIssueSlipRequest{WorkOrder: "workOrders/unheard"})
		refused(t, "of an order that nobody scheduled", err, "WORK_ORDER_UNKNOWN")
		if got := action(d.scan(lot.GetShortCode(), "workOrders/unheard"), consumablesv1.ScanAction_ISSUE); got != "WORK_ORDER_UNKNOWN" {
			t.Errorf("to hand out to an order that nobody scheduled is %s", got)
		}
	})
}
