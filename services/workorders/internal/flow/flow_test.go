package flow_test

import (
	"flag"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/flow"
)

// walks is how many random sequences a run of the tests tries.
const walks = "10000"

func TestMain(m *testing.M) {
	if err := flag.Set("rapid.checks", walks); err != nil {
		panic(err)
	}
	m.Run()
}

var verbs = []string{"schedule", "kit", "start", "finish", "rework", "inspect", "release", "void", "hold", "resume", "nonsense", ""}

// The table written out once more, by hand: what each state allows while it is running and on hold, without and with an
// inspection that is required.
var written = map[string][4]string{
	flow.Drafted:   {"schedule void hold", "void resume", "schedule void hold", "void resume"},
	flow.Scheduled: {"schedule kit void hold", "kit void resume", "schedule kit void hold", "kit void resume"},
	flow.Kitted:    {"start void hold", "void resume", "start void hold", "void resume"},
	flow.Started:   {"finish void hold", "void resume", "finish void hold", "void resume"},
	flow.Finished:  {"rework release void hold", "rework void resume", "rework inspect void hold", "rework void resume"},
	flow.Inspected: {"rework release void hold", "rework void resume", "rework release void hold", "rework void resume"},
	flow.Released:  {"", "", "", ""},
	flow.Voided:    {"", "", "", ""},
}

func orders() []flow.Order {
	var all []flow.Order
	for _, state := range slices.Sorted(maps.Keys(written)) {
		for i := range 4 {
			all = append(all, flow.Order{State: state, OnHold: i%2 == 1, InspectionRequired: i > 1})
		}
	}
	return all
}

// Every verb in every state: it is allowed where it is written, and everywhere else refused with the state and with what is
// allowed.
func TestTheWholeTable(t *testing.T) {
	for i, o := range orders() {
		want := strings.Fields(written[o.State][i%4])
		if got := flow.Allowed(o); !slices.Equal(got, want) {
			t.Errorf("%+v allows %v, want %v", o, got, want)
		}
		for _, verb := range verbs {
			_, _, err := flow.Next(o, verb, "workOrders/x")
			if slices.Contains(want, verb) {
				if err != nil {
					t.Errorf("%s of %+v: %v", verb, o, err)
				}
				continue
			}
			f, ok := fault.As(err)
			if !ok || f.Metadata["state"] != o.State || f.Metadata["allowed_verbs"] != strings.Join(want, ", ") || !strings.Contains(f.Message, o.State) {
				t.Errorf("%s of %+v: %v", verb, o, err)
			}
		}
	}
}

// walk is an order as two technicians, an inspector and a releaser move it, and what must hold whatever they do.
type walk struct {
	order     flow.Order
	workers   []string
	inspector string // of the inspection that is in force
	excepted  bool
	finished  bool   // and not sent back since
	signed    bool   // anything, ever
	out       int32  // blanks in the engine
	wet       bool   // liquid in the engine
	ended     string // who ended it
}

// command moves the walk as the service does: the table, and for an inspection the rule of persons.
func (w *walk) command(verb, person, exception string) error {
	if verb == "work" {
		if w.order.State == flow.Started && !w.order.OnHold && !slices.Contains(w.workers, person) {
			w.workers = append(w.workers, person)
		}
		return nil
	}
	if verb == "blank" || verb == "restore" {
		if w.order.State == flow.Started && !w.order.OnHold {
			w.out = map[string]int32{"blank": w.out + 1}[verb]
		}
		return nil
	}
	if verb == "wet" || verb == "dry" {
		if w.order.State == flow.Started && !w.order.OnHold {
			w.wet = verb == "wet"
		}
		return nil
	}
	if verb == "finish" && (w.out > 0 || w.wet) {
		return fault.Precondition("STEPS_OPEN", "The step that counts is open.")
	}
	if verb == "inspect" {
		if err := flow.Inspects(w.workers, person, exception, "workOrders/x"); err != nil {
			return err
		}
	}
	state, _, err := flow.Next(w.order, verb, "workOrders/x")
	if err != nil {
		return err
	}
	if verb == "void" {
		if err := flow.Voids(w.ending(person), "workOrders/x"); err != nil {
			return err
		}
		w.ended = person
	}
	w.order.State, w.order.OnHold = state, w.order.OnHold && verb != "resume" || verb == "hold"
	switch verb {
	case "finish":
		w.finished, w.signed, w.workers = true, true, append(w.workers, person)
	case "rework":
		w.finished, w.inspector, w.excepted = false, "", false
	case "inspect":
		w.inspector, w.excepted = person, exception != ""
	default:
	}
	return nil
}

func (w *walk) ending(person string) flow.Ending {
	e := flow.Ending{Quality: person == quality, Out: w.out, Wet: w.wet}
	if w.signed {
		e.Signer = "somebody"
	}
	return e
}

// must holds after every command.
func (w *walk) must(t *rapid.T, before flow.Order, verb string) {
	switch {
	case (before.State == flow.Released || before.State == flow.Voided) && w.order != before:
		t.Fatalf("%s moved %+v", verb, before)
	case w.inspector != "" && slices.Contains(w.workers, w.inspector) != w.excepted:
		t.Fatalf("%s inspected the work of %v, by exception %t", w.inspector, w.workers, w.excepted)
	case w.order.State == flow.Released && (!w.finished || w.order.InspectionRequired && w.inspector == ""):
		t.Fatalf("released without what it takes: %+v", w)
	case w.order.State == flow.Released && w.order.OnHold:
		t.Fatal("released on hold")
	case w.out > 0 && (w.order.State == flow.Released || w.order.State == flow.Voided):
		t.Fatalf("%s with %d blanks in the engine", w.order.State, w.out)
	case w.order.State == flow.Voided && (w.signed || w.wet) && w.ended != quality:
		t.Fatalf("%s ended what was signed, or wet: %+v", w.ended, w)
	case w.order.State == flow.Released && w.wet:
		t.Fatal("released wet")
	}
}

