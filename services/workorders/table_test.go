package workorders_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
)

// written is what each state allows, by hand: while it goes on and on hold, without and with a required inspection.
var written = map[string][4]string{
	"DRAFTED":   {"schedule void hold", "void resume", "schedule void hold", "void resume"},
	"SCHEDULED": {"schedule kit void hold", "kit void resume", "schedule kit void hold", "kit void resume"},
	"KITTED":    {"start void hold", "void resume", "start void hold", "void resume"},
	"STARTED":   {"finish void hold", "void resume", "finish void hold", "void resume"},
	"FINISHED":  {"rework release void hold", "rework void resume", "rework inspect void hold", "rework void resume"},
	"INSPECTED": {"", "", "rework release void hold", "rework void resume"},
	"RELEASED":  {"", "", "", ""},
	"VOIDED":    {"", "", "", ""},
}

// path leads to each state, and callers are who may call each verb, also once something was signed.
var (
	path = map[string]string{
		"DRAFTED": "", "SCHEDULED": "schedule", "KITTED": "schedule kit", "STARTED": "schedule kit start work", "FINISHED": "schedule kit start work finish",
		"INSPECTED": "schedule kit start work finish inspect", "RELEASED": "schedule kit start work finish inspect release", "VOIDED": "void",
	}
	callers = map[string]string{
		"schedule": "pat", "kit": "pat", "start": "ann", "hold": "ann", "resume": "ann", "finish": "ann", "inspect": "ivy", "release": "rob", "rework": "ivy", "void": "quinn",
	}
)

// led is an order of a card that was led to a state.
func (s *stage) led(card, state string, inspected, held bool) *workordersv1.WorkOrder {
	s.t.Helper()
	o := s.drafted(card)
	for verb := range strings.FieldsSeq(path[state]) {
		switch {
		case verb == "work":
			s.work(o, "ann")
		case verb == "inspect" && !inspected:
		default:
			if err := s.call(o, verb, callers[verb]); err != nil {
				s.t.Fatalf("%s on the way to %s: %v", verb, state, err)
			}
		}
		o = s.order(o)
	}
	if held {
		if err := s.call(o, "hold", "ann"); err != nil {
			s.t.Fatal(err)
		}
		o = s.order(o)
	}
	return o
}

// changes are what is recorded on an order beside its verbs, each with the states that allow it.
var changes = map[string]struct {
	states []string
	issue  func(s *stage, o *workordersv1.WorkOrder, step *workordersv1.Step) error
}{
	"update": {[]string{"DRAFTED", "SCHEDULED", "KITTED"}, func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step) error {
		_, err := s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
			WorkOrder:  &workordersv1.WorkOrder{Name: o.GetName(), Remarks: "changed", Engine: o.GetEngine(), TaskCard: o.GetTaskCard()},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"remarks"}},
		})
		return err
	}},
	"acknowledge": {[]string{"STARTED"}, func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step) error {
		_, err := s.do.AcknowledgeCautions(s.as("ann"), &workordersv1.AcknowledgeCautionsRequest{Name: step.GetName()})
		return err
	}},
	"read": {[]string{"STARTED"}, func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step) error {
		_, err := s.do.CreateMeasurement(s.as("ann"), reading(step, "gap", "2", "mm"))
		return err
	}},
	"omit": {[]string{"STARTED"}, func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step) error {
		_, err := s.do.OmitStep(s.as("pat"), &workordersv1.OmitStepRequest{Name: step.GetName(), Reason: "no part", Agreement: "letter of today"})
		return err
	}},
	"complete": {[]string{"STARTED"}, func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step) error {
		_, err := s.do.CompleteStep(s.as("ann"), completion(step))
		return err
	}},
	"find": {[]string{"DRAFTED", "SCHEDULED", "KITTED", "STARTED", "FINISHED", "INSPECTED"}, func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step) error {
		_, err := s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Dent"}})
		return err
	}},
}

// Every verb in every state, going on and on hold, without and with a required inspection, through gRPC and the store: it is done where
// it is written, and everywhere else refused with the state and with what is allowed, and then nothing changed. The same holds
// for what is recorded on an order.
func TestEveryVerbInEveryState(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.place()
		done, refused := 0, 0
		for i, inspected := range []bool{false, true} {
			c := card(&workordersv1.CardStep{Title: "Set", Kind: workordersv1.StepKind_STEP_KIND_DO, Measurements: []*workordersv1.MeasurementSpec{
				{Key: "gap", DisplayName: "Gap", UnitCode: "mm", Source: "invented"},
			}})
			c.InspectionRequired = inspected
			must[*workordersv1.TaskCard](s)(s.newCard(c))
			for state, allowed := range written {
				if state == "INSPECTED" && !inspected {
					continue // no order gets there
				}
				for held := range 2 {
					if held == 1 && allowed[2*i] == "" {
						continue // nothing is put on hold after its end
					}
					d, r := s.everyVerb(t, state, inspected, held == 1, strings.Fields(allowed[2*i+held]))
					done, refused = done+d, refused+r
				}
			}
		}
		t.Logf("%d were done, %d refused", done, refused)
	})
}

// everyVerb tries all verbs on an order in a state and says how many were done and refused.
func (s *stage) everyVerb(t *testing.T, state string, inspected, held bool, allowed []string) (done, refused int) {
	t.Helper()
	o := s.led("own", state, inspected, held)
	if o.GetState().String() != state || (o.GetHold() != nil) != held || !slices.Equal(o.GetAllowedVerbs(), allowed) {
		t.Fatalf("%s, on hold %t, allows %v, want %s %v", o.GetState(), o.GetHold() != nil, o.GetAllowedVerbs(), state, allowed)
	}
	for _, verb := range slices.Sorted(maps.Keys(callers)) {
		if slices.Contains(allowed, verb) {
			if err := s.call(s.led("own", state, inspected, held), verb, callers[verb]); err != nil {
				t.Errorf("%s of an order that is %s, on hold %t: %v", verb, state, held, err)
			}
			done++
			continue
		}
		s.standsAsItWas(t, o, verb, s.call(o, verb, callers[verb]))
		refused++
	}
	for name, c := range changes {
		if onHold := held && len(c.states) == 1; slices.Contains(c.states, state) && !onHold { // what is done while it is STARTED rests on hold
			continue
		}
		s.standsAsItWas(t, o, name, c.issue(s, o, s.steps(o)[0]))
		refused++
	}
	return done, refused
}

// standsAsItWas checks a refusal that says where the order stands and what it allows, and that nothing changed.
func (s *stage) standsAsItWas(t *testing.T, o *workordersv1.WorkOrder, what string, err error) {
	t.Helper()
	allowed := strings.Join(o.GetAllowedVerbs(), ", ")
	f, ok := fault.As(err)
	if !ok || f.Metadata["state"] != o.GetState().String() || f.Metadata["allowed_verbs"] != allowed || !strings.Contains(f.Message, o.GetState().String()) ||
		!strings.Contains(f.Message, "Allowed now: "+map[bool]string{true: allowed, false: "nothing"}[allowed != ""]) {
		t.Errorf("%s of an order that is %s and allows %q: %v %v", what, o.GetState(), allowed, err, f)
	}
	if now := s.order(o); now.GetEtag() != o.GetEtag() {
		t.Errorf("%s was refused and changed the order to %s", what, now.GetState())
	}
}
