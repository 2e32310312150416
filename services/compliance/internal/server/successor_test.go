package server_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

func (w *world) replace(id, successor string) {
	w.t.Helper()
	r := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/" + id}))(w.t)
	r.Successor = successor
	must(w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: r}))(w.t)
}

func (w *world) once(id string, effective *date.Date) {
	w.t.Helper()
	must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: &compliancev1.Requirement{
		Code: id, DisplayName: id, Kind: compliancev1.Requirement_DIRECTIVE, Document: document, EffectiveDate: effective,
		Applicability: &compliancev1.Applicability{EngineModels: []string{"engineModels/demo"}},
		Initial:       &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_DAYS, Amount: 60}}},
	}}))(w.t)
}

// R17. A directive stands until the first day of the one that takes its place, as rows DIR-13 and DIR-14 of the cases say.
func TestADirectiveStandsUntilItsSuccessorIsInEffect(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.once("old", on(2026, 2, 1))
		w.once("new", on(2026, 3, 12))
		w.replace("old", "requirements/new")
		if got := w.item("old"); got.GetBand() != compliancev1.DueItem_CURRENT || got.GetDueDate().GetMonth() != 4 {
			t.Errorf("ten days before: %v", got)
		}
		w.clock.Advance(time.Hour)
		before := w.clock.Now()
		w.clock.Advance(10 * 24 * time.Hour)
		if got := w.item("old"); got.GetBand() != compliancev1.DueItem_EXEMPT {
			t.Errorf("on the first day of the new one: %v", got)
		}
		was := w.then("engines/one", before, w.clock.Now()).GetDueItems()
		if !slices.ContainsFunc(was, func(i *compliancev1.DueItem) bool {
			return i.GetRequirement() == "requirements/old" && i.GetBand() == compliancev1.DueItem_CURRENT
		}) {
			t.Errorf("what it was before it was superseded is not kept: %v", was)
		}
		if got := w.item("new"); got.GetBand() != compliancev1.DueItem_CURRENT {
			t.Errorf("the new one: %v", got)
		}
	})
}

func TestASuccessorThatIsNotKnownEndsNothing(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.once("old", on(2026, 2, 1))
		w.replace("old", "requirements/missing")
		if got := w.item("old"); got.GetBand() == compliancev1.DueItem_EXEMPT {
			t.Errorf("%v", got)
		}
	})
}
