package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// A requirement that names an engine or aircraft which is not known is refused when it is made and when it is changed, with the name and what to do:
// a directive with a slip in a name would be held against nothing, and nobody would be told.
func TestARequirementNamesWhatThereIs(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		directive := func() *compliancev1.Requirement {
			return &compliancev1.Requirement{
				Code: "AD-1", DisplayName: "Directive", Kind: compliancev1.Requirement_DIRECTIVE, Document: document, Repeat: limit(compliancev1.IntervalLimit_DAYS, 30),
				Applicability: &compliancev1.Applicability{Engines: []string{"engines/one"}, Aircraft: []string{"aircraft/plane"}},
			}
		}
		adopt := func(r *compliancev1.Requirement) (*compliancev1.Requirement, error) {
			return w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: "ad", Requirement: r})
		}
		unknown := func(err error, field, name string) {
			t.Helper()
			f, is := fault.As(err)
			if !is || f.Reason != "SUBJECT_UNKNOWN" || len(f.Violations) != 1 || f.Violations[0].Field != "requirement.applicability."+field || !strings.Contains(f.Message, name) {
				t.Errorf("%v; want %s of %s", err, name, field)
			}
		}
		wrong := directive()
		wrong.Applicability.Engines = append(wrong.Applicability.Engines, "engines/onw")
		_, err := adopt(wrong)
		unknown(err, "engines", "engines/onw")
		wrong = directive()
		wrong.Applicability.Aircraft[0] = "engines/one"
		_, err = adopt(wrong)
		unknown(err, "aircraft", "engines/one")
		r := must(adopt(directive()))(t)
		r.Applicability.Aircraft = append(r.Applicability.Aircraft, "aircraft/none")
		_, err = w.commands.UpdateRequirement(w.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: r})
		unknown(err, "aircraft", "aircraft/none")
	})
}

// "Local" would be wherever the machine stands, so that a day would begin with the machine; it is no zone of an aircraft.
func TestAZoneIsNamedAndNotTheMachines(t *testing.T) {
	w := onSQLite(t)
	for _, zone := range []string{"Local", "Nowhere/Land", "../etc/passwd"} {
		_, err := w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: "zoned", Aircraft: &compliancev1.Aircraft{
			Registration: "DEMO-2", Regime: compliancev1.Aircraft_EASA, TimeZone: zone,
		}})
		refused(t, err, "TIME_ZONE_UNKNOWN")
	}
}
