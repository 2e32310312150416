package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
)

func (w *world) forecast(what *compliancev1.FlyingScenario) *compliancev1.DueForecast {
	w.t.Helper()
	resp := must(w.planning.ForecastDueItems(w.as("planner"), &compliancev1.ForecastDueItemsRequest{Filter: `requirement = "requirements/check"`, Scenario: what}))(w.t)
	if len(resp.GetDueForecasts()) != 1 {
		w.t.Fatalf("%v", resp)
	}
	return resp.GetDueForecasts()[0]
}

func (w *world) wantDates(f *compliancev1.DueForecast, p10, p50, p90 string) {
	w.t.Helper()
	if a, b, c := resource.DateText(f.GetP10Date()), resource.DateText(f.GetP50Date()), resource.DateText(f.GetP90Date()); a != p10 || b != p50 || c != p90 {
		w.t.Errorf("%s, %s, %s; want %s, %s, %s: %s", a, b, c, p10, p50, p90, f.GetExplanation())
	}
}

func percent(p int32, from, to [3]int) *compliancev1.FlyingPeriod {
	return &compliancev1.FlyingPeriod{StartDate: on(from[0], from[1], from[2]), EndDate: on(to[0], to[1], to[2]), Percent: p}
}

func (w *world) plan(p *compliancev1.FlyingPlan) error {
	p.Name = "aircraft/plane/flyingPlan"
	_, err := w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{FlyingPlan: p})
	return err
}

// 200 h from 900 h, now 1,000 h: 100 h are left, which at 2.5 h a day are 40 days after 2 March, 11 April. With 40 % more in March from
// the 3rd, 29 days of 3.5 h need 101.5 h, so 28 days of it: 30 March. Arithmetic of the handbook, 2.6 (round days down).
func TestAForecastFollowsThePlanAndAScenarioKeepsNothing(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 200)
		w.done("check", 900, on(2026, 2, 1))
		stated := w.forecast(nil)
		w.wantDates(stated, "2026-04-11", "2026-04-11", "2026-04-11")
		if stated.GetFlyingRate().GetBasis() != "stated for the aircraft" || stated.GetPlannedDate() != nil || stated.GetDrivingUnit() != "hours" {
			t.Errorf("%v", stated)
		}
		before := w.rows("SELECT COUNT(*) FROM flying_plans") + w.rows("SELECT COUNT(*) FROM outbox")
		what := w.forecast(&compliancev1.FlyingScenario{Periods: []*compliancev1.FlyingPeriod{percent(140, [3]int{2026, 3, 1}, [3]int{2026, 3, 31})}})
		w.wantDates(what, "2026-03-30", "2026-03-30", "2026-03-30")
		if !what.GetMoved() || resource.DateText(what.GetPlannedDate()) != "2026-04-11" || !strings.Contains(what.GetExplanation(), "140 % from 2026-03-01 through 2026-03-31") {
			t.Errorf("%v", what)
		}
		if after := w.rows("SELECT COUNT(*) FROM flying_plans") + w.rows("SELECT COUNT(*) FROM outbox"); after != before {
			t.Errorf("%d rows, were %d: a scenario is kept", after, before)
		}
		if err := w.plan(&compliancev1.FlyingPlan{Periods: []*compliancev1.FlyingPeriod{percent(0, [3]int{2026, 3, 12}, [3]int{2026, 3, 31})}}); err != nil {
			t.Fatal(err)
		}
		w.wantDates(w.forecast(nil), "2026-05-01", "2026-05-01", "2026-05-01") // 20 days without flying later
		ignored := w.forecast(&compliancev1.FlyingScenario{PlanIgnored: true})
		w.wantDates(ignored, "2026-04-11", "2026-04-11", "2026-04-11")
		if !ignored.GetMoved() {
			t.Error("without the stand-down it is earlier, and that is not said")
		}
		twice := w.forecast(&compliancev1.FlyingScenario{PlanIgnored: true, FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 5}})
		w.wantDates(twice, "2026-03-22", "2026-03-22", "2026-03-22")
	})
}

