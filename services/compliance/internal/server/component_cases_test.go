package server_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/casestest"
)

// Rows CMP-01 to CMP-07 and CMP-09, lived through over gRPC: what is entered when a part or an engine is added, what its host flies, and
// what it has then (handbook 3.3: since new at installation and the host's difference). Each row has an aircraft of its own.
func TestComponentCases(t *testing.T) {
	const core, start = "compliance/internal/due/component_test.go", "compliance/internal/server/start_test.go"
	without := map[string]string{"CMP-08": core, "CMP-10": start, "CMP-11": start, "CMP-12": core}
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(90 * 24 * time.Hour)
		if covered := casestest.Run(t, casestest.Checks{"component": w.component}, without); covered != 8 {
			t.Errorf("covers %d rows", covered)
		}
	})
}

func (w *world) component(t *testing.T, c *casestest.Row) {
	t.Helper()
	id := strings.ToLower(c.ID)
	switch {
	case c.Has("part_tsn_on"):
		to := c.Given["engine_tsn_off"] + c.Given["engine_tsn_now"]
		w.ship(t, id, hoursAs(c.Given["engine_tsn_on"]), hoursAs(c.Given["part_tsn_on"]), 0)
		w.batch(t, id, hoursAs(to)-hoursAs(c.Given["engine_tsn_on"]), 0)
		part := must(w.queries.GetComponent(w.as("viewer"), &compliancev1.GetComponentRequest{Name: "components/" + id}))(t)
		equal(t, "part", decimal(part.GetCounters().GetOperatingSeconds()), c.Want("part_tsn_off")+c.Want("part_tsn_now"))
		if c.Has("overhauled_at_part_tsn") {
			equal(t, "since overhaul", decimal(w.sinceOverhaul(t, id, hoursAs(c.Given["overhauled_at_part_tsn"]))), c.Want("part_tso_now"))
		}
	case c.Has("part_csn_on"):
		w.ship(t, id, 0, 0, cyclesOf(c.Given["part_csn_on"]))
		w.batch(t, id, 3600, cyclesOf(c.Given["engine_csn_off"])-cyclesOf(c.Given["engine_csn_on"]))
		part := must(w.queries.GetComponent(w.as("viewer"), &compliancev1.GetComponentRequest{Name: "components/" + id}))(t)
		equal(t, "part", part.GetCounters().GetCycles(), cyclesOf(c.Want("part_csn_off")))
	case c.Has("aircraft_tt_on"):
		w.ship(t, id, hoursAs(c.Given["engine_tsn_on"]), 0, 0)
		w.batch(t, id, hoursAs(c.Given["aircraft_tt_now"])-hoursAs(c.Given["aircraft_tt_on"]), 0)
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/" + id}))(t)
		equal(t, "engine", decimal(engine.GetCounters().GetOperatingSeconds()), c.Want("engine_tsn_now"))
	case c.Has("total_at_change"): // a meter is exchanged: the engine keeps its total, and what the new one counts comes on top
		w.ship(t, id, hoursAs(c.Given["total_at_change"]), 0, 0)
		w.batch(t, id, hoursAs(c.Given["meter_now"])-hoursAs(c.Given["meter_new_start"]), 0)
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/" + id}))(t)
		equal(t, "total", decimal(engine.GetCounters().GetOperatingSeconds()), c.Want("total_now"))
	case c.Has("meter_prev"):
		w.ship(t, id, hoursAs(c.Given["meter_prev"]), 0, 0)
		_, err := w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/" + id, Utilization: &compliancev1.Utilization{
			FlightDate: on(2026, 3, 3), FlownSeconds: hoursAs(c.Given["meter_now"]) - hoursAs(c.Given["meter_prev"]),
		}})
		equal(t, "accepted", strconv.FormatBool(err == nil), c.Want("accepted"))
		if want := c.Want("error"); want == "reading_goes_back" {
			refused(t, err, "FIELD_INVALID")
		}
	default:
		w.exact(t, id, c)
	}
}

