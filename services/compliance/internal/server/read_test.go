package server_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/sheet"
)

// What was entered is read again as it was entered, by its name and in lists, and what is not there is said so.
func TestWhatWasEnteredIsReadAgain(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		if err := w.calibrate(on(2026, 2, 1), on(2026, 8, 1), false); err != nil {
			t.Fatal(err)
		}
		viewer := w.as("viewer", "quality")
		tools := must(w.queries.ListTools(viewer, &compliancev1.ListToolsRequest{Filter: `tool_type = "pressure-gauge"`}))(t).GetTools()
		if len(tools) != 1 || tools[0].GetSerial() != "G-1" || resource.DateText(tools[0].GetCalibrationDueDate()) != "2026-08-01" || tools[0].GetState() != compliancev1.Tool_IN_CAL {
			t.Errorf("tools: %v", tools)
		}
		if one := must(w.queries.GetTool(viewer, &compliancev1.GetToolRequest{Name: "tools/gauge"}))(t); !proto.Equal(one, tools[0]) {
			t.Errorf("%v is %v in the list", one, tools[0])
		}
		if none := must(w.queries.ListTools(viewer, &compliancev1.ListToolsRequest{Filter: `tool_type = "torque-wrench"`}))(t).GetTools(); len(none) > 0 {
			t.Errorf("wrenches: %v", none)
		}
		must(w.commands.CreatePerson(w.as("quality"), &compliancev1.CreatePersonRequest{PersonId: "bo", Person: &compliancev1.Person{DisplayName: "Bo", Certificate: "C-2"}}))(t)
		people := must(w.queries.ListPeople(viewer, &compliancev1.ListPeopleRequest{OrderBy: "display_name desc"}))(t).GetPeople()
		if len(people) != 2 || people[0].GetDisplayName() != "Bo" || people[1].GetDisplayName() != "Ada" {
			t.Errorf("people: %v", people)
		}
		if bo := must(w.queries.GetPerson(viewer, &compliancev1.GetPersonRequest{Name: "people/bo"}))(t); bo.GetCertificate() != "C-2" || !proto.Equal(bo, people[0]) {
			t.Errorf("bo: %v", bo)
		}
		w.nothingThere()
	})
}

// nothingThere asks for what there is not.
func (w *world) nothingThere() {
	w.t.Helper()
	viewer := w.as("viewer", "quality")
	_, err := w.queries.GetPerson(viewer, &compliancev1.GetPersonRequest{Name: "people/nobody"})
	refused(w.t, err, "NOT_FOUND")
	_, err = w.queries.GetTool(viewer, &compliancev1.GetToolRequest{Name: "tools/none"})
	refused(w.t, err, "NOT_FOUND")
	_, err = w.queries.GetLifeLimit(viewer, &compliancev1.GetLifeLimitRequest{Name: "lifeLimits/none"})
	refused(w.t, err, "NOT_FOUND")
	_, err = w.packs.GetRecordPack(viewer, &compliancev1.GetRecordPackRequest{Name: "recordPacks/none"})
	refused(w.t, err, "NOT_FOUND")
}

// Requirements are listed by kind, page after page, each once and with its limits.
func TestRequirementsAreListedPageAfterPage(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for i, id := range []string{"c", "a", "e", "b", "d"} {
			w.require(id, compliancev1.Requirement_INSPECTION, int64(100+i))
		}
		w.require("law", compliancev1.Requirement_DIRECTIVE, 50)
		var codes []string
		for token, more := "", true; more; more = token != "" {
			page := must(w.queries.ListRequirements(w.as("viewer"), &compliancev1.ListRequirementsRequest{Filter: "kind = INSPECTION", OrderBy: "code", PageSize: 2, PageToken: token}))(t)
			for _, r := range page.GetRequirements() {
				codes = append(codes, r.GetCode())
				if one := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: r.GetName()}))(t); !proto.Equal(one, r) || r.GetRepeat() == nil {
					t.Errorf("%v is %v in the list", one, r)
				}
			}
			token = page.GetNextPageToken()
		}
		if got := strings.Join(codes, ""); got != "abcde" {
			t.Errorf("listed: %s", got)
		}
	})
}

