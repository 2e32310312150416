package workorders_test

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// span is a run of the starter, from and to in seconds after the morning.
func span(from, to int) *workordersv1.MotoringRun {
	at := func(seconds int) *timestamppb.Timestamp {
		return timestamppb.New(morning.Add(time.Duration(seconds) * time.Second))
	}
	return &workordersv1.MotoringRun{StartTime: at(from), EndTime: at(to)}
}

// rerun corrects a run; nil takes it back.
func (s *stage) rerun(old *workordersv1.MotoringRun, who string, as *workordersv1.MotoringRun) (*workordersv1.MotoringRun, error) {
	return s.do.SupersedeMotoringRun(s.as(who), &workordersv1.SupersedeMotoringRunRequest{
		Name: old.GetName(), MotoringRun: as, Withdrawn: as == nil, Reason: "The stopwatch of the other engine",
	})
}

// runs are the entries of an order by their names.
func (s *stage) runs(o *workordersv1.WorkOrder) map[string]*workordersv1.MotoringRun {
	s.t.Helper()
	all := map[string]*workordersv1.MotoringRun{}
	for _, r := range must[*workordersv1.ListMotoringRunsResponse](s)(s.look.ListMotoringRuns(s.as("ann"), &workordersv1.ListMotoringRunsRequest{Parent: o.GetName()})).GetMotoringRuns() {
		all[r.GetName()] = r
	}
	return all
}

// With the limits of case WO-02 (illustrative: 30/60/30/60/30 then 30 min) a run that was entered 10 s too early is an exceedance until its time is
// put right; the old entry stays, with who corrected it and why, and counts for nothing.
func TestARunThatWasEnteredWronglyIsCorrected(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		wrong := must[*workordersv1.MotoringRun](s)(s.ran(o, 80, 110, false))
		if !wrong.GetExceedance() {
			t.Fatalf("50 s of rest where 60 are asked for: %v", wrong)
		}
		right := must[*workordersv1.MotoringRun](s)(s.rerun(wrong, "bob", span(90, 120)))
		if right.GetExceedance() || right.GetSupersedes() != wrong.GetName() || right.GetPerson() != "people/bob" || right.GetReason() == "" {
			t.Errorf("the correction: %v", right)
		}
		all := s.runs(o)
		if old := all[wrong.GetName()]; len(all) != 3 || old.GetSuccessor() != right.GetName() || !old.GetExceedance() || old.GetPerson() != "people/ann" {
			t.Errorf("the entries: %v", all)
		}
		if l := s.limits(o); l.GetSeriesRunCount() != 2 || !l.GetNextAllowedTime().AsTime().Equal(morning.Add(180*time.Second)) {
			t.Errorf("two runs, and 60 s of rest after the second: %v", l)
		}
		_, err := s.rerun(wrong, "ann", span(91, 121))
		s.refused(err, "NOT_HEAD_OF_LINE", right.GetName())
		counting := must[*workordersv1.ListMotoringRunsResponse](s)(s.look.ListMotoringRuns(s.as("ann"), &workordersv1.ListMotoringRunsRequest{
			Parent: o.GetName(), Filter: `successor = ""`,
		})).GetMotoringRuns()
		if len(counting) != 2 {
			t.Errorf("what counts: %v", counting)
		}
		last := s.history(o, 0, 0)
		if e := last[len(last)-1]; e.GetSupersedes() != wrong.GetName() || e.GetPerson() != "people/bob" || !strings.Contains(e.GetText(), "corrects "+wrong.GetName()+": The stopwatch") {
			t.Errorf("the history: %v", e)
		}
	})
}

