package story

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// work starts the order and goes through its steps: cautions first, readings with the tool, motoring runs by the plan.
func (s *Story) work(ctx context.Context) error {
	if err := s.at(washDay); err != nil {
		return err
	}
	order, err := workordersv1.NewWorkOrdersServiceClient(s.cast["technician"]).StartWorkOrder(ctx, &workordersv1.StartWorkOrderRequest{
		Name: s.out.WorkOrder, Etag: s.world.workOrder.GetEtag(), RequestId: s.key("start"),
	})
	if err != nil {
		return err
	}
	s.tell.Line("Started at %s since new, %d cycles.", hours(order.GetStartCounters().GetOperatingSeconds()), order.GetStartCounters().GetCycles())
	steps, err := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["technician"]).ListSteps(ctx,
		&workordersv1.ListStepsRequest{Parent: s.out.WorkOrder, PageSize: 200})
	if err != nil {
		return err
	}
	for _, step := range steps.GetSteps() {
		if err := s.doStep(ctx, step); err != nil {
			return fmt.Errorf("step %d, %s: %w", step.GetPosition(), step.GetTitle(), err)
		}
	}
	return s.logLabour(ctx)
}

func (s *Story) doStep(ctx context.Context, step *workordersv1.Step) error {
	for _, c := range step.GetCautions() {
		s.tell.Line("  %s: %s", c.GetSeverity(), c.GetText())
	}
	worker := s.workerOf(step)
	orders := workordersv1.NewWorkOrdersServiceClient(worker)
	label := fmt.Sprintf("step %d", step.GetPosition())
	if len(step.GetCautions()) > 0 {
		if _, err := orders.AcknowledgeCautions(ctx, &workordersv1.AcknowledgeCautionsRequest{
			Name: step.GetName(), RequestId: s.key(label + " cautions"),
		}); err != nil {
			return err
		}
	}
	if step.GetKind() == workordersv1.StepKind_STEP_KIND_TIMED_RUN {
		if err := s.motor(ctx, step); err != nil {
			return err
		}
	}
	if strings.Contains(step.GetTitle(), "drying run") {
		if err := s.dry(ctx, step); err != nil {
			return err
		}
	}
	for _, m := range step.GetMeasurements() {
		if err := s.measure(ctx, worker, step, m); err != nil {
			return err
		}
	}
	if err := s.at(s.world.now.Add(4 * time.Minute)); err != nil {
		return err
	}
	done, err := orders.CompleteStep(ctx, s.completion(step, label))
	if err != nil {
		return err
	}
	s.tell.Line("%2d. %s: %s by %s.", done.GetPosition(), done.GetTitle(), done.GetState(), done.GetPerformer())
	return nil
}

// workerOf is the inspector where another person must look, else the technician.
func (s *Story) workerOf(step *workordersv1.Step) *actor {
	switch step.GetKind() {
	case workordersv1.StepKind_STEP_KIND_INSPECT, workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION, workordersv1.StepKind_STEP_KIND_WITNESS:
		return s.cast["inspector"]
	default:
		return s.cast["technician"]
	}
}

func (s *Story) completion(step *workordersv1.Step, label string) *workordersv1.CompleteStepRequest {
	request := &workordersv1.CompleteStepRequest{Name: step.GetName(), RequestId: s.key(label + " done")}
	switch step.GetKind() {
	case workordersv1.StepKind_STEP_KIND_MATERIAL:
		request.Materials = s.materialsOf(step)
	case workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT:
		request.RemovedItemCount, request.RestoredItemCount = 3, 3
		request.Note = "Three blanks out, three in"
	default:
	}
	return request
}

// materialsOf books the solution in the first material step and the rinse water in the next.
func (s *Story) materialsOf(*workordersv1.Step) []*workordersv1.MaterialUse {
	if s.world.materialSteps++; s.world.materialSteps == 1 {
		return []*workordersv1.MaterialUse{{Lot: s.out.Blend, Quantity: s.world.plan.GetBatchVolume()}}
	}
	return []*workordersv1.MaterialUse{{Lot: s.out.WaterLot, Quantity: s.world.plan.GetRinseVolume()}}
}

// motor records the starter runs of the plan that belong to the step: the wash runs in the first timed step, the rinse
// runs in the second, each at the time that the plan's timeline gives, and not before the limits allow it.
func (s *Story) motor(ctx context.Context, step *workordersv1.Step) error {
	s.world.timedSteps++
	activity := workordersv1.TimelineEntry_WASH_RUN
	if s.world.timedSteps == 2 {
		activity = workordersv1.TimelineEntry_RINSE_RUN
	}
	for i, entry := range s.world.plan.GetTimeline() {
		if entry.GetActivity() != activity || s.world.timedSteps > 2 {
			continue
		}
		if err := s.motorOnce(ctx, step, i, entry); err != nil {
			return err
		}
	}
	return nil
}

