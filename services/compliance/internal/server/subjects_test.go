package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
)

// pump adds a fuel pump with so many hours, demonstration only.
func (w *world) pump(id string, hours int64) {
	w.t.Helper()
	must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: id, Component: &compliancev1.Component{
		PartNumber: "PUMP-1", Serial: strings.ToUpper(id), DisplayName: "fuel pump", Counters: &compliancev1.Counters{OperatingSeconds: hours * 3600}, CountersDate: on(2026, 3, 1),
	}}))(w.t)
}

// forComponents adds a check of the pumps.
func (w *world) forComponents(id string, change func(*compliancev1.Requirement)) *compliancev1.Requirement {
	w.t.Helper()
	r := &compliancev1.Requirement{
		Code: id, DisplayName: id, Kind: compliancev1.Requirement_COMPONENT_CHECK, Document: document,
		Applicability: &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_COMPONENTS, PartNumbers: []string{"PUMP-1"}},
		Initial:       &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_HOURS, Amount: 300 * 3600, Absolute: true}}},
		Repeat:        limit(compliancev1.IntervalLimit_HOURS, 100*3600),
	}
	if change != nil {
		change(r)
	}
	return must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: r}))(w.t)
}

func (w *world) dueOn(requirement, subject string) *compliancev1.DueItem {
	w.t.Helper()
	return must(w.queries.GetDueItem(w.as("viewer"), &compliancev1.GetDueItemRequest{Name: "dueItems/" + requirement + "." + strings.ReplaceAll(subject, "/", ".")}))(w.t)
}

func (w *world) wantLeft(item *compliancev1.DueItem, hours int64, band compliancev1.DueItem_Band) {
	w.t.Helper()
	if len(item.GetRemaining()) == 0 || item.GetRemaining()[0].GetLeft() != hours*3600 || item.GetBand() != band {
		w.t.Errorf("%s: %s %v, want %d h left and %s", item.GetName(), item.GetBand(), item.GetRemaining(), hours, band)
	}
}

// A requirement on components follows each by its own hours, from the engine of one aircraft into stores and into another engine, and
// through flying that is entered late; a record moves it, as on an engine.
func TestARequirementFollowsAComponent(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		w.pump("p1", 290)
		w.forComponents("check", nil)
		w.pump("p2", 10)
		item := w.dueOn("check", "components/p1")
		w.wantLeft(item, 10, compliancev1.DueItem_NEAR)
		if item.GetSubject() != "components/p1" || item.GetSubjectLabel() != "PUMP-1 P1" || item.GetDueDate() != nil {
			t.Errorf("in stores nothing is flown: %v", item)
		}
		w.clock.Advance(18 * 24 * time.Hour)
		if err := w.put("p1", "engines/one", 5); err != nil {
			t.Fatal(err)
		}
		must(w.flown(6, 4))(t)
		item = w.dueOn("check", "components/p1")
		w.wantLeft(item, 6, compliancev1.DueItem_NEAR)
		if item.GetDueDate() == nil {
			t.Error("in an engine the aircraft's rate gives a day")
		}
		if err := w.take("p1", 10); err != nil {
			t.Fatal(err)
		}
		must(w.flown(12, 9))(t)
		w.wantLeft(w.dueOn("check", "components/p1"), 6, compliancev1.DueItem_NEAR)
		must(w.flown(7, 7))(t)
		w.wantLeft(w.dueOn("check", "components/p1"), -1, compliancev1.DueItem_OVERDUE)
		w.wantLeft(w.dueOn("check", "components/p2"), 290, compliancev1.DueItem_CURRENT)
		must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "components/p1", DoneDate: on(2026, 3, 15), Counters: &compliancev1.Counters{OperatingSeconds: 301 * 3600}, LateEntryReason: "paper from the shop",
			},
		}))(t)
		w.wantLeft(w.dueOn("check", "components/p1"), 100, compliancev1.DueItem_CURRENT)
		lines := must(w.queries.ExplainDueItem(w.as("viewer"), &compliancev1.ExplainDueItemRequest{Name: "dueItems/check.components.p1"}))(t).GetLines()
		if len(lines) == 0 || !strings.Contains(lines[0], "from 301:00 h + 100:00 h = 401:00 h, now 301:00 h as of 2026-03-07, left 100:00 h") {
			t.Errorf("%q", lines)
		}
		list := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: "requirement = requirements/check"}))(t).GetDueItems()
		if len(list) != 2 {
			t.Errorf("on two pumps and no engine: %v", list)
		}
	})
}

