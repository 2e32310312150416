package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// A step is not done before the one that comes before it was: a look at eight at work of nine is no look at it. Two minutes between two clocks are let
// pass, and the time of the earlier step is corrected by doing it again.
func TestNoStepIsDoneBeforeTheOneBeforeIt(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		c := card(&workordersv1.CardStep{Title: "Do", Kind: workordersv1.StepKind_STEP_KIND_DO}, &workordersv1.CardStep{Title: "Look", Kind: workordersv1.StepKind_STEP_KIND_INSPECT})
		must[*workordersv1.TaskCard](s)(s.newCard(c))
		o := s.started("own")
		steps := s.steps(o)
		s.clock.Advance(2 * time.Hour)
		do := func(step *workordersv1.Step, who string, at *timestamppb.Timestamp) error {
			_, err := s.do.CompleteStep(s.as(who), &workordersv1.CompleteStepRequest{Name: step.GetName(), CompleteTime: at})
			return err
		}
		if err := do(steps[0], "ann", minutes(60)); err != nil {
			t.Fatal(err)
		}
		s.refused(do(steps[1], "ivy", minutes(30)), "TIME_OUT_OF_ORDER", "Step 1", "2026-03-14T09:00:00Z", "2026-03-14T08:30:00Z")
		must[*workordersv1.Step](s)(s.reopen(steps[0], "ann", "wrong time"))
		if err := do(steps[0], "ann", minutes(31)); err != nil {
			t.Fatal(err)
		}
		if err := do(steps[1], "ivy", minutes(30)); err != nil {
			t.Errorf("within the leeway of two clocks: %v", err)
		}
	})
}

// What was read outside its limits and confirmed stands in every text that is signed, with its limits; a correction and a reading that was taken anew do not
// leave it there.
func TestWhatWasOutsideItsLimitsStandsInWhatIsSigned(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann") // catches 200 L in a minute
		const words = "Read outside limits, and confirmed: Volume caught in one minute, step 2, 200 L"
		if text := s.preview(o, commonv1.Signature_PERFORMED).GetStatement(); !strings.Contains(text, words) {
			t.Errorf("performed: %s", text)
		}
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Advance(time.Minute)
		if text := s.preview(o, commonv1.Signature_RELEASED).GetStatement(); !strings.Contains(text, words) {
			t.Errorf("released: %s", text)
		}
		o = s.sentBack(o, "ivy", "again")
		step := s.steps(o)[1]
		first := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()[0]
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
			Name: first.GetName(), Entered: &commonv1.Entered{Text: "21", UnitCode: "L"}, Reason: "misread", ExceedanceConfirmed: true,
		}))
		if text := s.preview(o, commonv1.Signature_PERFORMED).GetStatement(); !strings.Contains(text, "step 2, 21 L, limits 0.1 to 20 L.") || strings.Contains(text, "200 L") {
			t.Errorf("corrected: %s", text)
		}
		must[*workordersv1.Step](s)(s.reopen(step, "ann", "ring was blocked"))
		s.clock.Advance(time.Minute)
		s.acknowledge(step, "ann")
		for _, m := range step.GetMeasurements() {
			value := map[string]string{"caught_volume": "3", "gauge_pressure": "262"}[m.GetKey()]
			must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), reading(step, m.GetKey(), value, m.GetUnitCode())))
		}
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(step)))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.clock.Advance(time.Minute)
		if o = must[*workordersv1.WorkOrder](s)(s.release(o)); strings.Contains(o.GetReleaseStatement(), "outside limits") {
			t.Errorf("read anew inside its limits: %s", o.GetReleaseStatement())
		}
	})
}

// An inspection that was not passed puts no finding right: the one that its order was raised for stays open, and waits for another order.
func TestAnInspectionThatWasNotPassedPutsNothingRight(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		f := s.found(s.started("ring-flow-check"), "Ring leaks")
		must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_RECTIFY, "", nil))
		own := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
			Engine: engine, TaskCard: "taskCards/ring-flow-check", Regime: "regimes/faa-inspection", Origin: &workordersv1.Origin{Cause: workordersv1.Origin_FINDING, Reference: f.GetName()},
		}}))
		own = s.wholly(s.begun(own))
		still := s.found(own, "It leaks all the same")
		must[*workordersv1.Finding](s)(s.answer(still, workordersv1.Finding_RECTIFY, "", nil))
		s.clock.Advance(time.Minute)
		got, _, err := s.judged(own, notAirworthy, day("2026-03-14"))
		must[*workordersv1.WorkOrder](s)(got, err)
		if now := s.finding(f.GetName()); now.GetState() != workordersv1.Finding_ANSWERED || now.GetClosingNote() != "" {
			t.Errorf("it is told as put right: %v", now)
		}
		must[*workordersv1.WorkOrder](s)(s.raised(f.GetName(), engine))
	})
}

// begun brings a new order to its start by ann.
func (s *stage) begun(o *workordersv1.WorkOrder) *workordersv1.WorkOrder {
	s.t.Helper()
	if err := s.scheduleAgain(o); err != nil {
		s.t.Fatal(err)
	}
	o = must[*workordersv1.WorkOrder](s)(s.do.KitWorkOrder(s.as("pat"), &workordersv1.KitWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag()}))
	return must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
}

