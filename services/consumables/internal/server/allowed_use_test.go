package server_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// limited makes the cleaner one for recovery washes only, by an invented document, on some models or on any.
func (d desk) limited(revision string, models ...string) error {
	return d.limitedTo(&consumablesv1.AllowedUse{
		WorkKind: "RECOVERY_WASH", EngineModels: models, Document: &commonv1.DocumentReference{Title: "INV-MAN 72", Revision: revision},
	})
}

// limitedTo gives the cleaner its only allowed uses.
func (d desk) limitedTo(uses ...*consumablesv1.AllowedUse) error {
	item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(d.t)
	item.AllowedUses = uses
	_, err := d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})
	return err
}

func (d desk) scheduled(order, kind string) { d.scheduledOn(order, kind, "") }

// scheduledOn hears that an order was scheduled for an engine of a model.
func (d desk) scheduledOn(order, kind, model string) {
	d.t.Helper()
	d.scheduledBy(order, kind, model, "")
}

// scheduledBy hears that an order by a task card was scheduled for an engine of a model.
func (d desk) scheduledBy(order, kind, model, card string) {
	d.t.Helper()
	of(0, d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
		WorkOrder: order, Kind: kind, EngineModel: model, TaskCard: card, PlanStartTime: timestamppb.New(days(1)),
		Demands: []*workordersv1.MaterialDemand{{Item: "items/cleaner", Quantity: litres("1")}},
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

// A document may allow an item on some models of engines only: for another model it does not go out, nor while the model is unknown.
func TestAnItemGoesToTheEngineModelsItIsAllowedOn(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		of(0, d.limited("4", "engineModels/inv-6", "engineModels/inv-7")).done(t)
		for order, model := range map[string]string{"workOrders/six": "engineModels/inv-6", "workOrders/nine": "engineModels/inv-9", "workOrders/none": ""} {
			d.scheduledOn(order, "RECOVERY_WASH", model)
		}
		of(d.issue(lot, "workOrders/six", "1")).done(t)
		_, err := d.issue(lot, "workOrders/nine", "1")
		refused(t, "another model", err, "USE_NOT_ALLOWED")
		const says = "items/cleaner is for RECOVERY_WASH on engineModels/inv-6 and engineModels/inv-7 (INV-MAN 72 4), and workOrders/nine is RECOVERY_WASH on engineModels/inv-9. Take an item"
		if err != nil && !strings.Contains(err.Error(), says) {
			t.Errorf("it says %v", err)
		}
		_, err = d.issue(lot, "workOrders/none", "1")
		refused(t, "an engine without a model", err, "ENGINE_MODEL_UNKNOWN")
		d.scheduledOn("workOrders/none", "RECOVERY_WASH", "engineModels/inv-7")
		of(d.issue(lot, "workOrders/none", "1")).done(t)
		d.scheduledOn("workOrders/rinse", "DESALINATION_RINSE", "engineModels/inv-6")
		_, err = d.issue(lot, "workOrders/rinse", "1")
		refused(t, "other work on a model that is allowed", err, "USE_NOT_ALLOWED")
		refused(t, "what is no model", d.limited("4", "inv-6"), "FIELD_INVALID")
	})
}

