package workorders_test

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
)

// may says who may call a verb; sam is technician and inspector, mia is all three.
var may = map[string]string{
	"schedule": "pat", "kit": "pat", "start": "ann bob sam mia", "work": "ann bob sam mia", "hold": "ann bob sam mia ivy ian pat quinn", "resume": "ann bob sam mia ivy ian pat quinn",
	"finish": "ann bob sam mia", "inspect": "ivy ian sam mia", "release": "rob mia", "rework": "ivy ian rob sam mia", "void": "pat quinn",
}

// leads is the life of an order that needs an inspection, written once more for the walk: from, verb, to.
var leads = map[string]string{
	"DRAFTED schedule": "SCHEDULED", "SCHEDULED schedule": "SCHEDULED", "SCHEDULED kit": "KITTED", "KITTED start": "STARTED", "STARTED finish": "FINISHED",
	"FINISHED rework": "STARTED", "INSPECTED rework": "STARTED", "FINISHED inspect": "INSPECTED", "INSPECTED release": "RELEASED",
}

// expected is what the walk believes about its order, without asking the service.
type expected struct {
	state   string
	held    bool
	done    bool // all steps
	signed  bool // anything, ever
	workers map[string]bool
}

// outcome is the reasons that a command may be refused with, none when it must succeed, and the state that it leads to.
func (e *expected) outcome(verb, who string) (reasons []string, to string) {
	if !slices.Contains(strings.Fields(may[verb]), who) {
		return []string{"ROLE_MISSING"}, ""
	}
	if verb == "inspect" && e.workers[who] {
		return []string{"SAME_PERSON"}, ""
	}
	closed := e.state == "RELEASED" || e.state == "VOIDED"
	switch verb {
	case "void", "hold":
		if closed || verb == "hold" && e.held {
			return []string{"STATE_NOT_ALLOWED", "ON_HOLD"}, ""
		}
		if verb == "void" && e.signed && who != "quinn" {
			return []string{"SIGNED_ALREADY"}, ""
		}
		return nil, map[string]string{"void": "VOIDED", "hold": e.state}[verb]
	case "resume":
		if !e.held || closed {
			return []string{"STATE_NOT_ALLOWED", "ON_HOLD"}, ""
		}
		return nil, e.state
	}
	to = leads[e.state+" "+verb]
	switch {
	case to == "" || e.held && verb != "kit" && verb != "rework":
		return []string{"STATE_NOT_ALLOWED", "ON_HOLD", "INSPECTION_MISSING"}, ""
	case verb == "finish" && !e.done:
		return []string{"STEPS_OPEN"}, ""
	default:
		return nil, to
	}
}

// call makes a command over gRPC.
func (s *stage) call(o *workordersv1.WorkOrder, verb, who string) error {
	ctx, name, etag := s.as(who), o.GetName(), o.GetEtag()
	var err error
	switch verb {
	case "schedule":
		_, err = s.do.ScheduleWorkOrder(ctx, &workordersv1.ScheduleWorkOrderRequest{Name: name, Etag: etag, Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour))})
	case "kit":
		_, err = s.do.KitWorkOrder(ctx, &workordersv1.KitWorkOrderRequest{Name: name, Etag: etag})
	case "start":
		_, err = s.do.StartWorkOrder(ctx, &workordersv1.StartWorkOrderRequest{Name: name, Etag: etag})
	case "hold":
		_, err = s.do.HoldWorkOrder(ctx, &workordersv1.HoldWorkOrderRequest{Name: name, Etag: etag, Reason: "wait"})
	case "resume":
		_, err = s.do.ResumeWorkOrder(ctx, &workordersv1.ResumeWorkOrderRequest{Name: name, Etag: etag})
	case "rework":
		_, err = s.do.ReworkWorkOrder(ctx, &workordersv1.ReworkWorkOrderRequest{Name: name, Etag: etag, Reason: "again"})
	case "void":
		_, err = s.do.VoidWorkOrder(ctx, &workordersv1.VoidWorkOrderRequest{Name: name, Etag: etag, Reason: "no"})
	case "finish":
		_, err = s.finish(o, who)
	case "inspect":
		_, err = s.inspect(o, who, "")
	case "release":
		_, err = s.releaseAs(o, who)
	}
	return err
}

