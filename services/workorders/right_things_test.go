package workorders_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// stepOf is the first step of a kind.
func (s *stage) stepOf(o *workordersv1.WorkOrder, kind workordersv1.StepKind) *workordersv1.Step {
	s.t.Helper()
	steps := s.steps(o)
	i := slices.IndexFunc(steps, func(step *workordersv1.Step) bool { return step.GetKind() == kind })
	if i < 0 {
		s.t.Fatalf("%s has no step of kind %s", o.GetName(), kind)
	}
	return steps[i]
}

// A pressure that was "read" with a calibrated stopwatch is refused with both types; with the gauge that the step names it is taken.
func TestAReadingIsTakenWithATypeOfToolThatItsStepNames(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		step := s.stepOf(o, workordersv1.StepKind_STEP_KIND_MEASURE)
		s.near.change(func(n *neighbours) {
			n.valid["tools/watch"], n.types["tools/watch"], n.types[gauge] = 20261231, "stopwatch", "pressure-gauge"
		})
		read := func(tool string) (*workordersv1.Measurement, error) {
			return s.do.CreateMeasurement(s.as("ann"), &workordersv1.CreateMeasurementRequest{Parent: o.GetName(), Measurement: &workordersv1.Measurement{
				Step: step.GetName(), Key: step.GetMeasurements()[0].GetKey(), Entered: &commonv1.Entered{Text: "260", UnitCode: "kPa"}, Tool: tool,
			}})
		}
		s.acknowledge(step, "ann")
		_, err := read("tools/watch")
		s.refused(err, "TOOL_NOT_FOR_STEP", "pressure-gauge", "stopwatch")
		kept := &workordersv1.ListMeasurementsRequest{Parent: o.GetName()}
		if got := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), kept)); len(got.GetMeasurements()) != 0 {
			t.Errorf("it was kept: %v", got)
		}
		must[*workordersv1.Measurement](s)(read(gauge))
	})
}

// More of a lot than stores handed out to the order is refused while the step is open: stores could not book it, and the lot's way to the engine
// would be lost. What is there is taken, in whatever unit.
func TestAStepUsesNoMoreOfALotThanTheOrderHas(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		for _, step := range s.steps(o) {
			if step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL {
				break
			}
			s.prepare(step, "ann")
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(step)))
		}
		step := s.stepOf(o, workordersv1.StepKind_STEP_KIND_MATERIAL)
		s.prepare(step, "ann")
		litres := func(v string) *commonv1.Quantity { return &commonv1.Quantity{Value: v, UnitCode: "L"} }
		lot := &consumablesv1.Lot{Name: "lots/l1", Received: litres("20"), Balances: []*consumablesv1.LotBalance{
			{Location: "locations/shelf", Quantity: litres("18")}, {Location: o.GetName(), Quantity: litres("2")},
		}}
		s.near.change(func(n *neighbours) {
			n.lots["lots/l1"], n.lots["lots/l2"] = lot, &consumablesv1.Lot{Name: "lots/l2", Received: litres("20")}
		})
		use := func(lot, value, unit string) (*workordersv1.Step, error) {
			return s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{
				Name: step.GetName(), Materials: []*workordersv1.MaterialUse{{Lot: lot, Quantity: &commonv1.Quantity{Value: value, UnitCode: unit}}},
			})
		}
		_, err := use("lots/l1", "5", "L")
		s.refused(err, "MATERIAL_NOT_ISSUED", "2 L of lots/l1", "5 L")
		_, err = s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{
			Name: step.GetName(), Materials: []*workordersv1.MaterialUse{{Lot: "lots/l1", Quantity: litres("1.5")}, {Lot: "lots/l1", Quantity: litres("0.6")}},
		})
		s.refused(err, "MATERIAL_NOT_ISSUED", "2 L of lots/l1", "2.1 L")
		_, err = use("lots/l2", "1", "L")
		s.refused(err, "MATERIAL_NOT_ISSUED", "0 L of lots/l2")
		_, err = use("lots/l1", "2", "kg")
		s.refused(err, "UNIT_MISMATCH", "Use a unit of volume")
		if got := must[*workordersv1.Step](s)(use("lots/l1", "2000", "mL")); got.GetState() != workordersv1.Step_DONE {
			t.Errorf("the step is %s", got.GetState())
		}
	})
}

// Releasing an order says that its requirements were accomplished, so it names only those that there are and that its card does, when it is drafted and
// when it is changed; without an answer of compliance nothing is drafted.
func TestAnOrderNamesRequirementsThatItsCardDoes(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) {
			n.required["requirements/wash"], n.required["requirements/trim"], n.required["requirements/any"] = "taskCards/recovery-wash", "taskCards/trim-check", ""
		})
		draft := func(requirements ...string) (*workordersv1.WorkOrder, error) {
			return s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
				WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/recovery-wash", Requirements: requirements},
			})
		}
		_, err := draft("requirements/wash", "requirements/none")
		s.refused(err, "REQUIREMENT_UNKNOWN", "requirements/none")
		_, err = draft("requirements/trim")
		s.refused(err, "REQUIREMENT_OF_ANOTHER_CARD", "R-1", "taskCards/trim-check", "taskCards/recovery-wash")
		s.near.change(func(n *neighbours) { n.silent["compliance"] = true })
		_, err = draft("requirements/wash")
		s.refused(err, "COMPLIANCE_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.silent["compliance"] = false })
		o := must[*workordersv1.WorkOrder](s)(draft("requirements/wash", "requirements/any"))
		_, err = s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Name: o.GetName(), Etag: o.GetEtag(), Requirements: []string{"requirements/trim"}},
		})
		s.refused(err, "REQUIREMENT_OF_ANOTHER_CARD")
		if got := s.order(o).GetRequirements(); !slices.Equal(got, []string{"requirements/wash", "requirements/any"}) {
			t.Errorf("it names %v", got)
		}
	})
}

