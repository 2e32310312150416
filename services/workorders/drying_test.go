package workorders_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// purposed records a run for a purpose, from and to in seconds after the morning.
func (s *stage) purposed(o *workordersv1.WorkOrder, purpose workordersv1.MotoringRun_Purpose, from, to int, aborted bool) (*workordersv1.MotoringRun, error) {
	at := func(seconds int) *timestamppb.Timestamp {
		return timestamppb.New(morning.Add(time.Duration(seconds) * time.Second))
	}
	return s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
		StartTime: at(from), EndTime: at(to), Aborted: aborted, Purpose: purpose,
	}})
}

func (s *stage) limits(o *workordersv1.WorkOrder) *workordersv1.MotoringLimits {
	s.t.Helper()
	return must[*workordersv1.MotoringLimits](s)(s.look.GetMotoringLimits(s.as("ann"), &workordersv1.GetMotoringLimitsRequest{Name: o.GetName() + "/motoringLimits"}))
}

// compares are the lines of a topic of plan against done, those that do not differ too.
func (s *stage) compares(o *workordersv1.WorkOrder, topic string) (lines []*workordersv1.Comparison) {
	s.t.Helper()
	all := must[*workordersv1.CompareWorkOrderResponse](s)(s.look.CompareWorkOrder(s.as("ivy"), &workordersv1.CompareWorkOrderRequest{Name: o.GetName(), ShowAll: true}))
	for _, c := range all.GetComparisons() {
		if c.GetTopic() == topic {
			lines = append(lines, c)
		}
	}
	return lines
}

const dry, earlier = workordersv1.MotoringRun_DRYING, workordersv1.MotoringRun_EARLIER

// The drying run is recorded and held against the plan (60 min from the last wetting, 120 s long): until a whole one the limits say when
// it is due; one that was broken off dries nothing; a late one is an exceedance; none at all is a difference.
func TestTheDryingRunIsHeldAgainstThePlan(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("salt-rinse")
		s.clock.Advance(3 * time.Hour)
		if l := s.limits(o); l.GetLastWettingTime() != nil || l.GetDryingDueTime() != nil {
			t.Errorf("not wetted yet: %v", l)
		}
		must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		due := morning.Add(time.Hour + 30*time.Second)
		if l := s.limits(o); !l.GetDryingDueTime().AsTime().Equal(due) || !l.GetLastWettingTime().AsTime().Equal(morning.Add(30*time.Second)) {
			t.Errorf("due at %v, want %v", l, due)
		}
		if lines := s.compares(o, "drying"); len(lines) != 1 || !lines[0].GetDiffers() || lines[0].GetDoneText() != "none" || !strings.Contains(lines[0].GetPlannedText(), "1h0m0s") {
			t.Errorf("without a drying run: %v", lines)
		}
		must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 600, 640, true))
		if l := s.limits(o); !l.GetDryingDueTime().AsTime().Equal(due) {
			t.Errorf("one that was broken off dried it: %v", l)
		}
		late := must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 3700, 3820, false))
		if !late.GetExceedance() || !strings.Contains(late.GetExceedanceText(), "1h1m10s after the last wetting, and the limit is 1h") {
			t.Errorf("70 s late: %v", late)
		}
		if l := s.limits(o); l.GetDryingDueTime() != nil {
			t.Errorf("dried, and still due: %v", l)
		}
		if lines := s.compares(o, "drying"); len(lines) != 2 || !lines[0].GetDiffers() || !lines[1].GetDiffers() || lines[1].GetSubject() != late.GetName() {
			t.Errorf("broken off and late: %v", lines)
		}
		last := s.history(o, 0, 0)
		if got := last[len(last)-1].GetText(); !strings.HasPrefix(got, "Drying run") {
			t.Errorf("the history says %q", got)
		}
	})
}

