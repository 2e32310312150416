package workorders_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
)

// tamper changes a row past the tool, as somebody with the database at hand does.
func (s *stage) tamper(table, name string, row proto.Message, change func()) {
	s.t.Helper()
	err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		var body []byte
		if err := tx.QueryRow(ctx, "SELECT body FROM "+table+" WHERE name = $1", name).Scan(&body); err != nil {
			return err
		}
		if err := proto.Unmarshal(body, row); err != nil {
			return err
		}
		change()
		body, err := proto.Marshal(row)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, "UPDATE "+table+" SET body = $1 WHERE name = $2", body, name)
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
}

// tamperReading makes the first reading of an order another one.
func (s *stage) tamperReading(o *workordersv1.WorkOrder) {
	s.t.Helper()
	m := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()[0]
	s.tamper("measurements", m.GetName(), m, func() { m.Entered.Text = "199" })
}

// unchain takes the last entry out of the chain, which then verifies as a shorter one.
func (s *stage) unchain() {
	s.t.Helper()
	drop := "DROP TRIGGER IF EXISTS record_chain_no_delete"
	if s.service.DB().Engine() == storage.Postgres {
		drop = "DROP TRIGGER IF EXISTS record_chain_fixed ON record_chain"
	}
	err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		if _, err := tx.Exec(ctx, drop); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, "DELETE FROM record_chain WHERE stream = 'signatures' AND position = (SELECT MAX(position) FROM record_chain WHERE stream = 'signatures')")
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *stage) verified(sig *commonv1.Signature) *workordersv1.VerifySignatureResponse {
	s.t.Helper()
	return must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("quinn"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
}

// Fault C11: when a record was changed past the tool after it was signed, the signature says so, and the order is neither inspected nor released on it.
func TestNothingIsSignedOnASignatureThatDoesNotHold(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		sign := func(change func(sig *commonv1.Signature)) func(*workordersv1.WorkOrder, *commonv1.Signature) {
			return func(_ *workordersv1.WorkOrder, sig *commonv1.Signature) {
				row := &commonv1.Signature{}
				s.tamper("signatures", sig.GetName(), row, func() { change(row) })
			}
		}
		for _, c := range []struct {
			what   string
			change func(o *workordersv1.WorkOrder, sig *commonv1.Signature)
			why    string // what does not match
		}{
			{"a reading", func(o *workordersv1.WorkOrder, _ *commonv1.Signature) { s.tamperReading(o) }, "records are not those that were signed"},
			{"who signed", sign(func(sig *commonv1.Signature) { sig.Person = "people/bob" }), "people/bob"},
			{"the name", sign(func(sig *commonv1.Signature) { sig.PersonName = "Bob" }), "Bob"},
			{"the certificate", sign(func(sig *commonv1.Signature) { sig.Certificate = "C-9" }), "C-9"},
			{"when", sign(func(sig *commonv1.Signature) {
				sig.SignTime = timestamppb.New(sig.GetSignTime().AsTime().Add(-time.Hour))
			}), "time"},
			{"the words", sign(func(sig *commonv1.Signature) { sig.Statement += " Twice." }), "Twice"},
			{"the meaning", sign(func(sig *commonv1.Signature) { sig.Meaning = commonv1.Signature_WITNESSED }), "witnessed"},
			{"what it covers", sign(func(sig *commonv1.Signature) { sig.ContentHash = "00" }), "content"},
			{"the entry", func(*workordersv1.WorkOrder, *commonv1.Signature) { s.unchain() }, "no entry"},
		} {
			for card, meaning := range map[string]commonv1.Signature_Meaning{"ring-flow-check": commonv1.Signature_RELEASED, "recovery-wash": commonv1.Signature_INSPECTED} {
				o := s.started(card)
				s.work(o, "ann")
				o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
				sig := s.signatures(o)[0]
				if check := s.verified(sig); !check.GetValid() || check.GetExplanation() != "" && c.what != "the entry" { // the first card's is gone then
					t.Fatalf("%s: before anything was changed: %v", c.what, check)
				}
				c.change(o, sig)
				if check := s.verified(sig); check.GetValid() || !strings.Contains(check.GetExplanation(), c.why) {
					t.Errorf("%s: %v", c.what, check)
				}
				if missing := s.preview(o, meaning).GetMissing(); len(missing) != 1 || !strings.Contains(missing[0], sig.GetName()) || !strings.Contains(missing[0], c.why) {
					t.Errorf("%s: whoever signs is shown %q", c.what, missing)
				}
				next := s.release
				if meaning == commonv1.Signature_INSPECTED {
					next = func(o *workordersv1.WorkOrder) (*workordersv1.WorkOrder, error) { return s.inspect(o, "ian", "") }
				}
				_, err := next(o)
				s.refused(err, "SIGNATURE_BROKEN", o.GetName(), sig.GetName(), c.why, "Do not release", "quality", "backup")
				if left := s.order(o); left.GetState() != workordersv1.WorkOrder_FINISHED || len(s.signatures(o)) != 1 {
					t.Errorf("%s: the order is %s with %d signatures", c.what, left.GetState(), len(s.signatures(o)))
				}
				s.clock.Advance(time.Hour)
			}
		}
	})
}