// An order does not end before it starts.
func TestAnOrderEndsAfterItStarts(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.drafted("recovery-wash")
		s.place()
		start := s.clock.Now().Add(2 * time.Hour)
		_, err := s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
			Name: o.GetName(), Etag: o.GetEtag(), Station: station, PlanStartTime: timestamppb.New(start), PlanEndTime: timestamppb.New(start.Add(-time.Hour)),
		})
		s.refused(err, "TIMES_REVERSED")
	})
}

// What a step used and stores have not booked yet is with the order by the books only: the next step does not use it again. Once it is booked, and when the
// booking was undone, the books say what there is.
func TestTwoStepsDoNotUseTheSameLitre(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		litres := func(v string) *commonv1.Quantity { return &commonv1.Quantity{Value: v, UnitCode: "L"} }
		holds := func(v string) {
			s.near.change(func(n *neighbours) {
				n.lots["lots/l1"] = &consumablesv1.Lot{Name: "lots/l1", Received: litres("20"), Balances: []*consumablesv1.LotBalance{{Location: o.GetName(), Quantity: litres(v)}}}
			})
		}
		holds("3")
		use := func(step *workordersv1.Step, value string) error {
			_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{
				Name: step.GetName(), Materials: []*workordersv1.MaterialUse{{Lot: "lots/l1", Quantity: litres(value)}},
			})
			return err
		}
		var last *workordersv1.Step
		for _, step := range s.steps(o) {
			if len(s.order(o).GetMaterials()) == 1 && step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL {
				last = step
				break
			}
			s.prepare(step, "ann")
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(step))) // 2 L of lots/l1 in the first of them
		}
		s.prepare(last, "ann")
		s.refused(use(last, "2"), "MATERIAL_NOT_ISSUED", "1 L of lots/l1", "2 L")
		s.near.change(func(n *neighbours) { n.silent["stores"] = true })
		s.refused(use(last, "1"), "STORES_UNREACHABLE")
		s.near.change(func(n *neighbours) {
			n.silent["stores"] = false
			n.booked[`work_order = "`+o.GetName()+`" AND lot = "lots/l1" AND kind = CONSUMED`] = []*consumablesv1.StockMovement{{Quantity: &commonv1.Quantity{Value: "2000", UnitCode: "mL"}}}
		})
		holds("1")
		s.refused(use(last, "2"), "MATERIAL_NOT_ISSUED", "1 L of lots/l1", "2 L")
		holds("3") // it was undone: the first step had named the wrong lot
		if err := use(last, "2"); err != nil {
			t.Error(err)
		}
	})
}

// Work is given to people that there are, when it is drafted, scheduled and changed.
func TestWorkIsGivenToPeopleThatThereAre(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		nobody := []string{"people/ann", "people/nobody"}
		_, err := s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
			Engine: engine, TaskCard: "taskCards/ground-run", Assignees: nobody,
		}})
		s.refused(err, "ASSIGNEE_UNKNOWN", "people/nobody")
		o := s.drafted("ground-run")
		s.place()
		schedule := func(people ...string) (*workordersv1.WorkOrder, error) {
			return s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
				Name: o.GetName(), Etag: s.order(o).GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)), Assignees: people,
			})
		}
		_, err = schedule(nobody...)
		s.refused(err, "ASSIGNEE_UNKNOWN", "people/nobody")
		s.near.change(func(n *neighbours) { n.silent["compliance"] = true })
		_, err = schedule("people/ann")
		s.refused(err, "COMPLIANCE_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.silent["compliance"] = false })
		must[*workordersv1.WorkOrder](s)(schedule("people/ann", "people/bob"))
		_, err = s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{Name: o.GetName(), Assignees: nobody}})
		s.refused(err, "ASSIGNEE_UNKNOWN", "people/nobody")
		if got := s.order(o).GetAssignees(); !slices.Equal(got, []string{"people/ann", "people/bob"}) {
			t.Errorf("given to %v", got)
		}
	})
}

// What comes along with a change and is not named by its mask is not changed, and not asked about: an order as it was read goes back whole, after a person
// left and a requirement was withdrawn.
func TestWhatTheMaskLeavesOutIsNotAskedAbout(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.drafted("ground-run")
		o.Assignees, o.Requirements, o.Remarks = []string{"people/nobody"}, []string{"requirements/none"}, "Bring the tray"
		change := func(paths ...string) (*workordersv1.WorkOrder, error) {
			return s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{WorkOrder: o, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
		}
		for reason, paths := range map[string][]string{"ASSIGNEE_UNKNOWN": {"remarks", "assignees"}, "REQUIREMENT_UNKNOWN": {"requirements"}} {
			_, err := change(paths...)
			s.refused(err, reason)
		}
		_, err := change("*")
		s.refused(err, "REQUIREMENT_UNKNOWN")
		_, err = change()
		s.refused(err, "REQUIREMENT_UNKNOWN")
		now := must[*workordersv1.WorkOrder](s)(change("remarks"))
		if now.GetRemarks() != "Bring the tray" || len(now.GetAssignees()) != 0 || len(now.GetRequirements()) != 0 {
			t.Errorf("changed: %v", now)
		}
	})
}
