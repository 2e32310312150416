package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// lifeLimit adds a revision of the limit of the demonstration disc in engines of a model: an abbreviated cycle is a quarter.
func (w *world) lifeLimit(model string, cycles int64, from *date.Date) {
	w.t.Helper()
	must(w.commands.CreateLifeLimit(w.as("quality"), &compliancev1.CreateLifeLimitRequest{LifeLimit: &compliancev1.LifeLimit{
		PartNumber: "DISC-1", EngineModel: "engineModels/" + model, Document: document, EffectiveDate: from, Formula: compliancev1.LifeLimit_STARTS_AND_FLIGHTS,
		AbbreviatedCycleFactor: "4", CycleLimit: cycles,
	}}))(w.t)
}

// disc adds a life-limited disc with so many cycles and a history that shows some stays.
func (w *world) disc(id string, cycles int64, history ...*compliancev1.PastFitting) {
	w.t.Helper()
	must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: id, Component: &compliancev1.Component{
		PartNumber: "DISC-1", Serial: id, DisplayName: "turbine disc, demonstration only", LifeLimited: true,
		Counters: &compliancev1.Counters{Cycles: cycles}, CountersDate: on(2026, 3, 1), History: history,
	}}))(w.t)
}

func stay(from, to, starts, flights int64) *compliancev1.PastFitting {
	return &compliancev1.PastFitting{
		EngineModel: "engineModels/demo", EngineSerial: "D-900", InstallCycles: from, RemoveCycles: to, Starts: starts, Flights: flights, DocumentReference: "certificate 7",
	}
}

func (w *world) put(disc, host string, day int) error {
	_, err := w.commands.InstallComponent(w.as("planner"), &compliancev1.InstallComponentRequest{Name: "components/" + disc, Host: host, Position: "disc", InstallDate: on(2026, 3, day)})
	return err
}

func (w *world) life(disc string) *compliancev1.LifeStatus {
	w.t.Helper()
	return must(w.queries.GetLifeStatus(w.as("viewer"), &compliancev1.GetLifeStatusRequest{Name: "components/" + disc + "/lifeStatus"}))(w.t)
}

// legs records a day of flying with so many starts and flights.
func (w *world) legs(day int, starts, flights int64) {
	w.t.Helper()
	must(w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: &compliancev1.Utilization{
		FlightDate: on(2026, 3, day), FlownSeconds: 3600, Starts: starts, Landings: flights,
	}}))(w.t)
}

// R21. Row LLP-01 of the cases as history: 1,200 starts and 1,900 flights are 1,375 cycles. Then the disc flies here, first in one
// engine, within a module, then in another; a drying run on a day without flights counts in full.
func TestLifeFollowsTheDiscFromEngineToEngine(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		w.lifeLimit("demo", 15000, on(2020, 1, 1))
		w.disc("d1", 1375, stay(0, 1375, 1200, 1900))
		must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: "module", Component: &compliancev1.Component{
			PartNumber: "MOD-1", Serial: "M-1", DisplayName: "turbine module", CountersDate: on(2026, 3, 1),
		}}))(t)
		w.clock.Advance(18 * 24 * time.Hour)
		for _, err := range []error{w.put("d1", "components/module", 2), w.put("module", "engines/one", 2)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		w.legs(3, 2, 6)
		w.legs(4, 1, 0)
		got := w.life("d1")
		if got.GetExactCycles() != "1379" || got.GetRemainingCycles() != 13621 || len(got.GetFlags()) != 1 || !got.GetInstallable() {
			t.Errorf("2 starts, 4 flights without one and a ground start are 4 cycles more: %v", got)
		}
		for _, err := range []error{w.take("module", 10), w.put("module", "engines/two", 10), w.remove(on(2026, 3, 10)), w.install("two", on(2026, 3, 10))} {
			if err != nil {
				t.Fatal(err)
			}
		}
		w.legs(12, 1, 2)
		got = w.life("d1")
		if got.GetExactCycles() != "1380.25" || got.GetUsedCycles() != 1381 || got.GetUsedCycles()+got.GetRemainingCycles() != got.GetCycleLimit() {
			t.Errorf("rounded up once: %v", got)
		}
		lines := strings.Join(got.GetLines(), "\n")
		for _, want := range []string{
			"engine D-900: 1 x (1200 starts + 700 flights without a start / 4) = 1375", "engine D-1001: 1 x (3 starts + 4 flights", "engine D-1002: 1 x (1 starts + 1 flights",
		} {
			if !strings.Contains(lines, want) {
				t.Errorf("%q is not in\n%s", want, lines)
			}
		}
		w.legs(5, 1, 1)
		if got := w.life("d1"); got.GetExactCycles() != "1381.25" || !strings.Contains(strings.Join(got.GetLines(), "\n"), "engine D-1001: 1 x (4 starts") {
			t.Errorf("late flying counts for the engine that it was in: %v", got)
		}
	})
}

