package workorders_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// walkedCard is the card of these walks: plain work with a caution, work with a reading that is signed by itself, a hold point, critical work,
// and a look by another person.
func walkedCard() *workordersv1.TaskCard {
	hot := &workordersv1.Caution{Severity: workordersv1.Caution_WARNING, Text: "Hot", Source: "invented"}
	gap := &workordersv1.MeasurementSpec{Key: "gap", DisplayName: "Gap", UnitCode: "mm", Source: "invented"}
	c := card(
		&workordersv1.CardStep{Title: "Open", Kind: workordersv1.StepKind_STEP_KIND_DO, Cautions: []*workordersv1.Caution{hot}},
		&workordersv1.CardStep{Title: "Set", Kind: workordersv1.StepKind_STEP_KIND_DO, SignatureRequired: true, Measurements: []*workordersv1.MeasurementSpec{gap}},
		&workordersv1.CardStep{Title: "Wait", Kind: workordersv1.StepKind_STEP_KIND_HOLD_POINT},
		&workordersv1.CardStep{Title: "Close", Kind: workordersv1.StepKind_STEP_KIND_DO, Critical: true},
		&workordersv1.CardStep{Title: "Look", Kind: workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION, Critical: true},
	)
	c.InspectionRequired = true
	return c
}

// the places among the steps, from 0, of the one with a reading, of the hold point, from which on none may be left out, and of the look.
const (
	measuredAt = 1
	holdAt     = 2
	lookAt     = 4
)

// believed is what the walk believes about a step, without asking the service.
type believed struct {
	state, acknowledged, performer string
	signed, read                   bool
}

// trail is what the walk believes about an order that is being done, by people whom it knows by name.
type trail struct {
	state    string
	held     bool
	steps    []believed
	workers  []string // who took part
	finding  string   // "", RAISED, RECTIFY, CUSTOMER, DECIDED or CLOSED
	answerer string
}

func (w *trail) worked(who string) {
	if !slices.Contains(w.workers, who) {
		w.workers = append(w.workers, who)
	}
}

// is says whether somebody has one of the roles.
func is(who string, wanted ...string) bool {
	return slices.ContainsFunc(wanted, func(role string) bool { return slices.Contains(roles[who], role) })
}

func (w *trail) running() bool { return w.state == "STARTED" && !w.held }

// through says that all steps before one are behind it.
func (w *trail) through(until int) bool {
	return !slices.ContainsFunc(w.steps[:until], func(b believed) bool { return b.state == "OPEN" })
}

// looker says that somebody looked at the work.
func (w *trail) looker(who string) bool { return w.steps[lookAt].performer == who }

// whole says that the work may be signed for: nothing open, nothing unsigned, no finding without an answer.
func (w *trail) whole() bool {
	unsigned := w.steps[measuredAt].state == "DONE" && !w.steps[measuredAt].signed
	return w.through(len(w.steps)) && !unsigned && w.finding != "RAISED"
}

// command is one thing that people do to an order: who may when, what it does to what the walk believes, and the call.
type command struct {
	name  string
	may   func(w *trail, at int, who string) bool
	then  func(w *trail, at int, who string)
	issue func(s *stage, o *workordersv1.WorkOrder, step *workordersv1.Step, who string) error
}

