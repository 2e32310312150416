package server_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// bare adds an aircraft with an engine without a word on their counters, or with these.
func (w *world) bare(id string, said *compliancev1.Counters) {
	w.t.Helper()
	must(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: id, Aircraft: &compliancev1.Aircraft{
		Registration: "DEMO-" + id, Regime: compliancev1.Aircraft_EASA, Counters: said,
	}}))(w.t)
	must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: id, Engine: &compliancev1.Engine{
		Serial: "D-" + id, EngineModel: "engineModels/demo", Counters: said,
	}}))(w.t)
	must(w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
		Name: "engines/" + id, Aircraft: "aircraft/" + id, Position: "1", InstallDate: on(2026, 3, 1),
	}))(w.t)
}

// everyFrom adds a requirement that counts from new, so that no record is needed.
func (w *world) everyFrom(id string, unit compliancev1.IntervalLimit_Unit, amount int64) {
	w.t.Helper()
	must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: &compliancev1.Requirement{
		Code: id, DisplayName: id, Kind: compliancev1.Requirement_INSPECTION, Document: document, EffectiveDate: on(2026, 1, 1),
		Applicability: &compliancev1.Applicability{EngineModels: []string{"engineModels/demo"}},
		Initial:       &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: unit, Amount: amount, Absolute: unit != compliancev1.IntervalLimit_DAYS}}},
	}}))(w.t)
}

func (w *world) flies(plane string, day int, hours, cycles int64) {
	w.t.Helper()
	must(w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/" + plane, Utilization: &compliancev1.Utilization{
		FlightDate: on(2026, 3, day), FlownSeconds: hours * 3600, Cycles: cycles, Starts: cycles,
	}}))(w.t)
}

func (w *world) wantTold(requirement, subject string, band compliancev1.DueItem_Band, says string) {
	w.t.Helper()
	item := w.dueOn(requirement, strings.TrimPrefix(subject, "engines/"))
	if item.GetBand() != band || !strings.Contains(item.GetBandReason()+item.GetExplanation(), says) {
		w.t.Errorf("%s is %s, not %s for %q: %s%s", item.GetName(), item.GetBand(), band, says, item.GetBandReason(), item.GetExplanation())
	}
}

// R09. Counters that nobody entered are unknown, also after it has flown; what the calendar limits alone can be told. 0 that was said is 0.
func TestCountersThatNobodyEnteredAreUnknown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.everyFrom("hours", compliancev1.IntervalLimit_HOURS, 3000*3600)
		w.everyFrom("cycles", compliancev1.IntervalLimit_CYCLES, 3000)
		w.everyFrom("days", compliancev1.IntervalLimit_DAYS, 900)
		w.bare("bare", nil)
		for range 2 {
			w.wantTold("hours", "engines/bare", compliancev1.DueItem_NO_DATA, "never entered")
			w.wantTold("cycles", "engines/bare", compliancev1.DueItem_NO_DATA, "A planner enters them from its record")
			w.wantTold("days", "engines/bare", compliancev1.DueItem_CURRENT, "900 days")
			engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/bare"}))(t)
			plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/bare"}))(t)
			if engine.GetCounters() != nil || engine.GetEntryCounters() != nil || plane.GetCounters() != nil {
				t.Errorf("nobody said %v, %v", engine.GetCounters(), plane.GetCounters())
			}
			if s := w.status("aircraft/bare"); s.GetCompliant() || !says(s, "hours on D-bare: it can't be told") {
				t.Errorf("%v", s.GetExceptions())
			}
			w.flies("bare", 1, 5, 3)
		}
		w.bare("new", &compliancev1.Counters{})
		w.flies("new", 1, 5, 3)
		if item := w.dueOn("hours", "new"); item.GetRemaining()[0].GetLeft() != 2995*3600 {
			t.Errorf("a new engine has flown 5 h of 3000: %v", item)
		}
	})
}

