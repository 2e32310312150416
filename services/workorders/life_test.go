package workorders_test

import (
	"slices"
	"testing"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// A wash goes from draft to release with three people; every signature says who, with what, when and where, and still covers
// the record afterwards.
func TestAWashFromDraftToRelease(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		if o.GetState() != workordersv1.WorkOrder_STARTED || o.GetStartCounters().GetCycles() != 99 {
			t.Fatalf("started: %v", o)
		}
		s.work(o, "ann")
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		o = must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
		s.clock.Set(morning.Add(8 * time.Hour)) // 01:00 of the next day in Tokyo
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		if d := o.GetReleaseDate(); o.GetState() != workordersv1.WorkOrder_RELEASED || number(d) != 20260315 || len(o.GetAllowedVerbs()) != 0 {
			t.Errorf("released: %s on %v, allowed %v", o.GetState(), d, o.GetAllowedVerbs())
		}
		sigs := s.signatures(o)
		if len(sigs) != 3 {
			t.Fatalf("%d signatures", len(sigs))
		}
		for _, sig := range sigs {
			check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("quinn"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
			if !check.GetValid() || sig.GetCertificate() != "C-"+sig.GetPerson() || sig.GetTimeZone() != "Asia/Tokyo" || sig.GetAuthenticationMethod() != "password" ||
				sig.GetAuthorization() == "" || sig.GetPersonName() != "Name of "+sig.GetPerson() {
				t.Errorf("signature %v: %v", sig, check)
			}
		}
		if facts := s.facts(o); !slices.Equal(facts[len(facts)-3:], []string{"finished", "inspected", "released"}) {
			t.Errorf("facts: %v", facts)
		}
	})
}

// Work that was sent back needs all signatures again; the old ones stay, and say that they cover the work as it was.
func TestReworkVoidsSignatures(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		o = must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as("ivy"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag(), Reason: "Read it again"}))
		if o.GetState() != workordersv1.WorkOrder_STARTED {
			t.Fatal(o.GetState())
		}
		_, err := s.release(o)
		s.refused(err, "STATE_NOT_ALLOWED", "STARTED", "finish")
		old := s.signatures(o)[0]
		check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: old.GetName()}))
		if check.GetValid() || check.GetExplanation() == "" || old.GetVoidTime() == nil {
			t.Errorf("the old signature: %v %v", old, check)
		}
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "bob"))
		must[*workordersv1.WorkOrder](s)(s.release(o))
	})
}

// The same request with the same key has one effect and one answer; with another content it is refused.
func TestSameKeySameAnswer(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		req := &workordersv1.CreateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/ring-flow-check"}, RequestId: "0190a6f0-0000-7000-8000-000000000001",
		}
		first := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), req))
		second := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), req))
		if first.GetName() != second.GetName() || s.count("work_orders") != 1 {
			t.Errorf("%s and %s", first.GetName(), second.GetName())
		}
		req.WorkOrder.Remarks = "another"
		_, err := s.do.CreateWorkOrder(s.as("pat"), req)
		s.refused(err, "IDEMPOTENCY_KEY_REUSED")
	})
}

// Orders drafted at the same moment all get numbers of their own.
func TestNumbersAreUniqueUnderLoad(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		const n = 8
		done := make(chan error, n)
		for range n {
			go func() {
				_, err := s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
					WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/ring-flow-check"},
				})
				done <- err
			}()
		}
		for range n {
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
		if got := s.count("work_orders"); got != n {
			t.Errorf("%d orders", got)
		}
	})
}
