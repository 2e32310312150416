package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

func (s *stage) history(o *workordersv1.WorkOrder, after int64, most int32) []*workordersv1.HistoryEntry {
	s.t.Helper()
	return must[*workordersv1.TraceWorkOrderResponse](s)(s.look.TraceWorkOrder(s.as("quinn"), &workordersv1.TraceWorkOrderRequest{
		Name: o.GetName(), LastPosition: after, MaxEntries: most,
	})).GetEntries()
}

// The history tells everything in its order, without a gap, each with who and when: plans by their revision, corrections with what
// they correct and why, signatures with name and certificate.
func TestTheHistoryTellsWhoDidWhat(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		step := s.steps(o)[1]
		s.acknowledge(step, "ann")
		first := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), reading(step, "gauge_pressure", "380", "kPa")))
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("bob"), &workordersv1.SupersedeMeasurementRequest{
			Name: first.GetName(), Entered: &commonv1.Entered{Text: "260", UnitCode: "kPa"}, Reason: "misread",
		}))
		s.work(o, "ann")
		f := s.found(o, "Ring leaks")
		must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_DEFER, "repair data", day("2026-06-01")))
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: f.GetName(), Note: "tight now"}))
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 7*60, 8*60))
		s.clock.Advance(time.Minute)
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.release(o))
		want := []struct{ fact, person, words string }{
			{"drafted", "people/pat", "DRAFTED"}, {"scheduled", "people/pat", "SCHEDULED"}, {"kitted", "people/pat", "KITTED"}, {"started", "people/ann", "STARTED"},
			{"step.acknowledged", "people/ann", "Cautions of step 2"}, {"measurement.recorded", "people/ann", "380 kPa"},
			{"measurement.recorded", "people/bob", "corrects " + first.GetName() + ": misread"},
			{"step.acknowledged", "people/ann", "Cautions of step 1"}, {"step.completed", "people/ann", "Step done"}, {"step.acknowledged", "people/ann", "Cautions of step 2"},
			{"measurement.recorded", "people/ann", "caught_volume"}, {"measurement.recorded", "people/ann", "gauge_pressure"}, {"step.completed", "people/ann", "Step done"},
			{"finding.raised", "people/ann", "Ring leaks"}, {"finding.deferred", "people/ann", "until 2026-06-01, first found 2026-03-14"}, {"finding.answered", "people/ann", "DEFER"},
			{"finding.closed", "people/ivy", "tight now"}, {"labour.recorded", "people/ann", "1:00 h"},
			{"finished", "people/ann", "signed PERFORMED by Name of people/ann, C-people/ann"}, {"released", "people/rob", "signed RELEASED by Name of people/rob"},
		}
		got := s.history(o, 0, 0)
		if len(got) != len(want) {
			t.Fatalf("%d entries, want %d: %v", len(got), len(want), s.facts(o))
		}
		for i, e := range got {
			w := want[i]
			if e.GetFact() != w.fact || e.GetPerson() != w.person || !strings.Contains(e.GetText(), w.words) || e.GetPosition() != int64(i+1) || e.GetEventTime() == nil ||
				e.GetAccount() != "accounts/"+strings.TrimPrefix(w.person, "people/") || !strings.HasPrefix(e.GetSubject(), o.GetName()) {
				t.Errorf("entry %d: %v, want %v", i+1, e, w)
			}
		}
		if got[6].GetSupersedes() != first.GetName() {
			t.Errorf("the correction: %v", got[6])
		}
		if page := s.history(o, 3, 2); len(page) != 2 || page[0].GetPosition() != 4 || page[1].GetPosition() != 5 {
			t.Errorf("a page: %v", page)
		}
		_, err := s.look.TraceWorkOrder(s.as("quinn"), &workordersv1.TraceWorkOrderRequest{Name: "workOrders/none"})
		s.refused(err, "NOT_FOUND")
	})
}

// Each schedule of a wash is told with the revision of its plan.
func TestTheHistoryNamesThePlansRevision(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		for _, e := range s.history(o, 0, 0) {
			if e.GetFact() == "started" && !strings.Contains(e.GetText(), "plan revision 2") || e.GetFact() == "drafted" && !strings.Contains(e.GetText(), "plan revision 1") {
				t.Errorf("%v", e)
			}
		}
	})
}

