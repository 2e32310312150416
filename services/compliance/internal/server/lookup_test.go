package server_test

import (
	"context"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// An aircraft and an engine are found by their ids elsewhere, also after flights and fittings wrote them; a limited caller finds its own only,
// and is told nothing more than GetEngine tells.
func TestAircraftAndEnginesAreFoundByTheirIDsElsewhere(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		for _, id := range []string{"one", "two"} {
			engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/" + id}))(t)
			engine.ExternalIds = map[string]string{"erp": "E-" + id}
			must(w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{Engine: engine}))(t)
		}
		plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(t)
		plane.ExternalIds = map[string]string{"erp": "A-1"}
		must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: plane}))(t)
		for _, who := range []string{"viewer", "agent"} {
			if got := must(w.queries.LookUpAircraft(w.as(who), &compliancev1.LookUpAircraftRequest{System: "erp", ExternalId: "A-1"}))(t); got.GetName() != "aircraft/plane" {
				t.Errorf("%s finds %s", who, got.GetName())
			}
		}
		engine := must(w.queries.LookUpEngine(w.guest("north"), &compliancev1.LookUpEngineRequest{System: "erp", ExternalId: "E-two"}))(t)
		if engine.GetName() != "engines/two" || engine.GetAircraft() != "" {
			t.Errorf("its owner finds %s on %q", engine.GetName(), engine.GetAircraft())
		}
		for _, id := range []string{"E-two", "E-none"} {
			_, err := w.queries.LookUpEngine(w.guest("south"), &compliancev1.LookUpEngineRequest{System: "erp", ExternalId: id})
			refused(t, err, "EXTERNAL_ID_UNKNOWN")
		}
		_, err := w.queries.LookUpAircraft(w.guest("north"), &compliancev1.LookUpAircraftRequest{System: "erp", ExternalId: "A-1"})
		refused(t, err, "EXTERNAL_ID_UNKNOWN")
		_, err = w.queries.LookUpEngine(w.as("viewer"), &compliancev1.LookUpEngineRequest{ExternalId: "E-two"})
		refused(t, err, "FIELD_INVALID")
	})
}

// A person is found by the number that another system has for them, as it is now; callers who are limited to owners see no people.
func TestAPersonIsFoundByTheirIDElsewhere(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		person := must(w.commands.CreatePerson(w.as("quality"), &compliancev1.CreatePersonRequest{PersonId: "nils", Person: &compliancev1.Person{
			DisplayName: "Nils, demonstration only", ExternalIds: map[string]string{"payroll": "0071"},
		}}))(t)
		look := func(ctx context.Context, id string) (*compliancev1.Person, error) {
			return w.queries.LookUpPerson(ctx, &compliancev1.LookUpPersonRequest{System: "payroll", ExternalId: id})
		}
		if got := must(look(w.as("viewer"), "0071"))(t); got.GetName() != "people/nils" {
			t.Errorf("found %v", got)
		}
		person.ExternalIds = map[string]string{"payroll": "0072"}
		must(w.commands.UpdatePerson(w.as("quality"), &compliancev1.UpdatePersonRequest{Person: person}))(t)
		if got := must(look(w.as("agent"), "0072"))(t); got.GetName() != "people/nils" {
			t.Errorf("found %v", got)
		}
		_, err := look(w.as("viewer"), "0071")
		refused(t, err, "EXTERNAL_ID_UNKNOWN")
		if _, err := look(w.guest("north"), "0072"); err == nil {
			t.Error("a limited caller finds a person")
		}
		person.ExternalIds = map[string]string{"payroll": ""}
		_, err = w.commands.UpdatePerson(w.as("quality"), &compliancev1.UpdatePersonRequest{Person: person})
		refused(t, err, "FIELD_INVALID")
	})
}
