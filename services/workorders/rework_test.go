package workorders_test

import (
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
