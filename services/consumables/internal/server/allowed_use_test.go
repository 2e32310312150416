package server_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// limited makes the cleaner one for recovery washes only, by an invented document.
func (d desk) limited(revision string) error {
	item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(d.t)
	item.AllowedUses = []*consumablesv1.AllowedUse{{WorkKind: "RECOVERY_WASH", Document: &commonv1.DocumentReference{Title: "INV-MAN 72", Revision: revision}}}
	_, err := d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})
	return err
}

func (d desk) scheduled(order, kind string) {
	d.t.Helper()
	of(0, d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
		WorkOrder: order, Kind: kind, PlanStartTime: timestamppb.New(days(1)), Demands: []*workordersv1.MaterialDemand{{Item: "items/cleaner", Quantity: litres("1")}},
	})).done(d.t)
}

// An item goes out to the work that its document allows and to none else; an order that stores know by a claim only may be anything,
// and is refused too.
func TestAnItemGoesToTheWorkItIsAllowedFor(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		refused(t, "a use without a revision", d.limited(""), "DOCUMENT_REVISION_MISSING")
		of(0, d.limited("4")).done(t)
		d.scheduled("workOrders/wash", "RECOVERY_WASH")
		d.scheduled("workOrders/rinse", "DESALINATION_RINSE")
		d.needs("workOrders/hand", "cleaner", "1")
		of(d.issue(lot, "workOrders/wash", "1")).done(t)
		_, err := d.issue(lot, "workOrders/rinse", "1")
		refused(t, "other work", err, "USE_NOT_ALLOWED")
		if err != nil && !strings.Contains(err.Error(), "items/cleaner is for RECOVERY_WASH (INV-MAN 72 4), and workOrders/rinse is DESALINATION_RINSE. Take an item") {
			t.Errorf("it says %v", err)
		}
		_, err = d.issue(lot, "workOrders/hand", "1")
		refused(t, "work that nobody named", err, "WORK_KIND_UNKNOWN")
		d.scheduled("workOrders/hand", "RECOVERY_WASH")
		of(d.issue(lot, "workOrders/hand", "1")).done(t)
		if at := d.at(lot, shelf); at != "3" {
			t.Errorf("%s is left", at)
		}
	})
}
