package workorders_test

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// sentBack sends an order back, by who may.
func (s *stage) sentBack(o *workordersv1.WorkOrder, who, why string) *workordersv1.WorkOrder {
	s.t.Helper()
	return must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as(who), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: why}))
}

// Work that was sent back and signed again, twice, some time after the first signature, is covered by its new signatures.
func TestSignaturesAfterReworkCoverTheRecord(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.work(o, "ann")
		for range 2 {
			s.clock.Advance(10 * time.Minute)
			o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
			s.clock.Advance(10 * time.Minute)
			o = s.sentBack(o, "ian", "Look at the lines again")
		}
		s.clock.Advance(10 * time.Minute)
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Advance(time.Minute)
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
		s.clock.Advance(time.Minute)
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		valid := map[commonv1.Signature_Meaning]int{}
		for _, sig := range s.signatures(o) {
			check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("quinn"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
			if check.GetValid() == (sig.GetVoidTime() != nil) {
				t.Errorf("%s of %s: %s", sig.GetMeaning(), sig.GetSignTime().AsTime(), check.GetExplanation())
			}
			if check.GetValid() {
				valid[sig.GetMeaning()]++
			}
		}
		if len(valid) != 3 || valid[commonv1.Signature_PERFORMED] != 1 {
			t.Errorf("valid: %v", valid)
		}
	})
}

// reopen opens a step again.
func (s *stage) reopen(step *workordersv1.Step, who, why string) (*workordersv1.Step, error) {
	return s.do.ReopenStep(s.as(who), &workordersv1.ReopenStepRequest{Name: step.GetName(), Reason: why})
}

// states are the states of an order's steps, by their first letters.
func (s *stage) states(o *workordersv1.WorkOrder) string {
	s.t.Helper()
	var text strings.Builder
	for _, step := range s.steps(o) {
		text.WriteString(step.GetState().String()[:1])
	}
	return text.String()
}

// An inspection that fails sends the work back with the steps that are done again: these are open again, so are the looks at the work after them, and
// nothing is signed until all of them are done anew, with cautions read and readings taken anew. What was recorded before stays: in the step, in the
// content that is signed, in the history and in the pack; and who did it then is no inspector of it now.
func TestAFailedInspectionNamesWhatIsDoneAgain(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.work(o, "bob")
		s.clock.Advance(10 * time.Minute)
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "bob"))
		before := s.steps(o)
		pressure := before[slices.IndexFunc(before, func(x *workordersv1.Step) bool { return len(x.GetMeasurements()) > 0 })]
		rework := func(steps ...string) (*workordersv1.WorkOrder, error) {
			return s.do.ReworkWorkOrder(s.as("ian"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "gauge was not zeroed", Steps: steps})
		}
		_, err := rework(pressure.GetName(), o.GetName()+"/steps/s99")
		s.refused(err, "STEP_UNKNOWN", "s99")
		if now := s.order(o); now.GetState() != workordersv1.WorkOrder_FINISHED || strings.Contains(s.states(o), "O") {
			t.Fatalf("a refusal left %s, %s", now.GetState(), s.states(o))
		}
		o = must[*workordersv1.WorkOrder](s)(rework(pressure.GetName()))
		if got := s.states(o); got != "DDDODDDDDDDO" {
			t.Errorf("the steps are %s", got)
		}
		_, err = s.finish(o, "ann")
		s.refused(err, "STEPS_OPEN", "Step 4", "Step 12")
		s.clock.Advance(time.Minute)
		complete := func(who string) error {
			_, err := s.do.CompleteStep(s.as(who), completion(pressure))
			return err
		}
		s.refused(complete("ann"), "CAUTIONS_NOT_ACKNOWLEDGED")
		s.acknowledge(pressure, "ann")
		s.refused(complete("ann"), "MEASUREMENT_MISSING", "Container pressure")
		s.work(o, "ann")
		s.clock.Advance(time.Minute)
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.redone(t, o, pressure)
	})
}

