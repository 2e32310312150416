package workorders_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// blanked is a wash of which every step is done: three blanks went in at step 3 and were counted back at the end. It gives both steps.
func (s *stage) blanked() (o *workordersv1.WorkOrder, blanks, restore *workordersv1.Step) {
	s.t.Helper()
	o = s.started("recovery-wash")
	for _, step := range s.steps(o) {
		if s.through(step); step.GetPosition() == 3 {
			blanks = step
		}
	}
	s.dry(o, "ann")
	return o, blanks, s.stepOf(o, workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT)
}

// through does a step as the card says: three blanks go in at step 3 and come back at the count.
func (s *stage) through(step *workordersv1.Step) {
	s.t.Helper()
	req, who := completion(step), "ann"
	if slices.Contains(inspections, step.GetKind()) {
		who = "ivy"
	}
	if req.RemovedItemCount = 0; step.GetPosition() == 3 {
		req.RemovedItemCount = 3
	}
	s.prepare(step, who)
	must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(who), req))
}

// doneAs does a step with these counts.
func (s *stage) doneAs(step *workordersv1.Step, removed, restored int32) error {
	s.t.Helper()
	s.prepare(step, "ann")
	_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName(), RemovedItemCount: removed, RestoredItemCount: restored})
	return err
}

// A count that was opened again is made once more, of all that was taken out: two of three blanks are not enough, and the order is not ended meanwhile.
func TestACountThatIsOpenedAgainCountsEverything(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, _, restore := s.blanked()
		must[*workordersv1.Step](s)(s.reopen(restore, "ann", "counted wrongly"))
		s.refused(s.doneAs(restore, 2, 2), "COUNT_DIFFERS", "3 items went out and 2 came back")
		s.refused(s.doneAs(restore, 0, 2), "COUNT_DIFFERS")
		_, err := s.void(s.order(o), "quinn")
		s.refused(err, "RESTORE_OPEN", "3 items")
		if err := s.doneAs(restore, 0, 3); err != nil {
			t.Error(err)
		}
	})
}

// Where a step that took something out is opened again, so is the step that counted it back: what goes out once more is counted once more. A step that took
// nothing out leaves the count alone, and takes nothing out afterwards unless the count is open.
func TestWhatGoesOutAgainIsCountedAgain(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, blanks, restore := s.blanked()
		cool := s.steps(o)[0]
		must[*workordersv1.Step](s)(s.reopen(cool, "ann", "wrong note"))
		if now := s.steps(o)[restore.GetPosition()-1]; now.GetState() != workordersv1.Step_DONE {
			t.Errorf("the count is %s", now.GetState())
		}
		s.refused(s.doneAs(cool, 1, 0), "COUNTED_ALREADY", "Step 1 takes items out", restore.GetTitle(), "Open that one again")
		if err := s.doneAs(cool, 0, 0); err != nil {
			t.Fatal(err)
		}
		must[*workordersv1.Step](s)(s.reopen(blanks, "ann", "one came off"))
		now := s.steps(o)[restore.GetPosition()-1]
		if e := now.GetEarlier(); now.GetState() != workordersv1.Step_OPEN || e[len(e)-1].GetReason() != "step 3, which takes out what is counted here, was opened again: one came off" {
			t.Fatalf("the count is %v", now)
		}
		_, err := s.finish(o, "ann")
		s.refused(err, "STEPS_OPEN", restore.GetTitle())
		if err := s.doneAs(blanks, 4, 0); err != nil {
			t.Fatal(err)
		}
		s.refused(s.doneAs(restore, 0, 3), "COUNT_DIFFERS", "4 items went out and 3 came back")
		if err := s.doneAs(restore, 0, 4); err != nil {
			t.Error(err)
		}
	})
}

// An amount that is nothing or less was not used, and what does not apply used nothing: neither is kept.
func TestAStepUsesSomethingOrDoesNotApply(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		material := s.stepOf(o, workordersv1.StepKind_STEP_KIND_MATERIAL)
		for _, step := range s.steps(o)[:material.GetPosition()-1] {
			s.through(step)
		}
		s.prepare(material, "ann")
		use := func(value string, without bool) error {
			_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{
				Name: material.GetName(), NotApplicable: without, Note: "rinsed by hand",
				Materials: []*workordersv1.MaterialUse{{Lot: "lots/l1", Quantity: &commonv1.Quantity{Value: value, UnitCode: "L"}}},
			})
			return err
		}
		for _, value := range []string{"0", "-2", "0.000"} {
			s.refused(use(value, false), "QUANTITY_NOT_POSITIVE", "lots/l1", "Give the amount that was")
		}
		s.refused(use("2", true), "NOT_APPLICABLE_WITH_WORK", "Record it as done")
		if got := s.order(o).GetMaterials(); len(got) != 0 {
			t.Errorf("kept: %v", got)
		}
		if err := use("2", false); err != nil {
			t.Error(err)
		}
	})
}

// A step is not done before its readings were taken, nor time worked a year before its order, nor an order planned to end before it starts.
func TestTimesThatCanNotBeAreRefused(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		all := s.steps(o)
		s.clock.Advance(time.Minute)
		s.through(all[0])
		s.clock.Advance(time.Hour)
		s.prepare(all[1], "ann")
		early := completion(all[1])
		early.CompleteTime = timestamppb.New(s.clock.Now().Add(-30 * time.Minute))
		_, err := s.do.CompleteStep(s.as("ann"), early)
		s.refused(err, "TIME_OUT_OF_ORDER", "Step 2", "was taken later", "correct that of the reading")
		early.CompleteTime = timestamppb.New(s.clock.Now().Add(-time.Minute)) // two clocks differ by that
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), early))
		_, err = s.worked(o, "ann", -365*24*60, -365*24*60+60)
		s.refused(err, "LABOUR_TIMES_INVALID", "31 days before", o.GetNumber(), "Correct the date")
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", -30*24*60, -30*24*60+60))
		_, err = s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
			Engine: engine, TaskCard: "taskCards/ground-run", PlanStartTime: timestamppb.New(morning.Add(2 * time.Hour)), PlanEndTime: timestamppb.New(morning.Add(time.Hour)),
		}})
		s.refused(err, "TIMES_REVERSED")
	})
}