// Hours without cycles are an entry of which half was left out, unless it ran for no more than a day; as are cycles without hours.
func TestACounterThatWasLeftOutIsUnknown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.everyFrom("hours", compliancev1.IntervalLimit_HOURS, 9000*3600)
		w.everyFrom("cycles", compliancev1.IntervalLimit_CYCLES, 9000)
		w.everyFrom("starts", compliancev1.IntervalLimit_STARTS, 9000)
		for id, c := range map[string]struct {
			said          *compliancev1.Counters
			known, absent []string
		}{
			"h":    {&compliancev1.Counters{OperatingSeconds: 4000 * 3600}, []string{"hours"}, []string{"cycles", "starts"}},
			"c":    {&compliancev1.Counters{Cycles: 40}, []string{"cycles", "starts"}, []string{"hours"}},
			"hc":   {&compliancev1.Counters{OperatingSeconds: 4000 * 3600, Cycles: 10}, []string{"hours", "cycles"}, []string{"starts"}},
			"cell": {&compliancev1.Counters{OperatingSeconds: 24 * 3600}, []string{"hours", "cycles", "starts"}, nil},
		} {
			must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: id, Engine: &compliancev1.Engine{
				Serial: id, EngineModel: "engineModels/demo", Counters: c.said,
			}}))(t)
			for _, r := range c.known {
				w.wantTold(r, "engines/"+id, compliancev1.DueItem_CURRENT, "")
			}
			for _, r := range c.absent {
				w.wantTold(r, "engines/"+id, compliancev1.DueItem_NO_DATA, " and no "+r)
			}
		}
		fill := func(c *compliancev1.Counters, paths ...string) error {
			_, err := w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{
				Engine: &compliancev1.Engine{Name: "engines/h", Counters: c}, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths},
			})
			return err
		}
		for _, paths := range [][]string{{"counters"}, nil} {
			err := fill(&compliancev1.Counters{OperatingSeconds: 3600, Cycles: 8999}, paths...)
			refused(t, err, "COUNTERS_KNOWN")
			if !strings.Contains(fmt.Sprint(err), "The hours of engines/h are known: 4000:00 h at the end of 2026-03-02, not 1:00 h") {
				t.Errorf("with mask %v: %v", paths, err)
			}
			w.wantTold("cycles", "engines/h", compliancev1.DueItem_NO_DATA, " and no cycles")
		}
		if err := fill(&compliancev1.Counters{Cycles: 8999}, "counters"); err != nil {
			t.Error(err)
		}
		w.wantTold("cycles", "engines/h", compliancev1.DueItem_NEAR, "left 1")
		w.wantTold("hours", "engines/h", compliancev1.DueItem_CURRENT, "left 5000:00 h")
		refused(t, fill(&compliancev1.Counters{OperatingSeconds: 4000 * 3600, Cycles: 8998, Starts: 9}, "counters"), "COUNTERS_KNOWN")
		if err := fill(&compliancev1.Counters{OperatingSeconds: 4000 * 3600, Cycles: 8999, Starts: 9, Landings: 7}, "counters"); err != nil {
			t.Error(err)
		}
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/h"}))(t)
		if c := engine.GetCounters(); c.GetOperatingSeconds() != 4000*3600 || c.GetCycles() != 8999 || c.GetStarts() != 9 || c.GetLandings() != 7 {
			t.Errorf("%v", c)
		}
	})
}

// Counters are entered late: as they are at the end of a day, so that what was flown by then is in them. They are known from then on and for every day
// since the first flying, and were not known before; entered once, they change by flying alone.
func TestCountersAreEnteredLate(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.everyFrom("hours", compliancev1.IntervalLimit_HOURS, 3000*3600)
		w.clock.Advance(10 * 24 * time.Hour)
		w.bare("bare", nil)
		w.flies("bare", 3, 4, 2)
		w.flies("bare", 6, 3, 1)
		w.clock.Advance(time.Hour)
		before := w.clock.Now()
		w.clock.Advance(time.Hour)
		enter := func(hours int64, day int) error {
			_, err := w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{Engine: &compliancev1.Engine{
				Name: "engines/bare", Counters: &compliancev1.Counters{OperatingSeconds: hours * 3600, Cycles: 900, Starts: 900}, CountersDate: on(2026, 3, day),
			}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"counters", "counters_date"}}})
			return err
		}
		refused(t, enter(3, 5), "COUNTERS_IMPLAUSIBLE")
		refused(t, enter(1000, 28), "DATE_IN_FUTURE")
		for i := range 2 {
			if err := enter(1004, 5); i == 0 && err != nil {
				t.Fatal(err)
			} else if i == 1 {
				refused(t, err, "COUNTERS_KNOWN")
			}
			engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/bare"}))(t)
			if c := engine.GetCounters(); c.GetOperatingSeconds() != 1007*3600 || c.GetCycles() != 901 || engine.GetEntryCounters().GetOperatingSeconds() != 1000*3600 ||
				engine.GetEntryDate().GetDay() != 2 || engine.GetCountersDate().GetDay() != 6 {
				t.Errorf("1004 h on the 5th, of which 4 were flown on the 3rd, and 3 since: %v", engine)
			}
			w.wantTold("hours", "engines/bare", compliancev1.DueItem_CURRENT, "left 1993:00 h")
		}
		now := w.clock.Now()
		for _, c := range []struct {
			at, known time.Time
			want      int64
		}{{now, now, 1007}, {now, before, -1}, {on3(4), now, 1004}, {on3(4), before, -1}, {on3(1), now, -1}} {
			if got := w.then("engines/bare", c.at, c.known).GetCounters(); (got == nil) != (c.want < 0) || got != nil && got.GetOperatingSeconds() != c.want*3600 {
				t.Errorf("at %s as known at %s: %v, want %d h", c.at, c.known, got, c.want)
			}
		}
	})
}

