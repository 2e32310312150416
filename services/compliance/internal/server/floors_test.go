package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// Records of work on aircraft and on components have a retention floor as those on engines do: by the regime of the aircraft that they are on, off wing by
// all of them (RET-08 of the cases: the longest floor wins).
func TestRecordsOnWhateverHasRequirementsHaveAFloor(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.pump("p1", 290)
		w.forComponents("pump", nil)
		w.inspect("frame", func(r *compliancev1.Requirement) {
			r.Applicability = &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_AIRCRAFT}
		})
		floor := func(requirement, subject string) *compliancev1.RetentionFloor {
			t.Helper()
			record := must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
				Parent: "requirements/" + requirement, ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
					Subject: subject, DoneDate: on(2026, 2, 20), Counters: runs(200, 100), LateEntryReason: "before the suite",
				},
			}))(t)
			return must(w.queries.GetRetentionFloor(w.as("viewer"), &compliancev1.GetRetentionFloorRequest{Name: record.GetName() + "/retentionFloor"}))(t)
		}
		if got := strings.Join(floor("frame", "aircraft/plane").GetLines(), "; "); !strings.Contains(got, "145.A.55") || strings.Contains(got, "91.417") {
			t.Errorf("an aircraft under EASA: %s", got)
		}
		if got := strings.Join(floor("pump", "components/p1").GetLines(), "; "); !strings.Contains(got, "145.A.55") || !strings.Contains(got, "91.417") {
			t.Errorf("a pump in stores: %s", got)
		}
		if err := w.put("p1", "engines/one", 1); err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(floor("pump", "components/p1").GetLines(), "; "); !strings.Contains(got, "145.A.55") || strings.Contains(got, "91.417") {
			t.Errorf("a pump on an aircraft under EASA: %s", got)
		}
	})
}
