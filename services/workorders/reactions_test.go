package workorders_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// recovered tells the service what performance measured after a wash.
func (s *stage) recovered(id, recovery string, verdict performancev1.Recovery_Verdict, causes ...*performancev1.Cause) error {
	s.t.Helper()
	return s.heard(id, "coldsection.performance.recovery.computed.v1", &performancev1.RecoveryComputed{
		Engine: engine, Recovery: engine + "/recoveries/" + recovery, Verdict: verdict, Explanation: "The interval excludes 5 degrees.", OtherCauses: causes,
	})
}

// ofCard are the orders of a card.
func (s *stage) ofCard(card string) []*workordersv1.WorkOrder {
	s.t.Helper()
	all := must[*workordersv1.ListWorkOrdersResponse](s)(s.look.ListWorkOrders(s.as("pat"), &workordersv1.ListWorkOrdersRequest{})).GetWorkOrders()
	return slices.DeleteFunc(all, func(o *workordersv1.WorkOrder) bool { return o.GetTaskCard() != "taskCards/"+card })
}

func cause(name string, probability float64, check string) *performancev1.Cause {
	return &performancev1.Cause{Cause: name, Probability: probability, NextCheck: check}
}

// A wash that did not recover the engine drafts the check that tells the most probable cause from the others, once, and says why;
// one that did, and one that can't tell yet, draft nothing.
func TestAWashThatDidNotRecoverDraftsTheNextCheck(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		for _, verdict := range []performancev1.Recovery_Verdict{performancev1.Recovery_RECOVERED, performancev1.Recovery_CANNOT_TELL} {
			if err := s.recovered("quiet", "w0", verdict, cause("hot_section", 0.9, "Inspect.")); err != nil || s.count("work_orders") != 0 {
				t.Fatalf("%s: %v, %d orders", verdict, err, s.count("work_orders"))
			}
		}
		for i, c := range []struct {
			causes []*performancev1.Cause
			card   string
		}{
			{[]*performancev1.Cause{cause("itt_indication", 0.71, "Check the temperature harness."), cause("hot_section", 0.2, "Inspect the hot section.")}, "temperature-trim-check"},
			{[]*performancev1.Cause{cause("fouling", 0.6, "Wash the compressor.")}, "ring-flow-check"},
			{[]*performancev1.Cause{cause("bleed_leak", 0.6, "Check the bleed valves.")}, "ground-run"},
		} {
			recovery := "w" + c.card
			if err := s.recovered("not-"+recovery, recovery, performancev1.Recovery_NOT_RECOVERED, c.causes...); err != nil {
				t.Fatal(err)
			}
			found := s.ofCard(c.card)
			if len(found) != 1 || s.count("work_orders") != i+1 {
				t.Fatalf("%s: %v", c.card, found)
			}
			o := found[0].GetOrigin()
			told := strings.Join(o.GetReasons(), " ")
			if o.GetCause() != workordersv1.Origin_NOT_RECOVERED || o.GetReference() != engine+"/recoveries/"+recovery || !strings.Contains(told, "excludes 5 degrees") ||
				!strings.Contains(told, c.causes[0].GetNextCheck()) || len(o.GetReasons()) != 1+len(c.causes) {
				t.Errorf("%s: %v", c.card, o)
			}
			must[*workordersv1.WorkOrder](s)(s.void(found[0], "pat"))
			if err := s.recovered("again-"+recovery, recovery, performancev1.Recovery_NOT_RECOVERED, c.causes...); err != nil || s.count("work_orders") != i+1 {
				t.Errorf("told again after the order ended: %v, %d orders", err, s.count("work_orders"))
			}
		}
	})
}