// What was left out is entered while it flies: the known ones beside it are left out, as at the end of the day that is named, or as they are now.
func TestACounterThatWasLeftOutIsEnteredAfterFlying(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(10 * 24 * time.Hour)
		w.bare("half", &compliancev1.Counters{OperatingSeconds: 4000 * 3600})
		w.flies("half", 3, 4, 2)
		w.flies("half", 6, 3, 1)
		for _, c := range []struct {
			hours  int64
			reason string
		}{{4000, "COUNTERS_KNOWN"}, {4005, "COUNTERS_KNOWN"}, {4007, ""}, {4004, ""}, {0, ""}} {
			_, err := w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{ValidateOnly: c.hours != 0, Engine: &compliancev1.Engine{
				Name: "engines/half", Counters: &compliancev1.Counters{OperatingSeconds: c.hours * 3600, Cycles: 902}, CountersDate: on(2026, 3, 4),
			}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"counters", "counters_date"}}})
			if c.reason != "" {
				refused(t, err, c.reason)
			} else if err != nil {
				t.Errorf("%d h: %v", c.hours, err)
			}
		}
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/half"}))(t)
		if c, e := engine.GetCounters(), engine.GetEntryCounters(); c.GetOperatingSeconds() != 4007*3600 || c.GetCycles() != 903 || e.GetOperatingSeconds() != 4000*3600 || e.GetCycles() != 900 {
			t.Errorf("902 cycles on the 4th, of which 2 were flown here, and one since: %v of %v", c, e)
		}
	})
}

func on3(day int) time.Time { return time.Date(2026, 3, day, 12, 0, 0, 0, time.UTC) }

// A part whose papers say nothing is entered all the same: nothing of its life is substantiated until they are found. An hours' limit is held against the
// hours that its history shows.
func TestALifeThatNobodyEnteredIsNotSubstantiated(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.commands.CreateLifeLimit(w.as("quality"), &compliancev1.CreateLifeLimitRequest{LifeLimit: &compliancev1.LifeLimit{
			PartNumber: "DISC-1", EngineModel: "engineModels/demo", Document: document, EffectiveDate: on(2020, 1, 1), Formula: compliancev1.LifeLimit_LOGGED_CYCLES,
			CycleLimit: 5000, OperatingSecondsLimit: 6000 * 3600,
		}}))(t)
		hours := func(n int64) *compliancev1.PastFitting {
			s := stay(0, 100, 100, 100)
			s.OperatingSeconds = n * 3600
			return s
		}
		for id, c := range map[string]struct {
			said    *compliancev1.Counters
			history []*compliancev1.PastFitting
			why     string
		}{
			"lost":   {nil, nil, "never entered"},
			"new":    {&compliancev1.Counters{}, nil, ""},
			"short":  {&compliancev1.Counters{OperatingSeconds: 5000 * 3600, Cycles: 100}, []*compliancev1.PastFitting{hours(120)}, "shows 120:00 h of the 5000:00 h"},
			"silent": {&compliancev1.Counters{Cycles: 100}, []*compliancev1.PastFitting{hours(0)}, "Neither its entry nor its history"},
			"shown":  {&compliancev1.Counters{OperatingSeconds: 120 * 3600, Cycles: 100}, []*compliancev1.PastFitting{hours(120)}, ""},
		} {
			must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: id, Component: &compliancev1.Component{
				PartNumber: "DISC-1", Serial: id, DisplayName: "turbine disc, demonstration only", LifeLimited: true, Counters: c.said, CountersDate: on(2026, 3, 1), History: c.history,
			}}))(t)
			got := w.life(id)
			if got.GetInstallable() != (c.why == "") || !strings.Contains(got.GetBandReason(), c.why) {
				t.Errorf("%s: %v, want %q", id, got, c.why)
			}
			if c.why != "" {
				refused(t, w.put(id, "engines/one", 2), "HISTORY_GAP")
			}
		}
		part := must(w.queries.GetComponent(w.as("viewer"), &compliancev1.GetComponentRequest{Name: "components/lost"}))(t)
		must(w.commands.CorrectComponentHistory(w.as("quality"), &compliancev1.CorrectComponentHistoryRequest{
			Name: part.GetName(), Etag: part.GetEtag(), Reason: "its papers were found", ReauthenticationToken: w.proof(),
			EntryCounters: &compliancev1.Counters{OperatingSeconds: 200 * 3600, Cycles: 100}, History: []*compliancev1.PastFitting{hours(200)},
		}))(t)
		if got := w.life("lost"); !got.GetInstallable() || got.GetRemainingOperatingSeconds() != 5800*3600 || got.GetRemainingCycles() != 4900 {
			t.Errorf("%v", got)
		}
	})
}
