package server_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// planFor adds an aircraft of an owner with a plan.
func (w *world) planFor(id, owner string, weeks int32) {
	w.t.Helper()
	must(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: id, Aircraft: &compliancev1.Aircraft{
		Registration: "DEMO-" + id, Regime: compliancev1.Aircraft_EASA, Counters: counters, CountersDate: on(2026, 3, 1), Owner: owner,
	}}))(w.t)
	must(w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{
		FlyingPlan: &compliancev1.FlyingPlan{Name: "aircraft/" + id + "/flyingPlan", WindowWeeks: weeks},
	}))(w.t)
}

// plans are the aircraft of the plans that a caller lists, page by page.
func (w *world) plans(ctx context.Context, parent, filter string, size int32) string {
	w.t.Helper()
	var ids []string
	for token, more := "", true; more; more = token != "" {
		page := must(w.planning.ListFlyingPlans(ctx, &compliancev1.ListFlyingPlansRequest{Parent: parent, Filter: filter, PageSize: size, PageToken: token}))(w.t)
		if size > 0 && len(page.GetFlyingPlans()) > int(size) {
			w.t.Errorf("a page of %d", len(page.GetFlyingPlans()))
		}
		for _, plan := range page.GetFlyingPlans() {
			ids = append(ids, strings.Split(plan.GetName(), "/")[1])
		}
		token = page.GetNextPageToken()
	}
	return strings.Join(ids, " ")
}

// Plans of all aircraft are listed in pages, by filter and of one aircraft; an aircraft that nobody planned for has none.
func TestFlyingPlansAreListedAcrossAircraft(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for i := range 5 {
			w.planFor(fmt.Sprintf("p%d", i), "", int32(4+i%2))
		}
		must(w.planning.RevokeFlyingPlan(w.as("planner"), &compliancev1.RevokeFlyingPlanRequest{Name: "aircraft/p3/flyingPlan", Reason: "sold"}))(t)
		viewer := w.as("viewer")
		for _, c := range []struct {
			parent, filter, want string
			size                 int32
		}{
			{"aircraft/-", "", "p0 p1 p2 p3 p4", 0},
			{"aircraft/-", "", "p0 p1 p2 p3 p4", 2},
			{"aircraft/-", "revoked = true", "p3", 1},
			{"aircraft/-", "window_weeks = 4", "p0 p2 p4", 2},
			{"aircraft/-", `updater = "accounts/ada" AND window_weeks > 4`, "p1", 0},
			{"aircraft/p2", "", "p2", 0},
			{"aircraft/plane", "", "", 0},
			{"aircraft/none", "", "", 0},
		} {
			if got := w.plans(viewer, c.parent, c.filter, c.size); got != c.want {
				t.Errorf("%s where %q: %q, want %q", c.parent, c.filter, got, c.want)
			}
		}
		_, err := w.planning.ListFlyingPlans(viewer, &compliancev1.ListFlyingPlansRequest{Parent: "aircraft/-", PageSize: -1})
		refused(t, err, "PAGE_SIZE_INVALID")
		_, err = w.planning.ListFlyingPlans(viewer, &compliancev1.ListFlyingPlansRequest{Parent: "aircraft/-", Filter: "reason = x"})
		refused(t, err, "FILTER_INVALID")
	})
}

// A caller who is limited to an owner lists the plans of its own aircraft; another's is listed as what does not exist.
func TestFlyingPlansAreListedToTheirOwners(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.planFor("n1", "north", 4)
		w.planFor("s1", "south", 4)
		w.planFor("nobody", "", 4)
		for _, c := range [][3]string{
			{"north", "aircraft/-", "n1"}, {"south", "aircraft/-", "s1"}, {"north", "aircraft/s1", ""}, {"north", "aircraft/none", ""}, {"north", "aircraft/n1", "n1"}, {"east", "aircraft/-", ""},
		} {
			if got := w.plans(w.guest(c[0]), c[1], "window_weeks = 4", 1); got != c[2] {
				t.Errorf("%s lists of %s %q, want %q", c[0], c[1], got, c[2])
			}
		}
	})
}

// Plans from before plans could be listed are found by a filter too, and none changes in anything that its etag stands for.
func TestPlansFromBeforeTheyCouldBeListedAreFound(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.planFor("n1", "north", 4)
		w.planFor("n2", "north", 8)
		must(w.planning.RevokeFlyingPlan(w.as("planner"), &compliancev1.RevokeFlyingPlanRequest{Name: "aircraft/n2/flyingPlan", Reason: "sold"}))(t)
		before := must(w.planning.GetFlyingPlan(w.as("viewer"), &compliancev1.GetFlyingPlanRequest{Name: "aircraft/n2/flyingPlan"}))(t)
		w.exec("UPDATE flying_plans SET revoked = -1, window_weeks = 0, updater = ''")
		if got := w.plans(w.guest("north"), "aircraft/-", "revoked = true", 0); got != "n2" {
			t.Errorf("revoked are %q", got)
		}
		if got := w.plans(w.as("viewer"), "aircraft/-", "window_weeks = 4", 0); got != "n1" {
			t.Errorf("over 4 weeks are %q", got)
		}
		if after := must(w.planning.GetFlyingPlan(w.as("viewer"), &compliancev1.GetFlyingPlanRequest{Name: "aircraft/n2/flyingPlan"}))(t); !proto.Equal(before, after) {
			t.Errorf("%v became %v", before, after)
		}
	})
}
