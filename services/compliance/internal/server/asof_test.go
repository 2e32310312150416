package server_test

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// listed is the due list as of a day.
func (w *world) listed(day *date.Date) ([]*compliancev1.DueItem, error) {
	w.t.Helper()
	list, err := w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{AsOfDate: day, Filter: "requirement = requirements/check"})
	return list.GetDueItems(), err
}

// The due list of an earlier day counts what was flown through that day, also what was entered late since, and what was fitted and done
// then; before anything was entered it says that nothing can be told. A day to come is refused.
func TestTheDueListOfAnEarlierDay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.pump("p1", 290)
		w.forComponents("check", nil)
		w.clock.Advance(18 * 24 * time.Hour)
		if err := w.put("p1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		for day, hours := range map[int]int64{5: 4, 10: 7} {
			must(w.flown(day, hours))(t)
		}
		for _, c := range []struct {
			day  *date.Date
			left int64
			band compliancev1.DueItem_Band
		}{
			{on(2026, 3, 4), 10, compliancev1.DueItem_NEAR}, {on(2026, 3, 5), 6, compliancev1.DueItem_NEAR}, {on(2026, 3, 9), 6, compliancev1.DueItem_NEAR},
			{on(2026, 3, 10), -1, compliancev1.DueItem_OVERDUE}, {on(2026, 3, 20), -1, compliancev1.DueItem_OVERDUE}, {nil, -1, compliancev1.DueItem_OVERDUE},
		} {
			list := must(w.listed(c.day))(t)
			if len(list) != 1 {
				t.Fatalf("%v: %v", c.day, list)
			}
			w.wantLeft(list[0], c.left, c.band)
			if got := list[0].GetAsOfDate(); c.day != nil && got.String() != c.day.String() {
				t.Errorf("as of %v, asked for %v", got, c.day)
			}
		}
		must(w.flown(3, 1))(t)
		w.wantLeft(must(w.listed(on(2026, 3, 4)))(t)[0], 9, compliancev1.DueItem_NEAR)
		if list := must(w.listed(on(2026, 2, 1)))(t); list[0].GetBand() != compliancev1.DueItem_NO_DATA {
			t.Errorf("before its counters were entered: %v", list)
		}
		_, err := w.listed(on(2026, 3, 21))
		refused(t, err, "DATE_IN_FUTURE")
		_, err = w.listed(on(2026, 2, 30))
		refused(t, err, "DATE_INVALID")
	})
}

// A tool that lapses is told of once, by the sweep of the first day without calibration, and again only after it was calibrated.
func TestALapsedToolIsToldOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		told := func(want int64, state compliancev1.Tool_State) {
			t.Helper()
			for range 2 {
				if err := w.restarted().Sweep(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			tool := must(w.queries.GetTool(w.as("viewer"), &compliancev1.GetToolRequest{Name: "tools/gauge"}))(t)
			if got := w.rows("SELECT COUNT(*) FROM outbox WHERE type = $1", "coldsection.tools.calibration.lapsed.v1"); got != want || tool.GetState() != state {
				t.Errorf("told %d times of a tool that is %s, want %d and %s", got, tool.GetState(), want, state)
			}
		}
		if err := w.calibrate(on(2026, 3, 1), on(2026, 4, 10), false); err != nil {
			t.Fatal(err)
		}
		told(0, compliancev1.Tool_IN_CAL)
		w.clock.Advance(20 * 24 * time.Hour)
		told(0, compliancev1.Tool_LAPSING)
		w.clock.Advance(19 * 24 * time.Hour)
		told(0, compliancev1.Tool_LAPSING)
		w.clock.Advance(24 * time.Hour)
		told(1, compliancev1.Tool_LAPSED)
		if err := w.calibrate(on(2026, 4, 11), on(2026, 10, 1), false); err != nil {
			t.Fatal(err)
		}
		told(1, compliancev1.Tool_IN_CAL)
		w.clock.Advance(200 * 24 * time.Hour)
		told(2, compliancev1.Tool_LAPSED)
	})
}