func (s *Story) motorOnce(ctx context.Context, step *workordersv1.Step, i int, entry *workordersv1.TimelineEntry) error {
	if s.world.firstRotation.IsZero() {
		s.world.firstRotation = s.world.now.Add(time.Duration(-entry.GetStartSecond()) * time.Second)
	}
	limits, err := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["technician"]).GetMotoringLimits(ctx,
		&workordersv1.GetMotoringLimitsRequest{Name: s.out.WorkOrder + "/motoringLimits"})
	if err != nil {
		return err
	}
	start := s.world.firstRotation.Add(time.Duration(entry.GetStartSecond()) * time.Second)
	if allowed := limits.GetNextAllowedTime().AsTime(); allowed.After(start) {
		start = allowed
	}
	if s.world.now.After(start) {
		start = s.world.now
	}
	end := start.Add(time.Duration(entry.GetEndSecond()-entry.GetStartSecond()) * time.Second)
	if err := s.at(end.Add(time.Second)); err != nil {
		return err
	}
	run, err := workordersv1.NewWorkOrdersServiceClient(s.cast["technician"]).CreateMotoringRun(ctx, &workordersv1.CreateMotoringRunRequest{
		Parent: s.out.WorkOrder, RequestId: s.key(fmt.Sprintf("run %d", i)),
		MotoringRun: &workordersv1.MotoringRun{Step: step.GetName(), StartTime: timestamppb.New(start), EndTime: timestamppb.New(end)},
	})
	if err != nil {
		return err
	}
	s.tell.Line("  Starter %s to %s, within limits: %t. Next run: %s", run.GetStartTime().AsTime().Format("15:04:05"),
		run.GetEndTime().AsTime().Format("15:04:05"), !run.GetExceedance(), limits.GetBindingLimit())
	return nil
}

// dry records the run that dries the engine, once the starter has rested.
func (s *Story) dry(ctx context.Context, step *workordersv1.Step) error {
	limits, err := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["technician"]).GetMotoringLimits(ctx,
		&workordersv1.GetMotoringLimitsRequest{Name: s.out.WorkOrder + "/motoringLimits"})
	if err != nil {
		return err
	}
	start := s.world.now
	if allowed := limits.GetNextAllowedTime().AsTime(); allowed.After(start) {
		start = allowed
	}
	end := start.Add(4 * time.Minute)
	if err := s.at(end.Add(time.Second)); err != nil {
		return err
	}
	run, err := workordersv1.NewWorkOrdersServiceClient(s.cast["technician"]).CreateMotoringRun(ctx, &workordersv1.CreateMotoringRunRequest{
		Parent: s.out.WorkOrder, RequestId: s.key("drying run"),
		MotoringRun: &workordersv1.MotoringRun{
			Step: step.GetName(), StartTime: timestamppb.New(start), EndTime: timestamppb.New(end), Purpose: workordersv1.MotoringRun_DRYING,
		},
	})
	if err != nil {
		return err
	}
	s.tell.Line("  Drying run %s to %s, begun in time: %t.", run.GetStartTime().AsTime().Format("15:04:05"), run.GetEndTime().AsTime().Format("15:04:05"), !run.GetExceedance())
	return nil
}

// measure takes one reading in the middle of its limits.
func (s *Story) measure(ctx context.Context, worker *actor, step *workordersv1.Step, spec *workordersv1.MeasurementSpec) error {
	value := s.plausible(spec)
	tool := ""
	if spec.GetToolRequired() && len(step.GetRequiredTools()) > 0 {
		tool = "tools/" + step.GetRequiredTools()[0]
	}
	got, err := workordersv1.NewWorkOrdersServiceClient(worker).CreateMeasurement(ctx, &workordersv1.CreateMeasurementRequest{
		Parent: s.out.WorkOrder, RequestId: s.key(fmt.Sprintf("step %d %s", step.GetPosition(), spec.GetKey())),
		Measurement: &workordersv1.Measurement{
			Step: step.GetName(), Key: spec.GetKey(), Tool: tool,
			Entered: &commonv1.Entered{Text: value, UnitCode: spec.GetUnitCode()},
		},
	})
	if err != nil {
		return err
	}
	s.tell.Line("  %s: %s %s, within limits: %t.", spec.GetDisplayName(), got.GetEntered().GetText(), got.GetUnitCode(), got.GetLimitsMet())
	return nil
}

// plausible is a reading that the step's limits allow.
func (s *Story) plausible(spec *workordersv1.MeasurementSpec) string {
	switch {
	case spec.MinValue != nil && spec.MaxValue != nil:
		return fmt.Sprintf("%.2f", (spec.GetMinValue()+spec.GetMaxValue())/2)
	case spec.MinValue != nil:
		return fmt.Sprintf("%.2f", spec.GetMinValue()*1.2)
	case spec.MaxValue != nil:
		return fmt.Sprintf("%.2f", spec.GetMaxValue()*0.8)
	case spec.GetUnitCode() == "kPa":
		return fmt.Sprintf("%.0f", s.world.plan.GetContainerPressureKpa())
	default:
		return "12"
	}
}

func (s *Story) logLabour(ctx context.Context) error {
	entry, err := workordersv1.NewWorkOrdersServiceClient(s.cast["technician"]).CreateLabourEntry(ctx, &workordersv1.CreateLabourEntryRequest{
		Parent: s.out.WorkOrder, RequestId: s.key("labour"),
		LabourEntry: &workordersv1.LabourEntry{StartTime: timestamppb.New(washDay), EndTime: timestamppb.New(s.world.now)},
	})
	if err != nil {
		return err
	}
	s.tell.Line("Labour: %s.", hours(entry.GetWorkedSeconds()))
	return nil
}
