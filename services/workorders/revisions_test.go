package workorders_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// card is a small card of the operator's own.
func card(steps ...*workordersv1.CardStep) *workordersv1.TaskCard {
	return &workordersv1.TaskCard{
		DisplayName: "Own check", Kind: workordersv1.TaskCard_OTHER, Document: &commonv1.DocumentReference{Title: "Invented manual", Revision: "7"}, Steps: steps,
	}
}

func measureStep(m ...*workordersv1.MeasurementSpec) *workordersv1.CardStep {
	return &workordersv1.CardStep{Title: "Measure", Kind: workordersv1.StepKind_STEP_KIND_MEASURE, Measurements: m, RequiredTools: []string{"gauge"}}
}

func (s *stage) newCard(c *workordersv1.TaskCard) (*workordersv1.TaskCard, error) {
	return s.do.CreateTaskCard(s.as("quinn"), &workordersv1.CreateTaskCardRequest{TaskCard: c, TaskCardId: "own"})
}

// A card's next revision leaves the older one readable and drafted orders as they were.
func TestCardsHaveRevisions(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		look := &workordersv1.CardStep{Title: "Look", Kind: workordersv1.StepKind_STEP_KIND_DO}
		first := must[*workordersv1.TaskCard](s)(s.newCard(card(look)))
		o := s.drafted("own")
		second := must[*workordersv1.TaskCard](s)(s.newCard(card(look, look)))
		if first.GetRevision() != 1 || second.GetRevision() != 2 || second.GetSample() || len(s.steps(o)) != 1 || o.GetTaskCardRevision() != 1 {
			t.Errorf("%v %v, order of revision %d", first, second, o.GetTaskCardRevision())
		}
		if again := s.drafted("own"); len(s.steps(again)) != 2 || again.GetTaskCardRevision() != 2 {
			t.Errorf("the next order: %v", again)
		}
		for revision, steps := range map[int32]int{0: 2, 1: 1, 2: 2} {
			got := must[*workordersv1.TaskCard](s)(s.look.GetTaskCard(s.as("ann"), &workordersv1.GetTaskCardRequest{Name: "taskCards/own", Revision: revision}))
			if len(got.GetSteps()) != steps {
				t.Errorf("revision %d: %v", revision, got)
			}
		}
		_, err := s.look.GetTaskCard(s.as("ann"), &workordersv1.GetTaskCardRequest{Name: "taskCards/own", Revision: 3})
		s.refused(err, "REVISION_UNKNOWN", "1 to 2")
		other := card(look)
		other.Kind = workordersv1.TaskCard_GROUND_RUN
		_, err = s.newCard(other)
		s.refused(err, "KIND_FIXED")
		_, err = s.do.CreateTaskCard(s.as("ann"), &workordersv1.CreateTaskCardRequest{TaskCard: card(look)})
		s.refused(err, "ROLE_MISSING")
	})
}

// A card that could not be worked, or that lets a critical step go unseen, is refused and leaves no trace.
func TestCardsThatCannotBeWorkedAreRefused(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		spec := func(key, unit string) *workordersv1.MeasurementSpec {
			return &workordersv1.MeasurementSpec{Key: key, DisplayName: key, UnitCode: unit}
		}
		reversed, tooled := spec("a", "kPa"), measureStep(&workordersv1.MeasurementSpec{Key: "a", DisplayName: "a", UnitCode: "kPa", ToolRequired: true})
		reversed.MinValue, reversed.MaxValue, tooled.RequiredTools = proto.Float64(2), proto.Float64(1), nil
		critical := &workordersv1.CardStep{Title: "Blank the line", Kind: workordersv1.StepKind_STEP_KIND_DO, Critical: true}
		inspect := &workordersv1.CardStep{Title: "Look", Kind: workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION}
		before := s.count("task_cards")
		for reason, c := range map[string]*workordersv1.TaskCard{
			"READING_TWICE": card(measureStep(spec("a", "kPa"), spec("a", "kPa"))), "UNIT_UNKNOWN": card(measureStep(spec("a", "furlong"))),
			"LIMITS_REVERSED": card(measureStep(reversed)), "READING_MISSING": card(measureStep()), "TOOL_TYPE_MISSING": card(tooled),
			"CRITICAL_NOT_INSPECTED": card(inspect, critical),
		} {
			_, err := s.newCard(c)
			s.refused(err, reason)
		}
		if n := s.count("task_cards"); n != before {
			t.Errorf("%d cards were left behind", n-before)
		}
		must[*workordersv1.TaskCard](s)(s.newCard(card(critical, inspect)))
	})
}

