package server_test

import (
	"strings"
	"testing"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// claims is how many claims there are.
func (d desk) claims() int {
	d.t.Helper()
	return len(of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{})).done(d.t).GetReservations())
}

// claimed claims a litre of cleaner for the order by hand.
func (d desk) claimed() error {
	_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
		WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(1)),
	})
	return err
}

// What is booked on another engine than the order's would be sought on the wrong engine in a recall.
func TestAUseByHandIsHeldAgainstTheEngineOfItsOrder(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.knownOn(order, "engines/e7")
		d.issued("cleaner", lot, order, "1")
		_, err := d.use(lot, order, "engines/e1", "1")
		refused(t, "on another engine", err, "ENGINE_NOT_OF_ORDER")
		for _, want := range []string{order, "engines/e7", "engines/e1"} {
			if !strings.Contains(status.Convert(err).Message(), want) {
				t.Errorf("%q doesn't name %s", status.Convert(err).Message(), want)
			}
		}
		if d.at(lot, order) != "1" {
			t.Errorf("the refusal moved stock: %v", d.lot(lot).GetBalances())
		}
		used := of(d.use(lot, order, "engines/e7", "1")).done(t)
		if used.GetEngine() != "engines/e7" {
			t.Errorf("used on %s", used.GetEngine())
		}
		d.balanced()
	})
}

// An order that is scheduled again on another engine is work on that one.
func TestTheEngineIsThatOfTheLastSchedule(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.knownOn(order, "engines/e7")
		d.knownOn(order, "engines/e8")
		d.issued("cleaner", lot, order, "1")
		_, err := d.use(lot, order, "engines/e7", "1")
		refused(t, "on the engine of before", err, "ENGINE_NOT_OF_ORDER")
		of(d.use(lot, order, "engines/e8", "1")).done(t)
	})
}

// Of an order that nobody scheduled nobody knows whether it is: nothing is claimed or used for it, and it works once it is scheduled.
func TestAnOrderThatNobodyScheduledIsRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		refused(t, "claimed", d.claimed(), "WORK_ORDER_UNKNOWN")
		_, err := d.use(lot, order, "engines/e1", "1")
		refused(t, "used", err, "WORK_ORDER_UNKNOWN")
		of(0, d.heard("coldsection.workorder.released.v1", &workordersv1.WorkOrderChanged{WorkOrder: order})).done(t)
		refused(t, "claimed when its end came alone", d.claimed(), "WORK_ORDER_UNKNOWN")
		if d.claims() != 0 || d.at(lot, shelf) != "5" {
			t.Errorf("the refusals left %d claims, and %v", d.claims(), d.lot(lot).GetBalances())
		}
		d.knownOn(order, "engines/e1")
		of(0, d.claimed()).done(t)
		of(d.issue(lot, order, "1")).done(t)
		of(d.use(lot, order, "engines/e1", "1")).done(t)
	})
}

// An order that was scheduled before stores kept engines has none, and its use is taken on the engine that is given.
func TestAnOrderOfBeforeIsUsedOnAnyEngine(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.knownOn(order, "")
		d.issued("cleaner", lot, order, "1")
		of(d.use(lot, order, "engines/e9", "1")).done(t)
	})
}

// An order that wanted nothing from stores ends like any other: nothing is claimed for it any more.
func TestAnEndedOrderWithoutDemandsClaimsNothing(t *testing.T) {
	for _, end := range []string{"coldsection.workorder.voided.v1", "coldsection.workorder.released.v1"} {
		desks(t, func(t *testing.T, d desk) {
			d.stocked("cleaner", "l1", "5", days(200))
			d.knownOn(order, "engines/e1")
			of(0, d.heard(end, &workordersv1.WorkOrderChanged{WorkOrder: order})).done(t)
			refused(t, "claimed after "+end, d.claimed(), "WORK_ORDER_ENDED")
			if got := d.claims(); got != 0 {
				t.Errorf("%d claims after %s", got, end)
			}
		})
	}
}