// commands are the verbs on steps, findings and signatures.
var commands = []command{
	{
		"acknowledge", func(w *trail, at int, who string) bool {
			return is(who, "technician", "inspector") && w.running() && w.steps[at].state == "OPEN"
		},
		func(w *trail, at int, who string) { w.steps[at].acknowledged += who + " " },
		func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step, who string) error {
			_, err := s.do.AcknowledgeCautions(s.as(who), &workordersv1.AcknowledgeCautionsRequest{Name: step.GetName()})
			return err
		},
	},
	{
		"read", func(w *trail, at int, who string) bool {
			return is(who, "technician", "inspector") && w.running() && at == measuredAt && w.steps[at].state == "OPEN" && !w.looker(who)
		},
		func(w *trail, at int, who string) { w.steps[at].read = true; w.worked(who) },
		func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step, who string) error {
			_, err := s.do.CreateMeasurement(s.as(who), reading(step, "gap", "2", "mm"))
			return err
		},
	},
	{
		"complete", func(w *trail, at int, who string) bool {
			role := map[bool]string{true: "inspector", false: "technician"}[at == lookAt]
			own := at == lookAt && slices.Contains(w.workers, who)
			ready := (at != 0 || strings.Contains(w.steps[0].acknowledged, who)) && (at != measuredAt || w.steps[at].read)
			return is(who, role) && w.running() && w.steps[at].state == "OPEN" && w.through(at) && !own && ready
		},
		func(w *trail, at int, who string) {
			if w.steps[at].state, w.steps[at].performer = "DONE", who; at != lookAt {
				w.worked(who)
			}
		},
		func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step, who string) error {
			_, err := s.do.CompleteStep(s.as(who), completion(step))
			return err
		},
	},
	{
		"omit", func(w *trail, at int, who string) bool {
			return is(who, "planner", "quality") && w.running() && w.steps[at].state == "OPEN" && at < holdAt
		},
		func(w *trail, at int, _ string) { w.steps[at].state = "OMITTED" },
		func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step, who string) error {
			_, err := s.do.OmitStep(s.as(who), &workordersv1.OmitStepRequest{Name: step.GetName(), Reason: "no part", Agreement: "letter of today"})
			return err
		},
	},
	{
		"sign", func(w *trail, at int, who string) bool {
			return is(who, "technician", "inspector") && w.running() && w.steps[at].state == "DONE" && w.steps[at].performer == who && !w.steps[at].signed
		},
		func(w *trail, at int, who string) {
			if w.steps[at].signed = true; at != lookAt {
				w.worked(who)
			}
		},
		func(s *stage, _ *workordersv1.WorkOrder, step *workordersv1.Step, who string) error {
			shown, err := s.look.PreviewSignature(s.as(who), &workordersv1.PreviewSignatureRequest{Name: step.GetName(), Meaning: commonv1.Signature_PERFORMED})
			if err != nil {
				return err
			}
			_, err = s.do.SignStep(s.as(who), &workordersv1.SignStepRequest{Name: step.GetName(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash()})
			return err
		},
	},
	{
		"raise", func(w *trail, _ int, who string) bool {
			return is(who, "technician", "inspector", "quality") && w.finding == "" && w.state != "RELEASED"
		},
		func(w *trail, _ int, _ string) { w.finding = "RAISED" },
		func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step, who string) error {
			_, err := s.do.CreateFinding(s.as(who), &workordersv1.CreateFindingRequest{Parent: o.GetName(), FindingId: "f1", Finding: &workordersv1.Finding{Description: "Dent"}})
			return err
		},
	},
	answering("rectify", "RECTIFY", workordersv1.Finding_RECTIFY), answering("ask", "CUSTOMER", workordersv1.Finding_CUSTOMER_DECISION),
	{
		"decide", func(w *trail, _ int, who string) bool {
			return is(who, "planner", "quality") && w.finding == "CUSTOMER"
		},
		func(w *trail, _ int, _ string) { w.finding = "DECIDED" },
		func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step, who string) error {
			_, err := s.do.DecideFinding(s.as(who), &workordersv1.DecideFindingRequest{Name: o.GetName() + "/findings/f1", Decision: &workordersv1.CustomerDecision{
				Verdict: workordersv1.CustomerDecision_AGREED, Reference: "letter of today",
			}})
			return err
		},
	},
	{
		"close", func(w *trail, _ int, who string) bool {
			return is(who, "inspector", "quality") && slices.Contains([]string{"RECTIFY", "CUSTOMER", "DECIDED"}, w.finding) && who != w.answerer
		},
		func(w *trail, _ int, _ string) { w.finding = "CLOSED" },
		func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step, who string) error {
			_, err := s.do.CloseFinding(s.as(who), &workordersv1.CloseFindingRequest{Name: o.GetName() + "/findings/f1"})
			return err
		},
	},
	moving("hold", "", []string{"technician", "inspector", "planner", "quality"}, func(w *trail, _ string) bool { return w.state != "RELEASED" && !w.held }),
	moving("resume", "", []string{"technician", "inspector", "planner", "quality"}, func(w *trail, _ string) bool { return w.state != "RELEASED" && w.held }),
	moving("finish", "FINISHED", []string{"technician"}, func(w *trail, who string) bool { return w.running() && w.whole() && !w.looker(who) }),
	moving("rework", "STARTED", []string{"inspector", "releaser"}, func(w *trail, _ string) bool { return w.state == "FINISHED" || w.state == "INSPECTED" }),
	moving("inspect", "INSPECTED", []string{"inspector"}, func(w *trail, who string) bool {
		return w.state == "FINISHED" && !w.held && w.finding != "RAISED" && !slices.Contains(w.workers, who)
	}),
	moving("release", "RELEASED", []string{"releaser"}, func(w *trail, _ string) bool {
		return w.state == "INSPECTED" && !w.held && !slices.Contains([]string{"RAISED", "RECTIFY", "DECIDED"}, w.finding)
	}),
}