// redone checks what an order says of a step that bob did first, ian sent back and ann did again.
func (s *stage) redone(t *testing.T, o *workordersv1.WorkOrder, step *workordersv1.Step) {
	t.Helper()
	now := s.steps(o)[step.GetPosition()-1]
	if e := now.GetEarlier(); len(e) != 1 || e[0].GetPerformer() != "people/bob" || e[0].GetReopener() != "people/ian" || e[0].GetReason() != "gauge was not zeroed" ||
		!e[0].GetCompleteTime().AsTime().Equal(step.GetCompleteTime().AsTime()) || e[0].GetAcknowledger() != "people/bob" || now.GetPerformer() != "people/ann" {
		t.Errorf("the step says %v", now)
	}
	var history []string
	for _, e := range s.history(o, 0, 0) {
		history = append(history, e.GetFact()+" "+e.GetPerson()+": "+e.GetText())
	}
	for _, line := range []string{"step.reopened people/ian: Step 4, Set the container pressure, opened again, which was DONE by people/bob: gauge was not zeroed", "step 4 was opened again"} {
		if !strings.Contains(strings.Join(history, "\n"), line) {
			t.Errorf("the history lacks %q:\n%s", line, strings.Join(history, "\n"))
		}
	}
	if text := s.packed(o); !strings.Contains(text, "gaugewasnotzeroed") || !strings.Contains(text, "people/ian") {
		t.Errorf("the pack does not say what was before: %s", text)
	}
	must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
	s.clock.Advance(time.Minute)
	o = must[*workordersv1.WorkOrder](s)(s.release(o))
	if told := s.told(o, "released"); strings.Count(told, `"key":"container_pressure"`) != 1 {
		t.Errorf("the reading of before stands, too: %s", told)
	}
	for _, sig := range s.signatures(o) {
		check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("quinn"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
		if check.GetValid() == (sig.GetVoidTime() != nil) {
			t.Errorf("%s: %s", sig.GetMeaning(), check.GetExplanation())
		}
	}
}

// A step that was recorded wrongly is opened again by who is at work, with a reason; its signature stops covering it, and it is signed anew. Who did it
// before took part in the work, and who looked before looked; what it took out stays out until it is counted.
func TestAStepThatWasRecordedWronglyIsDoneAgain(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		c := card(
			&workordersv1.CardStep{Title: "Take the caps off", Kind: workordersv1.StepKind_STEP_KIND_DO, SignatureRequired: true},
			&workordersv1.CardStep{Title: "Look", Kind: workordersv1.StepKind_STEP_KIND_INSPECT},
			&workordersv1.CardStep{Title: "Put them on", Kind: workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT},
		)
		must[*workordersv1.TaskCard](s)(s.newCard(c))
		o := s.started("own")
		steps := s.steps(o)
		_, err := s.reopen(steps[0], "ann", "x")
		s.refused(err, "STATE_NOT_ALLOWED", "OPEN")
		do := func(step *workordersv1.Step, who string, out, back int32) error {
			s.clock.Advance(time.Minute)
			_, err := s.do.CompleteStep(s.as(who), &workordersv1.CompleteStepRequest{Name: step.GetName(), RemovedItemCount: out, RestoredItemCount: back})
			return err
		}
		sign := func(who string) *workordersv1.Step {
			shown := must[*workordersv1.PreviewSignatureResponse](s)(s.look.PreviewSignature(s.as(who), &workordersv1.PreviewSignatureRequest{
				Name: steps[0].GetName(), Meaning: commonv1.Signature_PERFORMED,
			}))
			return must[*workordersv1.Step](s)(s.do.SignStep(s.as(who), &workordersv1.SignStepRequest{
				Name: steps[0].GetName(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash(),
			}))
		}
		if err := do(steps[0], "sam", 2, 0); err != nil {
			t.Fatal(err)
		}
		first := sign("sam").GetSignature()
		if err := do(steps[1], "ivy", 0, 0); err != nil {
			t.Fatal(err)
		}
		_, err = s.reopen(steps[0], "pat", "x")
		s.refused(err, "ROLE_MISSING")
		again := must[*workordersv1.Step](s)(s.reopen(steps[0], "ann", "three caps came off, not two"))
		if again.GetState() != workordersv1.Step_OPEN || again.GetSignature() != "" || again.GetEarlier()[0].GetSignature() != first || s.states(o) != "OOO" {
			t.Errorf("%v, %s", again, s.states(o))
		}
		if check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: first})); check.GetValid() {
			t.Error("the signature still covers the step")
		}
		_, err = s.void(o, "quinn")
		s.refused(err, "RESTORE_OPEN", "2 items")
		s.refused(do(steps[0], "ivy", 3, 0), "ROLE_MISSING")
		if err := do(steps[0], "ann", 3, 0); err != nil {
			t.Fatal(err)
		}
		s.refused(do(steps[1], "sam", 0, 0), "SAME_PERSON") // did it before
		if err := do(steps[1], "ian", 0, 0); err != nil {
			t.Fatal(err)
		}
		s.refused(do(steps[2], "ann", 0, 2), "COUNT_DIFFERS", "3 items")
		if err := do(steps[2], "ann", 0, 3); err != nil {
			t.Fatal(err)
		}
		_, err = s.finish(o, "ann")
		s.refused(err, "STEP_NOT_SIGNED")
		second := sign("ann")
		s.clock.Advance(time.Minute)
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err = s.reopen(second, "ann", "x")
		s.refused(err, "STATE_NOT_ALLOWED", "FINISHED")
	})
}

