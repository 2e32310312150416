package server_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// part adds a component without a past.
func (w *world) part(id string) {
	w.t.Helper()
	must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: id, Component: &compliancev1.Component{
		PartNumber: "DEMO-9", Serial: id, DisplayName: "Bracket",
	}}))(w.t)
}

// into fits a component.
func (w *world) into(part, host, position string) error {
	_, err := w.commands.InstallComponent(w.as("planner"), &compliancev1.InstallComponentRequest{
		Name: "components/" + part, Host: host, Position: position, InstallDate: on(2026, 3, 2),
	})
	return err
}

// atOnce calls all at one moment.
func atOnce(calls ...func() error) error {
	var wait sync.WaitGroup
	results := make([]error, len(calls))
	for i, call := range calls {
		wait.Go(func() { results[i] = call() })
	}
	wait.Wait()
	return errors.Join(results...)
}

// Two parts that are fitted to one place at the same moment: one is there, the other one is told so.
func TestOnePlaceTakesOnePartAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for round := range 5 {
			place, a, b := fmt.Sprintf("place-%d", round), fmt.Sprintf("a%d", round), fmt.Sprintf("b%d", round)
			w.part(a)
			w.part(b)
			err := atOnce(func() error { return w.into(a, "engines/one", place) }, func() error { return w.into(b, "engines/one", place) })
			if n := w.rows("SELECT COUNT(*) FROM fittings WHERE host = 'engines/one' AND position = $1", place); n != 1 || !fault.HasReason(err, "POSITION_TAKEN") {
				t.Errorf("%d parts are at %s: %v", n, place, err)
			}
		}
	})
}

// Two parts that are fitted into each other at the same moment are not both: one would never be in an engine, and what is asked of it would
// never end.
func TestNoPartIsWithinItselfAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for round := range 5 {
			a, b := fmt.Sprintf("a%d", round), fmt.Sprintf("b%d", round)
			w.part(a)
			w.part(b)
			err := atOnce(func() error { return w.into(a, "components/"+b, "inside") }, func() error { return w.into(b, "components/"+a, "inside") })
			if n := w.rows("SELECT COUNT(*) FROM fittings WHERE item IN ($1, $2)", "components/"+a, "components/"+b); n != 1 || !fault.HasReason(err, "HOST_INVALID") {
				t.Fatalf("%d of the two are in the other: %v", n, err)
			}
		}
	})
}
