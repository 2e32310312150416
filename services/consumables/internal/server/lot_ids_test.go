package server_test

import (
	"maps"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// deliver books a delivery of a lot in that has these ids in other systems.
func (d desk) deliver(id, lot string, elsewhere map[string]string) *consumablesv1.Lot {
	d.t.Helper()
	l := d.draftOf("cleaner", lot, days(200))
	l.ExternalIds = elsewhere
	return of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{LotId: id, Location: shelf, Quantity: litres("5"), Lot: l})).done(d.t)
}

func (d desk) elsewhere(system, id string) (*consumablesv1.LookUpLotResponse, error) {
	return d.LookUpLot(d.clerk(), &consumablesv1.LookUpLotRequest{System: system, ExternalId: id})
}

// A lot is found by its id elsewhere, with whether it may be used, also after work on it; a further delivery that joins it adds ids to it; what is filled from it
// has none of them; two lots with one id are told apart by nobody.
func TestALotIsFoundByItsIDElsewhere(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		first := d.deliver("l1", "l1", map[string]string{"erp": "B-1"})
		more := d.deliver("", "l1", map[string]string{"maker": "M/77"})
		if want := map[string]string{"erp": "B-1", "maker": "M/77"}; more.GetName() != first.GetName() || !maps.Equal(more.GetExternalIds(), want) {
			t.Errorf("a further delivery is %s with %v", more.GetName(), more.GetExternalIds())
		}
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: first.GetName()})).done(t)
		filled := of(d.decant(first.GetName(), "0.5", "")).done(t)
		if len(filled.GetExternalIds()) != 0 {
			t.Errorf("a container has the ids %v", filled.GetExternalIds())
		}
		if got := of(d.elsewhere("erp", "B-1")).done(t); got.GetLot().GetName() != first.GetName() || !got.GetUsable() || got.GetExplanation() == "" {
			t.Errorf("found %v", got)
		}
		if got := of(d.elsewhere("maker", "M/77")).done(t); got.GetLot().GetName() != first.GetName() {
			t.Errorf("found %v", got)
		}
		_, err := d.elsewhere("erp", "B-9")
		refused(t, "an id of none", err, "EXTERNAL_ID_UNKNOWN")
		apart := d.deliver("", "l1", map[string]string{"erp": "B-2"})
		if got := of(d.elsewhere("erp", "B-2")).done(t); apart.GetName() == first.GetName() || got.GetLot().GetName() != apart.GetName() || got.GetUsable() {
			t.Errorf("a delivery after the first is in use is %s, found %v", apart.GetName(), got)
		}
		d.deliver("l2", "l2", map[string]string{"erp": "B-2"})
		_, err = d.elsewhere("erp", "B-2")
		refused(t, "two lots", err, "EXTERNAL_ID_AMBIGUOUS")
		for what, req := range map[string]*consumablesv1.LookUpLotRequest{
			"nothing": {}, "half": {System: "erp"}, "the other half": {ExternalId: "B-2"}, "both": {Code: first.GetShortCode(), System: "erp", ExternalId: "B-2"},
		} {
			_, err := d.LookUpLot(d.clerk(), req)
			refused(t, what, err, "LOOK_UP_AMBIGUOUS")
		}
	})
}