// The rate is measured where none is stated: 13 weeks of 14 h, then of 7 and 21 h by turns, which makes a range around the same rate.
func TestARateIsMeasuredOverAStatedWindowAndHasARange(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.unstated()
		w.require("check", compliancev1.Requirement_INSPECTION, 600)
		w.done("check", 1000, on(2026, 3, 1))
		for week := range 14 {
			w.clock.Set(start.AddDate(0, 0, 7*week))
			w.fly([]int64{7, 21}[week%2])
		}
		w.clock.Set(start.AddDate(0, 0, 7*14))
		got := w.forecast(nil)
		// 7 weeks of 21 h and 6 of 7 h in the 13 weeks before 8 June: 189 h in 91 days are 2.0769 a day. Left are 600 - 196 = 404 h,
		// which are 194 days: 19 December.
		if got.GetFlyingRate().GetHoursPerDay() != 2.0769 || got.GetFlyingRate().GetBasis() != "measured over 13 weeks, 2026-03-09 through 2026-06-07" {
			t.Errorf("%v", got.GetFlyingRate())
		}
		early, even, late := resource.DateText(got.GetP10Date()), resource.DateText(got.GetP50Date()), resource.DateText(got.GetP90Date())
		if even != "2026-12-19" || early >= even || late <= even {
			t.Errorf("%s, %s, %s", early, even, late)
		}
		few := w.forecast(&compliancev1.FlyingScenario{WindowWeeks: 3})
		w.wantDates(few, resource.DateText(few.GetP50Date()), resource.DateText(few.GetP50Date()), resource.DateText(few.GetP50Date()))
		w.clock.Set(start.AddDate(1, 0, 0))
		if none := w.forecast(nil); none.GetP50Date() != nil || none.GetP90Date() != nil || none.GetNoDateReason() != "no rate" {
			t.Errorf("after a year without flying: %v", none)
		}
	})
}

// unstated takes away the rate that the aircraft states.
func (w *world) unstated() {
	w.t.Helper()
	must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{
		Aircraft: &compliancev1.Aircraft{Name: "aircraft/plane"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"flying_rate"}},
	}))(w.t)
}

func TestAPlanWithImpossibleDatesIsRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		refused(t, w.plan(&compliancev1.FlyingPlan{Periods: []*compliancev1.FlyingPeriod{percent(0, [3]int{2026, 3, 31}, [3]int{2026, 3, 1})}}), "DATES_REVERSED")
		refused(t, w.plan(&compliancev1.FlyingPlan{Periods: []*compliancev1.FlyingPeriod{percent(0, [3]int{2026, 2, 30}, [3]int{2026, 3, 1})}}), "DATE_INVALID")
		if n := w.rows("SELECT COUNT(*) FROM flying_plans"); n != 0 {
			t.Errorf("%d plans are kept", n)
		}
		if err := w.plan(&compliancev1.FlyingPlan{WindowWeeks: 4}); err != nil {
			t.Fatal(err)
		}
		refused(t, w.plan(&compliancev1.FlyingPlan{WindowWeeks: 8, Etag: "v9"}), "ETAG_MISMATCH")
		got := must(w.planning.GetFlyingPlan(w.as("viewer"), &compliancev1.GetFlyingPlanRequest{Name: "aircraft/plane/flyingPlan"}))(t)
		if got.GetWindowWeeks() != 4 || got.GetEtag() != "v1" {
			t.Errorf("%v", got)
		}
		w.clock.Advance(time.Hour)
		_, err := w.planning.GetFlyingPlan(w.as("viewer"), &compliancev1.GetFlyingPlanRequest{Name: "aircraft/none/flyingPlan"})
		refused(t, err, "NOT_FOUND")
	})
}

