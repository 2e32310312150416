package app

import (
	"context"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/flow"
	"coldsection.example/services/workorders/internal/store"
)

// UpdateWorkOrder changes an order that was not started. At another station a wash gets a new revision of its plan, and stock is
// asked for anew.
func (a *App) UpdateWorkOrder(ctx context.Context, req *workordersv1.UpdateWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	if paths := req.GetUpdateMask().GetPaths(); len(paths) == 1 && paths[0] == "external_ids" {
		return a.nameElsewhere(ctx, req)
	}
	current, err := store.Orders.Read(ctx, a.DB, req.GetWorkOrder().GetName())
	if err != nil {
		return nil, err
	}
	d, err := a.prepare(ctx, current, "")
	if err != nil {
		return nil, err
	}
	if err := a.mayName(ctx, current, req); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		return a.unit(ctx, tx).update(ctx, req, d.model)
	})
}

// mayName asks compliance for the requirements and people that a change of an order names; what its mask leaves out is not changed, whatever comes along.
// Reasons: those of mayAccomplish and known.
func (a *App) mayName(ctx context.Context, current *workordersv1.WorkOrder, req *workordersv1.UpdateWorkOrderRequest) error {
	if resource.Names(req.GetUpdateMask(), "requirements") {
		if err := a.mayAccomplish(ctx, current.GetTaskCard(), req.GetWorkOrder().GetRequirements()); err != nil {
			return err
		}
	}
	if !resource.Names(req.GetUpdateMask(), "assignees") {
		return nil
	}
	return a.known(ctx, "work_order.assignees", req.GetWorkOrder().GetAssignees())
}

func (u unit) update(ctx context.Context, req *workordersv1.UpdateWorkOrderRequest, model *performancev1.EngineModel) (*workordersv1.WorkOrder, error) {
	o, err := u.lock(ctx, req.GetWorkOrder().GetName(), req.GetWorkOrder().GetEtag())
	if err != nil {
		return nil, err
	}
	switch o.GetState().String() {
	case flow.Drafted, flow.Scheduled, flow.Kitted:
	default:
		return nil, standing(o, "STATE_NOT_ALLOWED", "%s is %s; an order is changed before it starts. Draft a new order for what else is to be done.", o.GetName(), o.GetState())
	}
	station, begins := o.GetStation(), o.GetPlanStartTime()
	if err := resource.Apply(o, req.GetWorkOrder(), req.GetUpdateMask()); err != nil {
		return nil, err
	}
	o.EndCounters = nil // they come with the performer's signature
	if err := u.underRegime(ctx, o); err != nil {
		return nil, err
	}
	if err := u.mayPlan(o, begins); err != nil {
		return nil, err
	}
	fact := "changed"
	switch {
	case o.GetStation() != station:
		fact, err = u.moveTo(ctx, o, model)
	case !proto.Equal(o.GetPlanStartTime(), begins):
		fact, err = u.putOff(ctx, o, model)
	}
	if err != nil {
		return nil, err
	}
	if err := u.save(ctx, o); err != nil {
		return nil, err
	}
	if err := u.keepIDs(ctx, o); err != nil {
		return nil, err
	}
	return o, u.tell(ctx, o, fact, nil)
}

// mayPlan checks changed times. Reasons: TIME_NEEDED, TIME_IN_PAST, TIMES_REVERSED.
func (u unit) mayPlan(o *workordersv1.WorkOrder, begins *timestamppb.Timestamp) error {
	start, end := o.GetPlanStartTime(), o.GetPlanEndTime()
	switch {
	case start == nil && o.GetState() != workordersv1.WorkOrder_DRAFTED:
		return fault.Invalid("work_order.plan_start_time", "TIME_NEEDED", "An order that is %s keeps a planned start. Give the new one.", o.GetState())
	case start != nil && !proto.Equal(start, begins) && start.AsTime().Before(u.now):
		return fault.Invalid("work_order.plan_start_time", "TIME_IN_PAST", "The planned start is past. Give a time to come.")
	case end != nil && !end.AsTime().After(start.AsTime()):
		return fault.Invalid("work_order.plan_end_time", "TIMES_REVERSED", "The planned end is not after the planned start. Correct the times.")
	default:
		return nil
	}
}

// moveTo plans an order for its new station and says which fact that makes. Reasons: STATION_NEEDED, STATE_NOT_ALLOWED,
// PLAN_NOT_POSSIBLE.
func (u unit) moveTo(ctx context.Context, o *workordersv1.WorkOrder, model *performancev1.EngineModel) (string, error) {
	if o.GetStation() == "" {
		return "", fault.Invalid("work_order.station", "STATION_NEEDED", "An order keeps a station. Name the new one.")
	}
	place, err := store.Stations.Get(ctx, u.Tx, o.GetStation())
	if err != nil {
		return "", err
	}
	switch {
	case o.GetState() == workordersv1.WorkOrder_DRAFTED || !isWash(o.GetKind()):
		return "changed", nil
	case o.GetState() == workordersv1.WorkOrder_KITTED:
		return "", standing(o, "STATE_NOT_ALLOWED", "%s is KITTED for its plan, which another station may change. Void it, return the stock and draft a new one.", o.GetName())
	default:
		return "scheduled", u.planFor(ctx, o, model, place, &workordersv1.ScheduleWorkOrderRequest{})
	}
}

// putOff plans a wash for its new time and says which fact that makes. Nobody gives the weather of that time with it, so the colder of what it was
// planned for and what its station expects holds; what has its kit is put off only while it needs nothing else. Reasons: PLAN_NOT_POSSIBLE,
// PLAN_OF_OTHER_WEATHER.
func (u unit) putOff(ctx context.Context, o *workordersv1.WorkOrder, model *performancev1.EngineModel) (string, error) {
	if o.GetState() == workordersv1.WorkOrder_DRAFTED || !isWash(o.GetKind()) {
		return "changed", nil
	}
	p, err := store.Plans.Get(ctx, u.Tx, o.GetName()+"/washPlan")
	if err != nil {
		return "", err
	}
	place, err := store.Stations.Get(ctx, u.Tx, o.GetStation())
	if err != nil {
		return "", err
	}
	if o.GetState() == workordersv1.WorkOrder_KITTED {
		c, err := u.asCold(ctx, o, p, model, place)
		if err != nil {
			return "", err
		}
		return "changed", u.savePlan(ctx, c)
	}
	return "scheduled", u.planFor(ctx, o, model, place, &workordersv1.ScheduleWorkOrderRequest{
		Weather: &workordersv1.Weather{LowestExpectedC: colder(p, place)}, PowerSource: powerOf(model, p.GetStarterProfile()),
	})
}