// step makes one command of a walk and compares what happened with what was expected.
func (s *stage) step(t *rapid.T, e *expected, o *workordersv1.WorkOrder, verb, who string) *workordersv1.WorkOrder {
	if verb == "work" {
		if e.state == "STARTED" && !e.held && !e.done && may[verb] != "" && slices.Contains(strings.Fields(may[verb]), who) {
			s.work(o, who)
			e.done, e.workers[who] = true, true
		}
		return s.order(o)
	}
	reasons, to := e.outcome(verb, who)
	err := s.call(o, verb, who)
	now := s.order(o)
	if len(reasons) > 0 {
		f, ok := fault.As(err)
		if !ok || !slices.Contains(reasons, f.Reason) || now.GetEtag() != o.GetEtag() {
			t.Fatalf("%s by %s of %+v: got %v, want one of %v and no change", verb, who, e, err, reasons)
		}
		told := f.Metadata["state"] == e.state && f.Metadata["allowed_verbs"] == strings.Join(o.GetAllowedVerbs(), ", ")
		if !told && !slices.Contains([]string{"ROLE_MISSING", "SAME_PERSON", "STEPS_OPEN", "SIGNED_ALREADY"}, f.Reason) {
			t.Fatalf("the refusal of %s says %v, the order is %s and allows %v", verb, f.Metadata, e.state, o.GetAllowedVerbs())
		}
		return now
	}
	e.state, e.held = to, verb == "hold" || e.held && verb != "resume"
	if verb == "finish" {
		e.workers[who], e.signed = true, true
	}
	if err != nil || now.GetState().String() != e.state || (now.GetHold() != nil) != e.held {
		t.Fatalf("%s by %s: got %v and %s, want %+v", verb, who, err, now.GetState(), e)
	}
	return now
}

// Ten thousand walks of random commands by anybody, through gRPC and the store, do just what each walk expects: the table, the roles and
// the two persons of an inspection.
func TestRandomCommandsOverTheWire(t *testing.T) {
	reached := tally{n: map[string]int{}}
	ready := func(s *stage) {
		c := card(&workordersv1.CardStep{Title: "Do", Kind: workordersv1.StepKind_STEP_KIND_DO})
		c.InspectionRequired = true
		must[*workordersv1.TaskCard](s)(s.newCard(c))
	}
	wander(t, asked(t, 10000), ready, func(t *rapid.T, s *stage) {
		o := s.drafted("own")
		e := &expected{state: "DRAFTED", workers: map[string]bool{}}
		for range rapid.IntRange(1, 12).Draw(t, "commands") {
			verb := rapid.SampledFrom(slices.Sorted(maps.Keys(may))).Draw(t, "any")
			if on := next(e); rapid.IntRange(0, 4).Draw(t, "sensible") > 0 && on != "" {
				verb = on
			}
			who := rapid.SampledFrom(slices.Sorted(maps.Keys(roles))).Draw(t, "who")
			if rapid.Bool().Draw(t, "allowed") {
				who = rapid.SampledFrom(strings.Fields(may[verb])).Draw(t, "role")
			}
			o = s.step(t, e, o, verb, who)
		}
		reached.add(e.state)
	})
	for state := range workordersv1.WorkOrder_State_value {
		if state != "STATE_UNSPECIFIED" && reached.n[state] == 0 {
			t.Errorf("no walk ended %s", state)
		}
	}
	t.Logf("the walks ended in %v", reached.n)
}

// next is the verb that leads on.
func next(e *expected) string {
	if e.held {
		return "resume"
	}
	if e.state == "STARTED" && !e.done {
		return "work"
	}
	return map[string]string{"DRAFTED": "schedule", "SCHEDULED": "kit", "KITTED": "start", "STARTED": "finish", "FINISHED": "inspect", "INSPECTED": "release"}[e.state]
}
