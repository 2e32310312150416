package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// Rows with one component_id are stays of one part. A second part under the id of the first, which a copied row makes, was taken for a stay: it was
// counted as imported and was nowhere.
func TestTwoPartsUnderOneIDAreRefused(t *testing.T) {
	const head = "component_id,part_number,serial,display_name,life_limited,operating_hours,cycles,counters_date,stay_engine_model,stay_remove_cycles,stay_document\n"
	const first = "d1,DISC-1,s1,Disc,yes,120,100,2026-03-01,demo,60,card 1\n"
	onEngines(t, func(t *testing.T, w *world) {
		for column, second := range map[string]string{
			"serial":          "d1,DISC-1,s2,Disc,yes,120,100,2026-03-01,,,\n",
			"part_number":     "d1,DISC-2,,,,,,,demo,100,card 2\n",
			"cycles":          "d1,,,,,,90,,demo,100,card 2\n",
			"operating_hours": "d1,DISC-1,s1,Disc,yes,121,100,,demo,100,card 2\n",
		} {
			got := must(w.imports(compliancev1.FleetRows_COMPONENTS, head+first+second))(t)
			if f := got.GetFaults(); len(f) != 1 || f[0].GetReason() != "VALUE_INVALID" || f[0].GetColumn() != column || !strings.Contains(f[0].GetExplanation(), "Line 3 says") ||
				got.GetImportedCount() != 0 {
				t.Errorf("%s: %v", column, got)
			}
		}
		got := w.taken(compliancev1.FleetRows_COMPONENTS, head+first+"d1,,,,,120:00,,,demo,100,card 2\n"+"d2,DISC-1,s2,Disc,yes,120,100,2026-03-01,,,\n")
		part := must(w.queries.GetComponent(w.as("viewer"), &compliancev1.GetComponentRequest{Name: "components/d1"}))(t)
		if got.GetImportedCount() != 3 || len(part.GetHistory()) != 2 {
			t.Errorf("two stays of one part, and another part: %v, %v", got, part)
		}
	})
}