// A run that was entered right is judged anew when the one before it is corrected: what it broke by the wrong entry it breaks no more, and the other
// way round; and each change is told.
func TestLaterRunsAreJudgedAnew(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		first := must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		s.clock.Advance(time.Second)
		later := must[*workordersv1.MotoringRun](s)(s.ran(o, 80, 110, false))
		s.clock.Advance(time.Second)
		for _, c := range []struct {
			as     *workordersv1.MotoringRun
			breaks string
		}{
			{span(-10, 20), ""}, {span(0, 25), "5s too early"}, {nil, ""}, {span(0, 30), "10s too early"},
		} {
			first = must[*workordersv1.MotoringRun](s)(s.rerun(first, "ann", c.as))
			now := s.runs(o)[later.GetName()]
			if first.GetExceedance() || now.GetExceedance() != (c.breaks != "") || !strings.Contains(now.GetExceedanceText(), c.breaks) {
				t.Errorf("after %v: %v, then %v", c.as, first, now)
			}
			last := s.history(o, 0, 0)
			e := last[len(last)-1]
			if e.GetSubject() != later.GetName() || !strings.HasPrefix(e.GetText(), "Judged anew, as a run was corrected by "+first.GetName()+": ") || !strings.Contains(e.GetText(), c.breaks) {
				t.Errorf("the history says %v", e)
			}
		}
		if told := s.told(o, "motoring.recorded"); !strings.Contains(told, `"correctedRun":"`+first.GetName()+`"`) {
			t.Errorf("told %s", told)
		}
	})
}

// What a correction can't be is refused, and changes nothing: both or neither, nothing new, a step of nobody, times that no run has, a run beside another.
func TestACorrectionOfARunPassesTheSameGates(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		run := must[*workordersv1.MotoringRun](s)(s.ran(o, 90, 120, false))
		elsewhere := span(91, 121)
		elsewhere.Step = "workOrders/none/steps/01"
		for _, c := range []struct {
			as     *workordersv1.MotoringRun
			none   bool
			reason string
		}{
			{nil, false, "CORRECTION_UNCLEAR"}, {span(91, 121), true, "CORRECTION_UNCLEAR"}, {span(90, 120), false, "CORRECTION_UNCLEAR"},
			{elsewhere, false, "STEP_UNKNOWN"}, {span(20, 40), false, "RUNS_OVERLAP"}, {span(120, 120), false, "RUN_TIMES_INVALID"}, {span(7200, 7230), false, "RUN_TIMES_INVALID"},
		} {
			_, err := s.do.SupersedeMotoringRun(s.as("ann"), &workordersv1.SupersedeMotoringRunRequest{Name: run.GetName(), MotoringRun: c.as, Withdrawn: c.none, Reason: "x"})
			s.refused(err, c.reason)
		}
		_, err := s.rerun(run, "ivy", span(91, 121))
		s.refused(err, "ROLE_MISSING")
		none := must[*workordersv1.MotoringRun](s)(s.rerun(run, "ann", nil))
		_, err = s.rerun(none, "ann", nil)
		s.refused(err, "CORRECTION_UNCLEAR", none.GetName(), "nothing is corrected")
		again := must[*workordersv1.MotoringRun](s)(s.rerun(none, "ann", span(90, 120))) // it was there after all
		if again.GetWithdrawn() || s.count("motoring_runs") != 4 || s.limits(o).GetSeriesRunCount() != 2 {
			t.Errorf("%v, %d entries", again, s.count("motoring_runs"))
		}
	})
}