// washed is a wash that was done just as planned, but for what a change makes of it.
func (s *stage) washed(change func(w *wash)) *workordersv1.WorkOrder {
	s.t.Helper()
	o := s.kitted("recovery-wash")
	s.clock.Advance(time.Hour) // when it was planned
	o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
	plan := must[*workordersv1.WashPlan](s)(s.look.GetWashPlan(s.as("ann"), &workordersv1.GetWashPlanRequest{Name: o.GetName() + "/washPlan"}))
	begins := s.clock.Now()
	w := &wash{pressure: "262", rinse: plan.GetRinseVolume(), solution: plan.GetBatchVolume()}
	for _, e := range plan.GetTimeline() {
		if e.GetActivity() == workordersv1.TimelineEntry_WASH_RUN || e.GetActivity() == workordersv1.TimelineEntry_RINSE_RUN {
			w.runs = append(w.runs, &workordersv1.MotoringRun{
				StartTime: timestamppb.New(begins.Add(time.Duration(e.GetStartSecond()) * time.Second)), EndTime: timestamppb.New(begins.Add(time.Duration(e.GetEndSecond()) * time.Second)),
			})
		}
	}
	change(w)
	w.runs = append(w.runs, w.dried(plan)...)
	s.clock.Advance(4 * time.Hour)
	for _, r := range w.runs {
		must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: r}))
	}
	lots := []*workordersv1.MaterialUse{{Lot: "lots/mix", Quantity: w.solution}, {Lot: "lots/water", Quantity: w.rinse}}
	for _, step := range s.steps(o) {
		who := "ann"
		if step.GetKind() == workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION {
			who = "ivy"
		}
		if len(step.GetCautions()) > 0 {
			must[*workordersv1.Step](s)(s.do.AcknowledgeCautions(s.as(who), &workordersv1.AcknowledgeCautionsRequest{Name: step.GetName()}))
		}
		for _, m := range step.GetMeasurements() {
			must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as(who), reading(step, m.GetKey(), w.pressure, "kPa")))
		}
		done := completion(step)
		if step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL {
			done.Materials, lots = lots[:1], lots[1:]
		}
		if step.GetTitle() == w.left {
			done.NotApplicable, done.Note = true, w.why
		}
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(who), done))
	}
	return o
}

type wash struct {
	runs            []*workordersv1.MotoringRun
	pressure        string // kPa
	solution, rinse *commonv1.Quantity
	left, why       string // the title of a step that did not apply
	wet             bool   // it was not dried
}

// dried is the drying run as the plan has it, after the last run that was made; none for a wash that was not dried.
func (w *wash) dried(plan *workordersv1.WashPlan) (runs []*workordersv1.MotoringRun) {
	if w.wet {
		return nil
	}
	wetted := int32(0)
	for _, e := range plan.GetTimeline() {
		switch e.GetActivity() {
		case workordersv1.TimelineEntry_RINSE_RUN:
			wetted = e.GetEndSecond()
		case workordersv1.TimelineEntry_DRYING_RUN:
			begins := w.runs[len(w.runs)-1].GetEndTime().AsTime().Add(time.Duration(e.GetStartSecond()-wetted) * time.Second)
			runs = append(runs, &workordersv1.MotoringRun{
				StartTime: timestamppb.New(begins), EndTime: timestamppb.New(begins.Add(time.Duration(e.GetEndSecond()-e.GetStartSecond()) * time.Second)),
				Purpose: workordersv1.MotoringRun_DRYING,
			})
		default:
		}
	}
	return runs
}

// A wash done as planned differs in nothing; one with four seeded differences is told with just these four.
func TestPlanAgainstDoneShowsJustWhatDiffers(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) { n.items["lots/water"] = "items/water" })
		compared := func(o *workordersv1.WorkOrder, all bool) []*workordersv1.Comparison {
			return must[*workordersv1.CompareWorkOrderResponse](s)(s.look.CompareWorkOrder(s.as("ivy"), &workordersv1.CompareWorkOrderRequest{Name: o.GetName(), ShowAll: all})).GetComparisons()
		}
		faultless := s.washed(func(*wash) {})
		if got := compared(faultless, false); len(got) != 0 || len(compared(faultless, true)) < 7 {
			t.Errorf("as planned: %v", got)
		}
		s.clock.Advance(24 * time.Hour)
		o := s.washed(func(w *wash) {
			w.pressure = "230"
			w.rinse = &commonv1.Quantity{Value: "1.5", UnitCode: "L"}
			w.left, w.why = "Let it soak", "data of this engine want none"
			last := w.runs[len(w.runs)-1]
			length := last.GetEndTime().AsTime().Sub(last.GetStartTime().AsTime())
			last.EndTime = timestamppb.New(last.GetEndTime().AsTime().Add(-5 * time.Second))
			last.Aborted = true
			w.runs = append(w.runs, &workordersv1.MotoringRun{
				StartTime: timestamppb.New(last.GetEndTime().AsTime().Add(time.Hour)), EndTime: timestamppb.New(last.GetEndTime().AsTime().Add(time.Hour + length)),
			})
		})
		want := []string{"volume Rinse", "pressure Container pressure", "run Run of", "step 7 Let it soak"}
		got := compared(o, false)
		if len(got) != len(want) {
			t.Fatalf("%d differences: %v", len(got), got)
		}
		for i, c := range got {
			if !strings.HasPrefix(c.GetTopic()+" "+c.GetLabel(), want[i]) || !c.GetDiffers() || c.GetPlannedText() == "" || c.GetDoneText() == "" {
				t.Errorf("difference %d: %v, want %s", i, c, want[i])
			}
		}
		s.near.change(func(n *neighbours) { n.silent["stores"] = true })
		_, err := s.look.CompareWorkOrder(s.as("ivy"), &workordersv1.CompareWorkOrderRequest{Name: o.GetName()})
		s.refused(err, "STORES_UNREACHABLE")
	})
}
