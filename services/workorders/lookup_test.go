package workorders_test

import (
	"context"
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"coldsection.example/services/platform/auth"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// called gives an order ids in other systems and nothing else.
func (s *stage) called(o *workordersv1.WorkOrder, ids map[string]string) (*workordersv1.WorkOrder, error) {
	return s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"external_ids"}},
		WorkOrder:  &workordersv1.WorkOrder{Name: o.GetName(), Etag: o.GetEtag(), Remarks: "not masked", ExternalIds: ids},
	})
}

func (s *stage) elsewhere(ctx context.Context, id string) (*workordersv1.WorkOrder, error) {
	return s.look.LookUpWorkOrder(ctx, &workordersv1.LookUpWorkOrderRequest{System: "erp", ExternalId: id})
}

// An order is found by the number that another system gave it: at its draft, or long after its start, when nothing else of it can be changed. What
// was signed stays what it was, and whoever is limited to other owners is told that there is no such number.
func TestAnOrderIsFoundByItsIDElsewhere(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		draft := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/ring-flow-check", ExternalIds: map[string]string{"erp": "4711"}},
		}))
		if found := must[*workordersv1.WorkOrder](s)(s.elsewhere(s.as("ann"), "4711")); found.GetName() != draft.GetName() {
			t.Errorf("found %s", found.GetName())
		}
		o := s.started("ring-flow-check")
		o = must[*workordersv1.WorkOrder](s)(s.called(o, map[string]string{"erp": "4712"}))
		if o.GetState() != workordersv1.WorkOrder_STARTED || o.GetRemarks() != "" || o.GetExternalIds()["erp"] != "4712" {
			t.Errorf("changed to %v", o)
		}
		if found := must[*workordersv1.WorkOrder](s)(s.elsewhere(s.as("ann"), "4712")); found.GetName() != o.GetName() {
			t.Errorf("found %s", found.GetName())
		}
		_, err := s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
			Name: o.GetName(), Engine: engine, TaskCard: "taskCards/ring-flow-check", Remarks: "late", ExternalIds: map[string]string{"erp": "4713"},
		}})
		s.refused(err, "STATE_NOT_ALLOWED")
		stale := &workordersv1.WorkOrder{Name: o.GetName(), Etag: draft.GetEtag()}
		_, err = s.called(stale, map[string]string{"erp": "4714"})
		s.refused(err, "ETAG_MISMATCH")
		_, err = s.do.UpdateWorkOrder(s.as("ann"), &workordersv1.UpdateWorkOrderRequest{
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"external_ids"}}, WorkOrder: &workordersv1.WorkOrder{Name: o.GetName()},
		})
		s.refused(err, "ROLE_MISSING")
		must[*workordersv1.WorkOrder](s)(s.called(o, nil))
		for _, id := range []string{"4712", "4713", "4714"} {
			_, err = s.elsewhere(s.as("ann"), id)
			s.refused(err, "EXTERNAL_ID_UNKNOWN", id)
		}
		must[*workordersv1.WorkOrder](s)(s.called(s.order(o), map[string]string{"erp": "4711"}))
		_, err = s.elsewhere(s.as("ann"), "4711")
		s.refused(err, "EXTERNAL_ID_AMBIGUOUS", draft.GetName(), o.GetName())
		stranger := identity("ann")
		stranger.Owners = []string{"somebody-else"}
		_, err = s.elsewhere(auth.NewContext(t.Context(), stranger), "4711")
		s.refused(err, "EXTERNAL_ID_UNKNOWN")
	})
}
