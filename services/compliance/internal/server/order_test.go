package server_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// late is a flight of days ago, which is entered late and may be corrected.
type late struct{ day, hours, cycles, corrected int }

// twin is an aircraft with its engine, which fly as others do.
func (w *world) twin(id string) {
	w.t.Helper()
	must(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: id, Aircraft: &compliancev1.Aircraft{
		Registration: id, Regime: compliancev1.Aircraft_EASA, Counters: counters, CountersDate: on(2026, 3, 1), FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 2.5, CyclesPerDay: 2},
	}}))(w.t)
	must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: id, Engine: &compliancev1.Engine{
		Serial: id, EngineModel: "engineModels/demo", Counters: counters, CountersDate: on(2026, 3, 1),
	}}))(w.t)
	must(w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
		Name: "engines/" + id, Aircraft: "aircraft/" + id, Position: "1", InstallDate: on(2026, 3, 1),
	}))(w.t)
	must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
			Subject: "engines/" + id, DoneDate: on(2026, 2, 20), Counters: &compliancev1.Counters{OperatingSeconds: 990 * 3600}, LateEntryReason: "before the suite",
		},
	}))(w.t)
}

// enterLate enters a late flight of an aircraft, and then its correction when it has one.
func (w *world) enterLate(id string, l late) {
	w.t.Helper()
	entry := func(hours int) *compliancev1.Utilization {
		return &compliancev1.Utilization{FlightDate: on(2026, 3, l.day), FlownSeconds: int64(hours) * 1800, Cycles: int64(l.cycles)}
	}
	first := must(w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/" + id, Utilization: entry(l.hours)}))(w.t)
	if l.corrected == 0 {
		return
	}
	right := entry(l.corrected)
	right.Corrects, right.Reason = first.GetName(), "misread"
	must(w.commands.CreateUtilization(w.as("quality"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/" + id, Utilization: right, ReauthenticationToken: w.proof()}))(w.t)
}

// The order of late entries and corrections does not matter for what comes out: counters and what is due are the same on two engines that flew the same.
// What was used and what is left make up the limit.
func TestUsedPlusLeftIsTheLimitInWhateverOrderFlyingIsCorrected(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		w.clock.Advance(15 * 24 * time.Hour)
		n := 0
		rapid.Check(t, func(r *rapid.T) {
			if n++; n > 8 {
				return // each draw makes two more aircraft, which the store keeps
			}
			flights := make([]late, 4)
			for i := range flights {
				flights[i] = late{day: 2 + i*3 + rapid.IntRange(0, 2).Draw(r, "day"), hours: rapid.IntRange(1, 9).Draw(r, "half hours"), cycles: 1, corrected: rapid.IntRange(0, 9).Draw(r, "corrected")}
			}
			var items []*compliancev1.DueItem
			for k, order := range [][]late{flights, rapid.Permutation(flights).Draw(r, "order")} {
				id := fmt.Sprintf("t%d-%d", n, k)
				w.twin(id)
				for _, l := range order {
					w.enterLate(id, l)
				}
				items = append(items, must(w.queries.GetDueItem(w.as("viewer"), &compliancev1.GetDueItemRequest{Name: "dueItems/check." + id}))(t))
				engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/" + id}))(t)
				used := engine.GetCounters().GetOperatingSeconds() - 990*3600
				if left := items[k].GetRemaining()[0].GetLeft(); used+left != 100*3600 {
					t.Fatalf("used %d s and left %d s of 100 h", used, left)
				}
			}
			for _, i := range items {
				i.Name, i.Subject, i.SubjectLabel, i.LastAccomplishment, i.Etag, i.UpdateTime = "", "", "", "", "", nil
			}
			if !proto.Equal(items[0], items[1]) {
				t.Fatalf("in one order\n%v, in another\n%v", items[0], items[1])
			}
		})
	})
}