func answering(name, to string, disposition workordersv1.Finding_Disposition) command {
	return command{
		name, func(w *trail, _ int, who string) bool {
			return is(who, "technician", "inspector", "quality") && w.finding == "RAISED"
		},
		func(w *trail, _ int, who string) { w.finding, w.answerer = to, who },
		func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step, who string) error {
			_, err := s.do.AnswerFinding(s.as(who), &workordersv1.AnswerFindingRequest{Name: o.GetName() + "/findings/f1", Disposition: disposition, Answer: "so"})
			return err
		},
	}
}

// moving is a verb of the order as a whole.
func moving(verb, to string, by []string, when func(w *trail, who string) bool) command {
	return command{
		verb, func(w *trail, _ int, who string) bool { return is(who, by...) && when(w, who) },
		func(w *trail, _ int, who string) {
			if w.held = verb == "hold" || w.held && verb != "resume"; to != "" {
				w.state = to
			}
			if verb == "finish" {
				w.worked(who)
			}
		},
		func(s *stage, o *workordersv1.WorkOrder, _ *workordersv1.Step, who string) error {
			return s.call(o, verb, who)
		},
	}
}

// agrees compares what the service keeps with what the walk believes.
func (w *trail) agrees(o *workordersv1.WorkOrder, steps []*workordersv1.Step) error {
	if o.GetState().String() != w.state || (o.GetHold() != nil) != w.held {
		return fmt.Errorf("the order is %s, on hold %t", o.GetState(), o.GetHold() != nil)
	}
	for i, step := range steps {
		b, performer := w.steps[i], strings.TrimPrefix(step.GetPerformer(), "people/")
		if step.GetState().String() != b.state || performer != b.performer || (step.GetSignature() != "") != b.signed {
			return fmt.Errorf("step %d is %s by %q, signed %q; believed is %+v", i+1, step.GetState(), performer, step.GetSignature(), b)
		}
		if i == lookAt && performer != "" && slices.Contains(w.workers, performer) {
			return fmt.Errorf("%s looked at the own work", performer)
		}
	}
	return nil
}

// everything is the bodies of an order and of its steps, and how many facts it told.
const everything = `SELECT 'order', body, 0 FROM work_orders WHERE name = $1
	UNION ALL SELECT 'step', body, 0 FROM steps WHERE name >= $2 AND name < $3
	UNION ALL SELECT 'facts', x'', COUNT(*) FROM outbox WHERE subject = $1`

// seen is the order, its steps and how many facts it told, in one statement where they are kept: after each of so many commands three calls would
// cost more than the command.
func (s *stage) seen(name string) (o *workordersv1.WorkOrder, steps []*workordersv1.Step, facts int) {
	s.t.Helper()
	type row struct {
		what string
		body []byte
		n    int
	}
	_, below := store.Under(name + "/steps")
	var rows []row
	err := s.service.DB().View(s.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		rows, err = storage.Collect(ctx, tx, func(from storage.Scanner) (r row, err error) {
			err = from.Scan(&r.what, &r.body, &r.n)
			return r, err
		}, everything, append([]any{name}, below...)...)
		return err
	})
	for _, r := range rows {
		switch r.what {
		case "order":
			o = &workordersv1.WorkOrder{}
			err = errors.Join(err, proto.Unmarshal(r.body, o))
		case "step":
			step := &workordersv1.Step{}
			err = errors.Join(err, proto.Unmarshal(r.body, step))
			steps = append(steps, step)
		default:
			facts = r.n
		}
	}
	if err != nil || o == nil {
		s.t.Fatal(name, err)
	}
	slices.SortFunc(steps, func(a, b *workordersv1.Step) int { return int(a.GetPosition() - b.GetPosition()) })
	return o, steps, facts
}

// copies makes orders that are being done out of one that was planned, kitted and started through the service, as many as walks want, at the cost of
// writing them.
type copies struct {
	order *workordersv1.WorkOrder
	steps []*workordersv1.Step
	made  int
}

func (c *copies) next(s *stage) string {
	s.t.Helper()
	c.made++
	o, _ := proto.Clone(c.order).(*workordersv1.WorkOrder)
	o.Name, o.Number = fmt.Sprintf("workOrders/walk-%d", c.made), fmt.Sprintf("WALK-%d", c.made)
	steps := make([]*workordersv1.Step, len(c.steps))
	for i, step := range c.steps {
		steps[i], _ = proto.Clone(step).(*workordersv1.Step)
		steps[i].Name = o.GetName() + strings.TrimPrefix(step.GetName(), c.order.GetName())
	}
	err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		if err := store.Orders.Insert(ctx, tx, o, s.clock.Now()); err != nil {
			return err
		}
		rows, err := store.Steps.Rows(steps, s.clock.Now())
		if err != nil {
			return err
		}
		_, err = store.Steps.InsertAll(ctx, tx, rows)
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return o.GetName()
}

