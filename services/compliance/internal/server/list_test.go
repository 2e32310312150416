package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
)

func (w *world) decide(id string, applicable bool, reason string) error {
	_, err := w.commands.DecideApplicability(w.as("quality"), &compliancev1.DecideApplicabilityRequest{
		Name: "requirements/" + id, Engine: "engines/one", Applicable: applicable, Reason: reason,
	})
	return err
}

func (w *world) line(s *compliancev1.ComplianceStatus, code string) *compliancev1.RequirementStatus {
	w.t.Helper()
	i := slices.IndexFunc(s.GetRequirementStatuses(), func(r *compliancev1.RequirementStatus) bool { return r.GetCode() == code })
	if i < 0 {
		w.t.Fatalf("%s is not in the list", code)
	}
	return s.GetRequirementStatuses()[i]
}

// The directive status list: every standing of the handbook, the reason of what does not apply (AMC M.A.305(c)1), the method and the
// next due in each unit (14 CFR 91.417(a)(2)(v)).
func TestTheDirectiveListSaysWhereEachOneStands(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		directive := func(id string, edit func(*compliancev1.Requirement)) {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.Kind, r.EffectiveDate, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, on(2026, 2, 1), limit(compliancev1.IntervalLimit_DAYS, 60), nil
				edit(r)
			})
		}
		again := func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 90) }
		directive("open", func(*compliancev1.Requirement) {})
		directive("once", func(*compliancev1.Requirement) {})
		directive("repeats", again)
		directive("ended", again)
		directive("ends", func(r *compliancev1.Requirement) { r.Terminates = "requirements/ended" })
		directive("future", func(r *compliancev1.Requirement) { r.EffectiveDate = on(2026, 5, 1) })
		directive("replaced", func(r *compliancev1.Requirement) { r.Successor = "requirements/open" })
		directive("others", func(r *compliancev1.Requirement) { r.Applicability.EngineModels = []string{"engineModels/other"} })
		directive("unclear", func(r *compliancev1.Requirement) { r.Applicability.EmbodiedAny = []string{"M-1"} })
		for _, id := range []string{"once", "repeats", "ends"} {
			w.done(id, 990, on(2026, 2, 20))
		}
		s := w.status("engines/one")
		for code, want := range map[string]compliancev1.RequirementStatus_Standing{
			"open": compliancev1.RequirementStatus_OPEN, "once": compliancev1.RequirementStatus_COMPLIED, "repeats": compliancev1.RequirementStatus_RECURRING,
			"ended": compliancev1.RequirementStatus_TERMINATED, "ends": compliancev1.RequirementStatus_COMPLIED, "future": compliancev1.RequirementStatus_NOT_YET_EFFECTIVE,
			"replaced": compliancev1.RequirementStatus_SUPERSEDED, "others": compliancev1.RequirementStatus_NOT_APPLICABLE, "unclear": compliancev1.RequirementStatus_UNKNOWN,
		} {
			if got := w.line(s, code); got.GetStanding() != want || got.GetDocument().GetRevision() != "1" || got.GetSubject() != "engines/one" {
				t.Errorf("%s: %v, want %s", code, got, want)
			}
		}
		if got := w.line(s, "others"); !strings.Contains(got.GetReason(), `not for model "engineModels/demo"`) {
			t.Errorf("%v", got)
		}
		got := w.line(s, "repeats")
		if got.GetContentHash() == "" || got.GetLastDoneDate().GetDay() != 20 || got.GetRemaining()[0].GetLimitDate().GetMonth() != 5 ||
			got.GetLastDoneCounters().GetOperatingSeconds() != 990*3600 {
			t.Errorf("last and next: %v", got)
		}
	})
}

// R08. Rows DIR-15 and DIR-18 of the cases: a decision needs its reason (AMC M.A.305(c)1(b)); it holds for one revision and is not carried
// over to the next (design rule of the handbook); what was known before stays.
func TestADecisionOnApplicabilityHasAReasonAndHoldsForOneRevision(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.inspect("vane", func(r *compliancev1.Requirement) {
			r.Kind, r.EffectiveDate, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, on(2026, 2, 1), limit(compliancev1.IntervalLimit_DAYS, 60), nil
			r.Applicability.EmbodiedAny = []string{"M-1"}
		})
		refused(t, w.decide("vane", false, ""), "REASON_MISSING")
		w.wantBand("vane", compliancev1.DueItem_NO_DATA, "can't be told")
		w.clock.Advance(time.Hour)
		before := w.clock.Now()
		asked := w.then("engines/one", before, before)
		w.clock.Advance(time.Hour)
		if err := w.decide("vane", false, "the vane has the steel ring, seen at the shop visit"); err != nil {
			t.Fatal(err)
		}
		w.wantBand("vane", compliancev1.DueItem_EXEMPT, "Decided by people/ada: the vane has the steel ring")
		s := w.status("engines/one")
		if d := w.line(s, "vane").GetApplicabilityDecision(); !s.GetCompliant() || d.GetRevision() != 1 || d.GetPerson() != "people/ada" {
			t.Errorf("%v", s)
		}
		w.clock.Advance(time.Hour)
		if again := w.then("engines/one", before, before); !proto.Equal(asked, again) {
			t.Errorf("as it was known before: %v, was %v", again, asked)
		}
		must(w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: &compliancev1.Requirement{Name: "requirements/vane", DisplayName: "revised"}}))(t)
		w.wantBand("vane", compliancev1.DueItem_NO_DATA, "decided for revision 1, and this is revision 2")
		if err := w.decide("vane", true, "the ring was changed back"); err != nil {
			t.Fatal(err)
		}
		w.wantBand("vane", compliancev1.DueItem_CURRENT, "2026-02-01 + 60 days = 2026-04-02")
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'applicability'"); n != 2 {
			t.Errorf("%d decisions on record", n)
		}
	})
}

// The floors of the handbook for an aircraft under European rules: 145.A.55(a)(3), and M.A.305(e)2 until equal work was done.
func TestARecordIsKeptAsLongAsTheLongestRuleAsks(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		first := must(w.enter("check", 900, ""))(t)
		floor := func() *compliancev1.RetentionFloor {
			return must(w.queries.GetRetentionFloor(w.as("viewer"), &compliancev1.GetRetentionFloorRequest{Name: first.GetName() + "/retentionFloor"}))(t)
		}
		if got := floor(); !got.GetOpenEnded() || got.GetKeepThroughDate() != nil || len(got.GetLines()) != 2 {
			t.Errorf("not superseded: %v", got)
		}
		w.done("check", 990, on(2026, 2, 20))
		if got := floor(); got.GetOpenEnded() || resource.DateText(got.GetKeepThroughDate()) != "2029-01-20" {
			t.Errorf("superseded within three years: %v", got)
		}
	})
}

// On a day that nobody looked at yet, a change of one requirement leaves the others to be looked at: what passed overnight is in the list by its band.
func TestAChangeOfOneRequirementDoesNotHideWhatPassedOvernight(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("days", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 10) })
		w.inspect("other", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 300) })
		w.done("days", 990, on(2026, 2, 20)) // due on 2 March, which is today
		w.clock.Advance(24 * time.Hour)
		w.done("other", 995, on(2026, 2, 21))
		got := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: "band = OVERDUE"}))(t).GetDueItems()
		if len(got) != 1 || got[0].GetRequirementCode() != "days" {
			t.Errorf("%v", got)
		}
	})
}