func (w *world) take(part string, day int) error {
	_, err := w.commands.RemoveComponent(w.as("planner"), &compliancev1.RemoveComponentRequest{Name: "components/" + part, RemoveDate: on(2026, 3, day)})
	return err
}

// R20. Rows LLP-09 to LLP-11 of the cases: a gap in the history or a life that is used up closes the part (14 CFR 43.10, M.A.305(e)3(i)).
func TestAPartWithoutASubstantiatedLifeIsNotFitted(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.disc("early", 0)
		refused(t, w.put("early", "engines/one", 2), "LIFE_LIMIT_UNKNOWN")
		w.lifeLimit("demo", 4100, on(2020, 1, 1))
		w.disc("gap", 4100, stay(0, 3200, 3200, 3200), stay(3250, 4100, 850, 850))
		if got := w.life("gap"); got.GetTraceable() || got.GetGapCycles() != 50 || got.GetInstallable() || got.GetBand() != compliancev1.DueItem_NO_DATA {
			t.Errorf("%v", got)
		}
		refused(t, w.put("gap", "engines/one", 2), "HISTORY_GAP")
		w.disc("none", 10)
		refused(t, w.put("none", "engines/one", 2), "HISTORY_GAP")
		w.disc("used", 4100, stay(0, 3200, 3200, 3200), stay(3200, 4100, 900, 900))
		if got := w.life("used"); !got.GetTraceable() || got.GetBand() != compliancev1.DueItem_DUE || got.GetRemainingCycles() != 0 {
			t.Errorf("%v", got)
		}
		refused(t, w.put("used", "engines/one", 2), "LIFE_USED_UP")
		refused(t, w.put("early", "components/early", 2), "HOST_INVALID")
		refused(t, w.put("early", "aircraft/plane", 2), "HOST_INVALID")
		if err := w.put("early", "engines/one", 2); err != nil {
			t.Error(err)
		}
		refused(t, w.put("early", "engines/one", 2), "COMPONENT_FITTED_ELSEWHERE")
		list := must(w.queries.ListLifeStatuses(w.as("viewer"), &compliancev1.ListLifeStatusesRequest{Parent: "components/-", Filter: "host = engines/one"}))(t)
		if len(list.GetLifeStatuses()) != 1 || list.GetLifeStatuses()[0].GetSerial() != "early" {
			t.Errorf("%v", list)
		}
		_, err := w.queries.ListLifeStatuses(w.as("viewer"), &compliancev1.ListLifeStatusesRequest{Parent: "components/-", Filter: "host:*) OR (life_limited = false"})
		refused(t, err, "FILTER_INVALID")
		for filter, want := range map[string]int{"": 1, "host = engines/one": 1, "host = engines/other": 0} { // the list of one is a list like others
			one := must(w.queries.ListLifeStatuses(w.as("viewer"), &compliancev1.ListLifeStatusesRequest{Parent: "components/early", Filter: filter}))(t)
			if len(one.GetLifeStatuses()) != want {
				t.Errorf("of one component with %q: %v", filter, one)
			}
		}
		for reason, req := range map[string]*compliancev1.ListLifeStatusesRequest{
			"PAGE_SIZE_INVALID": {Parent: "components/early", PageSize: -1}, "FILTER_INVALID": {Parent: "components/early", Filter: "colour = red"},
			"PAGE_TOKEN_INVALID": {Parent: "components/early", PageToken: "none"}, "NOT_FOUND": {Parent: "components/nowhere"},
		} {
			_, err := w.queries.ListLifeStatuses(w.as("viewer"), req)
			refused(t, err, reason)
		}
	})
}