// A wetting run that never was leaves nothing to dry, and a drying run that never was leaves the engine wet: the order is not signed. Once it was signed, it
// is sent back before a run is corrected; the next signature says what was corrected, by whom and why, and covers it.
func TestASignatureCoversCorrectedRuns(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.work(o, "ann")
		var drying *workordersv1.MotoringRun
		for _, r := range s.runs(o) {
			drying = r
		}
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err := s.rerun(drying, "ann", nil)
		s.refused(err, "STATE_NOT_ALLOWED", "sent back first")
		s.sentBack(o, "ivy", "the drying run was another engine's")
		must[*workordersv1.MotoringRun](s)(s.rerun(drying, "bob", nil))
		_, err = s.finish(o, "ann")
		s.refused(err, "DRYING_RUN_MISSING", "none is recorded whole")
		if !s.limits(o).GetDryingRunMissing() {
			t.Error("no drying run is missing")
		}
		s.dry(o, "ann")
		text := s.preview(o, commonv1.Signature_PERFORMED).GetStatement()
		for _, words := range []string{"Runs of the starter corrected: Drying run 2026-03-14 08:", "by people/ann, there was none by people/bob (The stopwatch of the other engine)."} {
			if !strings.Contains(text, words) {
				t.Errorf("%q does not say %q", text, words)
			}
		}
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		for _, sig := range s.signatures(o) {
			if sig.GetVoidTime() != nil {
				continue
			}
			if check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()})); !check.GetValid() {
				t.Errorf("%s: %s", sig.GetMeaning(), check.GetExplanation())
			}
		}
		_, err = s.inspect(o, "bob", "")
		s.refused(err, "ROLE_MISSING")
		if pdf := s.packed(o); !strings.Contains(pdf, "TAKENBACK,therewasnone") || !strings.Contains(pdf, "CORRECTEDbyalaterentry") {
			t.Errorf("the pack does not show the correction, in %d characters", len(pdf))
		}
	})
}

// Who corrected a run, and whoever entered the wrong one, took part in the work and does not inspect it.
func TestWhoCorrectsARunTookPart(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		wrong := must[*workordersv1.MotoringRun](s)(s.ranBy(o, "sam", 0, 30))
		must[*workordersv1.MotoringRun](s)(s.rerun(wrong, "mia", span(1, 31)))
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		for _, who := range []string{"sam", "mia"} {
			_, err := s.inspect(o, who, "")
			s.refused(err, "SAME_PERSON")
		}
	})
}

// Plan against done counts what was made, not what was entered.
func TestCorrectedRunsAreComparedOnce(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		wrong := must[*workordersv1.MotoringRun](s)(s.ran(o, 0, 30, false))
		count := func() int {
			return len(s.compares(o, "run"))
		}
		before := count()
		right := must[*workordersv1.MotoringRun](s)(s.rerun(wrong, "ann", span(5, 35)))
		if after := count(); after != before {
			t.Errorf("%d lines of runs, then %d", before, after)
		}
		lines := s.compares(o, "run")
		if slices.ContainsFunc(lines, func(l *workordersv1.Comparison) bool { return l.GetSubject() == wrong.GetName() }) {
			t.Errorf("the wrong run is compared beside %s: %v", right.GetName(), lines)
		}
	})
}

// relabour corrects time worked; without times it is taken back.
func (s *stage) relabour(e *workordersv1.LabourEntry, who string, times ...int) (*workordersv1.LabourEntry, error) {
	req := &workordersv1.SupersedeLabourEntryRequest{Name: e.GetName(), Withdrawn: len(times) == 0, Reason: "Read off the wrong line"}
	if len(times) > 0 {
		at := func(minutes int) *timestamppb.Timestamp {
			return timestamppb.New(morning.Truncate(24 * time.Hour).Add(time.Duration(minutes) * time.Minute))
		}
		req.LabourEntry = &workordersv1.LabourEntry{StartTime: at(times[0]), EndTime: at(times[1])}
	}
	return s.do.SupersedeLabourEntry(s.as(who), req)
}

// packedSeconds is the time worked as the pack for machines adds it up.
func (s *stage) packedSeconds(o *workordersv1.WorkOrder) int64 {
	s.t.Helper()
	var all struct {
		LabourSeconds int64 `json:"labourSeconds"`
	}
	if err := json.Unmarshal(s.export(o, workordersv1.ExportWorkPackRequest_JSON).GetContent(), &all); err != nil {
		s.t.Fatal(err)
	}
	return all.LabourSeconds
}

