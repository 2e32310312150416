package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

func minutes(n int) *timestamppb.Timestamp {
	return timestamppb.New(morning.Add(time.Duration(n) * time.Minute))
}

// A wash that was done by the fallback sheet is entered the next day by who did it: every entry keeps when it was done and when it was
// entered, is marked in the record, the history, the pack and the signed content, and stands in the comparison as any other.
func TestADayOnPaperIsEnteredLater(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.kitted("salt-rinse")
		s.clock.Advance(26 * time.Hour)
		o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag(), StartTime: minutes(60)}))
		if !o.GetStartTime().AsTime().Equal(minutes(60).AsTime()) || !o.GetStartEntryTime().AsTime().Equal(s.clock.Now()) {
			t.Errorf("started %v, entered %v", o.GetStartTime(), o.GetStartEntryTime())
		}
		must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
			StartTime: minutes(70), EndTime: timestamppb.New(minutes(70).AsTime().Add(30 * time.Second)), PaperEntry: true,
		}}))
		for i, step := range s.steps(o) {
			who := map[bool]string{true: "ivy", false: "ann"}[step.GetKind() == workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION]
			s.acknowledge(step, who)
			for _, m := range step.GetMeasurements() {
				req := reading(step, m.GetKey(), "38", "[psi]")
				req.Measurement.PaperEntry = true
				_, err := s.do.CreateMeasurement(s.as(who), req)
				s.refused(err, "TIME_NEEDED", "stands on the sheet")
				req.Measurement.MeasureTime = minutes(61 + i)
				must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as(who), req))
			}
			req := completion(step)
			req.PaperEntry = true
			_, err := s.do.CompleteStep(s.as(who), req)
			s.refused(err, "TIME_NEEDED")
			req.CompleteTime = minutes(62 + i)
			done := must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(who), req))
			if !done.GetPaperEntry() || done.GetPerformer() != "people/"+who || !done.GetCompleteTime().AsTime().Equal(minutes(62+i).AsTime()) || !done.GetEntryTime().AsTime().Equal(s.clock.Now()) {
				t.Errorf("step %d: %v", i+1, done)
			}
		}
		must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
			StartTime: minutes(75), EndTime: minutes(77), Purpose: dry, PaperEntry: true,
		}}))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		s.saysPaper(t, o)
	})
}

// saysPaper checks that an order's entries of the sheet are marked wherever they are shown.
func (s *stage) saysPaper(t *testing.T, o *workordersv1.WorkOrder) {
	t.Helper()
	if lines := s.compares(o, "pressure"); len(lines) != 1 || lines[0].GetDiffers() {
		t.Errorf("38 psi are as planned, on paper too: %v", lines)
	}
	if lines := s.compares(o, "reading"); len(lines) != 1 || !strings.Contains(lines[0].GetDoneText(), "from the fallback sheet") {
		t.Errorf("the reading: %v", lines)
	}
	if lines := s.compares(o, "runs"); len(lines) != 1 || lines[0].GetDoneText() != "1" {
		t.Errorf("the run: %v", lines)
	}
	marked := 0
	for _, e := range s.history(o, 0, 0) {
		if strings.Contains(e.GetText(), "from the sheet") {
			marked++
		}
	}
	if want := len(s.steps(o)) + 3; marked != want { // and a reading and two runs
		t.Errorf("%d entries of the history are marked, want %d", marked, want)
	}
	sig := s.signatures(o)[0]
	if check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("quinn"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()})); !check.GetValid() {
		t.Errorf("the signature: %v", check)
	}
	pack := string(s.export(o, workordersv1.ExportWorkPackRequest_JSON).GetContent())
	if !strings.Contains(strings.ReplaceAll(pack, `": `, `":`), `"paperEntry":true`) {
		t.Error("the pack for machines does not mark them")
	}
}

// A start on paper lies after the kit and not in the future, and is gated on its own day; nobody enters what another person did.
func TestPaperOpensNoDoor(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.kitted("sense-line-heater-check")
		s.clock.Advance(48 * time.Hour)
		start := func(at *timestamppb.Timestamp) (*workordersv1.WorkOrder, error) {
			return s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag(), StartTime: at})
		}
		for _, at := range []int{-1, 49 * 60} {
			_, err := start(minutes(at))
			s.refused(err, "TIME_OUT_OF_ORDER", o.GetNumber())
		}
		s.near.change(func(n *neighbours) { n.last["people/ann perform"] = 20260314 }) // over today, and not on the day of the sheet
		_, err := start(nil)
		s.refused(err, "AUTHORIZATION_LAPSED")
		o = must[*workordersv1.WorkOrder](s)(start(minutes(60)))
		step := s.steps(o)[0]
		s.acknowledge(step, "ann")
		req := completion(step)
		req.PaperEntry, req.CompleteTime = true, minutes(59-5)
		_, err = s.do.CompleteStep(s.as("ann"), req)
		s.refused(err, "TIME_OUT_OF_ORDER")
		req.CompleteTime = minutes(65)
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), req))
		_, err = s.finish(o, "ann")
		s.refused(err, "AUTHORIZATION_LAPSED") // a signature is of the day on which it is given
	})
}

// A correction of an entry of the sheet stays one of the sheet.
func TestACorrectionOfPaperStaysPaper(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.clock.Advance(time.Hour)
		req := reading(s.steps(o)[1], "gauge_pressure", "262", "kPa")
		req.Measurement.PaperEntry, req.Measurement.MeasureTime = true, minutes(30)
		req.Measurement.Successor, req.Measurement.Supersedes = "forged", "forged"
		s.acknowledge(s.steps(o)[1], "ann")
		first := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), req))
		if first.GetSuccessor() != "" || first.GetSupersedes() != "" {
			t.Errorf("what only the server says was taken from the caller: %v", first)
		}
		second := must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
			Name: first.GetName(), Entered: &commonv1.Entered{Text: "260", UnitCode: "kPa"}, Reason: "misread from the sheet",
		}))
		if !second.GetPaperEntry() || !second.GetMeasureTime().AsTime().Equal(minutes(30).AsTime()) {
			t.Errorf("%v", second)
		}
	})
}