// draw is any verb, or more often one that leads on.
func draw(t *rapid.T, o flow.Order) string {
	on := slices.DeleteFunc(flow.Allowed(o), func(verb string) bool { return verb == "void" || verb == "hold" })
	if len(on) > 0 && rapid.IntRange(0, 3).Draw(t, "sensible") > 0 {
		return rapid.SampledFrom(append(on, "work", "blank", "restore", "wet", "dry")).Draw(t, "next")
	}
	return rapid.SampledFrom(append(verbs, "work", "blank", "restore", "wet", "dry")).Draw(t, "verb")
}

const quality = "people/quality"

// Whatever two technicians, an inspector, a releaser and quality try in whatever order, nothing is released without the performer's
// signature and the inspection that is required, nobody inspects the own work but by the exception, nothing leaves the end, nothing
// ends with blanks in the engine, and only quality ends what was signed or is wet.
func TestRandomWalks(t *testing.T) {
	people := []string{"people/tech1", "people/tech2", "people/inspector", "people/releaser", quality}
	reached := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		w := &walk{order: flow.Order{State: flow.Drafted, InspectionRequired: rapid.Bool().Draw(t, "inspection")}}
		for range rapid.IntRange(1, 40).Draw(t, "commands") {
			verb := draw(t, w.order)
			before := w.order
			err := w.command(verb, rapid.SampledFrom(people).Draw(t, "person"), rapid.SampledFrom([]string{"", "", "alone here"}).Draw(t, "exception"))
			if err != nil && w.order != before {
				t.Fatalf("%s was refused and moved %+v to %+v", verb, before, w.order)
			}
			w.must(t, before, verb)
		}
		reached[w.order.State]++
	})
	for state := range written {
		if reached[state] == 0 {
			t.Errorf("no walk ended in %s: %v", state, reached)
		}
	}
	t.Logf("the walks ended in %v", reached)
}

// A refusal says why: on hold comes first, a missing inspection only of what is finished and to be released, and an order that is over asks for a new one.
func TestRefusalsSayWhy(t *testing.T) {
	for _, c := range []struct {
		order        flow.Order
		verb, reason string
		says         string
	}{
		{flow.Order{State: flow.Finished, InspectionRequired: true}, "release", "INSPECTION_MISSING", "x is FINISHED, which does not allow \"release\". Allowed now: rework, inspect, void, hold."},
		{
			flow.Order{State: flow.Finished, InspectionRequired: true, OnHold: true}, "release", "ON_HOLD",
			"x is FINISHED and on hold, which does not allow \"release\". Allowed now: rework, void, resume.",
		},
		{flow.Order{State: flow.Finished}, "inspect", "STATE_NOT_ALLOWED", "x is FINISHED, which does not allow \"inspect\". Allowed now: rework, release, void, hold."},
		{flow.Order{State: flow.Started, InspectionRequired: true}, "release", "STATE_NOT_ALLOWED", "x is STARTED, which does not allow \"release\". Allowed now: finish, void, hold."},
		{flow.Order{State: flow.Released}, "start", "STATE_NOT_ALLOWED", "x is RELEASED, which does not allow \"start\". Allowed now: nothing. Draft a new order for what is still to be done."},
	} {
		_, _, err := flow.Next(c.order, c.verb, "x")
		if f, ok := fault.As(err); !ok || f.Reason != c.reason || f.Message != c.says || f.Metadata["state"] != c.order.State {
			t.Errorf("%+v, %s: %v, want %s: %s", c.order, c.verb, err, c.reason, c.says)
		}
	}
	for verb, want := range map[string]flow.Order{"hold": {State: flow.Started}, "resume": {State: flow.Started, OnHold: true}} {
		if state, fact, err := flow.Next(want, verb, "x"); err != nil || state != flow.Started || fact == "" {
			t.Errorf("%s leaves an order in %s: %s, %v", verb, state, fact, err)
		}
	}
}

// Who answers for quality may end what was signed and what is wet, and nobody what is still out (the rules of Voids).
func TestWhoMayEndAnOrder(t *testing.T) {
	for _, c := range []struct {
		ending flow.Ending
		reason string
	}{
		{flow.Ending{}, ""}, {flow.Ending{Quality: true}, ""},
		{flow.Ending{Signer: "people/a"}, "SIGNED_ALREADY"}, {flow.Ending{Signer: "people/a", Quality: true}, ""},
		{flow.Ending{Wet: true}, "DRYING_RUN_MISSING"}, {flow.Ending{Wet: true, Quality: true}, ""},
		{flow.Ending{Out: 1}, "RESTORE_OPEN"}, {flow.Ending{Out: 1, Quality: true}, "RESTORE_OPEN"},
		{flow.Ending{Out: 1, Quality: true, Signer: "people/a", Wet: true}, "RESTORE_OPEN"}, {flow.Ending{Out: 1, Signer: "people/a"}, "SIGNED_ALREADY"},
		{flow.Ending{Out: 1, Wet: true}, "RESTORE_OPEN"},
	} {
		if err := flow.Voids(c.ending, "x"); c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			t.Errorf("%+v: %v, want %q", c.ending, err, c.reason)
		}
	}
}