// A start of the engine takes the starter: its rest is kept before it, and it counts as a run of the longest length. What dries is not
// counted among the runs of the plan, nor as wetting.
func TestTheDryingRunTakesTheStarter(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("salt-rinse")
		s.clock.Advance(3 * time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		early := must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 60, 300, false))
		if !early.GetExceedance() || !strings.Contains(early.GetExceedanceText(), "too early") {
			t.Errorf("30 s of rest instead of 60 s: %v", early)
		}
		if want := morning.Add(150 * time.Second); !s.limits(o).GetNextAllowedTime().AsTime().Equal(want) {
			t.Errorf("the starter may run at %v, want %v", s.limits(o), want)
		}
		_, err := s.ran(o, 70, 80, false)
		s.refused(err, "RUNS_OVERLAP")
		if l := s.limits(o); !l.GetLastWettingTime().AsTime().Equal(morning.Add(30 * time.Second)) {
			t.Errorf("the drying run wetted it: %v", l)
		}
		if lines := s.compares(o, "runs"); len(lines) != 1 || lines[0].GetDoneText() != "1" {
			t.Errorf("runs: %v", lines)
		}
	})
}

// The starter may have run for another job before the order, outside the suite: that run counts for the rest, is held against nothing of
// this order and makes nobody a worker of it; it lies before the start and within a day.
func TestARunOfAnEarlierJobCountsForTheRest(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("salt-rinse")
		s.clock.Advance(time.Hour)
		for _, times := range [][2]int{{-60, 10}, {-30, -60}, {-90000, -89990}} {
			_, err := s.purposed(o, earlier, times[0], times[1], false)
			s.refused(err, "RUN_TIMES_INVALID", "earlier job")
		}
		before := must[*workordersv1.MotoringRun](s)(s.purposed(o, earlier, -60, -20, false))
		if before.GetExceedance() {
			t.Errorf("another job's run is judged: %v", before)
		}
		if run := must[*workordersv1.MotoringRun](s)(s.ran(o, 10, 30, false)); !run.GetExceedance() {
			t.Errorf("30 s after a run of an earlier job: %v", run)
		}
		if lines := s.compares(o, "runs"); lines[0].GetDoneText() != "1" {
			t.Errorf("runs: %v", lines)
		}
	})
}

// An order that is no wash runs the starter, too: its runs keep the rest of the same engine, by the list of the station's power source,
// and where none is entered a run is recorded as one that can't be judged.
func TestOrdersWithoutAPlanKeepTheRestToo(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		wash, ground := s.started("salt-rinse"), s.started("ground-run")
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(wash, 0, 30, false))
		if run := must[*workordersv1.MotoringRun](s)(s.ran(ground, 60, 80, false)); !strings.Contains(run.GetExceedanceText(), "too early") {
			t.Errorf("30 s after a run of the wash: %v", run)
		}
		if l := s.limits(ground); l.GetProfile() != "battery" || !l.GetNextAllowedTime().AsTime().Equal(morning.Add(140*time.Second)) || l.GetDryingDueTime() != nil {
			t.Errorf("%v", l)
		}
		must[*workordersv1.Station](s)(s.do.UpdateStation(s.as("pat"), &workordersv1.UpdateStationRequest{Station: &workordersv1.Station{Name: station, PowerSource: "crank"}}))
		if run := must[*workordersv1.MotoringRun](s)(s.ran(ground, 600, 610, false)); !strings.Contains(run.GetExceedanceText(), "can't be judged") {
			t.Errorf("without limits: %v", run)
		}
	})
}

// omit leaves the drying run of an order out.
func (s *stage) omit(o *workordersv1.WorkOrder, who string) (*workordersv1.WorkOrder, error) {
	return s.do.OmitDryingRun(s.as(who), &workordersv1.OmitDryingRunRequest{
		Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "it is preserved at once", Agreement: "letter of the operator of today",
	})
}

// undone does the steps of an order but not its drying run.
func (s *stage) undone(o *workordersv1.WorkOrder) {
	s.t.Helper()
	for _, step := range s.steps(o) {
		person := "ann"
		if slices.Contains(inspections, step.GetKind()) {
			person = "ivy"
		}
		s.prepare(step, person)
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(person), completion(step)))
	}
}