// In ten thousand walks two technicians, an inspector, a releaser, a planner, quality, and two people with several roles try the verbs of steps,
// findings and signatures in any order, through gRPC and the store: each is done just when the walk says that it may, what is refused tells
// no fact and changes nothing, and at no moment did anybody look at the own work.
func TestRandomStepsOverTheWire(t *testing.T) {
	done, refused, ended := tally{n: map[string]int{}}, tally{n: map[string]int{}}, tally{n: map[string]int{}}
	var orders sync.Map // by stage
	ready := func(s *stage) {
		must[*workordersv1.TaskCard](s)(s.newCard(walkedCard()))
		c := &copies{}
		c.order, c.steps, _ = s.seen(s.started("own").GetName())
		orders.Store(s, c)
	}
	wander(t, asked(t, 10000), ready, func(t *rapid.T, s *stage) {
		own, _ := orders.Load(s)
		c, _ := own.(*copies)
		o, steps, facts := s.seen(c.next(s))
		w := &trail{state: "STARTED", steps: slices.Repeat([]believed{{state: "OPEN"}}, lookAt+1)}
		most := rapid.SampledFrom([]int{8, 8, 8, 24}).Draw(t, "most") // the long ones reach the release
		for range rapid.IntRange(1, most).Draw(t, "commands") {
			c, at, who := w.draw(t)
			may := c.may(w, at, who)
			s.clock.Advance(time.Second)
			err := c.issue(s, o, steps[at], who)
			if _, named := fault.As(err); err == nil != may || err != nil && !named {
				t.Fatalf("%s of step %d by %s: %v; the walk says %t of %+v", c.name, at+1, who, err, may, w)
			}
			before := facts
			o, steps, facts = s.seen(o.GetName())
			if (facts > before) != may {
				t.Fatalf("%s of step %d by %s, allowed %t, told %d facts", c.name, at+1, who, may, facts-before)
			}
			if may {
				done.add(c.name)
				c.then(w, at, who)
			} else {
				refused.add(c.name)
			}
			if err := w.agrees(o, steps); err != nil {
				t.Fatalf("after %s of step %d by %s: %v", c.name, at+1, who, err)
			}
		}
		ended.add(w.state)
	})
	for _, c := range commands {
		if done.n[c.name] == 0 || refused.n[c.name] == 0 {
			t.Errorf("%s was done %d times and refused %d times", c.name, done.n[c.name], refused.n[c.name])
		}
	}
	t.Logf("the walks ended in %v; done %v, refused %v", ended.n, done.n, refused.n)
}

// choice is a command on a step by somebody.
type choice struct {
	c   command
	at  int
	who string
}

// walkers are the people of these walks.
var walkers = []string{"ann", "bob", "ian", "rob", "pat", "quinn", "sam", "mia"}

// onward are the commands that lead to the release.
var onward = []string{"complete", "sign", "finish", "inspect", "release"}

// draw is a command that the walk allows, three times in four and then mostly one that leads on, or any.
func (w *trail) draw(t *rapid.T) (c command, at int, who string) {
	var may, on []choice
	var verbs []string
	for _, c := range commands {
		for i := range len(w.steps) * len(walkers) {
			one := choice{c, i % len(w.steps), walkers[i/len(w.steps)]}
			if !c.may(w, one.at, one.who) {
				continue
			}
			if may = append(may, one); slices.Contains(onward, c.name) {
				on = append(on, one)
			}
			if !slices.Contains(verbs, c.name) {
				verbs = append(verbs, c.name)
			}
		}
	}
	way := rapid.IntRange(0, 3).Draw(t, "sensible")
	switch {
	case way > 1 && len(on) > 0:
		may = on
	case way > 0 && len(may) > 0: // each verb as often as another, however many steps and people it suits
		name := rapid.SampledFrom(verbs).Draw(t, "verb")
		may = slices.DeleteFunc(may, func(m choice) bool { return m.c.name != name })
	default:
		return rapid.SampledFrom(commands).Draw(t, "any"), rapid.IntRange(0, len(w.steps)-1).Draw(t, "step"), rapid.SampledFrom(walkers).Draw(t, "who")
	}
	m := rapid.SampledFrom(may).Draw(t, "allowed")
	return m.c, m.at, m.who
}
