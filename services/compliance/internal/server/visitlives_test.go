package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
)

// A visit replaces parts before their lives end. At 2 cycles a day 100 cycles are left through 21 April, 3,000 wait, and 9 can't wait for the visit. By hand
// from 2 March, at whose end nothing more was flown; the visit is between 10 and 31 March, the next on 1 May.
func TestAVisitReplacesPartsBeforeTheirLivesEnd(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		w.lifeLimit("demo", 4000, on(2020, 1, 1))
		for id, cycles := range map[string]int64{"near": 3900, "far": 1000, "worn": 3991, "spare": 3900} {
			w.disc(id, cycles, stay(0, cycles, cycles, cycles))
			host := "engines/one"
			if id == "spare" {
				host = "engines/two"
			}
			if err := w.into(id, host, id); err != nil {
				t.Fatal(err)
			}
		}
		w.part("plain")
		if err := w.into("plain", "engines/one", "plain"); err != nil {
			t.Fatal(err)
		}
		for _, subject := range []string{"aircraft/plane", "engines/one"} {
			got := must(w.propose(subject, on(2026, 3, 10), on(2026, 3, 31), on(2026, 5, 1)))(t)
			items := got.GetVisitItems()
			if len(items) != 1 || items[0].GetLifeStatus() != "components/near/lifeStatus" || items[0].GetDueItem() != "" || resource.DateText(items[0].GetDueDate()) != "2026-04-21" ||
				items[0].GetDaysGivenUp() != 21 || items[0].GetDrivingUnit() != "cycles" || items[0].GetRequirementCode() != document.GetTitle() ||
				items[0].GetRemaining()[0].GetLeft() != 100 {
				t.Errorf("%s: to do %v", subject, items)
			}
			if r := items[0].GetReadiness(); items[0].GetReady() || len(r) != 1 || r[0].GetReason() != "CARD_MISSING" {
				t.Errorf("%s: nobody says what the replacement needs: %v", subject, items[0])
			}
			if e := got.GetEarlierItems(); len(e) != 1 || e[0].GetSubject() != "components/worn" || resource.DateText(e[0].GetDueDate()) != "2026-03-06" {
				t.Errorf("%s: earlier %v", subject, e)
			}
			if resource.DateText(got.GetVisitDate()) != "2026-03-31" || len(got.GetUndecidedItems()) != 0 {
				t.Errorf("%s: %v", subject, got)
			}
		}
		spare := must(w.propose("engines/two", on(2026, 3, 10), on(2026, 3, 31), on(2026, 5, 1)))(t)
		if u := spare.GetUndecidedItems(); len(u) != 1 || u[0].GetLifeStatus() != "components/spare/lifeStatus" || u[0].GetReason() == "" {
			t.Errorf("nobody flies it, so it has no date: %v", spare)
		}
		faster := must(w.visits.ProposeVisit(w.as("planner"), &compliancev1.ProposeVisitRequest{
			Subject: "engines/one", EarliestDate: on(2026, 3, 10), LatestDate: on(2026, 3, 31), NextVisitDate: on(2026, 5, 1),
			Scenario: &compliancev1.FlyingScenario{FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 5, CyclesPerDay: 4}},
		}))(t)
		if resource.DateText(faster.GetVisitDate()) != "2026-03-27" {
			t.Errorf("at 4 cycles a day 100 are flown on 27 March: %v", faster)
		}
	})
}

// A part past its limit, or whose life isn't substantiated any more, can't wait.
func TestAVisitDoesNotWaitForALifeThatIsOver(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 4000, on(2020, 1, 1))
		w.disc("worn", 3999, stay(0, 3999, 3999, 3999))
		if err := w.into("worn", "engines/one", "1"); err != nil {
			t.Fatal(err)
		}
		w.legs(2, 1, 1)
		propose := func() []*compliancev1.VisitItem {
			return must(w.propose("engines/one", on(2026, 3, 2), on(2026, 3, 31), on(2026, 5, 1)))(t).GetVisitItems()
		}
		if items := propose(); len(items) != 1 || resource.DateText(items[0].GetDueDate()) != "2026-03-02" || !strings.Contains(items[0].GetReason(), "Nothing is left") {
			t.Errorf("nothing is left: %v", items)
		}
		w.legs(2, 1, 1)
		got := must(w.propose("engines/one", on(2026, 3, 2), on(2026, 3, 31), on(2026, 5, 1)))(t)
		if e := got.GetEarlierItems(); len(got.GetVisitItems()) != 0 || len(e) != 1 || !strings.Contains(e[0].GetReason(), "Past its limit") {
			t.Errorf("past its limit: %v", got)
		}
	})
}

// What is past its soft life is done at the next suitable visit, whichever day that is (common practice, no source).
func TestAVisitTakesWhatIsPastItsSoftLife(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("soft", func(r *compliancev1.Requirement) {
			r.Soft, r.Repeat = true, limit(compliancev1.IntervalLimit_HOURS, 50*3600)
		})
		w.done("soft", 900, on(2026, 1, 20))
		got := must(w.propose("engines/one", on(2026, 3, 10), on(2026, 3, 31), on(2026, 5, 1)))(t)
		if items := got.GetVisitItems(); len(items) != 1 || items[0].GetRequirementCode() != "soft" || items[0].GetDaysGivenUp() != 0 ||
			items[0].GetReason() != "past its soft life, done at the next visit" || resource.DateText(got.GetVisitDate()) != "2026-03-31" || len(got.GetUndecidedItems()) != 0 {
			t.Errorf("%v", got)
		}
	})
}
