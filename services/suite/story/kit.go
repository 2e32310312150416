package story

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/quantity"
)

func instant(t *timestamppb.Timestamp) string {
	if t == nil {
		return "(open)"
	}
	return t.AsTime().Format("2006-01-02 15:04Z")
}

// schedule finds the order that was drafted by itself, and gives it a time, a place and people.
func (s *Story) schedule(ctx context.Context) error {
	if err := s.at(planning); err != nil {
		return err
	}
	orders := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["planner"])
	err := s.until(ctx, "the drafted order", func() (bool, error) {
		found, err := orders.ListWorkOrders(ctx, &workordersv1.ListWorkOrdersRequest{Filter: fmt.Sprintf("engine = %q AND kind = RECOVERY_WASH", engine)})
		if err != nil || len(found.GetWorkOrders()) == 0 {
			return false, err
		}
		s.world.workOrder = found.GetWorkOrders()[0]
		return true, nil
	})
	if err != nil {
		return err
	}
	order := s.world.workOrder
	s.tell.Line("Order %s was drafted by itself: %s. Reasons: %s.", order.GetNumber(), order.GetDisplayName(), strings.Join(order.GetOrigin().GetReasons(), "; "))
	order, err = workordersv1.NewWorkOrdersServiceClient(s.cast["planner"]).ScheduleWorkOrder(ctx, &workordersv1.ScheduleWorkOrderRequest{
		Name: order.GetName(), Etag: order.GetEtag(), RequestId: s.key("schedule"),
		PlanStartTime: timestamppb.New(washDay), PlanEndTime: timestamppb.New(washDay.Add(4 * time.Hour)), Station: station,
		Assignees: []string{s.cast["technician"].person},
		Weather:   &workordersv1.Weather{LowestExpectedC: 9, Source: "Morning forecast of the station", ValidTime: timestamppb.New(washDay)},
	})
	if err != nil {
		return err
	}
	s.world.workOrder, s.out.WorkOrder = order, order.GetName()
	if err := s.readPlan(ctx); err != nil {
		return err
	}
	return s.awaitReservations(ctx)
}

func (s *Story) readPlan(ctx context.Context) error {
	plan, err := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["planner"]).GetWashPlan(ctx,
		&workordersv1.GetWashPlanRequest{Name: s.out.WorkOrder + "/washPlan"})
	if err != nil {
		return err
	}
	s.world.plan = plan
	s.tell.Line("The plan for %.0f °C: %s of solution, %s; %s", plan.GetPlannedAirTemperatureC(), amount(plan.GetBatchVolume()), plan.GetRatioText(), plan.GetAntifreeze().GetExplanation())
	for _, c := range plan.GetComponents() {
		s.tell.Line("  %s: %s", c.GetRole(), amount(c.GetQuantity()))
	}
	s.tell.Line("  water for the rinses: %s", amount(plan.GetRinseVolume()))
	s.tell.Line("  %.2f L/min through the ring at %.0f kPa: %d wash runs and %d rinse runs, %d s of starter use within profile %q.",
		plan.GetRingFlowLMin(), plan.GetContainerPressureKpa(), plan.GetWashRuns(), plan.GetRinseRuns(), plan.GetStarterSeconds(), plan.GetStarterProfile())
	s.tell.Line("  %s", plan.GetNotice())
	return nil
}

func (s *Story) awaitReservations(ctx context.Context) error {
	stock := consumablesv1.NewConsumablesQueryServiceClient(s.cast["planner"])
	return s.until(ctx, "the reservations", func() (bool, error) {
		demands, err := stock.ListStockDemands(ctx, &consumablesv1.ListStockDemandsRequest{Filter: fmt.Sprintf("work_order = %q", s.out.WorkOrder)})
		if err != nil || len(demands.GetStockDemands()) == 0 {
			return false, err
		}
		for _, d := range demands.GetStockDemands() {
			if d.GetState() != consumablesv1.StockDemand_RESERVED {
				return false, nil
			}
		}
		for _, d := range demands.GetStockDemands() {
			s.tell.Line("Stores claimed %s of %s for %s.", amount(d.GetReserved()), d.GetItem(), instant(d.GetNeedTime()))
		}
		return true, nil
	})
}

// kit issues what the order needs and mixes the solution.
func (s *Story) kit(ctx context.Context) error {
	if err := s.at(washDay.Add(-time.Hour)); err != nil {
		return err
	}
	stock := consumablesv1.NewConsumablesQueryServiceClient(s.cast["stores"])
	demands, err := stock.ListStockDemands(ctx, &consumablesv1.ListStockDemandsRequest{Filter: fmt.Sprintf("work_order = %q", s.out.WorkOrder)})
	if err != nil {
		return err
	}
	if err := s.expired(ctx); err != nil {
		return err
	}
	for _, d := range demands.GetStockDemands() {
		if err := s.issue(ctx, d); err != nil {
			return err
		}
	}
	if err := s.mix(ctx); err != nil {
		return err
	}
	return s.awaitKit(ctx)
}

