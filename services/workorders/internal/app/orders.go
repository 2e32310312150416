package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/app/cards"
	"coldsection.example/services/workorders/internal/app/regimes"
	"coldsection.example/services/workorders/internal/flow"
	"coldsection.example/services/workorders/internal/store"
)

// Seed adds the sample cards and regimes that are not there yet.
func (a *App) Seed(ctx context.Context) error {
	return a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for _, r := range regimes.Samples() {
			if err := store.Regimes.Insert(ctx, tx, r, a.Clock.Now()); err != nil && !fault.HasReason(err, "ALREADY_EXISTS") {
				return err
			}
		}
		for _, card := range cards.Samples() {
			if err := store.Cards.Insert(ctx, tx, card, a.Clock.Now()); err != nil && !fault.HasReason(err, "ALREADY_EXISTS") {
				return err
			}
		}
		return nil
	})
}

// draft is what an order is drafted from, asked of the other services before the transaction.
type draft struct {
	order  *workordersv1.WorkOrder
	id     string
	engine *compliancev1.Engine
	model  *performancev1.EngineModel
	heater *performancev1.CalculateHeaterResponse // nil when no reading takes its limits from it
}

func (a *App) prepare(ctx context.Context, order *workordersv1.WorkOrder, id string) (draft, error) {
	d := draft{order: order, id: id}
	var err error
	if d.engine, err = a.engineOf(ctx, order.GetEngine()); err != nil {
		return d, err
	}
	if d.model, err = a.modelOf(ctx, d.engine.GetEngineModel()); fault.HasReason(err, "NOT_FOUND") {
		d.model, err = nil, nil
	}
	if err != nil {
		return d, err
	}
	d.heater, err = a.heaterFor(ctx, order, d.engine.GetEngineModel())
	return d, err
}

// CreateWorkOrder drafts an order.
func (a *App) CreateWorkOrder(ctx context.Context, req *workordersv1.CreateWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	resource.ClearOutputOnly(req.GetWorkOrder())
	d, err := a.prepare(ctx, req.GetWorkOrder(), req.GetWorkOrderId())
	if err != nil {
		return nil, err
	}
	if err := a.mayAccomplish(ctx, req.GetWorkOrder().GetTaskCard(), req.GetWorkOrder().GetRequirements()); err != nil {
		return nil, err
	}
	if err := a.known(ctx, "work_order.assignees", req.GetWorkOrder().GetAssignees()); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		return a.unit(ctx, tx).draft(ctx, d)
	})
}

// draft writes the order, its steps and, for a wash, its first plan.
func (u unit) draft(ctx context.Context, d draft) (*workordersv1.WorkOrder, error) {
	card, err := store.Cards.Get(ctx, u.Tx, d.order.GetTaskCard())
	if fault.HasReason(err, "NOT_FOUND") {
		return nil, fault.Precondition("TASK_CARD_UNKNOWN", "There is no task card %q. List the cards and choose one.", d.order.GetTaskCard())
	}
	if err != nil {
		return nil, err
	}
	o := d.order
	if end := o.GetPlanEndTime(); end != nil && !end.AsTime().After(o.GetPlanStartTime().AsTime()) {
		return nil, fault.Invalid("work_order.plan_end_time", "TIMES_REVERSED", "The planned end is not after the planned start. Correct the times.")
	}
	n, err := store.NextNumber(ctx, u.Tx)
	if err != nil {
		return nil, err
	}
	o.Name, o.Number = u.app.newName("workOrders", d.id), fmt.Sprintf("WO-%d-%04d", u.now.Year(), n)
	if o.GetDisplayName() == "" {
		o.DisplayName = card.GetDisplayName()
	}
	o.EngineSerial, o.EngineModel, o.Aircraft, o.EnginePosition = d.engine.GetSerial(), d.engine.GetEngineModel(), d.engine.GetAircraft(), d.engine.GetPosition()
	o.TaskCardRevision, o.Kind, o.InspectionRequired = card.GetRevision(), card.GetKind(), card.GetInspectionRequired()
	o.State, o.AgentDrafted = workordersv1.WorkOrder_DRAFTED, u.caller.Has("agent")
	if err := u.firstPlan(ctx, o, d); err != nil {
		return nil, err
	}
	if err := u.underRegime(ctx, o); err != nil {
		return nil, err
	}
	o.AllowedVerbs = flow.Allowed(flowOf(o))
	if err := store.Orders.Insert(ctx, u.Tx, o, u.now); err != nil {
		return nil, err
	}
	if err := owners.Learn(ctx, u.Tx, o.GetName(), d.engine.GetOwner()); err != nil {
		return nil, err
	}
	if len(o.GetExternalIds()) > 0 {
		if err := u.keepIDs(ctx, o); err != nil {
			return nil, err
		}
	}
	for i, s := range card.GetSteps() {
		step := &workordersv1.Step{
			Name: fmt.Sprintf("%s/steps/s%02d", o.GetName(), i+1), Position: int32(i + 1), Title: s.GetTitle(), Kind: s.GetKind(), Instruction: s.GetInstruction(),
			Cautions: s.GetCautions(), Measurements: limited(s.GetMeasurements(), d.heater), RequiredTools: s.GetRequiredTools(), RequiredAuthorizations: s.GetRequiredAuthorizations(),
			Critical: s.GetCritical(), SignatureRequired: s.GetSignatureRequired(), State: workordersv1.Step_OPEN,
		}
		if err := store.Steps.Insert(ctx, u.Tx, step, u.now); err != nil {
			return nil, err
		}
	}
	if err := u.raiseFor(ctx, o); err != nil {
		return nil, err
	}
	return o, u.tell(ctx, o, "drafted", nil)
}

