package workorders_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// Case PER-02 (14 CFR 43.7, 145.157; Part-145, 145.A.35): whose authorization is over may not start, do, inspect or release.
func TestALapsedAuthorizationStopsEverySignature(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		lapse := func(key, reason string) { s.near.change(func(n *neighbours) { n.lapsed[key] = reason }) }
		o := s.kitted("sense-line-heater-check")
		lapse("people/ann perform", "AUTHORIZATION_LAPSED")
		_, err := s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()})
		s.refused(err, "AUTHORIZATION_LAPSED", "perform")
		o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("bob"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
		step := s.steps(o)[0]
		s.prepare(step, "ann")
		_, err = s.do.CompleteStep(s.as("ann"), completion(step))
		s.refused(err, "AUTHORIZATION_LAPSED")
		s.work(o, "bob")
		_, err = s.finish(o, "ann")
		s.refused(err, "AUTHORIZATION_LAPSED")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "bob"))
		lapse("people/ian inspect", "AUTHORIZATION_SUSPENDED")
		_, err = s.inspect(o, "ian", "")
		s.refused(err, "AUTHORIZATION_SUSPENDED")
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ivy", ""))
		lapse("people/rob release", "NOT_CURRENT")
		_, err = s.release(o)
		s.refused(err, "NOT_CURRENT")
		if n := len(s.signatures(o)); n != 2 {
			t.Errorf("%d signatures", n)
		}
	})
}

// Fault C10: an authorization that ends after the page was shown and the password typed signs nothing; and what was typed long ago signs nothing,
// however long the session lives.
func TestAnAuthorizationThatEndsAfterThePageWasShownSignsNothing(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		shown, token := s.preview(o, commonv1.Signature_PERFORMED), s.proof("ann")
		sign := func(token string) error {
			_, err := s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{
				Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: token, ContentHash: shown.GetContentHash(),
			})
			return err
		}
		s.near.change(func(n *neighbours) { n.lapsed["people/ann perform"] = "AUTHORIZATION_SUSPENDED" })
		s.refused(sign(token), "AUTHORIZATION_SUSPENDED")
		s.near.change(func(n *neighbours) { delete(n.lapsed, "people/ann perform") })
		s.clock.Advance(8 * time.Hour)
		s.refused(sign(token), "REAUTHENTICATION_NEEDED")
		if left := s.order(o); left.GetState() != workordersv1.WorkOrder_STARTED || len(s.signatures(o)) != 0 {
			t.Errorf("the order is %s with %d signatures", left.GetState(), len(s.signatures(o)))
		}
		if err := sign(s.proof("ann")); err != nil {
			t.Errorf("with the password typed now: %v", err)
		}
	})
}

// Cases TOOL-01 and TOOL-02 (145.A.40(b); 14 CFR 145.109(b)): the day of use decides, at the place of work, not the day of entry.
func TestAToolMustBeInCalibrationOnTheDayOfUse(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		step := s.steps(o)[1]
		s.near.change(func(n *neighbours) { n.valid[gauge] = 20260314 })
		s.acknowledge(step, "ann")
		good := reading(step, "gauge_pressure", "262", "kPa")
		first := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), good))
		if first.GetToolCalibration() != "valid through 20260314, asked for 20260314" || first.GetValue() != 262 || !first.GetLimitsMet() {
			t.Errorf("reading: %v", first)
		}
		s.clock.Set(time.Date(2026, 3, 14, 15, 30, 0, 0, time.UTC)) // 00:30 of the 15th in Tokyo
		_, err := s.do.CreateMeasurement(s.as("ann"), reading(step, "gauge_pressure", "262", "kPa"))
		s.refused(err, "TOOL_LAPSED", gauge)
		late := reading(step, "gauge_pressure", "38", "[psi]")
		late.Measurement.MeasureTime = timestamppb.New(morning.Add(time.Hour))
		must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), late))
		s.near.change(func(n *neighbours) { n.valid[gauge] = 20261231 })
		for name, at := range map[string]time.Time{"future": s.clock.Now().Add(time.Hour), "before the start": morning.Add(-time.Hour)} {
			late.Measurement.MeasureTime = timestamppb.New(at)
			_, err = s.do.CreateMeasurement(s.as("ann"), late)
			if s.refused(err, "TIME_OUT_OF_ORDER"); t.Failed() {
				t.Log(name)
			}
		}
		late.Measurement.MeasureTime, late.Measurement.Tool = nil, ""
		_, err = s.do.CreateMeasurement(s.as("ann"), late)
		s.refused(err, "TOOL_MISSING")
		if n := s.count("measurements"); n != 2 {
			t.Errorf("%d readings", n)
		}
	})
}

