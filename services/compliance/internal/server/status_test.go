package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

func (w *world) status(subject string) *compliancev1.ComplianceStatus {
	w.t.Helper()
	return must(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{Subject: subject}))(w.t)
}

// R09: what is unknown never counts as compliant.
func TestStatusIsCompliantOnlyWhenEverythingCanBeTold(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		if s := w.status("engines/one"); s.GetCompliant() || len(s.GetExceptions()) != 1 {
			t.Errorf("without a requirement: %v", s)
		}
		wash(w)
		for _, subject := range []string{"engines/one", "aircraft/plane"} {
			s := w.status(subject)
			if !s.GetCompliant() || len(s.GetDueItems()) != 1 || s.GetCounters().GetOperatingSeconds() != 1000*3600 || !s.GetAsOfTime().AsTime().Equal(start) {
				t.Errorf("%s: %v", subject, s)
			}
		}
		w.require("never", compliancev1.Requirement_INSPECTION, 100)
		if s := w.status("aircraft/plane"); s.GetCompliant() || !says(s, "never on D-1001: it can't be told") {
			t.Errorf("never done: %v", s.GetExceptions())
		}
		w.done("never", 990, on(2026, 2, 20))
		must(w.extend("wash", extension(8), "quality"))(t)
		w.fly(15)
		if s := w.status("engines/one"); !s.GetCompliant() {
			t.Errorf("within an extension: %v", s.GetExceptions())
		}
		w.fly(4)
		if s := w.status("engines/one"); s.GetCompliant() || !says(s, "wash on D-1001: overdue") {
			t.Errorf("past the extension: %v", s.GetExceptions())
		}
	})
}

func says(s *compliancev1.ComplianceStatus, words string) bool {
	return slices.ContainsFunc(s.GetExceptions(), func(e string) bool { return strings.Contains(e, words) })
}

func TestStatusNamesUndecidedApplicability(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{Requirement: &compliancev1.Requirement{
			Code: "undecided", DisplayName: "undecided", Kind: compliancev1.Requirement_DIRECTIVE, Document: document,
			Initial: &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_DAYS, Amount: 30}}},
		}}))(t)
		if s := w.status("engines/one"); s.GetCompliant() || !says(s, "undecided on D-1001: its applicability was not decided") {
			t.Errorf("%v", s.GetExceptions())
		}
	})
}

func TestStatusListsWhatDoesNotApplyWithTheReason(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{Requirement: &compliancev1.Requirement{
			Code: "others", DisplayName: "others", Kind: compliancev1.Requirement_DIRECTIVE, Document: document,
			Applicability: &compliancev1.Applicability{SerialRanges: []*compliancev1.SerialRange{{FirstSerial: "D-900", LastSerial: "D-1000"}}},
			Initial:       &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_DAYS, Amount: 30}}},
		}}))(t)
		s := w.status("engines/one")
		if len(s.GetDueItems()) != 1 || s.GetDueItems()[0].GetBand() != compliancev1.DueItem_EXEMPT || s.GetDueItems()[0].GetBandReason() == "" || s.GetCompliant() {
			t.Errorf("only one, which is for other serial numbers: %v", s)
		}
	})
}

func TestStatusNamesWhatCanNotBeToldToApply(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{Requirement: &compliancev1.Requirement{
			Code: "modified", DisplayName: "modified", Kind: compliancev1.Requirement_DIRECTIVE, Document: document, EffectiveDate: on(2026, 3, 1),
			Applicability: &compliancev1.Applicability{EmbodiedAny: []string{"M-1"}},
			Initial:       &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_DAYS, Amount: 300}}},
		}}))(t)
		if s := w.status("engines/one"); s.GetCompliant() || !says(s, "modified on D-1001: it can't be told. Whether it applies can't be told") {
			t.Errorf("no configuration is recorded: %v", s)
		}
	})
}

func TestStatusOfWhatIsNotKnownIsRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		before, ahead := timestamppb.New(start.Add(-time.Hour)), timestamppb.New(start.Add(time.Second))
		for reason, req := range map[string]*compliancev1.GetComplianceStatusRequest{
			"TIME_IN_FUTURE": {Subject: "engines/one", AsOfTime: ahead},
			"NOT_KNOWN_THEN": {Subject: "engines/one", KnownAtTime: before},
			"NOT_FOUND":      {Subject: "engines/two", KnownAtTime: before},
		} {
			_, err := w.queries.GetComplianceStatus(w.as("viewer"), req)
			refused(t, err, reason)
		}
		_, err := w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{Subject: "aircraft/other"})
		refused(t, err, "NOT_FOUND")
	})
}

// A stranger with the explanation alone redoes the date: 10:00 h left at 2.5 h a day are 4 whole days after 2026-03-02.
func TestTheExplanationCarriesTheRate(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		got := must(w.queries.ExplainDueItem(w.as("viewer"), &compliancev1.ExplainDueItemRequest{Name: "dueItems/wash.one"}))(t)
		const line = "hours: from 910:00 h + 100:00 h = 1010:00 h, now 1000:00 h as of 2026-03-01, left 10:00 h, at 2.5 h a day 4 whole days after 2026-03-02 = 2026-03-06"
		if !strings.HasPrefix(got.GetLines()[0], line) || got.GetDueItem().GetDueDate().GetDay() != 6 {
			t.Errorf("%v", got.GetLines())
		}
		if r := got.GetFlyingRate(); r.GetHoursPerDay() != 2.5 || r.GetCyclesPerDay() != 2 || r.GetBasis() != "as stated for DEMO-1" {
			t.Errorf("rate %v", r)
		}
		must(w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/one", RemoveDate: on(2026, 3, 2)}))(t)
		got = must(w.queries.ExplainDueItem(w.as("viewer"), &compliancev1.ExplainDueItemRequest{Name: "dueItems/wash.one"}))(t)
		if !strings.Contains(got.GetLines()[0], "no flying rate is known, so no date") || got.GetFlyingRate() != nil || got.GetDueItem().GetDueDate() != nil {
			t.Errorf("off wing: %v", got)
		}
	})
}