// firstPlan computes the plan of a wash; other work has none.
func (u unit) firstPlan(ctx context.Context, o *workordersv1.WorkOrder, d draft) error {
	if !isWash(o.GetKind()) {
		return nil
	}
	if d.model.GetWash() == nil {
		return fault.Precondition("PLAN_NOT_POSSIBLE", "The engine model %s has no wash data. Enter them with their document.", d.engine.GetEngineModel())
	}
	at := conditions{day: resource.DateText(civil(u.now))}
	if err := u.flownSince(ctx, o, &at); err != nil {
		return err
	}
	c := computePlan(o, d.model, at, u.now)
	o.Demands = c.demands
	return u.savePlan(ctx, c)
}

// ScheduleWorkOrder fixes time, place, people and temperature, computes the plan and asks for stock.
func (a *App) ScheduleWorkOrder(ctx context.Context, req *workordersv1.ScheduleWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	current, err := store.Orders.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	d, err := a.prepare(ctx, current, "")
	if err != nil {
		return nil, err
	}
	if err := a.known(ctx, "assignees", req.GetAssignees()); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if err := u.toCome(req); err != nil {
			return nil, err
		}
		place, err := store.Stations.Get(ctx, tx, req.GetStation())
		if err != nil {
			return nil, err
		}
		o.EngineModel, o.Aircraft, o.EnginePosition = d.engine.GetEngineModel(), d.engine.GetAircraft(), d.engine.GetPosition()
		o.PlanStartTime, o.PlanEndTime, o.Station = req.GetPlanStartTime(), req.GetPlanEndTime(), place.GetName()
		if len(req.GetAssignees()) > 0 { // who says nothing of people takes nobody off
			o.Assignees = req.GetAssignees()
		}
		if isWash(o.GetKind()) {
			if err := u.planFor(ctx, o, d.model, place, req); err != nil {
				return nil, err
			}
		}
		if err := u.limitAgain(ctx, o, d.heater); err != nil {
			return nil, err
		}
		return o, u.advance(ctx, o, "schedule", nil)
	})
}

// toCome refuses a plan that begins in the past or ends before it begins. Reasons: TIME_IN_PAST, TIMES_REVERSED.
func (u unit) toCome(req *workordersv1.ScheduleWorkOrderRequest) error {
	if req.GetPlanStartTime().AsTime().Before(u.now) {
		return fault.Invalid("plan_start_time", "TIME_IN_PAST", "The planned start is past. Give a time to come.")
	}
	if end := req.GetPlanEndTime(); end != nil && !end.AsTime().After(req.GetPlanStartTime().AsTime()) {
		return fault.Invalid("plan_end_time", "TIMES_REVERSED", "The planned end is not after the planned start. Correct the times.")
	}
	return nil
}

