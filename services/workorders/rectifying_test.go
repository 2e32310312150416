package workorders_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
)

// raised is an order raised from a finding, on an engine.
func (s *stage) raised(f, of string) (*workordersv1.WorkOrder, error) {
	return s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
		Engine: of, TaskCard: "taskCards/ring-flow-check", Origin: &workordersv1.Origin{Cause: workordersv1.Origin_FINDING, Reference: f},
	}})
}

// done brings a new order to the point before its release.
func (s *stage) done(o *workordersv1.WorkOrder, who string) *workordersv1.WorkOrder {
	s.t.Helper()
	if err := s.scheduleAgain(o); err != nil {
		s.t.Fatal(err)
	}
	o = must[*workordersv1.WorkOrder](s)(s.do.KitWorkOrder(s.as("pat"), &workordersv1.KitWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag()}))
	o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as(who), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
	s.work(o, who)
	return must[*workordersv1.WorkOrder](s)(s.finish(o, who))
}

// finding reads a finding as it stands.
func (s *stage) finding(name string) *workordersv1.Finding {
	s.t.Helper()
	order, _, _ := strings.Cut(name, "/findings/")
	for _, f := range must[*workordersv1.ListFindingsResponse](s)(s.look.ListFindings(s.as("quinn"), &workordersv1.ListFindingsRequest{Parent: order})).GetFindings() {
		if f.GetName() == name {
			return f
		}
	}
	s.t.Fatalf("%s is not listed", name)
	return nil
}

// packed is the text of an order's work pack, without blanks, since names are broken to fit their columns.
func (s *stage) packed(o *workordersv1.WorkOrder) string {
	s.t.Helper()
	return strings.Join(strings.Fields(printingtest.Text(s.t, s.export(o, workordersv1.ExportWorkPackRequest_PDF).GetContent())), "")
}

// A finding that is to be put right gets an order of its own: each names the other, the order where it was found waits for it, its
// release closes the finding, and pack and history of both say so (145.A.50(a): no release with a known defect that endangers flight;
// AMC M.A.403(d): the defect and its rectification are traced).
func TestAFindingsOwnOrderClosesIt(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		leak := s.found(o, "Ring leaks")
		must[*workordersv1.Finding](s)(s.answer(leak, workordersv1.Finding_RECTIFY, "", nil))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Advance(time.Minute)
		own := must[*workordersv1.WorkOrder](s)(s.raised(leak.GetName(), engine))
		if f := s.finding(leak.GetName()); f.GetOwnOrder() != own.GetName() || own.GetOrigin().GetReference() != leak.GetName() {
			t.Errorf("the finding names %q, the order %v", f.GetOwnOrder(), own.GetOrigin())
		}
		_, err := s.release(o)
		s.refused(err, "FINDING_OPEN", leak.GetName(), own.GetName())
		_, err = s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: leak.GetName()})
		s.refused(err, "OWN_ORDER_OPEN", own.GetNumber(), "DRAFTED")
		_, err = s.raised(leak.GetName(), engine)
		s.refused(err, "OWN_ORDER_EXISTS", own.GetName())
		own = s.done(own, "bob")
		own = must[*workordersv1.WorkOrder](s)(s.release(own))
		f := s.finding(leak.GetName())
		if f.GetState() != workordersv1.Finding_CLOSED || f.GetCloser() != "people/rob" || !strings.Contains(f.GetClosingNote(), own.GetNumber()) || f.GetCloseTime() == nil {
			t.Errorf("after its release: %v", f)
		}
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		if strings.Contains(o.GetReleaseStatement(), "Ring leaks") {
			t.Errorf("what was put right is carried: %s", o.GetReleaseStatement())
		}
		s.tracedBoth(t, o, own, f)
	})
}