// Conditions on the engine can't be told of a part in stores, and are told again when it is fitted; a revision for another part number
// ends the item. Requirements on aircraft count by the aircraft.
func TestApplicabilityOfComponentsAndAircraft(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.pump("p1", 10)
		r := w.forComponents("model", func(r *compliancev1.Requirement) { r.Applicability.EngineModels = []string{"engineModels/demo"} })
		if got := w.dueOn("model", "components/p1"); got.GetBand() != compliancev1.DueItem_NO_DATA || !strings.Contains(got.GetBandReason(), "it is in none") {
			t.Errorf("%v", got)
		}
		if err := w.put("p1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		w.wantLeft(w.dueOn("model", "components/p1"), 290, compliancev1.DueItem_CURRENT)
		r.Applicability.PartNumbers = []string{"PUMP-2"}
		must(w.commands.UpdateRequirement(w.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: r}))(t)
		if got := w.dueOn("model", "components/p1"); got.GetBand() != compliancev1.DueItem_EXEMPT || !strings.Contains(got.GetBandReason(), `part number "PUMP-1"`) {
			t.Errorf("%v", got)
		}
		w.forComponents("frame", func(r *compliancev1.Requirement) {
			r.Applicability = &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_AIRCRAFT}
			r.Initial.Limits[0].Amount = 1100 * 3600
		})
		w.fly(3)
		w.wantLeft(w.dueOn("frame", "aircraft/plane"), 97, compliancev1.DueItem_CURRENT)
		if list := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: "subject = engines/one"}))(t).GetDueItems(); len(list) != 0 {
			t.Errorf("nothing is for the engine: %v", list)
		}
	})
}

// The status of an aircraft holds its own requirements, its engine's and those of the parts in it; asked for a time before the part was
// fitted, or as it was known before, it does not hold that part.
func TestTheStatusOfAnAircraftHoldsItsParts(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.pump("p1", 299)
		w.forComponents("check", nil)
		w.clock.Advance(10 * 24 * time.Hour)
		before := w.clock.Now()
		w.clock.Advance(time.Hour)
		if err := w.put("p1", "engines/one", 5); err != nil {
			t.Fatal(err)
		}
		must(w.flown(6, 2))(t)
		now := w.status("aircraft/plane")
		if len(now.GetDueItems()) != 1 || now.GetDueItems()[0].GetSubject() != "components/p1" || now.GetCompliant() || !strings.Contains(now.GetExceptions()[0], "check on PUMP-1 P1: overdue") {
			t.Errorf("%v", now)
		}
		early := w.then("aircraft/plane", start.Add(24*time.Hour), w.clock.Now())
		unknown := w.then("aircraft/plane", before, before)
		if len(early.GetDueItems()) != 0 || len(unknown.GetDueItems()) != 0 {
			t.Errorf("not fitted then: %v; not known then: %v", early, unknown)
		}
		loose := w.then("components/p1", start.Add(24*time.Hour), w.clock.Now())
		if len(loose.GetDueItems()) != 1 || loose.GetCounters().GetOperatingSeconds() != 299*3600 || loose.GetDueItems()[0].GetRemaining()[0].GetLeft() != 3600 {
			t.Errorf("in stores then: %v", loose)
		}
	})
}

// R29. Row CAL-26 of the cases (EASA FAQ 19102, 19496): work done on 28 April and released on 2 May counts from 2 May, the day that the
// release names. Row DIR-19 (14 CFR 39.15, 39.17, 39.19): a directive stands on a changed product, and says what to do where it can't
// be followed.
func TestTheDayOfTheReleaseCounts(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("yearly", func(r *compliancev1.Requirement) {
			r.Kind, r.Repeat = compliancev1.Requirement_DIRECTIVE, limit(compliancev1.IntervalLimit_MONTHS, 12)
		})
		fact := &workordersv1.WorkOrderChanged{
			WorkOrder: "workOrders/7", Number: "WO-7", Engine: "engines/one", CivilDate: on(2025, 5, 2), Requirements: []string{"requirements/yearly"},
		}
		if before := w.item("yearly"); before.GetLastDoneDate() != nil || before.GetBand() != compliancev1.DueItem_NO_DATA {
			t.Errorf("without a release it is %v", before)
		}
		if err := w.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return w.restarted().Released(ctx, tx, fact) }); err != nil {
			t.Fatal(err)
		}
		got := w.item("yearly")
		if got.GetLastDoneDate().GetDay() != 2 || got.GetDueDate().GetYear() != 2026 || got.GetDueDate().GetMonth() != 5 || got.GetDueDate().GetDay() != 2 {
			t.Errorf("%v", got)
		}
		lines := must(w.queries.ExplainDueItem(w.as("viewer"), &compliancev1.ExplainDueItemRequest{Name: got.GetName()}))(t).GetLines()
		if last := lines[len(lines)-1]; !strings.Contains(last, "needs the authority's approval first") {
			t.Errorf("%q", lines)
		}
	})
}