// When the fact names no cause, performance is asked; while it is silent, nothing is drafted and the fact is tried again; an engine
// without any ranked cause gets a ground run.
func TestPerformanceRanksTheCausesOfTheNextCheck(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) { n.silent["performance"] = true })
		s.refused(s.recovered("e1", "w1", performancev1.Recovery_NOT_RECOVERED), "PERFORMANCE_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.silent["performance"] = false })
		if err := s.recovered("e1", "w1", performancev1.Recovery_NOT_RECOVERED); err != nil || len(s.ofCard("ground-run")) != 1 {
			t.Fatalf("without causes: %v", err)
		}
		s.near.change(func(n *neighbours) {
			n.causes = []*performancev1.Cause{cause("itt_indication", 0.8, "Check the temperature harness.")}
		})
		if err := s.recovered("e2", "w2", performancev1.Recovery_NOT_RECOVERED); err != nil {
			t.Fatal(err)
		}
		if found := s.ofCard("temperature-trim-check"); len(found) != 1 || !strings.Contains(strings.Join(found[0].GetOrigin().GetReasons(), " "), "harness") {
			t.Errorf("as performance ranks: %v", found)
		}
	})
}

// An advice drafts an order of its card, and no second one while that is under way; an advice of an unknown kind drafts nothing.
func TestAnAdviceDraftsOneOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		advise := func(id, kind string) {
			fact := &performancev1.WashRecommended{Engine: engine, WashAdvice: engine + "/washAdvices/" + id, Kind: kind, Reasons: []string{"the margin shrinks"}}
			if err := s.heard(id, "coldsection.performance.wash.recommended.v1", fact); err != nil {
				t.Fatal(err)
			}
		}
		advise("a1", "recovery_wash")
		advise("a2", "recovery_wash")
		advise("a3", "polish")
		found := s.ofCard("recovery-wash")
		if len(found) != 1 || s.count("work_orders") != 1 || found[0].GetOrigin().GetReference() != engine+"/washAdvices/a1" {
			t.Fatalf("%v", found)
		}
		must[*workordersv1.WorkOrder](s)(s.void(found[0], "pat"))
		advise("a4", "recovery_wash")
		if s.count("work_orders") != 2 {
			t.Errorf("%d orders after the first was ended", s.count("work_orders"))
		}
	})
}

// What comes due drafts one order that names it, and no second one while that is under way. Another requirement of the same card has an
// order of its own, since the release of the first would leave it due. What has no card or is no engine drafts nothing.
func TestWhatComesDueDraftsItsOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		n := 0
		approach := func(requirement, subject, card string) {
			n++
			fact := &compliancev1.DueChanged{
				DueItem: "dueItems/" + requirement + ".e1", Requirement: "requirements/" + requirement, Subject: subject, TaskCard: card, Band: "NEAR", Explanation: "left 4:00 h",
			}
			if err := s.heard(fmt.Sprintf("due-%d", n), "coldsection.compliance.due.approached.v1", fact); err != nil {
				t.Fatal(err)
			}
		}
		approach("rinse", engine, "taskCards/salt-rinse")
		approach("rinse", engine, "taskCards/salt-rinse")
		approach("none", engine, "")
		approach("part", "components/c1", "taskCards/salt-rinse")
		found := s.ofCard("salt-rinse")
		if len(found) != 1 || s.count("work_orders") != 1 || found[0].GetOrigin().GetCause() != workordersv1.Origin_DUE_ITEM ||
			found[0].GetOrigin().GetReference() != "dueItems/rinse.e1" || !slices.Equal(found[0].GetRequirements(), []string{"requirements/rinse"}) {
			t.Fatalf("%v", found)
		}
		approach("coastal-rinse", engine, "taskCards/salt-rinse")
		if s.count("work_orders") != 2 {
			t.Errorf("%d orders for two requirements", s.count("work_orders"))
		}
		must[*workordersv1.WorkOrder](s)(s.void(found[0], "pat"))
		approach("rinse", engine, "taskCards/salt-rinse")
		if s.count("work_orders") != 3 {
			t.Errorf("%d orders after the first was ended", s.count("work_orders"))
		}
	})
}