// Time worked is corrected by who worked, in every state, also after the release: the old entry stays, the minutes are free again, the pack adds up what was
// worked, and the fact says by how much it changed.
func TestTimeWorkedIsCorrectedByWhoWorked(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.clock.Set(morning.Add(2 * 24 * time.Hour))
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.release(o))
		first := must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 60, 180))
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 200, 230))
		_, err := s.relabour(first, "bob", 60, 120)
		s.refused(err, "LABOUR_OF_ANOTHER", "people/bob", "people/ann")
		_, err = s.relabour(first, "ann", 60, 210)
		s.refused(err, "LABOUR_OVERLAPS")
		_, err = s.relabour(first, "ann", 60, 180)
		s.refused(err, "CORRECTION_UNCLEAR", first.GetName())
		second := must[*workordersv1.LabourEntry](s)(s.relabour(first, "ann", 90, 180))
		if second.GetWorkedSeconds() != 90*60 || second.GetSupersedes() != first.GetName() || second.GetPerson() != "people/ann" {
			t.Errorf("the correction: %v", second)
		}
		if told := s.told(o, "labour.superseded"); !strings.Contains(told, `"changedSeconds":"-1800"`) {
			t.Errorf("told %s", told)
		}
		_, err = s.relabour(first, "ann", 60, 100)
		s.refused(err, "NOT_HEAD_OF_LINE", second.GetName())
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 60, 90)) // free again
		if n := s.packedSeconds(o); n != (90+30+30)*60 {
			t.Errorf("%d s were worked", n)
		}
		none := must[*workordersv1.LabourEntry](s)(s.relabour(second, "ann"))
		if n := s.packedSeconds(o); none.GetWorkedSeconds() != 0 || n != (30+30)*60 {
			t.Errorf("%d s were worked, and %v", n, none)
		}
		_, err = s.relabour(none, "ann")
		s.refused(err, "CORRECTION_UNCLEAR")
		must[*workordersv1.LabourEntry](s)(s.relabour(none, "ann", 90, 95))
		if told := s.told(o, "labour.superseded"); !strings.Contains(told, `"changedSeconds":"300"`) {
			t.Errorf("told %s", told)
		}
		if s.order(o).GetState() != workordersv1.WorkOrder_RELEASED || len(s.signatures(o)) == 0 {
			t.Error("the signatures of the work fell")
		}
	})
}

// However runs were entered wrongly, corrected and taken back, in the end each is judged as on an engine where all was entered right at first.
func TestCorrectedRunsAreJudgedAsIfEnteredRight(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		twin := s.kit(must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Engine: "engines/e2", TaskCard: "taskCards/recovery-wash"},
		})))
		twin = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: twin.GetName(), Etag: twin.GetEtag()}))
		s.clock.Advance(4 * time.Hour)
		draw := rand.New(rand.NewPCG(7, 11)) // the same in every run
		verdicts := func(o *workordersv1.WorkOrder) (all []string) {
			for _, r := range s.runs(o) {
				if r.GetSuccessor() == "" && !r.GetWithdrawn() {
					all = append(all, r.GetStartTime().AsTime().Format(time.TimeOnly)+" "+r.GetExceedanceText())
				}
			}
			slices.Sort(all)
			return all
		}
		begin, broken := 0, 0
		for range 12 {
			begin += 60 + draw.IntN(120)
			right, wrong := span(begin, begin+15+draw.IntN(25)), span(begin-5+draw.IntN(10), begin+10+draw.IntN(45))
			begin += 60
			r := must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: wrong}))
			if draw.IntN(3) == 0 {
				must[*workordersv1.MotoringRun](s)(s.rerun(r, "bob", nil))
				continue
			}
			if !proto.Equal(right.GetStartTime(), wrong.GetStartTime()) || !proto.Equal(right.GetEndTime(), wrong.GetEndTime()) {
				must[*workordersv1.MotoringRun](s)(s.rerun(r, "bob", right))
			}
			s.clock.Advance(time.Second)
			must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: twin.GetName(), MotoringRun: right}))
			got, want := verdicts(o), verdicts(twin)
			if !slices.Equal(got, want) {
				t.Fatalf("corrected\n%s\nentered right\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
			broken = len(slices.DeleteFunc(want, func(v string) bool { return strings.HasSuffix(v, " ") }))
		}
		if broken == 0 || len(verdicts(o)) == broken {
			t.Errorf("%d of %d runs broke anything: the draws tell nothing", broken, len(verdicts(o)))
		}
	})
}
