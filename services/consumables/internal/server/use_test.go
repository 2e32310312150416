package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// step is a fact of a step that used so much of a lot just now.
func (d desk) step(lot, amount string) *workordersv1.StepCompleted {
	return &workordersv1.StepCompleted{
		WorkOrder: order, Engine: "engines/e1", CompleteTime: timestamppb.New(d.clock.Now()),
		Materials: []*workordersv1.MaterialUse{{Lot: lot, Quantity: litres(amount)}},
	}
}

const stepCompleted = "coldsection.workorder.step.completed.v1"

// Two steps named the same litre before the first was booked. The second waits an hour for an issue, then it is booked from nowhere: the
// engine has it, a recall finds it, and the clerk reads what to put right.
func TestAUseBeyondTheBooksWaitsAnHourAtMost(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.issued("cleaner", lot, order, "1.2")
		of(0, d.heard(stepCompleted, d.step(lot, "1"))).done(t)
		late := d.step(lot, "1")
		told := d.clock.Now()
		refused(t, "at once", d.heardAt(stepCompleted, told, late), "INSUFFICIENT_STOCK")
		d.clock.Advance(time.Hour - time.Second)
		refused(t, "a second too early", d.heardAt(stepCompleted, told, late), "INSUFFICIENT_STOCK")
		d.clock.Advance(time.Second)
		of(0, d.heardAt(stepCompleted, told, late)).done(t)
		if d.at(lot, "engines/e1") != "2" || d.at(lot, order) != "0" || d.at(lot, shelf) != "3.8" {
			t.Errorf("where it is: %v", d.lot(lot).GetBalances())
		}
		trace := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, time.Time{})
		if trace.GetTotal().GetUsed().GetValue() != "2" || trace.GetTotal().GetDifference().GetValue() != "-0.8" || len(trace.GetEngines()) != 1 {
			t.Errorf("trace %v", trace)
		}
		fact := &consumablesv1.StockRecordChanged{}
		d.published("coldsection.stock.use.unbooked.v1", fact)
		beyond := of(d.GetStockMovement(d.clerk(), &consumablesv1.GetStockMovementRequest{Name: fact.GetRecord()})).done(t)
		if fact.GetQuantity().GetValue() != "0.8" || fact.GetLot() != lot || !strings.Contains(beyond.GetReason(), "had 0.8 L less") || !beyond.GetEffectiveTime().AsTime().Equal(told) {
			t.Errorf("told %v of %v", fact, beyond)
		}
		d.balanced()
		// The issue had been forgotten: the clerk puts it right, and nothing is left of the difference.
		of(d.reverse(beyond.GetName())).done(t)
		d.issued("cleaner", lot, order, "0.8")
		of(d.use(lot, order, "engines/e1", "0.8")).done(t)
		if d.at(lot, "engines/e1") != "2" || d.at(lot, shelf) != "3" || d.at(lot, "locations/count-difference") != "0" {
			t.Errorf("put right: %v", d.lot(lot).GetBalances())
		}
		d.balanced()
	})
}

// A step names the lot that stands on all the cans; what it used is out of two that were opened for the job, and one that still was sealed.
func TestAUseOutOfSeveralPacksIsBookedAtOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "20", "2", june)
		d.needs(order, "cleaner", "4")
		first := of(d.issue(lot, order, "1")).done(t).GetLot()
		second := of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), OverrideReason: "the other one leaks"})).done(t).GetLot()
		of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("2"), OverrideReason: "a full can"})).done(t)
		of(0, d.heard(stepCompleted, d.step(lot, "3.5"))).done(t)
		if d.at(first, "engines/e1") != "1" || d.at(second, "engines/e1") != "1" || d.at(lot, order) != "0" {
			t.Errorf("used of %v, %v and %v", d.lot(first).GetBalances(), d.lot(second).GetBalances(), d.lot(lot).GetBalances())
		}
		trace := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, time.Time{})
		if trace.GetTotal().GetUsed().GetValue() != "3.5" || trace.GetTotal().GetIssuedUnused().GetValue() != "0.5" || trace.GetTotal().GetDifference().GetValue() != "0" {
			t.Errorf("total %v", trace.GetTotal())
		}
		d.balanced()
	})
}

// An order is planned again for a warmer day and wants no antifreeze any more: its demand is met without it, what it had claimed is free, and
// so is what came before it of the rest.
func TestADemandThatANewPlanLeavesOutIsGone(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		cleaner, antifreeze := d.stocked("cleaner", "l1", "5", days(200)).GetName(), d.stocked("keeping", "l2", "5", days(200)).GetName()
		plan := func(demands ...*workordersv1.MaterialDemand) {
			of(0, d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
				WorkOrder: order, PlanStartTime: timestamppb.New(days(1)), Demands: demands,
			})).done(t)
		}
		cold := &workordersv1.MaterialDemand{Item: "items/keeping", Quantity: litres("3")}
		wash := &workordersv1.MaterialDemand{Item: "items/cleaner", Quantity: litres("2")}
		plan(wash, cold)
		of(d.issue(cleaner, order, "2")).done(t)
		if n := d.facts("coldsection.stock.demand.met.v1"); n != 0 {
			t.Fatalf("met %d times while the antifreeze is missing", n)
		}
		plan(wash)
		if n := d.facts("coldsection.stock.demand.met.v1"); n != 1 || d.lot(antifreeze).GetReserved().GetValue() != "0" {
			t.Errorf("met %d times, %v is still claimed", n, d.lot(antifreeze).GetReserved())
		}
		for _, got := range of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands() {
			if got.GetState() != consumablesv1.StockDemand_ISSUED || got.GetReserved().GetValue() != "0" || got.GetShortfall().GetValue() != "0" {
				t.Errorf("demand %v", got)
			}
		}
		plan(&workordersv1.MaterialDemand{Item: "items/cleaner", Quantity: litres("2.5")})
		if n := d.facts("coldsection.stock.demand.met.v1"); n != 1 {
			t.Errorf("met %d times while half a litre is missing", n)
		}
	})
}