// A requirement of an engine that comes due drafts the order of its card, once, which names it and says why; one without a card, and one of an aircraft,
// draft nothing.
func TestARequirementThatComesDueDraftsItsOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		due := func(id, subject, card string) {
			t.Helper()
			err := s.heard(id, "coldsection.compliance.due.approached.v1", &compliancev1.DueChanged{
				DueItem: "dueItems/d-" + card, Subject: subject, Requirement: "requirements/r", TaskCard: card, Explanation: "17 h are left of 50 h.",
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		due("none", engine, "")
		due("plane", "aircraft/a1", "taskCards/ground-run")
		if n := s.count("work_orders"); n != 0 {
			t.Fatalf("%d orders", n)
		}
		due("first", engine, "taskCards/ground-run")
		due("again", engine, "taskCards/ground-run")
		found := s.ofCard("ground-run")
		if len(found) != 1 || !slices.Equal(found[0].GetRequirements(), []string{"requirements/r"}) || found[0].GetState() != workordersv1.WorkOrder_DRAFTED {
			t.Fatalf("%v", found)
		}
		o := found[0].GetOrigin()
		if o.GetCause() != workordersv1.Origin_DUE_ITEM || o.GetReference() != "dueItems/d-taskCards/ground-run" || !slices.Equal(o.GetReasons(), []string{"17 h are left of 50 h."}) {
			t.Errorf("%v", o)
		}
	})
}

// An advice that was taken back stands on the order that nobody started as a reason to look whether it is wanted, told once; one that is at work stays as it
// is. An advice that stands again gives its reasons of now, and no second order.
func TestAnAdviceThatIsTakenBackIsSaidOnItsOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		const advice = engine + "/washAdvice/a"
		recommend := func(id, why string) {
			if err := s.heard(id, "coldsection.performance.wash.recommended.v1", &performancev1.WashRecommended{
				Engine: engine, WashAdvice: advice, Kind: "salt_rinse", Reasons: []string{why},
			}); err != nil {
				t.Fatal(err)
			}
		}
		withdraw := func(id, name string) *workordersv1.WorkOrder {
			if err := s.heard(id, "coldsection.performance.advice.withdrawn.v1", &performancev1.WashAdviceWithdrawn{
				Engine: engine, WashAdvice: name, Kind: "salt_rinse", WithdrawTime: timestamppb.New(s.clock.Now()),
			}); err != nil {
				t.Fatal(err)
			}
			return s.ofCard("salt-rinse")[0]
		}
		recommend("r1", "27 days since the last rinse")
		if o := withdraw("w0", engine+"/washAdvice/b"); len(o.GetOrigin().GetReasons()) != 1 {
			t.Errorf("another advice: %v", o.GetOrigin())
		}
		for range 2 {
			o := withdraw("w1", advice)
			if r := o.GetOrigin().GetReasons(); len(r) != 2 || !strings.HasPrefix(r[1], "The advice was taken back at 2026-03-14T08:00:00") || !strings.Contains(r[1], "or end the order") {
				t.Errorf("taken back: %v", r)
			}
		}
		if facts := s.facts(s.ofCard("salt-rinse")[0]); facts[len(facts)-1] != "changed" || len(facts) != 2 {
			t.Errorf("told: %v", facts)
		}
		recommend("r2", "28 days since the last rinse")
		all := s.ofCard("salt-rinse")
		if len(all) != 1 || !slices.Equal(all[0].GetOrigin().GetReasons(), []string{"28 days since the last rinse"}) {
			t.Errorf("stands again: %v", all)
		}
		o := s.kit(all[0])
		o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
		if now := withdraw("w2", advice); len(now.GetOrigin().GetReasons()) != 1 || now.GetEtag() != o.GetEtag() {
			t.Errorf("at work: %v", now.GetOrigin())
		}
	})
}