// tracedBoth checks facts, history, packs and signatures of an order and the own order of its finding.
func (s *stage) tracedBoth(t *testing.T, o, own *workordersv1.WorkOrder, f *workordersv1.Finding) {
	t.Helper()
	facts := s.facts(o)
	if !slices.Contains(facts, "finding.ordered") || !slices.Contains(facts, "finding.closed") {
		t.Errorf("told: %v", facts)
	}
	var history []string
	for _, e := range s.history(o, 0, 0) {
		history = append(history, e.GetFact()+" "+e.GetPerson()+": "+e.GetText())
	}
	all := strings.Join(history, "\n")
	for _, line := range []string{"finding.ordered : Own order raised: " + own.GetName(), "finding.closed people/rob: Closed, put right by " + own.GetNumber()} {
		if !strings.Contains(all, line) {
			t.Errorf("the history lacks %q:\n%s", line, all)
		}
	}
	if text := s.packed(o); !strings.Contains(text, own.GetName()) {
		t.Errorf("the pack does not name the own order: %s", text)
	}
	if text := s.packed(own); !strings.Contains(text, "finding"+f.GetName()) {
		t.Errorf("the pack of the own order does not name its finding: %s", text)
	}
	for _, sig := range slices.Concat(s.signatures(o), s.signatures(own)) {
		check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
		if !check.GetValid() {
			t.Errorf("%s: %s", sig.GetMeaning(), check.GetExplanation())
		}
	}
	if sigs := s.signatures(own); len(sigs) == 0 || sigs[0].GetMeaning() != commonv1.Signature_PERFORMED {
		t.Errorf("signed: %v", sigs)
	}
}

// What nobody answered, the customer did not agree to, was found on another engine or is not there gets no order, and no order is left
// behind; a deferral and what the customer agreed to do get one, and an order that was ended makes room for another.
func TestWhichFindingsGetAnOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		raw, dent, paint := s.found(o, "Raw"), s.found(o, "Dent"), s.found(o, "Paint")
		must[*workordersv1.Finding](s)(s.answer(dent, workordersv1.Finding_DEFER, "repair data", day("2026-06-01")))
		must[*workordersv1.Finding](s)(s.answer(paint, workordersv1.Finding_CUSTOMER_DECISION, "", nil))
		before := s.count("work_orders")
		for name, reason := range map[string]string{
			raw.GetName(): "FINDING_NOT_TO_RECTIFY", paint.GetName(): "FINDING_NOT_TO_RECTIFY", o.GetName() + "/findings/none": "FINDING_UNKNOWN", "": "FINDING_UNKNOWN",
		} {
			_, err := s.raised(name, engine)
			s.refused(err, reason)
		}
		_, err := s.raised(dent.GetName(), "engines/e2")
		s.refused(err, "ENGINE_DIFFERS", engine, "engines/e2")
		if n := s.count("work_orders"); n != before {
			t.Errorf("%d orders were left behind", n-before)
		}
		must[*workordersv1.Finding](s)(s.do.DecideFinding(s.as("pat"), &workordersv1.DecideFindingRequest{
			Name: paint.GetName(), Decision: &workordersv1.CustomerDecision{Verdict: workordersv1.CustomerDecision_AGREED, Reference: "letter"},
		}))
		must[*workordersv1.WorkOrder](s)(s.raised(paint.GetName(), engine))
		first := must[*workordersv1.WorkOrder](s)(s.raised(dent.GetName(), engine))
		must[*workordersv1.WorkOrder](s)(s.void(first, "pat"))
		second := must[*workordersv1.WorkOrder](s)(s.raised(dent.GetName(), engine))
		must[*workordersv1.WorkOrder](s)(s.release(s.done(second, "bob")))
		if f := s.finding(dent.GetName()); f.GetOwnOrder() != second.GetName() || f.GetState() != workordersv1.Finding_CLOSED {
			t.Errorf("the deferral after its own order: %v", f)
		}
	})
}

// Who answered the finding, or did the work of its own order, does not close it by releasing that order: another person does.
func TestReleasingIsNoWayRoundTheSecondPerson(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		for who, worker := range map[string]string{"answered by": "ann", "worked by": "mia"} {
			o := s.started("ring-flow-check")
			f, by := s.found(o, "Ring leaks"), map[bool]string{true: "mia", false: "ann"}[who == "answered by"]
			must[*workordersv1.Finding](s)(s.do.AnswerFinding(s.as(by), &workordersv1.AnswerFindingRequest{
				Name: f.GetName(), Disposition: workordersv1.Finding_RECTIFY, Answer: "new seal",
			}))
			own := s.done(must[*workordersv1.WorkOrder](s)(s.raised(f.GetName(), engine)), worker)
			must[*workordersv1.WorkOrder](s)(s.releaseAs(own, "mia"))
			if f = s.finding(f.GetName()); f.GetState() != workordersv1.Finding_ANSWERED {
				t.Errorf("%s mia, who released: %v", who, f)
			}
			must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: f.GetName(), Note: "tight"}))
		}
	})
}