// What a step used before it was opened again was used all the same: plan against done shows it as rework, beside what stands, and both together are what
// the order used. A reading of before is compared no more.
func TestMaterialUsedAgainIsRework(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.work(o, "ann")
		before := s.compares(o, "volume")
		readings := len(s.compares(o, "reading"))
		for _, again := range []string{"a hose came off", "the container leaked"} {
			for _, kind := range []workordersv1.StepKind{workordersv1.StepKind_STEP_KIND_MEASURE, workordersv1.StepKind_STEP_KIND_MATERIAL} {
				must[*workordersv1.Step](s)(s.reopen(s.stepOf(o, kind), "ann", again))
			}
			s.clock.Advance(time.Minute)
			s.work(o, "ann")
		}
		if after := s.compares(o, "volume"); fmt.Sprint(after) != fmt.Sprint(before) || len(before) == 0 {
			t.Errorf("the volumes were %v and are %v", before, after)
		}
		if n := len(s.compares(o, "reading")); n != readings {
			t.Errorf("%d readings are compared, were %d", n, readings)
		}
		lines := s.compares(o, "rework")
		if len(lines) != 2 || !lines[0].GetDiffers() || lines[0].GetSubject() == "" ||
			lines[0].GetDoneText() != "2000 mL (67.6 US fl oz) of lots/l1 used before it was opened again: a hose came off" || !strings.Contains(lines[1].GetDoneText(), "the container leaked") {
			t.Errorf("rework: %v", lines)
		}
		var used, stands, reworked int
		count := func(n *int, uses []*workordersv1.MaterialUse) {
			for _, m := range uses {
				litres, err := strconv.Atoi(m.GetQuantity().GetValue())
				if err != nil {
					t.Fatal(err)
				}
				*n += litres
			}
		}
		count(&used, s.order(o).GetMaterials())
		for _, step := range s.steps(o) {
			count(&stands, step.GetMaterials())
			for _, e := range step.GetEarlier() {
				count(&reworked, e.GetMaterials())
			}
		}
		if used != stands+reworked || reworked != 4 {
			t.Errorf("%d L were used, %d stand and %d are rework", used, stands, reworked)
		}
	})
}