// A document may allow an item in single operations of a kind of work only: by another card it does not go out, nor while the card is unknown;
// and where the engine's model decides too, what is missing is named.
func TestAnItemGoesToTheOperationItIsAllowedIn(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", days(200)).GetName()
		by := &commonv1.DocumentReference{Title: "INV-MAN 72", Revision: "5"}
		const wash, model = "RECOVERY_WASH", "engineModels/inv-6"
		of(0, d.limitedTo(
			&consumablesv1.AllowedUse{WorkKind: wash, TaskCards: []string{"taskCards/soak", "taskCards/foam"}, Document: by},
			&consumablesv1.AllowedUse{WorkKind: wash, TaskCards: []string{"taskCards/mist"}, EngineModels: []string{model}, Document: by},
		)).done(t)
		for order, work := range map[string][2]string{
			"soaked": {"", "taskCards/soak"}, "other": {model, "taskCards/motoring"}, "before": {model, ""}, "mist": {model, "taskCards/mist"},
			"mist-else": {"engineModels/inv-9", "taskCards/mist"}, "mist-unknown": {"", "taskCards/mist"},
		} {
			d.scheduledBy("workOrders/"+order, wash, work[0], work[1])
		}
		for order, reason := range map[string]string{
			"soaked": "", "mist": "", "other": "USE_NOT_ALLOWED", "before": "WORK_CARD_UNKNOWN", "mist-else": "USE_NOT_ALLOWED", "mist-unknown": "ENGINE_MODEL_UNKNOWN",
		} {
			_, err := d.issue(lot, "workOrders/"+order, "1")
			if reason == "" {
				of(0, err).done(t)
				continue
			}
			refused(t, order, err, reason)
		}
		_, err := d.issue(lot, "workOrders/other", "1")
		const says = "items/cleaner is for RECOVERY_WASH by taskCards/soak and taskCards/foam (INV-MAN 72 5), RECOVERY_WASH by taskCards/mist on engineModels/inv-6 " +
			"(INV-MAN 72 5), and workOrders/other is RECOVERY_WASH by taskCards/motoring on engineModels/inv-6. Take an item"
		if err != nil && !strings.Contains(err.Error(), says) {
			t.Errorf("it says %v", err)
		}
		d.scheduledBy("workOrders/before", wash, model, "taskCards/foam")
		of(d.issue(lot, "workOrders/before", "1")).done(t)
		refused(t, "what is no card", d.limitedTo(&consumablesv1.AllowedUse{WorkKind: wash, TaskCards: []string{"soak"}, Document: by}), "FIELD_INVALID")
	})
}

// What was handed out before its use was limited is not mixed for a job that it is not allowed for; nothing is booked.
func TestNothingIsMixedForAJobThatItIsNotAllowedFor(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.scheduled(order, "DESALINATION_RINSE")
		d.kitted(order)
		of(0, d.limited("4")).done(t)
		_, err := d.blend(batch(order))
		refused(t, "a cleaner for washes", err, "USE_NOT_ALLOWED")
		if d.at("lots/cln", order) != "0.27" || d.at("lots/wtr", order) != "1.623" {
			t.Errorf("left with the job: %s and %s", d.at("lots/cln", order), d.at("lots/wtr", order))
		}
		d.scheduled(order, "RECOVERY_WASH")
		of(d.blend(batch(order))).done(t)
	})
}

// A cleaner that its document allows in one operation is mixed for that one and for no other, nor while nobody says which it is. Nothing is
// booked of what is refused.
func TestWhatIsMixedIsAllowedInItsOperation(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		const wash, soak, foam = "RECOVERY_WASH", "taskCards/soak", "taskCards/foam"
		d.scheduledBy(order, wash, "", soak)
		d.kitted(order)
		of(0, d.limitedTo(&consumablesv1.AllowedUse{
			WorkKind: wash, TaskCards: []string{soak}, Document: &commonv1.DocumentReference{Title: "INV-MAN 72", Revision: "5"},
		})).done(t)
		for card, reason := range map[string]string{foam: "USE_NOT_ALLOWED", "": "WORK_CARD_UNKNOWN"} {
			d.scheduledBy(order, wash, "", card)
			_, err := d.blend(batch(order))
			refused(t, "by the card "+card, err, reason)
			if d.at("lots/cln", order) != "0.27" || d.at("lots/wtr", order) != "1.623" {
				t.Errorf("by the card %q: left with the job: %s and %s", card, d.at("lots/cln", order), d.at("lots/wtr", order))
			}
		}
		d.scheduledBy(order, wash, "", soak)
		mix := of(d.blend(batch(order))).done(t)
		if d.at("lots/cln", order) != "0" || d.at(mix.GetName(), order) != mix.GetReceived().GetValue() {
			t.Errorf("mixed: %v", mix.GetBalances())
		}
	})
}