// Nobody signs a wash whose plan asks for a drying run while none is recorded whole after the last wetting: not who did it, and nobody later. The
// step that says "do it" being ticked is not enough.
func TestAWetEngineIsNotSignedFor(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("salt-rinse")
		s.undone(o)
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		missing := func(why string) {
			t.Helper()
			_, err := s.finish(o, "ann")
			s.refused(err, "DRYING_RUN_MISSING", o.GetName(), "drying run", "record it")
			if shown := s.preview(o, commonv1.Signature_PERFORMED); len(shown.GetMissing()) != 1 || !s.limits(o).GetDryingRunMissing() {
				t.Errorf("%s: missing %v", why, shown.GetMissing())
			}
		}
		missing("none")
		must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 200, 240, true))
		missing("one that was broken off")
		must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 400, 520, false))
		must[*workordersv1.MotoringRun](s)(s.ran(o, 700, 720, false))
		missing("wetted again after it")
		short := must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 800, 919, false))
		missing("one of 119 s, and the plan has 120 s")
		if why := s.preview(o, commonv1.Signature_PERFORMED).GetMissing()[0]; !strings.Contains(why, "a drying run of 2m0s or longer") || short.GetExceedance() {
			t.Errorf("%q, %v", why, short)
		}
		if due := s.limits(o).GetDryingDueTime(); due == nil || !due.AsTime().Equal(morning.Add(time.Hour+720*time.Second)) {
			t.Errorf("after a short one it is due at %v", due)
		}
		must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 2800, 2920, false))
		_, err := s.omit(o, "pat")
		s.refused(err, "DRYING_RUN_RECORDED")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ivy", ""))
		if o = must[*workordersv1.WorkOrder](s)(s.release(o)); o.GetState() != workordersv1.WorkOrder_RELEASED || s.limits(o).GetDryingRunMissing() {
			t.Errorf("%v", o)
		}
	})
}

// planned gives the stored plan of an order another timeline and returns the one that it had.
func (s *stage) planned(o *workordersv1.WorkOrder, timeline []*workordersv1.TimelineEntry) (had []*workordersv1.TimelineEntry) {
	s.t.Helper()
	err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		p, err := store.Plans.Lock(ctx, tx, o.GetName()+"/washPlan")
		if err != nil {
			return err
		}
		had, p.Timeline = p.GetTimeline(), timeline
		return store.Plans.Save(ctx, tx, p, s.clock.Now())
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return had
}

// An order that was signed before runs were asked for is not released either: it is sent back, dried, and signed again.
func TestAWashThatWasSignedWetIsNotReleased(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("salt-rinse")
		asked := s.planned(o, nil) // as an order that was signed before drying runs were asked for
		s.undone(o)
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ivy", ""))
		s.planned(o, asked)
		_, err := s.release(o)
		s.refused(err, "DRYING_RUN_MISSING", "send it back")
		must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as("ivy"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "wet"}))
		s.dry(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ivy", ""))
		must[*workordersv1.WorkOrder](s)(s.release(o))
	})
}

