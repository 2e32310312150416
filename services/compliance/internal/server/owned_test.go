package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/auth"
)

// guest is a caller who is limited to an owner.
func (w *world) guest(owner string) context.Context {
	return auth.NewContext(w.t.Context(), auth.Identity{Account: "accounts/guest", Roles: []string{"viewer"}, Kind: auth.Human, Owners: []string{owner}})
}

// lent has an engine of north, with a pump in it, on an aircraft of south, where an engine of south was before.
func (w *world) lent() {
	w.t.Helper()
	w.second()
	for id, owner := range map[string]string{"one": "south", "two": "north"} {
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/" + id}))(w.t)
		engine.Owner = owner
		must(w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{Engine: engine}))(w.t)
	}
	plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(w.t)
	plane.Owner = "south"
	must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: plane}))(w.t)
	w.pump("p1", 290)
	w.forComponents("pump-check", nil)
	w.require("check", compliancev1.Requirement_INSPECTION, 100)
	w.clock.Advance(18 * 24 * time.Hour)
	for _, err := range []error{w.put("p1", "engines/two", 2), w.remove(on(2026, 3, 10)), w.install("two", on(2026, 3, 10))} {
		if err != nil {
			w.t.Fatal(err)
		}
	}
	must(w.flown(12, 3))(w.t)
}

// The owner of an engine sees it and what is in it, wherever it is, and nothing of the aircraft that it is lent to; the owner of the
// aircraft sees that something of another's is on it, and not what.
func TestALentEngineShowsNeitherOwnerTheThingsOfTheOther(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		north, south := w.guest("north"), w.guest("south")
		for ctx, want := range map[context.Context][]string{north: {"check engines/two", "pump-check components/p1"}, south: {"check engines/one"}} {
			var got []string
			for _, item := range must(w.queries.ListDueItems(ctx, &compliancev1.ListDueItemsRequest{OrderBy: "requirement"}))(t).GetDueItems() {
				got = append(got, item.GetRequirementCode()+" "+item.GetSubject())
				explained := must(w.queries.ExplainDueItem(ctx, &compliancev1.ExplainDueItemRequest{Name: item.GetName()}))(t)
				if strings.Contains(explained.String(), "DEMO-1") && strings.HasSuffix(item.GetSubject(), "two") {
					t.Errorf("names the aircraft of another: %v", explained)
				}
			}
			if strings.Join(got, ", ") != strings.Join(want, ", ") {
				t.Errorf("due items %v, want %v", got, want)
			}
			forecast := must(w.planning.ForecastDueItems(ctx, &compliancev1.ForecastDueItemsRequest{}))(t)
			if len(forecast.GetDueForecasts()) != len(want) {
				t.Errorf("forecast %v", forecast)
			}
		}
		parts := must(w.queries.ListComponents(north, &compliancev1.ListComponentsRequest{}))(t).GetComponents()
		if none := must(w.queries.ListComponents(south, &compliancev1.ListComponentsRequest{}))(t).GetComponents(); len(parts) != 1 || len(none) != 0 {
			t.Errorf("components: %v, %v", parts, none)
		}
		for _, f := range must(w.queries.ListFittings(north, &compliancev1.ListFittingsRequest{}))(t).GetFittings() {
			if f.GetHost() == "aircraft/plane" {
				t.Errorf("north is shown south's aircraft: %v", f)
			}
		}
		fittings := must(w.queries.ListFittings(south, &compliancev1.ListFittingsRequest{}))(t).GetFittings()
		if len(fittings) != 1 || fittings[0].GetItem() != "engines/one" {
			t.Errorf("south: %v", fittings)
		}
		status := must(w.queries.GetComplianceStatus(south, &compliancev1.GetComplianceStatusRequest{Subject: "aircraft/plane"}))(t)
		if status.GetCompliant() || !says(status, "belongs to another owner") || strings.Contains(status.String(), "two") || strings.Contains(status.String(), "p1") {
			t.Errorf("%v", status)
		}
		status = must(w.queries.GetComplianceStatus(north, &compliancev1.GetComplianceStatusRequest{Subject: "engines/two"}))(t)
		if len(status.GetDueItems()) != 2 || strings.Contains(status.String(), "plane") || says(status, "belongs to another owner") {
			t.Errorf("%v", status)
		}
	})
}

// What is another's is refused in the words for what does not exist.
func TestWhatIsAnothersIsRefusedAsWhatDoesNotExist(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		south := w.guest("south")
		for name, ask := range map[string]func(id string) error{
			"status": func(id string) error {
				_, err := w.queries.GetComplianceStatus(south, &compliancev1.GetComplianceStatusRequest{Subject: "engines/" + id})
				return err
			},
			"component": func(id string) error {
				_, err := w.queries.GetComponent(south, &compliancev1.GetComponentRequest{Name: "components/" + strings.Replace(id, "two", "p1", 1)})
				return err
			},
			"life": func(id string) error {
				_, err := w.queries.GetLifeStatus(south, &compliancev1.GetLifeStatusRequest{Name: "components/" + strings.Replace(id, "two", "p1", 1) + "/lifeStatus"})
				return err
			},
			"visit": func(id string) error {
				_, err := w.visits.ProposeVisit(south, &compliancev1.ProposeVisitRequest{
					Subject: "engines/" + id, EarliestDate: on(2026, 4, 1), LatestDate: on(2026, 4, 30), NextVisitDate: on(2026, 6, 1),
				})
				return err
			},
		} {
			foreign, random := ask("two"), ask("none")
			refused(t, foreign, "NOT_FOUND")
			refused(t, random, "NOT_FOUND")
			if len(strings.ReplaceAll(strings.ReplaceAll(foreign.Error(), "p1", "X"), "two", "X")) != len(strings.ReplaceAll(random.Error(), "none", "X")) {
				t.Errorf("%s: another's %v, nothing %v", name, foreign, random)
			}
		}
	})
}

// A lent engine does not name the aircraft of another to its owner, nor the aircraft the lent engine to the owner of the aircraft; who is not limited sees
// both.
func TestALentEngineAndItsHostDoNotNameEachOther(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		for who, want := range map[context.Context][2]string{w.guest("north"): {"", "none"}, w.guest("south"): {"none", ""}, w.as("viewer"): {"aircraft/plane 1", "engines/two"}} {
			if want[0] != "none" {
				e := must(w.queries.GetEngine(who, &compliancev1.GetEngineRequest{Name: "engines/two"}))(t)
				if got := strings.TrimSpace(e.GetAircraft() + " " + e.GetPosition()); got != want[0] {
					t.Errorf("the engine is on %q, want %q", got, want[0])
				}
			}
			for _, e := range must(w.queries.ListEngines(who, &compliancev1.ListEnginesRequest{}))(t).GetEngines() {
				if e.GetName() == "engines/two" && e.GetAircraft() != "" && want[0] == "" {
					t.Errorf("the list names %q", e.GetAircraft())
				}
			}
			planes := must(w.queries.ListAircraft(who, &compliancev1.ListAircraftRequest{}))(t).GetAircraft()
			if want[1] == "none" {
				if len(planes) != 0 {
					t.Errorf("%v", planes)
				}
				continue
			}
			planes = append(planes, must(w.queries.GetAircraft(who, &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(t))
			for _, plane := range planes {
				if got := strings.Join(plane.GetEngines(), " "); got != want[1] {
					t.Errorf("on the aircraft are %q, want %q", got, want[1])
				}
			}
		}
	})
}
