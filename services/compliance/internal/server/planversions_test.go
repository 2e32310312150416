package server_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/resource"
)

const planeplan = "aircraft/plane/flyingPlan"

// Each change of a flying plan is a version that says who, when and why; the due list and the forecast name the one that they went by, and
// after a revocation the rate alone counts again. 2.5 h a day: 100 h from 1,000 h are 40 days, 2 March and 40 days are 11 April; a stand-down
// of ten days moves that to 21 April.
func TestAFlyingPlanHasVersionsThatTheDueListNames(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		w.done("check", 1000, on(2026, 3, 1))
		says := func(version int32, date string) {
			t.Helper()
			item := w.item("check")
			forecast := must(w.planning.ForecastDueItems(w.as("viewer"), &compliancev1.ForecastDueItemsRequest{}))(t).GetDueForecasts()[0]
			if item.GetFlyingPlanVersion() != version || resource.DateText(item.GetDueDate()) != date {
				t.Errorf("by version %d on %s, want %d on %s", item.GetFlyingPlanVersion(), resource.DateText(item.GetDueDate()), version, date)
			}
			if resource.DateText(forecast.GetP50Date()) != date {
				t.Errorf("%v", forecast)
			}
		}
		says(0, "2026-04-11")
		stand := []*compliancev1.FlyingPeriod{percent(0, [3]int{2026, 3, 12}, [3]int{2026, 3, 21})}
		first := must(w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{
			FlyingPlan: &compliancev1.FlyingPlan{Name: planeplan, Periods: stand}, Reason: "hangar is closed",
		}))(t)
		if first.GetVersion() != 1 || first.GetUpdater() != "accounts/ada" || first.GetReason() != "hangar is closed" {
			t.Errorf("%v", first)
		}
		says(1, "2026-04-21")
		w.clock.Advance(1)
		_, err := w.planning.RevokeFlyingPlan(w.as("planner"), &compliancev1.RevokeFlyingPlanRequest{Name: planeplan, Reason: "it opens", Etag: "v9"})
		refused(t, err, "ETAG_MISMATCH")
		_, err = w.planning.RevokeFlyingPlan(w.as("viewer"), &compliancev1.RevokeFlyingPlanRequest{Name: planeplan, Reason: "it opens"})
		refused(t, err, "ROLE_MISSING")
		must(w.planning.RevokeFlyingPlan(w.as("planner"), &compliancev1.RevokeFlyingPlanRequest{Name: planeplan, Reason: "it opens", ValidateOnly: true}))(t)
		says(1, "2026-04-21")
		taken := must(w.planning.RevokeFlyingPlan(w.as("planner"), &compliancev1.RevokeFlyingPlanRequest{Name: planeplan, Reason: "it opens", Etag: first.GetEtag()}))(t)
		if !taken.GetRevoked() || len(taken.GetPeriods()) != 0 || taken.GetVersion() != 2 {
			t.Errorf("%v", taken)
		}
		says(0, "2026-04-11")
		_, err = w.planning.RevokeFlyingPlan(w.as("planner"), &compliancev1.RevokeFlyingPlanRequest{Name: planeplan, Reason: "twice"})
		refused(t, err, "PLAN_EMPTY")
		again := must(w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{FlyingPlan: &compliancev1.FlyingPlan{Name: planeplan, Periods: stand}}))(t)
		if again.GetRevoked() || again.GetVersion() != 3 || again.GetReason() != "" {
			t.Errorf("%v", again)
		}
		says(3, "2026-04-21")
		all := must(w.planning.FindFlyingPlanVersions(w.as("viewer"), &compliancev1.FindFlyingPlanVersionsRequest{Name: planeplan}))(t).GetFlyingPlans()
		if len(all) != 3 || all[0].GetVersion() != 3 || all[1].GetReason() != "it opens" || !all[1].GetRevoked() || len(all[2].GetPeriods()) != 1 || all[2].GetUpdateTime() == nil {
			t.Errorf("%v", all)
		}
	})
}

// A plan from before there were versions is the first one when it is changed.
func TestAFlyingPlanFromBeforeThereWereVersionsIsKept(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{FlyingPlan: &compliancev1.FlyingPlan{Name: planeplan, WindowWeeks: 4}}))(t)
		w.exec("DELETE FROM flying_plan_versions")
		old := must(w.planning.GetFlyingPlan(w.as("viewer"), &compliancev1.GetFlyingPlanRequest{Name: planeplan}))(t)
		old.Version, old.Updater = 0, ""
		w.exec("UPDATE flying_plans SET body = $1", must(proto.Marshal(old))(t))
		must(w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{FlyingPlan: &compliancev1.FlyingPlan{Name: planeplan, WindowWeeks: 8}}))(t)
		all := must(w.planning.FindFlyingPlanVersions(w.as("viewer"), &compliancev1.FindFlyingPlanVersionsRequest{Name: planeplan}))(t).GetFlyingPlans()
		if len(all) != 2 || all[1].GetWindowWeeks() != 4 || all[1].GetVersion() != 1 || all[1].GetUpdater() != "" || all[0].GetVersion() != 2 {
			t.Errorf("%v", all)
		}
	})
}

// A caller who is limited to an owner reads no versions of another's plan.
func TestVersionsOfAFlyingPlanAreItsOwners(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		limited := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/olga", Roles: []string{"viewer"}, Kind: auth.Human, Owners: []string{"north"}})
		_, err := w.planning.FindFlyingPlanVersions(limited, &compliancev1.FindFlyingPlanVersionsRequest{Name: planeplan})
		refused(t, err, "NOT_FOUND")
	})
}