// A limit of a part's life is read with its document and factors, and the life of a part that is fitted is a line of the exported list.
func TestALifeLimitAndTheLifeUnderItAreRead(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 2000, on(2020, 1, 1))
		w.lifeLimit("other", 900, on(2020, 1, 1))
		limits := must(w.queries.ListLifeLimits(w.as("viewer"), &compliancev1.ListLifeLimitsRequest{Filter: `engine_model = "engineModels/demo"`}))(t).GetLifeLimits()
		if len(limits) != 1 || limits[0].GetCycleLimit() != 2000 || limits[0].GetAbbreviatedCycleFactor() != "4" || limits[0].GetDocument().GetRevision() != "1" {
			t.Fatalf("%v", limits)
		}
		if one := must(w.queries.GetLifeLimit(w.as("viewer"), &compliancev1.GetLifeLimitRequest{Name: limits[0].GetName()}))(t); !proto.Equal(one, limits[0]) {
			t.Errorf("%v is %v in the list", one, limits[0])
		}
		w.disc("d1", 1375, stay(0, 1375, 1200, 1900))
		if err := w.put("d1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		life := w.life("d1")
		line := row(t, w.export(compliancev1.ExportDueItemsRequest_LIFE_LIMITS, compliancev1.ExportDueItemsRequest_CSV).GetContent(), sheet.CSV, "serial", "d1")
		if line["part_number"] != "DISC-1" || line["host"] != "engines/one" || line["cycle_limit"] != "2000" || line["used_cycles"] != "1375" || line["remaining_cycles"] != "625" ||
			life.GetRemainingCycles() != 625 {
			t.Errorf("%v of %v", line, life)
		}
	})
}

// Where a forecast has no date it says why: what can't be told, what is past, and for which unit nothing says how much is flown.
func TestAForecastWithoutADateSaysWhy(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		why := func(id string) string {
			resp := must(w.planning.ForecastDueItems(w.as("planner"), &compliancev1.ForecastDueItemsRequest{Filter: `requirement = "requirements/` + id + `"`}))(t)
			if len(resp.GetDueForecasts()) != 1 || resp.GetDueForecasts()[0].GetP50Date() != nil && resp.GetDueForecasts()[0].GetNoDateReason() != "" {
				t.Fatalf("%s: %v", id, resp)
			}
			return resp.GetDueForecasts()[0].GetNoDateReason()
		}
		w.require("never", compliancev1.Requirement_INSPECTION, 100)
		w.require("past", compliancev1.Requirement_INSPECTION, 100)
		w.done("past", 800, on(2026, 1, 1))
		w.require("soon", compliancev1.Requirement_INSPECTION, 200)
		w.done("soon", 900, on(2026, 1, 1))
		w.require("far", compliancev1.Requirement_INSPECTION, 900_000)
		w.done("far", 900, on(2026, 1, 1))
		w.inspect("starts", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_STARTS, 5000) })
		w.done("starts", 900, on(2026, 1, 1))
		for id, want := range map[string]string{
			"never": "No record says when it was last done", "past": "overdue", "soon": "", "far": "no rate of hours, or more than 200 years away", "starts": "no rate of starts",
		} {
			if got := why(id); got != want && (want == "" || !strings.HasPrefix(got, want)) {
				t.Errorf("%s: %q, want %q", id, got, want)
			}
		}
		must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: &compliancev1.Aircraft{Name: "aircraft/plane", FlyingRate: &compliancev1.FlyingRate{}}}))(t)
		if got := why("soon"); got != "no rate" {
			t.Errorf("without a rate: %q", got)
		}
	})
}

// Limits that could never be told are refused, however deep they lie, and nothing of the requirement is kept.
func TestLimitsThatTellNothingAreRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		deep := limit(compliancev1.IntervalLimit_HOURS, 3600)
		for range 5 {
			deep = &compliancev1.LimitTree{Trees: []*compliancev1.LimitTree{deep}}
		}
		within := func(t *compliancev1.LimitTree) *compliancev1.LimitTree {
			return &compliancev1.LimitTree{Trees: []*compliancev1.LimitTree{limit(compliancev1.IntervalLimit_DAYS, 9), t}}
		}
		noDay := &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_FIXED_DATE, FixedDate: on(2026, 2, 30)}}}
		for name, c := range map[string]struct {
			repeat *compliancev1.LimitTree
			reason string
		}{
			"no limit": {&compliancev1.LimitTree{}, "LIMIT_INVALID"}, "five deep": {deep, "LIMIT_INVALID"},
			"nothing within": {within(limit(compliancev1.IntervalLimit_CYCLES, 0)), "LIMIT_INVALID"}, "a day that never is within": {within(noDay), "DATE_INVALID"},
			"no unit": {limit(compliancev1.IntervalLimit_UNIT_UNSPECIFIED, 5), "FIELD_INVALID"}, "no unit within": {within(limit(compliancev1.IntervalLimit_UNIT_UNSPECIFIED, 5)), "FIELD_INVALID"},
		} {
			_, err := w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: "odd", Requirement: &compliancev1.Requirement{
				Code: "odd", DisplayName: name, Kind: compliancev1.Requirement_INSPECTION, Document: document, Repeat: c.repeat, Applicability: &compliancev1.Applicability{},
			}})
			if err == nil {
				t.Errorf("%s: taken", name)
				continue
			}
			refused(t, err, c.reason)
		}
		if n := w.rows("SELECT COUNT(*) FROM requirements"); n != 0 {
			t.Errorf("%d requirements were kept", n)
		}
	})
}