// expired sees that the suite itself marked the lot whose life ended in the night.
func (s *Story) expired(ctx context.Context) error {
	shelf := consumablesv1.NewConsumablesQueryServiceClient(s.cast["stores"])
	return s.until(ctx, "the end of a lot's life", func() (bool, error) {
		gone, err := shelf.ListLots(ctx, &consumablesv1.ListLotsRequest{Filter: "state = EXPIRED"})
		if err != nil || len(gone.GetLots()) == 0 {
			return false, err
		}
		for _, lot := range gone.GetLots() {
			s.tell.Line("Lot %s is %s since %s: %s.", lot.GetName(), lot.GetState(), instant(lot.GetExpireTime()), lot.GetLifeRule())
		}
		return true, nil
	})
}

// issue takes the lot that stores suggest: the first to expire that is still good when it is needed.
func (s *Story) issue(ctx context.Context, d *consumablesv1.StockDemand) error {
	suggestion, err := consumablesv1.NewConsumablesQueryServiceClient(s.cast["stores"]).SuggestLots(ctx, &consumablesv1.SuggestLotsRequest{
		Item: d.GetItem(), QuantityValue: d.GetNeeded().GetValue(), QuantityUnitCode: d.GetNeeded().GetUnitCode(), NeedTime: d.GetNeedTime(), WorkOrder: s.out.WorkOrder,
	})
	if err != nil {
		return err
	}
	for _, skipped := range suggestion.GetSkipped() {
		s.tell.Line("Passed over %s: %s", skipped.GetLot(), skipped.GetExplanation())
	}
	if len(suggestion.GetSuggestions()) == 0 {
		return fmt.Errorf("no lot of %s is usable", d.GetItem())
	}
	lot := suggestion.GetSuggestions()[0].GetLot()
	move, err := consumablesv1.NewConsumablesServiceClient(s.cast["stores"]).IssueStock(ctx, &consumablesv1.IssueStockRequest{
		Name: lot, Quantity: d.GetNeeded(), WorkOrder: s.out.WorkOrder, RequestId: s.key("issue " + d.GetItem()),
	})
	if err != nil {
		return err
	}
	if d.GetItem() == cleanerItem {
		s.out.CleanerLot = lot
	} else {
		s.out.WaterLot = lot
	}
	s.tell.Line("Issued %s of %s to the order; %s left of that lot.", amount(move.GetQuantity()), lot, amount(move.GetRemaining()))
	return nil
}

// mix makes the solution out of the planned amounts.
func (s *Story) mix(ctx context.Context) error {
	model := s.world.sim.model().GetWash()
	var parts []*consumablesv1.BlendPart
	total := quantity.MustParse("0", "L")
	for _, c := range s.world.plan.GetComponents() {
		lot := s.out.CleanerLot
		if c.GetItem() == waterItem {
			lot = s.out.WaterLot
		}
		parts = append(parts, &consumablesv1.BlendPart{Lot: lot, Quantity: c.GetQuantity(), LiquidTemperatureC: 18})
		q, err := quantity.Parse(c.GetQuantity().GetValue(), c.GetQuantity().GetUnitCode())
		if err != nil {
			return err
		}
		if total, err = total.Add(q); err != nil {
			return err
		}
	}
	blend, err := consumablesv1.NewConsumablesServiceClient(s.cast["technician"]).BlendLots(ctx, &consumablesv1.BlendLotsRequest{
		Item: blendItem, Parts: parts, Output: &commonv1.Quantity{Value: total.Value().String(), UnitCode: "L"}, WorkOrder: s.out.WorkOrder,
		Ratio: &consumablesv1.MixRatio{WaterParts: model.GetWaterParts(), CleanerParts: model.GetCleanerParts()},
		LotId: "blend-1", RequestId: s.key("blend"),
	})
	if err != nil {
		return err
	}
	s.out.Blend = blend.GetName()
	s.tell.Line("Mixed %s into lot %s out of %d lots; good until %s (%s).", amount(blend.GetReceived()), blend.GetShortCode(), len(blend.GetParents()),
		instant(blend.GetExpireTime()), blend.GetLifeRule())
	return nil
}

func (s *Story) awaitKit(ctx context.Context) error {
	err := s.until(ctx, "the kit", func() (bool, error) {
		if err := s.rereadOrder(ctx); err != nil {
			return false, err
		}
		return s.world.workOrder.GetState() == workordersv1.WorkOrder_KITTED, nil
	})
	if err != nil {
		return err
	}
	s.tell.Line("Order %s is %s.", s.world.workOrder.GetNumber(), s.world.workOrder.GetState())
	return nil
}

func (s *Story) rereadOrder(ctx context.Context) error {
	order, err := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["planner"]).GetWorkOrder(ctx,
		&workordersv1.GetWorkOrderRequest{Name: s.out.WorkOrder})
	if err == nil {
		s.world.workOrder = order
	}
	return err
}
