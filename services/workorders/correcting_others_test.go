package workorders_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
)

// The time of somebody who left is corrected by a planner or by quality: it stays the time of who worked, held against that person's other time, and
// who corrected it stands beside it, in the history and in the pack.
func TestTimeOfWhoLeftIsCorrectedByAnother(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.clock.Set(morning.Add(2 * 24 * time.Hour))
		first := must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 60, 180))
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 200, 230))
		_, err := s.relabour(first, "ivy", 60, 120)
		s.refused(err, "LABOUR_OF_ANOTHER", "people/ivy", "people/ann", "quality")
		_, err = s.relabour(first, "quinn", 60, 210)
		s.refused(err, "LABOUR_OVERLAPS", "people/ann")
		req := &workordersv1.SupersedeLabourEntryRequest{Name: first.GetName(), Reason: "Ann left", LabourEntry: &workordersv1.LabourEntry{
			Person: "people/quinn", StartTime: first.GetStartTime(), EndTime: timestamppb.New(first.GetStartTime().AsTime().Add(time.Hour)),
		}}
		_, err = s.do.SupersedeLabourEntry(s.as("quinn"), req)
		s.refused(err, "LABOUR_OF_ANOTHER", "people/ann")
		second := must[*workordersv1.LabourEntry](s)(s.relabour(first, "quinn", 60, 120))
		if second.GetPerson() != "people/ann" || second.GetCorrector() != "people/quinn" || second.GetWorkedSeconds() != 3600 || second.GetSupersedes() != first.GetName() {
			t.Errorf("the correction: %v", second)
		}
		if told := s.told(o, "labour.superseded"); !strings.Contains(told, `"changedSeconds":"-3600"`) || !strings.Contains(told, `"corrector":"people/quinn"`) {
			t.Errorf("told %s", told)
		}
		entries := s.history(o, 0, 0)
		if e := entries[len(entries)-1]; e.GetPerson() != "people/quinn" || !strings.HasPrefix(e.GetText(), "people/ann worked 1:00 h, corrects "+first.GetName()) {
			t.Errorf("the history: %v", e)
		}
		page := strings.Join(strings.Fields(printingtest.Text(t, s.export(o, workordersv1.ExportWorkPackRequest_PDF).GetContent())), "")
		if !strings.Contains(page, "Enteredbypeople/quinn.") {
			t.Errorf("the pack does not say who corrected it: %s", page)
		}
		own := must[*workordersv1.LabourEntry](s)(s.relabour(second, "ann", 60, 150))
		if own.GetCorrector() != "" || own.GetPerson() != "people/ann" {
			t.Errorf("the own correction: %v", own)
		}
		none := must[*workordersv1.LabourEntry](s)(s.relabour(own, "pat"))
		if n := s.packedSeconds(o); none.GetPerson() != "people/ann" || none.GetCorrector() != "people/pat" || n != 30*60 {
			t.Errorf("%d s were worked, and %v", n, none)
		}
	})
}

// An entry says its etag, so that who corrects it corrects what they read: of two who do so at once the second is told.
func TestCorrectionsNameTheEntryThatWasRead(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		run := must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		entry := must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 480, 490))
		if run.GetEtag() == "" || entry.GetEtag() == "" || s.runs(o)[run.GetName()].GetEtag() != run.GetEtag() {
			t.Fatalf("etags %q and %q, listed %q", run.GetEtag(), entry.GetEtag(), s.runs(o)[run.GetName()].GetEtag())
		}
		rerun := &workordersv1.SupersedeMotoringRunRequest{Name: run.GetName(), Etag: "v9", MotoringRun: span(5, 35), Reason: "x"}
		_, err := s.do.SupersedeMotoringRun(s.as("bob"), rerun)
		s.refused(err, "ETAG_MISMATCH")
		rerun.Etag = run.GetEtag()
		if again := must[*workordersv1.MotoringRun](s)(s.do.SupersedeMotoringRun(s.as("bob"), rerun)); again.GetEtag() == "" || again.GetSupersedes() != run.GetName() {
			t.Errorf("the correction: %v", again)
		}
		if old := s.runs(o)[run.GetName()]; old.GetEtag() == run.GetEtag() {
			t.Errorf("the corrected entry has the etag of before: %v", old)
		}
		relabour := &workordersv1.SupersedeLabourEntryRequest{Name: entry.GetName(), Etag: "v9", Withdrawn: true, Reason: "x"}
		_, err = s.do.SupersedeLabourEntry(s.as("ann"), relabour)
		s.refused(err, "ETAG_MISMATCH")
		relabour.Etag = entry.GetEtag()
		must[*workordersv1.LabourEntry](s)(s.do.SupersedeLabourEntry(s.as("ann"), relabour))
	})
}

// Who schedules and says nothing of people takes nobody off; the mask of a change does.
func TestSchedulingTakesNobodyOff(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		drafted := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
			Engine: engine, TaskCard: "taskCards/ground-run", Assignees: []string{"people/ann"},
		}}))
		s.place()
		schedule := func(people ...string) []string {
			return must[*workordersv1.WorkOrder](s)(s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
				Name: drafted.GetName(), Etag: s.order(drafted).GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)), Assignees: people,
			})).GetAssignees()
		}
		for _, c := range []struct{ said, want []string }{
			{nil, []string{"people/ann"}}, {[]string{"people/bob"}, []string{"people/bob"}}, {nil, []string{"people/bob"}},
		} {
			if got := schedule(c.said...); !slices.Equal(got, c.want) {
				t.Errorf("scheduled with %v it is for %v, want %v", c.said, got, c.want)
			}
		}
		off := must[*workordersv1.WorkOrder](s)(s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Name: drafted.GetName(), Etag: s.order(drafted).GetEtag()}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"assignees"}},
		}))
		if len(off.GetAssignees()) != 0 || len(schedule()) != 0 {
			t.Errorf("it is still for %v", off.GetAssignees())
		}
	})
}
