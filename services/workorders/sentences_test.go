package workorders_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault/faulttest"
)

// nextMoves are the words with which the last sentence of a refusal begins: what whoever was refused does next. "Allowed now" is followed by the verbs.
var nextMoves = strings.Fields(`Acknowledge Add Allowed Answer Ask Correct Do Draft End Enter Find Fit Give Go Have Inspect Keep Leave List Look Measure Name Open Put Read Record Release
	Report Restore Resume Say Scan Send Sign Start Try Use Void Work`)

// things begin a sentence that names no value of its own: it says what is refused by its kind.
var things = strings.Fields("A An The You Compliance Chloride Time")

// worder is where sentences are put in whole by rules that are held to it elsewhere: the answers of compliance and stores, and a plan's refusals.
var worder = []string{"MATERIAL_NOT_USABLE", "PLAN_NOT_POSSIBLE", "SAME_PERSON", ""}

// Every refusal of work orders is read where it is written: it names the thing by a value or by its kind, states the rule before it says what to do,
// and ends with the next move.
func TestEveryRefusalNamesTheThingTheRuleAndTheNextMove(t *testing.T) {
	found := faulttest.Sentences(t, "internal", "standing")
	for _, s := range found {
		if s.Worded() {
			if !slices.Contains(worder, s.Reason) {
				t.Errorf("%s, %s: nobody holds its sentence to anything", s.Where, s.Reason)
			}
			continue
		}
		first, _, _ := strings.Cut(s.Text, " ")
		if !strings.Contains(s.Text, "%") && !slices.Contains(things, first) {
			t.Errorf("%s, %s: %q names nothing", s.Where, s.Reason, s.Text)
		}
		if slices.Contains(nextMoves, first) {
			t.Errorf("%s, %s: %q says what to do and not why", s.Where, s.Reason, s.Text)
		}
		if !slices.Contains(nextMoves, s.Move()) {
			t.Errorf("%s, %s: no next move (%q) at the end of %q", s.Where, s.Reason, s.Move(), s.Text)
		}
		if !strings.HasSuffix(s.Text, ".") || len(strings.Fields(s.Text)) < 6 {
			t.Errorf("%s, %s: no whole sentence: %q", s.Where, s.Reason, s.Text)
		}
	}
	if len(found) < 110 {
		t.Errorf("%d refusals were found; the walk misses some", len(found))
	}
}

// shadowed are reasons that another check comes before, whoever calls: the state of an order that was started.
var shadowed = []string{"PLAN_FROZEN"}

// Every reason that work orders refuse with is provoked by a test of theirs.
func TestEveryReasonIsProvoked(t *testing.T) {
	var tests strings.Builder
	for _, pattern := range []string{"*_test.go", "internal/*/*_test.go", "internal/*/*/*_test.go", "testdata/*"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %v, %v", pattern, files, err)
		}
		for _, file := range files {
			if raw, err := os.ReadFile(file); err == nil {
				tests.Write(raw)
			}
		}
	}
	for _, s := range faulttest.Sentences(t, "internal", "standing") {
		if s.Reason != "" && !slices.Contains(shadowed, s.Reason) && !strings.Contains(tests.String(), s.Reason) {
			t.Errorf("%s: no test is refused with %s", s.Where, s.Reason)
		}
	}
}

// What a hurried person or a program leaves out or makes up is refused, and nothing is kept of it.
func TestWhatIsLeftOutOrMadeUpIsRefused(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		step := s.steps(o)[0]
		s.acknowledge(step, "ann")
		_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName(), NotApplicable: true})
		s.refused(err, "NOTE_MISSING", "Step 1", "Add it")
		_, err = s.do.CreateMeasurement(s.as("ann"), reading(s.steps(o)[1], "made_up", "262", "kPa"))
		s.refused(err, "MEASUREMENT_UNKNOWN", "made_up", "Name one")
		machine := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/robot", Roles: []string{"technician"}, Kind: auth.Machine})
		_, err = s.do.CreateMotoringRun(machine, &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
			StartTime: o.GetStartTime(), EndTime: timestamppb.New(o.GetStartTime().AsTime().Add(time.Second)),
		}})
		s.refused(err, "PERSON_NEEDED", "accounts/robot", "personal account")
		_, err = s.look.PreviewSignature(s.as("ann"), &workordersv1.PreviewSignatureRequest{Name: o.GetName(), Meaning: commonv1.Signature_CORRECTED})
		s.refused(err, "MEANING_UNKNOWN", "Name one")
		_, err = s.look.ExportWorkPack(s.as("ann"), &workordersv1.ExportWorkPackRequest{Name: o.GetName()})
		s.refused(err, "FORMAT_UNKNOWN", "Name one")
		_, err = s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/made-up"}})
		s.refused(err, "TASK_CARD_UNKNOWN", "taskCards/made-up", "choose one")
		wash := must[*workordersv1.WorkOrder](s)(s.schedule(s.drafted("salt-rinse"), 12, "battery"))
		_, err = s.do.KitWorkOrder(s.as("pat"), &workordersv1.KitWorkOrderRequest{Name: wash.GetName(), Etag: wash.GetEtag()})
		s.refused(err, "DEMAND_OPEN", wash.GetName(), "Have stores issue the rest")
		if n, m := s.count("measurements"), s.count("motoring_runs"); n+m > 0 || s.steps(o)[0].GetState() != workordersv1.Step_OPEN ||
			s.order(wash).GetState() != workordersv1.WorkOrder_SCHEDULED {
			t.Errorf("%d readings and %d runs were kept", n, m)
		}
	})
}

// Who comes to a step too early is told which one is first, by its number and title, and what has to happen to it: one that somebody else looks at is not
// done by whoever waits for it, and one that must be done is not written off.
func TestAStepOutOfOrderNamesWhichComesFirst(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		all := s.steps(o)
		last := all[len(all)-1]
		for _, step := range all[:len(all)-1] {
			who, how := "ann", "it done, or recorded with a note why it does not apply, then go on"
			switch {
			case slices.Contains(inspections, step.GetKind()):
				who, how = "ivy", "an inspector look at it, then go on"
			case step.GetCritical() || step.GetKind() == workordersv1.StepKind_STEP_KIND_HOLD_POINT || step.GetKind() == workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT:
				how = "open. Have it done, then go on"
			}
			by := map[bool]string{true: "ivy", false: "ann"}[slices.Contains(inspections, last.GetKind())]
			if len(last.GetCautions()) > 0 {
				s.acknowledge(last, by)
			}
			_, err := s.do.CompleteStep(s.as(by), completion(last))
			s.refused(err, "STEP_ORDER", fmt.Sprintf("Step %d, %q, comes first", step.GetPosition(), step.GetTitle()), how)
			s.prepare(step, who)
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(who), completion(step)))
		}
	})
}
