package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

func (s *stage) found(o *workordersv1.WorkOrder, text string) *workordersv1.Finding {
	s.t.Helper()
	return must[*workordersv1.Finding](s)(s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{
		Parent: o.GetName(), Finding: &workordersv1.Finding{Description: text, Step: s.steps(o)[0].GetName()},
	}))
}

func (s *stage) answer(f *workordersv1.Finding, d workordersv1.Finding_Disposition, basis string, limit *date.Date) (*workordersv1.Finding, error) {
	return s.do.AnswerFinding(s.as("ann"), &workordersv1.AnswerFindingRequest{Name: f.GetName(), Disposition: d, Answer: "decided", Basis: basis, LimitDate: limit})
}

// Cases SGN-10 and DEF-04 (145.A.50(a), AMC M.A.403(d)): an unanswered finding stops every signature, one to be put right stops
// the release until another person closed it, and what is put off is stated in the release with the day that it was first found.
func TestFindingsBlockReleaseOrAreStatedInIt(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		leak, scratch, paint := s.found(o, "Ring leaks"), s.found(o, "Scratch on the cowl"), s.found(o, "Paint is worn")
		_, err := s.finish(o, "ann")
		s.refused(err, "FINDING_OPEN", leak.GetName(), scratch.GetName())
		leak = must[*workordersv1.Finding](s)(s.answer(leak, workordersv1.Finding_RECTIFY, "", nil))
		_, err = s.answer(scratch, workordersv1.Finding_DEFER, "", &date.Date{Year: 2026, Month: 6, Day: 1})
		s.refused(err, "DEFERRAL_INCOMPLETE")
		_, err = s.answer(scratch, workordersv1.Finding_DEFER, "repair data 51-10", &date.Date{Year: 2026, Month: 3, Day: 13})
		s.refused(err, "DEFERRAL_PAST", "2026-03-13", "2026-03-14")
		s.clock.Advance(24 * time.Hour)
		must[*workordersv1.Finding](s)(s.answer(scratch, workordersv1.Finding_DEFER, "repair data 51-10", &date.Date{Year: 2026, Month: 6, Day: 1}))
		must[*workordersv1.Finding](s)(s.answer(paint, workordersv1.Finding_CUSTOMER_DECISION, "", nil))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err = s.release(o)
		s.refused(err, "FINDING_OPEN", leak.GetName())
		_, err = s.do.CloseFinding(s.as("mia"), &workordersv1.CloseFindingRequest{Name: leak.GetName(), Etag: "v0"})
		s.refused(err, "ETAG_MISMATCH")
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: leak.GetName(), Note: "tight"}))
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		for _, words := range []string{"Scratch on the cowl, first found 2026-03-14, until 2026-06-01, on the basis of repair data 51-10", "Paint is worn, for the customer to decide"} {
			if !strings.Contains(o.GetReleaseStatement(), words) {
				t.Errorf("the release does not state %q: %s", words, o.GetReleaseStatement())
			}
		}
	})
}

// Who answered a finding does not close it; one that asks to stop holds the order; a step of another order is refused.
func TestFindingsStopWorkAndNeedTwoPeople(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, other := s.started("ring-flow-check"), s.started("ring-flow-check")
		f := must[*workordersv1.Finding](s)(s.do.CreateFinding(s.as("sam"), &workordersv1.CreateFindingRequest{
			Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Crack", StopWork: true},
		}))
		if h := s.order(o).GetHold(); !strings.Contains(h.GetReason(), "Crack") {
			t.Fatalf("hold: %v", h)
		}
		_, err := s.do.CompleteStep(s.as("ann"), completion(s.steps(o)[0]))
		s.refused(err, "ON_HOLD", "Crack")
		// An answer that decides nothing would end the finding for ever: it could be neither put right, put off nor decided by the customer.
		_, err = s.do.AnswerFinding(s.as("sam"), &workordersv1.AnswerFindingRequest{Name: f.GetName(), Answer: "seen"})
		s.refused(err, "FIELD_INVALID", "disposition")
		must[*workordersv1.Finding](s)(s.do.AnswerFinding(s.as("sam"), &workordersv1.AnswerFindingRequest{
			Name: f.GetName(), Disposition: workordersv1.Finding_RECTIFY, Answer: "replaced",
		}))
		_, err = s.do.CloseFinding(s.as("sam"), &workordersv1.CloseFindingRequest{Name: f.GetName()})
		s.refused(err, "SAME_PERSON")
		_, err = s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{
			Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "x", Step: s.steps(other)[0].GetName()},
		})
		s.refused(err, "STEP_UNKNOWN")
	})
}

// A finding that was raised and closed after a signature does not break what that signature covers.
func TestALaterFindingLeavesEarlierSignaturesValid(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Advance(time.Minute)
		f := s.found(o, "Loose clamp")
		must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_DEFER, "data", &date.Date{Year: 2026, Month: 4, Day: 1}))
		must[*workordersv1.WorkOrder](s)(s.release(o))
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: f.GetName()}))
		for _, sig := range s.signatures(o) {
			check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
			if !check.GetValid() {
				t.Errorf("%s: %s", sig.GetMeaning(), check.GetExplanation())
			}
		}
		if sig := s.signatures(o)[0]; sig.GetMeaning() != commonv1.Signature_PERFORMED {
			t.Error(sig.GetMeaning())
		}
	})
}

// Whoever stopped the work is heard before it goes on: nobody resumes while one of the findings that stop it has no answer, whatever the hold was for.
func TestWorkThatAFindingStoppedGoesOnWhenItIsAnswered(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		resume := func(who string) (*workordersv1.WorkOrder, error) {
			return s.do.ResumeWorkOrder(s.as(who), &workordersv1.ResumeWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag()})
		}
		must[*workordersv1.WorkOrder](s)(s.do.HoldWorkOrder(s.as("pat"), &workordersv1.HoldWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag(), Reason: "shift ends"}))
		s.found(o, "Paint chipped") // stops nothing
		stop := func(text string) *workordersv1.Finding {
			s.clock.Advance(time.Second)
			return must[*workordersv1.Finding](s)(s.do.CreateFinding(s.as("ivy"), &workordersv1.CreateFindingRequest{
				Parent: o.GetName(), Finding: &workordersv1.Finding{Description: text, StopWork: true},
			}))
		}
		crack, leak := stop("Crack in the ring"), stop("Hose leaks")
		for _, f := range []*workordersv1.Finding{crack, leak} {
			for _, who := range []string{"ann", "ivy", "pat", "quinn"} {
				_, err := resume(who)
				s.refused(err, "STOP_WORK_OPEN", f.GetDescription(), "people/ivy", "Answer it first")
			}
			must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_RECTIFY, "", nil))
		}
		if o = must[*workordersv1.WorkOrder](s)(resume("ann")); o.GetHold() != nil {
			t.Errorf("it is still on hold: %v", o.GetHold())
		}
	})
}