func (s *stage) plan(o *workordersv1.WorkOrder, revision int32) (*workordersv1.WashPlan, error) {
	return s.look.GetWashPlan(s.as("ann"), &workordersv1.GetWashPlanRequest{Name: o.GetName() + "/washPlan", Revision: revision})
}

// Until the order starts a change makes a new revision of the plan and keeps the older ones; from then on nothing changes it.
func TestPlansHaveRevisionsUntilTheOrderStarts(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.drafted("recovery-wash")
		s.place()
		o = must[*workordersv1.WorkOrder](s)(s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
			Name: o.GetName(), Etag: o.GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)),
		}))
		must[*workordersv1.Station](s)(s.do.CreateStation(s.as("pat"), &workordersv1.CreateStationRequest{StationId: "hangar", Station: &workordersv1.Station{
			DisplayName: "Hangar", TimeZone: "Europe/Oslo", Weather: &workordersv1.Weather{LowestExpectedC: 18}, PowerSource: "battery",
		}}))
		o = must[*workordersv1.WorkOrder](s)(s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Name: o.GetName(), Etag: o.GetEtag(), Station: "stations/hangar"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"station"}},
		}))
		for revision, want := range map[int32]struct {
			known       bool
			temperature float64
		}{1: {false, 0}, 2: {true, 12}, 3: {true, 18}, 0: {true, 18}} {
			p := must[*workordersv1.WashPlan](s)(s.plan(o, revision))
			if p.GetTemperatureKnown() != want.known || p.GetPlannedAirTemperatureC() != want.temperature || revision > 0 && p.GetRevision() != revision || p.GetFrozen() {
				t.Errorf("revision %d: %v", revision, p)
			}
		}
		s.hear("met", met(o))
		o = s.order(o)
		must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
		_, err := s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{Name: o.GetName(), Station: station}})
		s.refused(err, "STATE_NOT_ALLOWED", "STARTED", "finish")
		if p := must[*workordersv1.WashPlan](s)(s.plan(o, 0)); !p.GetFrozen() || p.GetRevision() != 3 {
			t.Errorf("after the start: %v", p)
		}
		_, err = s.plan(o, 4)
		s.refused(err, "REVISION_UNKNOWN")
	})
}

// What is changed is what the mask names; another engine, what the server sets, a stale etag and wrong times are refused.
func TestOrdersChangeBeforeTheyStart(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.kitted("ring-flow-check")
		change := func(w *workordersv1.WorkOrder, paths ...string) (*workordersv1.WorkOrder, error) {
			w.Name = o.GetName()
			return s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{WorkOrder: w, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
		}
		_, err := change(&workordersv1.WorkOrder{Remarks: "x", Etag: "v0"}, "remarks")
		s.refused(err, "ETAG_MISMATCH")
		_, err = change(&workordersv1.WorkOrder{PlanStartTime: timestamppb.New(morning.Add(-time.Hour))}, "plan_start_time")
		s.refused(err, "TIME_IN_PAST")
		_, err = change(&workordersv1.WorkOrder{PlanEndTime: timestamppb.New(morning)}, "plan_end_time")
		s.refused(err, "TIMES_REVERSED")
		_, err = change(&workordersv1.WorkOrder{}, "station")
		s.refused(err, "STATION_NEEDED")
		_, err = change(&workordersv1.WorkOrder{Remarks: "x"}, "*")
		s.refused(err, "TIME_NEEDED")
		_, err = change(&workordersv1.WorkOrder{Remarks: "x", State: workordersv1.WorkOrder_RELEASED}, "remarks", "state")
		s.refused(err, "FIELD_READ_ONLY", "state")
		_, err = change(&workordersv1.WorkOrder{Remarks: "x", Engine: "engines/e2"}, "remarks", "engine")
		s.refused(err, "FIELD_FIXED", "engine")
		if now := s.order(o); now.GetEtag() != o.GetEtag() {
			t.Fatal("a refusal changed the order")
		}
		now := must[*workordersv1.WorkOrder](s)(change(&workordersv1.WorkOrder{
			Remarks: "Bring the tray", Assignees: []string{"people/bob"}, Engine: engine, EndCounters: &workordersv1.Counters{Cycles: 5},
		}, "remarks", "assignees", "engine", "end_counters"))
		if now.GetRemarks() != "Bring the tray" || now.GetEngine() != engine || now.GetState() != workordersv1.WorkOrder_KITTED || now.GetEndCounters() != nil {
			t.Errorf("changed: %v", now)
		}
	})
}
