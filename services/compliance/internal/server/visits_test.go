package server_test

import (
	"fmt"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
)

func (w *world) propose(subject string, earliest, latest, next *date.Date) (*compliancev1.ProposeVisitResponse, error) {
	return w.visits.ProposeVisit(w.as("planner"), &compliancev1.ProposeVisitRequest{Subject: subject, EarliestDate: earliest, LatestDate: latest, NextVisitDate: next})
}

// What is due on a part within an engine comes to the visit of the engine and of its aircraft, also when the part is within another one.
func TestPartsWithinComeToTheVisit(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for i := range 17 { // more than one filter names
			w.part(fmt.Sprintf("small-%02d", i))
			if err := w.into(fmt.Sprintf("small-%02d", i), "engines/one", fmt.Sprintf("place-%d", i)); err != nil {
				t.Fatal(err)
			}
		}
		w.part("deep")
		if err := w.into("deep", "components/small-16", "inside"); err != nil {
			t.Fatal(err)
		}
		w.inspect("part", func(r *compliancev1.Requirement) {
			r.Applicability = &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_COMPONENTS, SerialRanges: []*compliancev1.SerialRange{{FirstSerial: "deep", LastSerial: "deep"}}}
			r.StartEvent, r.EffectiveDate, r.Repeat = compliancev1.Requirement_EFFECTIVE_DATE, on(2026, 3, 1), limit(compliancev1.IntervalLimit_DAYS, 20)
		})
		for _, subject := range []string{"engines/one", "aircraft/plane"} {
			got := must(w.propose(subject, on(2026, 3, 10), on(2026, 3, 31), on(2026, 5, 1)))(t)
			if items := got.GetVisitItems(); len(items) != 1 || items[0].GetSubject() != "components/deep" || resource.DateText(got.GetVisitDate()) != "2026-03-21" {
				t.Errorf("%s: %v", subject, got)
			}
		}
	})
}

// Check PLN-06: a visit between 10 and 31 March, the next one on 1 May. At 2.5 h a day 100 h are left on 11 April; 30 days from 20
// February are 22 March, which is the day; the directive of 5 March can't wait; what was never done has no date; 400 h wait.
func TestAVisitGivesUpLittleAndIsNeverLate(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("hours", compliancev1.Requirement_INSPECTION, 200)
		w.done("hours", 900, on(2026, 2, 1))
		w.require("far", compliancev1.Requirement_INSPECTION, 400)
		w.done("far", 1000, on(2026, 3, 1))
		w.inspect("days", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 30) })
		w.done("days", 990, on(2026, 2, 20))
		w.inspect("soon", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 13) })
		w.done("soon", 990, on(2026, 2, 20))
		w.require("never", compliancev1.Requirement_INSPECTION, 100)
		got := must(w.propose("aircraft/plane", on(2026, 3, 10), on(2026, 3, 31), on(2026, 5, 1)))(t)
		if resource.DateText(got.GetVisitDate()) != "2026-03-22" || len(got.GetVisitItems()) != 2 || got.GetDaysGivenUp() != 20 {
			t.Fatalf("%v", got)
		}
		first, second := got.GetVisitItems()[0], got.GetVisitItems()[1]
		if first.GetRequirementCode() != "days" || first.GetDaysGivenUp() != 0 || second.GetRequirementCode() != "hours" || second.GetDaysGivenUp() != 20 {
			t.Errorf("%v", got.GetVisitItems())
		}
		if len(got.GetEarlierItems()) != 1 || got.GetEarlierItems()[0].GetRequirementCode() != "soon" {
			t.Errorf("earlier: %v", got.GetEarlierItems())
		}
		if len(got.GetUndecidedItems()) != 1 || got.GetUndecidedItems()[0].GetReason() == "" {
			t.Errorf("undecided: %v", got.GetUndecidedItems())
		}
		_, err := w.propose("engines/one", on(2026, 3, 31), on(2026, 3, 10), on(2026, 5, 1))
		refused(t, err, "DATES_REVERSED")
		_, err = w.propose("engines/none", on(2026, 3, 10), on(2026, 3, 31), on(2026, 5, 1))
		refused(t, err, "NOT_FOUND")
	})
}
