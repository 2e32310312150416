package server_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/storage"
)

// happens runs the effect of a fact twice, which is once.
func (w *world) happens(effect func(ctx context.Context, tx *storage.Tx) error) {
	w.t.Helper()
	for range 2 {
		if err := w.db.Update(w.t.Context(), effect); err != nil {
			w.t.Fatal(err)
		}
	}
}

func (w *world) testedWater(id string, at time.Time) {
	w.t.Helper()
	w.happens(func(ctx context.Context, tx *storage.Tx) error {
		return w.restarted().WaterTested(ctx, tx, &consumablesv1.LotChanged{Lot: "lots/w1", WaterTest: &consumablesv1.WaterTest{
			Name: "lots/w1/waterTests/" + id, Meter: "tools/gauge", Tester: "people/ada", TestTime: timestamppb.New(at),
		}})
	})
}

// A meter that is found out of tolerance puts the tests of water in doubt that were made with it since its last good calibration
// (ISO 9001 7.1.5.2), beside the values that were measured with it.
func TestAWrongMeterListsTheTestsOfWaterMadeWithIt(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		if err := w.calibrate(on(2025, 9, 10), on(2026, 3, 10), false); err != nil {
			t.Fatal(err)
		}
		w.testedWater("before", time.Date(2025, 9, 1, 12, 0, 0, 0, time.UTC))
		w.testedWater("since", time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC))
		w.used("o1", time.Date(2026, 1, 16, 12, 0, 0, 0, time.UTC), "certificate C-1")
		find := func() *compliancev1.FindSuspectToolUsesResponse {
			return must(w.queries.FindSuspectToolUses(w.as("viewer"), &compliancev1.FindSuspectToolUsesRequest{Name: "tools/gauge"}))(t)
		}
		if got := find(); len(got.GetToolUses()) != 0 {
			t.Errorf("in order: %v", got)
		}
		if err := w.calibrate(on(2026, 3, 1), on(2026, 9, 1), true); err != nil {
			t.Fatal(err)
		}
		got := find()
		if len(got.GetToolUses()) != 2 || got.GetToolUses()[1].GetWaterTest() != "lots/w1/waterTests/since" || got.GetToolUses()[1].GetSuspicion() != "OUT_OF_TOLERANCE" {
			t.Errorf("%v", got)
		}
		if len(got.GetWorkOrders()) != 1 || got.GetToolUses()[1].GetExplanation() == "" {
			t.Errorf("a test of water is of no order: %v", got.GetWorkOrders())
		}
		all := must(w.queries.ListToolUses(w.as("viewer"), &compliancev1.ListToolUsesRequest{Parent: "tools/gauge", Filter: `water_test != ""`}))(t)
		if len(all.GetToolUses()) != 2 {
			t.Errorf("a fact that comes twice is one use: %v", all)
		}
	})
}

// The day at the place decides: 23:30 of the 9th in New York is the 10th in UTC, the day that the calibration found it out of tolerance.
func TestTheDayAtThePlaceDecidesWhereItWasTold(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		if err := w.calibrate(on(2025, 9, 10), on(2026, 3, 9), false); err != nil {
			t.Fatal(err)
		}
		at := time.Date(2026, 3, 10, 3, 30, 0, 0, time.UTC)
		w.clock.Advance(at.Sub(w.clock.Now()) + time.Hour)
		for id, day := range map[string]int32{"told": 9, "late": 10} {
			fact := &workordersv1.MeasurementRecorded{WorkOrder: "workOrders/" + id, Engine: "engines/one", CivilDate: on(2026, 3, int(day)), Measurement: &workordersv1.Measurement{
				Name: "workOrders/" + id + "/measurements/m", Tool: "tools/gauge", MeasureTime: timestamppb.New(at),
			}}
			w.happens(func(ctx context.Context, tx *storage.Tx) error { return w.restarted().Measured(ctx, tx, fact) })
		}
		got := must(w.queries.FindSuspectToolUses(w.as("viewer"), &compliancev1.FindSuspectToolUsesRequest{Name: "tools/gauge"}))(t).GetToolUses()
		byOrder := map[string]string{}
		for _, use := range got {
			byOrder[use.GetWorkOrder()] = use.GetSuspicion()
		}
		if byOrder["workOrders/told"] == "NOT_COVERED" || byOrder["workOrders/late"] != "NOT_COVERED" {
			t.Errorf("%v", byOrder)
		}
	})
}

// A caller who is limited to an owner finds the uses on that owner's engines; a tool that was never used on one does not exist for it.
func TestALimitedCallerFindsTheUsesOnItsOwnEngines(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(t)
		engine.Owner = "north"
		must(w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{Engine: engine}))(t)
		w.second()
		for _, id := range []string{"one", "two"} {
			fact := &workordersv1.MeasurementRecorded{WorkOrder: "workOrders/" + id, Engine: "engines/" + id, Measurement: &workordersv1.Measurement{
				Name: "workOrders/" + id + "/measurements/m", Tool: "tools/gauge", MeasureTime: timestamppb.New(start),
			}}
			w.happens(func(ctx context.Context, tx *storage.Tx) error { return w.restarted().Measured(ctx, tx, fact) })
		}
		as := func(owner string) context.Context {
			return auth.NewContext(t.Context(), auth.Identity{Account: "accounts/guest", Roles: []string{"viewer"}, Kind: auth.Human, Owners: []string{owner}})
		}
		got := must(w.queries.FindSuspectToolUses(as("north"), &compliancev1.FindSuspectToolUsesRequest{Name: "tools/gauge"}))(t)
		if len(got.GetToolUses()) != 1 || got.GetToolUses()[0].GetEngine() != "engines/one" || len(got.GetWorkOrders()) != 1 {
			t.Errorf("%v", got)
		}
		list := must(w.queries.ListToolUses(as("north"), &compliancev1.ListToolUsesRequest{Parent: "tools/gauge"}))(t)
		if len(list.GetToolUses()) != 1 {
			t.Errorf("%v", list)
		}
		_, err := w.queries.FindSuspectToolUses(as("south"), &compliancev1.FindSuspectToolUsesRequest{Name: "tools/gauge"})
		refused(t, err, "NOT_FOUND")
	})
}
