package flow_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/flow"
)

var verbs = []string{"schedule", "kit", "start", "finish", "rework", "inspect", "release", "void"}

// Whatever is tried in whatever order: what the table allows is listed as allowed, the rest is refused with the state; a
// release never comes without the inspection that is required, and nothing leaves RELEASED or VOIDED.
func TestRandomWalks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := flow.Order{State: flow.Drafted, InspectionRequired: rapid.Bool().Draw(t, "inspection")}
		inspected := false
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			o.OnHold = rapid.IntRange(0, 4).Draw(t, "hold") == 0
			verb := rapid.SampledFrom(verbs).Draw(t, "verb")
			allowed := slices.Contains(flow.Allowed(o), verb)
			next, _, err := flow.Next(o, verb, "workOrders/x")
			if allowed != (err == nil) {
				t.Fatalf("%s in %+v: allowed %t, error %v", verb, o, allowed, err)
			}
			if err != nil {
				f, _ := fault.As(err)
				if f.Metadata["state"] != o.State {
					t.Fatalf("refusal %+v", f)
				}
				continue
			}
			if o.State == flow.Released || o.State == flow.Voided {
				t.Fatalf("%s left %s", verb, o.State)
			}
			inspected = next == flow.Inspected || inspected && next != flow.Started
			if next == flow.Released && o.InspectionRequired && !inspected {
				t.Fatal("released without inspection")
			}
			o.State = next
		}
	})
}