// Cases MAT-01, MAT-02: a lot is judged at the time of use.
func TestALotMustBeUsableAtTheTimeOfUse(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("salt-rinse")
		var step *workordersv1.Step
		for _, step = range s.steps(o) {
			s.prepare(step, "ann")
			if step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL {
				break
			}
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(step)))
		}
		s.near.change(func(n *neighbours) { n.until["lots/l1"] = morning.Add(time.Hour) })
		s.clock.Set(morning.Add(2 * time.Hour))
		_, err := s.do.CompleteStep(s.as("ann"), completion(step))
		s.refused(err, "MATERIAL_NOT_USABLE", "use-by")
		s.near.change(func(n *neighbours) { n.silent["stores"] = true })
		_, err = s.do.CompleteStep(s.as("ann"), completion(step))
		s.refused(err, "STORES_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.silent["stores"] = false })
		_, err = s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName()})
		s.refused(err, "MATERIAL_MISSING")
		late := completion(step)
		late.CompleteTime = timestamppb.New(morning.Add(30 * time.Minute))
		done := must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), late))
		if got := s.order(o).GetMaterials(); len(got) != 1 || got[0].GetUseTime().AsTime() != done.GetCompleteTime().AsTime() {
			t.Errorf("materials: %v", got)
		}
	})
}

// Case E10: with the clock more than two minutes behind the last signature nothing is signed and nothing moves; the proof is still good when the
// clock is right again.
func TestNothingIsSignedWhileTheClockIsBehindTheLastSignature(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		first, second := s.started("ring-flow-check"), s.started("ring-flow-check")
		s.work(first, "ann")
		s.work(second, "ann")
		s.clock.Advance(10 * time.Minute)
		now := s.clock.Now()
		must[*workordersv1.WorkOrder](s)(s.finish(first, "ann"))
		s.clock.Set(now.Add(-2*time.Minute - time.Second))
		_, err := s.finish(second, "ann")
		s.refused(err, "CLOCK_BEHIND_RECORD", "signatures", "Set the clock right")
		if got := s.order(second); got.GetState() != workordersv1.WorkOrder_STARTED || len(s.signatures(second)) > 0 {
			t.Errorf("it is %s with %d signatures", got.GetState(), len(s.signatures(second)))
		}
		s.clock.Set(now.Add(-2 * time.Minute))
		must[*workordersv1.WorkOrder](s)(s.finish(second, "ann"))
	})
}

// While compliance can't be asked nothing is signed, nothing is half signed, and the proof is still good afterwards.
func TestComplianceUnreachableLeavesNothingHalfSigned(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		shown := s.preview(o, commonv1.Signature_PERFORMED)
		req := &workordersv1.FinishWorkOrderRequest{
			Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("ann"), ContentHash: shown.GetContentHash(), RequestId: "0190a6f0-0000-7000-8000-00000000000a",
		}
		tables := []string{"signatures", "record_chain", "used_proofs", "outbox", "idempotency_keys"}
		before := map[string]int{}
		for _, table := range tables {
			before[table] = s.count(table)
		}
		s.near.change(func(n *neighbours) { n.silent["compliance"] = true })
		_, err := s.do.FinishWorkOrder(s.as("ann"), req)
		s.refused(err, "COMPLIANCE_UNREACHABLE", "nothing was done or signed")
		for _, table := range tables {
			if n := s.count(table); n != before[table] {
				t.Errorf("%s grew from %d to %d", table, before[table], n)
			}
		}
		if now := s.order(o); now.GetState() != workordersv1.WorkOrder_STARTED || now.GetEtag() != shown.GetEtag() {
			t.Errorf("the order changed: %v", now)
		}
		s.near.change(func(n *neighbours) { n.silent["compliance"] = false })
		must[*workordersv1.WorkOrder](s)(s.do.FinishWorkOrder(s.as("ann"), req))
	})
}