// A drying run is left out only where the wash data say that approved data allow it, by who may, with reason and agreement; the release, the
// comparison and the record state it; and liquid that goes through later asks for the run again.
func TestADryingRunIsLeftOutOnlyWhereApprovedDataAllowIt(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		never := s.started("salt-rinse")
		s.undone(never)
		for _, who := range []string{"ann", "ivy", "rob"} {
			_, err := s.omit(never, who)
			s.refused(err, "ROLE_MISSING")
		}
		_, err := s.omit(never, "quinn")
		s.refused(err, "DRYING_NOT_OMITTABLE", never.GetNumber(), "Invented", "record it")
		_, err = s.omit(s.started("ground-run"), "quinn")
		s.refused(err, "DRYING_NOT_PLANNED")

		const allowed = "invented data 5.3: not before storage within 24 h"
		s.near.change(func(n *neighbours) { n.model.Wash.DryingOmissionCondition = allowed })
		o := s.started("salt-rinse")
		_, err = s.do.OmitDryingRun(s.as("pat"), &workordersv1.OmitDryingRunRequest{Name: o.GetName(), Etag: "v0", Reason: "r", Agreement: "a"})
		s.refused(err, "ETAG_MISMATCH")
		if got := must[*workordersv1.WorkOrder](s)(s.omit(o, "pat")).GetDryingOmission(); got.GetPerson() != "people/pat" || got.GetCondition() != allowed || got.GetOmitTime() == nil {
			t.Errorf("%v", got)
		}
		s.undone(o)
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(o, 60, 80, false))
		_, err = s.finish(o, "ann")
		s.refused(err, "DRYING_RUN_MISSING")
		must[*workordersv1.WorkOrder](s)(s.omit(o, "quinn"))
		if l := s.limits(o); l.GetDryingRunMissing() || l.GetDryingDueTime() != nil {
			t.Errorf("left out, and still due: %v", l)
		}
		if lines := s.compares(o, "drying"); len(lines) != 1 || !lines[0].GetDiffers() || !strings.Contains(lines[0].GetDoneText(), allowed) {
			t.Errorf("%v", lines)
		}
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err = s.omit(o, "quinn")
		s.refused(err, "STATE_NOT_ALLOWED")
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ivy", ""))
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		for _, words := range []string{"drying run", "it is preserved at once", "letter of the operator of today", allowed} {
			if !strings.Contains(o.GetReleaseStatement(), words) {
				t.Errorf("the release %q does not say %q", o.GetReleaseStatement(), words)
			}
		}
		if told := s.told(o, "drying.omitted"); !strings.Contains(told, "people/quinn") || !strings.Contains(told, allowed) {
			t.Errorf("told %s", told)
		}
		for _, sig := range s.signatures(o) {
			if check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()})); !check.GetValid() {
				t.Errorf("%v", check)
			}
		}
	})
}

// Where nothing went into the engine there is nothing to dry: who answers says so, whatever the data allow.
func TestAnEngineThatNothingWentIntoIsNotDried(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("salt-rinse")
		if o = must[*workordersv1.WorkOrder](s)(s.omit(o, "quinn")); o.GetDryingOmission().GetCondition() != "" || s.limits(o).GetDryingRunMissing() {
			t.Errorf("%v", o.GetDryingOmission())
		}
	})
}

// A planner does not end a wash whose engine is wet: the run that dries it is done and recorded, or quality ends the order, which then says it. An
// engine that nothing went into, and one that was dried, make no difference.
func TestAWetEngineIsNotForgottenByEndingItsOrder(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		untouched := s.started("salt-rinse")
		must[*workordersv1.WorkOrder](s)(s.void(untouched, "pat"))
		o, other := s.started("salt-rinse"), s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		must[*workordersv1.MotoringRun](s)(s.ran(other, 300, 330, false))
		_, err := s.void(o, "pat")
		s.refused(err, "DRYING_RUN_MISSING", o.GetName(), "record it", "quality")
		if now := s.order(o); now.GetState() != workordersv1.WorkOrder_STARTED || now.GetVoidReason() != "" {
			t.Errorf("it was ended: %v", now)
		}
		must[*workordersv1.MotoringRun](s)(s.purposed(o, dry, 900, 1020, false))
		must[*workordersv1.WorkOrder](s)(s.void(o, "pat"))
		ended := must[*workordersv1.WorkOrder](s)(s.void(other, "quinn"))
		told := s.told(other, "voided")
		if ended.GetState() != workordersv1.WorkOrder_VOIDED || !strings.Contains(told, "engine was sold; liquid went into the engine, and no drying run is recorded") {
			t.Errorf("%s, told %s", ended.GetState(), told)
		}
		if told := s.told(o, "voided"); strings.Contains(told, "liquid") {
			t.Errorf("one that was dried is told as wet: %s", told)
		}
	})
}