// In engines of two models without a document that prorates, the most restrictive limit holds; a model without a limit is unknown.
func TestAnotherModelHasALimitOfItsOwn(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 5000, on(2020, 1, 1))
		w.disc("d1", 100, stay(0, 100, 100, 100))
		must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: "strong", Engine: &compliancev1.Engine{Serial: "S-1", EngineModel: "engineModels/strong"}}))(t)
		refused(t, w.put("d1", "engines/strong", 2), "LIFE_LIMIT_UNKNOWN")
		w.lifeLimit("strong", 3000, on(2020, 1, 1))
		if err := w.put("d1", "engines/strong", 2); err != nil {
			t.Fatal(err)
		}
		if got := w.life("d1"); got.GetRemainingCycles() != 2900 {
			t.Errorf("%v", got)
		}
		if err := w.take("d1", 2); err != nil {
			t.Fatal(err)
		}
		if err := w.put("d1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		if got := w.life("d1"); got.GetRemainingCycles() != 4900 {
			t.Errorf("it flew in the other model never: %v", got)
		}
	})
}

// What flies past its limit stops the engine: the status says so, now and as it was known.
func TestADiscPastItsLimitIsAnException(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.lifeLimit("demo", 3, on(2020, 1, 1))
		w.disc("d1", 0)
		if err := w.put("d1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		w.legs(2, 2, 2)
		w.clock.Advance(time.Hour)
		good := w.clock.Now()
		if s := w.then("engines/one", good, good); !s.GetCompliant() {
			t.Errorf("one cycle left: %v", s.GetExceptions())
		}
		w.clock.Advance(time.Hour)
		w.legs(2, 2, 2)
		w.clock.Advance(time.Hour)
		now := w.clock.Now()
		for name, s := range map[string]*compliancev1.ComplianceStatus{"now": w.status("aircraft/plane"), "then": w.then("engines/one", now, now)} {
			if s.GetCompliant() || !says(s, "DISC-1 d1 in D-1001: Past its limit") {
				t.Errorf("%s: %v", name, s.GetExceptions())
			}
		}
		if s := w.then("engines/one", good, good); !s.GetCompliant() {
			t.Errorf("as it was known before: %v", s.GetExceptions())
		}
	})
}

func TestRefusedLifeLimitsAndHistories(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for name, change := range map[string]func(*compliancev1.LifeLimit){
			"no end": func(l *compliancev1.LifeLimit) { l.CycleLimit = 0 }, "no factor": func(l *compliancev1.LifeLimit) { l.AbbreviatedCycleFactor = "" },
			"a factor of nothing": func(l *compliancev1.LifeLimit) { l.AbbreviatedCycleFactor = "0" }, "no number": func(l *compliancev1.LifeLimit) { l.FlightCountFactor = "1/3" },
			"prorated hours": func(l *compliancev1.LifeLimit) { l.CycleLimit, l.OperatingSecondsLimit, l.Prorated = 0, 100, true },
		} {
			limit := &compliancev1.LifeLimit{
				PartNumber: "P", EngineModel: "engineModels/demo", Document: document, EffectiveDate: on(2026, 1, 1), Formula: compliancev1.LifeLimit_STARTS_AND_FLIGHTS,
				AbbreviatedCycleFactor: "4", CycleLimit: 100,
			}
			change(limit)
			if _, err := w.commands.CreateLifeLimit(w.as("quality"), &compliancev1.CreateLifeLimitRequest{LifeLimit: limit}); err == nil {
				t.Errorf("%s passes", name)
			} else {
				refused(t, err, "LIFE_LIMIT_INVALID")
			}
		}
		w.lifeLimit("demo", 100, on(2026, 1, 1))
		_, err := w.commands.CreateLifeLimit(w.as("planner"), &compliancev1.CreateLifeLimitRequest{LifeLimit: &compliancev1.LifeLimit{}})
		if err == nil {
			t.Error("a planner sets life limits")
		}
		_, err = w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{Component: &compliancev1.Component{
			PartNumber: "P", Serial: "1", DisplayName: "disc", History: []*compliancev1.PastFitting{stay(10, 5, 0, 0)},
		}})
		refused(t, err, "HISTORY_INVALID")
	})
}