// wholly does the work of a started order and signs for it with the aircraft's total time.
func (s *stage) wholly(o *workordersv1.WorkOrder) *workordersv1.WorkOrder {
	s.t.Helper()
	s.work(o, "ann")
	shown := s.preview(o, commonv1.Signature_PERFORMED)
	return must[*workordersv1.WorkOrder](s)(s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("ann"), ContentHash: shown.GetContentHash(),
		EndCounters: &workordersv1.Counters{OperatingSeconds: 1235 * 3600, Cycles: 100, Starts: 121, AircraftSeconds: 4321 * 3600},
	}))
}

// A deferral is carried over on its own engine, keeps its day, and is closed when the finding that carries it over is.
func TestADeferralIsClosedByWhatCarriesItOver(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		first := s.found(s.started("ring-flow-check"), "Scratch")
		must[*workordersv1.Finding](s)(s.answer(first, workordersv1.Finding_DEFER, "repair data", day("2026-06-01")))
		carry := func(o *workordersv1.WorkOrder) (*workordersv1.Finding, error) {
			return s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{
				Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Scratch", Predecessor: first.GetName()},
			})
		}
		elsewhere := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Engine: "engines/e2", TaskCard: "taskCards/ring-flow-check"},
		}))
		_, err := carry(elsewhere)
		s.refused(err, "ENGINE_DIFFERS", engine, "engines/e2")
		s.clock.Advance(72 * time.Hour)
		second := must[*workordersv1.Finding](s)(carry(s.started("ring-flow-check")))
		if got := second.GetOriginalDate(); got.GetDay() != 14 {
			t.Errorf("first found %v", got)
		}
		must[*workordersv1.Finding](s)(s.answer(second, workordersv1.Finding_RECTIFY, "", nil))
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: second.GetName(), Note: "blended"}))
		if now := s.finding(first.GetName()); now.GetState() != workordersv1.Finding_CLOSED || now.GetCloser() != "people/ivy" || !strings.Contains(now.GetClosingNote(), second.GetName()) {
			t.Errorf("the one that was put off is %v", now)
		}
	})
}

// What was found and has no answer is told with its words, and not as if nothing were wrong.
func TestAFindingWithoutAnswerIsNotCalledNone(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, _ := s.inspected("faa-inspection")
		s.found(o, "Oil leaks")
		shown := must[*workordersv1.PreviewSignatureResponse](s)(s.look.PreviewSignature(s.as("rob"), &workordersv1.PreviewSignatureRequest{
			Name: o.GetName(), Meaning: commonv1.Signature_RELEASED, InspectionResult: notAirworthy, DiscrepancyListDate: day("2026-03-14"),
		}))
		if missing := strings.Join(shown.GetMissing(), "; "); !strings.Contains(missing, `The finding "Oil leaks"`) || strings.Contains(missing, "no finding") {
			t.Errorf("missing: %s", missing)
		}
	})
}

// The pack says what happened, in order and each with when it was entered: every time that the work was held, resumed and sent back, with its reason and
// who, a step that was entered hours later, and a correction by another person at another time than the reading was taken.
func TestThePackSaysWhatHappenedInItsOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		held := func(why string) {
			s.clock.Advance(10 * time.Minute)
			must[*workordersv1.WorkOrder](s)(s.do.HoldWorkOrder(s.as("pat"), &workordersv1.HoldWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: why}))
			s.clock.Advance(10 * time.Minute)
			must[*workordersv1.WorkOrder](s)(s.do.ResumeWorkOrder(s.as("bob"), &workordersv1.ResumeWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag()}))
		}
		held("no gauge here")
		held("shift ends")
		step := s.steps(o)[0]
		s.acknowledge(step, "ann")
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName(), CompleteTime: minutes(5)}))
		s.work(o, "ann")
		first := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()[0]
		s.clock.Advance(time.Hour)
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("bob"), &workordersv1.SupersedeMeasurementRequest{
			Name: first.GetName(), Entered: &commonv1.Entered{Text: "3", UnitCode: "L"}, Reason: "the jug was read upside down",
		}))
		for _, why := range []string{"first look", "second look"} {
			must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
			s.clock.Advance(time.Minute)
			o = s.sentBack(o, "ivy", why)
		}
		text := s.packed(o)
		for _, words := range []string{
			"Order is STARTED, no gauge here", "Order is STARTED, shift ends", "Entered 2026-03-14 17:40:00", // of 17:05, in Tokyo
			"3 L, with tools/pressure-gauge, corrects", "Order is STARTED, first look", "Order is STARTED, second look",
		} {
			if !strings.Contains(text, strings.ReplaceAll(words, " ", "")) {
				t.Errorf("the pack lacks %q", words)
			}
		}
		if n := strings.Count(text, "18:40:00"); n < 3 { // beside the reading that was taken at 17:40, in what was entered, and of the signature after it
			t.Errorf("the time of the correction stands there %d times", n)
		}
		if last := "Orderis"; strings.Index(text, last+"STARTED,nogaugehere") > strings.Index(text, last+"STARTED,firstlook") {
			t.Error("what happened first comes last")
		}
		machines := string(s.export(o, workordersv1.ExportWorkPackRequest_JSON).GetContent())
		if n := strings.Count(machines, `"fact":`); n != len(s.history(o, 0, 1000)) {
			t.Errorf("the pack for machines has %d entries of the history", n)
		}
	})
}