// A signature that is out of force covers nothing that is released; and one order's record holds up no other order.
func TestOnlySignaturesInForceHoldUpARelease(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		other, o := s.started("ring-flow-check"), s.started("ring-flow-check")
		s.work(other, "ann")
		s.work(o, "ann")
		other, o = must[*workordersv1.WorkOrder](s)(s.finish(other, "ann")), must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.tamperReading(other)
		row := &commonv1.Signature{}
		s.tamper("signatures", s.signatures(o)[0].GetName(), row, func() { row.Certificate = "C-9" })
		_, err := s.release(o)
		s.refused(err, "SIGNATURE_BROKEN", "C-9")
		o = must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as("ivy"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "Signed anew"}))
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		if o = must[*workordersv1.WorkOrder](s)(s.release(o)); o.GetState() != workordersv1.WorkOrder_RELEASED {
			t.Errorf("the order is %s", o.GetState())
		}
		_, err = s.release(other)
		s.refused(err, "SIGNATURE_BROKEN", other.GetName())
	})
}

// The inspector's signature is looked at by the release as the performer's is.
func TestAReleaseLooksAtTheInspection(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Advance(time.Minute)
		o = must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
		looked := s.signatures(o)[1]
		row := &commonv1.Signature{}
		s.tamper("signatures", looked.GetName(), row, func() { row.Person = "people/ann" })
		_, err := s.release(o)
		s.refused(err, "SIGNATURE_BROKEN", looked.GetName(), "INSPECTED", "people/ian", "people/ann")
		s.tamper("signatures", looked.GetName(), row, func() { row.Person = "people/ian" })
		must[*workordersv1.WorkOrder](s)(s.release(o))
	})
}

// What is found and decided after a signature is not covered by it, also where the clock stands still or is of another machine that is behind.
func TestWhatIsFoundAfterASignatureLeavesItAsItIs(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		asked := s.found(o, "Ring is scratched")
		must[*workordersv1.Finding](s)(s.answer(asked, workordersv1.Finding_CUSTOMER_DECISION, "", nil))
		s.clock.Advance(time.Minute)
		o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Set(s.clock.Now().Add(-time.Second))
		later := s.found(o, "Ring is bent")
		must[*workordersv1.Finding](s)(s.answer(later, workordersv1.Finding_CUSTOMER_DECISION, "", nil))
		for _, f := range []*workordersv1.Finding{asked, later} {
			must[*workordersv1.Finding](s)(s.do.DecideFinding(s.as("pat"), &workordersv1.DecideFindingRequest{Name: f.GetName(), Decision: &workordersv1.CustomerDecision{
				Verdict: workordersv1.CustomerDecision_DECLINED, Reference: "letter 1",
			}}))
		}
		if check := s.verified(s.signatures(o)[0]); !check.GetValid() {
			t.Errorf("the signature before them: %v", check)
		}
		s.clock.Advance(time.Second)
		must[*workordersv1.WorkOrder](s)(s.release(o))
	})
}