// The due list goes by the plan that is kept of the aircraft, and its line says so: 100 h at 2.5 h a day are 40 days flown; ten days from
// 12 March through 21 March are not flown, so that 11 April becomes 21 April. Where a plan is taken back, so is the date. Handbook, 2.6.
func TestTheDueListGoesByTheFlyingPlan(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 200)
		w.done("check", 900, on(2026, 2, 1))
		want := func(date, words string) {
			t.Helper()
			listed := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: `due_date = ` + date}))(t).GetDueItems()
			if len(listed) != 1 {
				t.Fatalf("not in the list under %s: %v", date, w.item("check"))
			}
			for _, item := range []*compliancev1.DueItem{w.item("check"), listed[0]} {
				if resource.DateText(item.GetDueDate()) != date || !strings.Contains(item.GetExplanation(), words) {
					t.Errorf("%s: %s", resource.DateText(item.GetDueDate()), item.GetExplanation())
				}
			}
		}
		want("2026-04-11", "at 2.5 h a day 40 whole days after 2026-03-02 = 2026-04-11")
		if err := w.plan(&compliancev1.FlyingPlan{Periods: []*compliancev1.FlyingPeriod{percent(0, [3]int{2026, 3, 12}, [3]int{2026, 3, 21})}}); err != nil {
			t.Fatal(err)
		}
		want("2026-04-21", "at 2.5 h a day (nothing from 2026-03-12 through 2026-03-21), 40 days flown after 2026-03-02 = 2026-04-21")
		w.clock.Advance(24 * time.Hour)
		if err := w.restarted().Sweep(t.Context()); err != nil {
			t.Fatal(err)
		}
		want2 := resource.DateText(w.item("check").GetDueDate())
		if want2 != "2026-04-22" {
			t.Errorf("a day without flying later: %s", want2)
		}
		_, err := w.planning.UpdateFlyingPlan(w.as("planner"), &compliancev1.UpdateFlyingPlanRequest{
			FlyingPlan: &compliancev1.FlyingPlan{Name: "aircraft/plane/flyingPlan"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"periods"}},
		})
		if err != nil {
			t.Fatal(err)
		}
		want("2026-04-12", "40 whole days after 2026-03-03 = 2026-04-12")
	})
}

// Row PLN-05 of the checks: a doubled rate moves the likely date earlier, the ends of the range keep their order, and without flying there is
// no date but "no rate".
func TestADoubledRateMovesTheDateAndNoFlyingHasNone(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 200)
		w.done("check", 900, on(2026, 2, 1))
		once := w.forecast(&compliancev1.FlyingScenario{FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 2, CyclesPerDay: 1}})
		twice := w.forecast(&compliancev1.FlyingScenario{FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 4, CyclesPerDay: 2}})
		if a, b := resource.DateText(once.GetP50Date()), resource.DateText(twice.GetP50Date()); a != "2026-04-21" || b != "2026-03-27" {
			t.Errorf("100 h at 2 h a day: %s, at 4 h: %s", a, b)
		}
		none := w.forecast(&compliancev1.FlyingScenario{FlyingRate: &compliancev1.FlyingRate{}})
		if none.GetP10Date() != nil || none.GetP50Date() != nil || none.GetP90Date() != nil || none.GetNoDateReason() != "no rate" {
			t.Errorf("%v", none)
		}
		for i := range 70 { // ten weeks, each of other flying
			w.clock.Advance(24 * time.Hour)
			if i%7 < 1+i/7%4 {
				w.fly(1)
			}
		}
		f := w.forecast(&compliancev1.FlyingScenario{WindowWeeks: 8})
		p10, p50, p90 := resource.DateText(f.GetP10Date()), resource.DateText(f.GetP50Date()), resource.DateText(f.GetP90Date())
		if p10 == "" || p10 >= p50 || p50 >= p90 {
			t.Errorf("%s, %s, %s: %v", p10, p50, p90, f)
		}
	})
}