// Case SGN-13: a proof signs once; another person's, an old one and none at all sign nothing; nor does what was not shown.
func TestASignatureNeedsItsOwnFreshProofAndWhatWasShown(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, other := s.started("ring-flow-check"), s.started("ring-flow-check")
		s.work(o, "ann")
		s.work(other, "ann")
		sign := func(o *workordersv1.WorkOrder, token, hash string) error {
			_, err := s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{
				Name: o.GetName(), Etag: s.order(o).GetEtag(), ReauthenticationToken: token, ContentHash: hash,
			})
			return err
		}
		hash, token := s.preview(o, commonv1.Signature_PERFORMED).GetContentHash(), s.proof("ann")
		s.refused(sign(o, s.proof("bob"), hash), "REAUTHENTICATION_NEEDED")
		s.refused(sign(o, "nonsense", hash), "REAUTHENTICATION_NEEDED")
		s.refused(sign(o, token, s.preview(other, commonv1.Signature_PERFORMED).GetContentHash()), "CONTENT_CHANGED")
		taken := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()[0]
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("bob"), &workordersv1.SupersedeMeasurementRequest{
			Name: taken.GetName(), Entered: taken.GetEntered(), Reason: "misread", ExceedanceConfirmed: true,
		}))
		s.refused(sign(o, token, hash), "CONTENT_CHANGED", "Look at it again")
		if err := sign(o, token, s.preview(o, commonv1.Signature_PERFORMED).GetContentHash()); err != nil {
			t.Fatal(err)
		}
		hash = s.preview(other, commonv1.Signature_PERFORMED).GetContentHash()
		s.refused(sign(other, token, hash), "REAUTHENTICATION_NEEDED", "once")
		old := s.proof("ann")
		s.clock.Advance(3 * time.Minute)
		s.refused(sign(other, old, hash), "REAUTHENTICATION_NEEDED", "two minutes")
		if n := s.count("signatures"); n != 1 {
			t.Errorf("%d signatures", n)
		}
	})
}

// Whoever read an order or a step before it changed is refused, for every verb, and nothing changes.
func TestStaleEtagsAreRefused(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		step := s.steps(o)[0]
		for name, call := range map[string]func() error{
			"schedule": func() error {
				_, err := s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{Name: o.GetName(), Etag: "v0", Station: station, PlanStartTime: timestamppb.New(morning)})
				return err
			},
			"start": func() error {
				_, err := s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: "v0"})
				return err
			},
			"hold": func() error {
				_, err := s.do.HoldWorkOrder(s.as("ann"), &workordersv1.HoldWorkOrderRequest{Name: o.GetName(), Etag: "v0", Reason: "r"})
				return err
			},
			"void": func() error {
				_, err := s.do.VoidWorkOrder(s.as("pat"), &workordersv1.VoidWorkOrderRequest{Name: o.GetName(), Etag: "v0", Reason: "r"})
				return err
			},
			"acknowledge": func() error {
				_, err := s.do.AcknowledgeCautions(s.as("ann"), &workordersv1.AcknowledgeCautionsRequest{Name: step.GetName(), Etag: "v0"})
				return err
			},
			"complete": func() error {
				_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName(), Etag: "v0"})
				return err
			},
			"finish": func() error {
				_, err := s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{Name: o.GetName(), Etag: "v0", ReauthenticationToken: s.proof("ann"), ContentHash: "0"})
				return err
			},
		} {
			if s.refused(call(), "ETAG_MISMATCH"); t.Failed() {
				t.Fatal(name)
			}
		}
		if now := s.order(o); now.GetEtag() != o.GetEtag() {
			t.Error("the order changed")
		}
	})
}

// An engine that was moved since its order was planned is not worked on under that order: what is signed would name the wrong aircraft.
// Scheduling again takes the aircraft that it is on; what has its kit already is drafted anew.
func TestAnEngineThatMovedIsNotWorkedOn(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		moved := func(plane string) {
			s.near.change(func(n *neighbours) { n.plane = plane })
		}
		start := func(o *workordersv1.WorkOrder) error {
			_, err := s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()})
			return err
		}
		o, planned := s.kitted("ring-flow-check"), s.drafted("ring-flow-check")
		for plane, said := range map[string]string{"aircraft/a2": "aircraft/a2", "": "no aircraft"} {
			moved(plane)
			s.refused(start(o), "ENGINE_MOVED", "aircraft/a1", said)
		}
		moved("aircraft/a2")
		again := must[*workordersv1.WorkOrder](s)(s.schedule(planned, 12, "battery"))
		if again.GetAircraft() != "aircraft/a2" || s.order(o).GetState() != workordersv1.WorkOrder_KITTED {
			t.Errorf("%v, %v", again, s.order(o))
		}
		moved("aircraft/a1")
		if err := start(o); err != nil {
			t.Errorf("back where it was: %v", err)
		}
	})
}