// ship adds an aircraft with an engine and a part in it.
func (w *world) ship(t *testing.T, id string, engine, part, cycles int64) {
	t.Helper()
	must(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: id, Aircraft: &compliancev1.Aircraft{
		Registration: id, Regime: compliancev1.Aircraft_EASA, CountersDate: on(2026, 3, 1),
	}}))(t)
	must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: id, Engine: &compliancev1.Engine{
		Serial: id, EngineModel: "engineModels/demo", Counters: &compliancev1.Counters{OperatingSeconds: engine}, CountersDate: on(2026, 3, 1),
	}}))(t)
	must(w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{Name: "engines/" + id, Aircraft: "aircraft/" + id, Position: "1", InstallDate: on(2026, 3, 1)}))(t)
	must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: id, Component: &compliancev1.Component{
		PartNumber: "ROW-1", Serial: id, DisplayName: "demonstration only", Counters: &compliancev1.Counters{OperatingSeconds: part, Cycles: cycles}, CountersDate: on(2026, 3, 1),
	}}))(t)
	if err := w.put(id, "engines/"+id, 2); err != nil {
		t.Fatal(err)
	}
}

// batch flies so much in days of at most 20 hours; the cycles are all of the first.
func (w *world) batch(t *testing.T, id string, seconds, cycles int64) {
	t.Helper()
	req := &compliancev1.BatchCreateUtilizationsRequest{Parent: "aircraft/" + id}
	for day := start; seconds > 0; day = day.AddDate(0, 0, 1) {
		one := min(seconds, 20*3600)
		req.Requests = append(req.Requests, &compliancev1.CreateUtilizationRequest{Parent: req.GetParent(), Utilization: &compliancev1.Utilization{
			FlightDate: on(day.Year(), int(day.Month()), day.Day()), FlownSeconds: one, Cycles: cycles,
		}})
		seconds, cycles = seconds-one, 0
	}
	must(w.commands.BatchCreateUtilizations(w.as("planner"), req))(t)
}

// sinceOverhaul is what a part has since its overhaul at so many seconds: what is used of an overhaul interval.
func (w *world) sinceOverhaul(t *testing.T, id string, at int64) int64 {
	t.Helper()
	const interval = 3600 * 3600
	must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: &compliancev1.Requirement{
		Code: id, DisplayName: "overhaul", Kind: compliancev1.Requirement_OVERHAUL, Document: document, Repeat: limit(compliancev1.IntervalLimit_HOURS, interval),
		Applicability: &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_COMPONENTS, SerialRanges: []*compliancev1.SerialRange{{FirstSerial: id, LastSerial: id}}},
	}}))(t)
	must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/" + id, ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
			Subject: "components/" + id, DoneDate: on(2026, 3, 1), Counters: &compliancev1.Counters{OperatingSeconds: at}, LateEntryReason: "before the suite",
		},
	}))(t)
	return interval - w.dueOn(id, "components/"+id).GetRemaining()[0].GetLeft()
}

// exact: decimal hours and hours with minutes are whole seconds, and come back as hours and minutes in the arithmetic of a due item.
func (w *world) exact(t *testing.T, id string, c *casestest.Row) {
	t.Helper()
	seconds := cyclesOf(c.Want("seconds"))
	want := c.Given["hours_hhmm"]
	if decimals := c.Given["hours_decimal"]; decimals != "" {
		whole, tenth, _ := strings.Cut(decimals, ".")
		want = fmt.Sprintf("%s:%02d", whole, 6*cyclesOf(tenth))
		equal(t, "seconds", hoursAs(decimals), seconds)
	}
	w.ship(t, id, 0, seconds, 0)
	w.forComponents(id, func(r *compliancev1.Requirement) { r.Applicability.PartNumbers = []string{"ROW-1"} })
	if text := w.dueOn(id, "components/"+id).GetExplanation(); !strings.Contains(text, "now "+want+" h") {
		t.Errorf("%s does not say %s", text, want)
	}
}

func equal(t *testing.T, what string, got, want any) {
	t.Helper()
	if got != want {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func hoursAs(s string) int64 {
	h, _ := strconv.ParseFloat(s, 64)
	return int64(math.Round(h * 3600))
}

func decimal(seconds int64) string { return strconv.FormatFloat(float64(seconds)/3600, 'f', 1, 64) }

func cyclesOf(s string) int64 {
	n, _ := strconv.ParseInt(s, 10, 64)
	return n
}