func (u unit) planFor(ctx context.Context, o *workordersv1.WorkOrder, model *performancev1.EngineModel, place *workordersv1.Station, req *workordersv1.ScheduleWorkOrderRequest) error {
	weather, power := req.GetWeather(), req.GetPowerSource()
	if weather == nil {
		weather = place.GetWeather()
	}
	if power == "" {
		power = place.GetPowerSource()
	}
	if weather == nil {
		return fault.Precondition("PLAN_NOT_POSSIBLE", "No temperature is known for %s. Give the lowest one expected from mixing to the end of the drying run.", place.GetDisplayName())
	}
	at, err := u.conditionsAt(ctx, o, place)
	if err != nil {
		return err
	}
	at.temperature, at.power = new(weather.GetLowestExpectedC()), power
	c := computePlan(o, model, at, u.now)
	if len(c.plan.GetRefusals()) > 0 {
		return fault.Precondition("PLAN_NOT_POSSIBLE", "%s", strings.Join(c.plan.GetRefusals(), " "))
	}
	if err := u.choose(ctx, o, c.plan, req.GetChoiceReason()); err != nil {
		return err
	}
	o.Demands = c.demands
	return u.savePlan(ctx, c)
}

// KitWorkOrder kits an order that needs no stock, by hand.
func (a *App) KitWorkOrder(ctx context.Context, req *workordersv1.KitWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if len(o.GetDemands()) > 0 {
			return nil, fault.Precondition("DEMAND_OPEN", "%s needs stock and is kitted by itself when all of it was issued. Have stores issue the rest.", o.GetName())
		}
		return o, u.advance(ctx, o, "kit", nil)
	})
}

// Kitted reacts to stores: everything was issued.
func (a *App) Kitted(ctx context.Context, tx *storage.Tx, order string) error {
	u := a.unit(ctx, tx)
	o, err := store.Orders.Lock(ctx, tx, order)
	if err != nil || o.GetState() != workordersv1.WorkOrder_SCHEDULED {
		return err
	}
	for _, d := range o.GetDemands() {
		d.Issued, d.Shortfall = d.GetQuantity(), nil
	}
	return u.advance(ctx, o, "kit", nil)
}

// HoldWorkOrder puts an order on hold.
func (a *App) HoldWorkOrder(ctx context.Context, req *workordersv1.HoldWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		return o, u.hold(ctx, o, req.GetReason())
	})
}

func (u unit) hold(ctx context.Context, o *workordersv1.WorkOrder, reason string) error {
	if _, _, err := flow.Next(flowOf(o), "hold", o.GetName()); err != nil {
		return err
	}
	o.Hold = &workordersv1.Hold{Reason: reason, HoldTime: timestamppb.New(u.now), Person: u.caller.Person}
	if err := u.save(ctx, o); err != nil {
		return err
	}
	return u.tell(ctx, o, "held", func(c *workordersv1.WorkOrderChanged) { c.Reason = reason })
}

// ResumeWorkOrder ends a hold.
func (a *App) ResumeWorkOrder(ctx context.Context, req *workordersv1.ResumeWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if _, _, err := flow.Next(flowOf(o), "resume", o.GetName()); err != nil {
			return nil, err
		}
		if err := u.mayResume(ctx, o); err != nil {
			return nil, err
		}
		o.Hold = nil
		if err := u.save(ctx, o); err != nil {
			return nil, err
		}
		return o, u.tell(ctx, o, "resumed", nil)
	})
}

// mayResume refuses to go on while a finding that stopped the work has no answer: whoever stopped it would not be heard. Reason:
// STOP_WORK_OPEN.
func (u unit) mayResume(ctx context.Context, o *workordersv1.WorkOrder) error {
	condition, args := store.Under(o.GetName() + "/findings")
	found, err := store.Findings.Where(ctx, u.Tx, condition+" AND state = 'RAISED' ORDER BY raise_time, name", args...)
	for _, f := range found {
		if f.GetStopWork() {
			return fault.Precondition("STOP_WORK_OPEN", "%s stopped the work of %s, was reported by %s and has no answer: %s. Answer it first, then resume.",
				f.GetName(), o.GetName(), f.GetRaiser(), f.GetDescription()).With("finding", f.GetName())
		}
	}
	return err
}
