package workorders_test

import (
	"strings"
	"testing"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// Cases SGN-06 and SGN-07 (14 CFR 121.371(a), (c), 135.429(c); 145.A.48(c)(2)): however somebody took part in the work, that person doesn't
// inspect it; each row takes part in one way only.
func TestWhoTookPartNeverInspects(t *testing.T) {
	parts := map[string]func(s *stage, o *workordersv1.WorkOrder){
		"did a step": func(s *stage, o *workordersv1.WorkOrder) {
			step := s.steps(o)[0]
			s.prepare(step, "sam")
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("sam"), completion(step)))
		},
		"took a reading": func(s *stage, o *workordersv1.WorkOrder) {
			step := s.steps(o)[1]
			s.acknowledge(step, "sam")
			must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("sam"), reading(step, "heater_resistance", "16", "Ohm")))
		},
		"corrected a reading": func(s *stage, o *workordersv1.WorkOrder) {
			step := s.steps(o)[1]
			s.acknowledge(step, "ann")
			m := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), reading(step, "heater_resistance", "16", "Ohm")))
			must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("sam"), &workordersv1.SupersedeMeasurementRequest{
				Name: m.GetName(), Entered: m.GetEntered(), Reason: "misread",
			}))
		},
	}
	for name, part := range parts {
		t.Run(name, func(t *testing.T) {
			engines(t, func(_ *testing.T, s *stage) {
				o := s.started("sense-line-heater-check")
				part(s, o)
				s.work(o, "ann")
				must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
				_, err := s.inspect(o, "sam", "")
				s.refused(err, "SAME_PERSON", "You did work of", "Ask another person")
				must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
			})
		})
	}
}

// Who signed for the work took part in it, also when it was sent back since.
func TestWhoSignedForTheWorkNeverInspects(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		s.work(o, "ann")
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "sam"))
		_, err := s.inspect(o, "sam", "")
		s.refused(err, "SAME_PERSON")
		must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as("ivy"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag(), Reason: "again"}))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err = s.inspect(o, "sam", "")
		s.refused(err, "SAME_PERSON")
	})
}

// A step of inspection, too, is done by somebody who did none of the work.
func TestAStepOfInspectionNeedsAnotherPerson(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		steps := s.steps(o)
		last := steps[len(steps)-1]
		for _, step := range steps[:len(steps)-1] {
			s.prepare(step, "sam")
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("sam"), completion(step)))
		}
		s.prepare(last, "sam")
		_, err := s.do.CompleteStep(s.as("sam"), completion(last))
		s.refused(err, "SAME_PERSON")
		s.prepare(last, "ann")
		_, err = s.do.CompleteStep(s.as("ann"), completion(last))
		s.refused(err, "ROLE_MISSING", "inspector")
		_, err = s.do.CompleteStep(s.as("ivy"), completion(last))
		s.refused(err, "CAUTIONS_NOT_ACKNOWLEDGED", "Who does step")
		s.prepare(last, "ivy")
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ivy"), completion(last)))
	})
}

// The re-inspection exception takes an authorization of its own and a reason, which is in the signed text; it is listed, and so
// counted; whoever did none of the work can't use it.
func TestTheReinspectionExceptionIsRecordedAndCounted(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		s.work(o, "sam")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "sam"))
		s.near.change(func(n *neighbours) { n.lapsed["people/sam reinspect-own-work"] = "NOT_AUTHORIZED" })
		_, err := s.inspect(o, "sam", "Nobody else at the outstation")
		s.refused(err, "NOT_AUTHORIZED", "reinspect-own-work")
		s.near.change(func(n *neighbours) { clear(n.lapsed) })
		_, err = s.inspect(o, "ian", "Nobody else at the outstation")
		s.refused(err, "EXCEPTION_NOT_NEEDED")
		s.clock.Advance(time.Minute)
		o = must[*workordersv1.WorkOrder](s)(s.inspect(o, "sam", "Nobody else at the outstation"))
		sig := s.signatures(o)[1]
		if !o.GetReinspectionException() || !strings.Contains(sig.GetStatement(), "Exception") || !strings.Contains(sig.GetStatement(), "Nobody else at the outstation") {
			t.Errorf("%v, %s", o.GetReinspectionException(), sig.GetStatement())
		}
		plain := s.started("ring-flow-check")
		list := must[*workordersv1.ListWorkOrdersResponse](s)(s.look.ListWorkOrders(s.as("quinn"), &workordersv1.ListWorkOrdersRequest{Filter: "reinspection_exception = true"}))
		if got := list.GetWorkOrders(); len(got) != 1 || got[0].GetName() != o.GetName() || got[0].GetName() == plain.GetName() {
			t.Errorf("counted: %v", got)
		}
	})
}
