package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// releasedAs has the fact of a release of an order on engine one take effect, twice, as facts may come.
func (w *world) releasedAs(order string, change func(*workordersv1.WorkOrderChanged)) *compliancev1.ReleaseEntry {
	w.t.Helper()
	fact := &workordersv1.WorkOrderChanged{
		WorkOrder: "workOrders/" + order, Number: "WO-" + order, Engine: "engines/one", EngineSerial: "D-1001", Aircraft: "aircraft/plane", CivilDate: day(w.clock.Now()),
		Counters: &workordersv1.Counters{OperatingSeconds: 1000 * 3600},
	}
	change(fact)
	for range 2 {
		w.fact(func(ctx context.Context, tx *storage.Tx) error { return w.restarted().Released(ctx, tx, fact) })
	}
	return must(w.owner.GetReleaseEntry(w.as("viewer"), &compliancev1.GetReleaseEntryRequest{Name: "releaseEntries/" + order}))(w.t)
}

func plainly(*workordersv1.WorkOrderChanged) {}

// underRegime puts the aircraft under other rules.
func (w *world) underRegime(regime compliancev1.Aircraft_Regime) {
	w.t.Helper()
	plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(w.t)
	plane.Regime = regime
	must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: plane}))(w.t)
}

func (w *world) enteredOn(e *compliancev1.ReleaseEntry, on *date.Date, reason string) (*compliancev1.ReleaseEntry, error) {
	return w.owner.EnterRelease(w.as("planner"), &compliancev1.EnterReleaseRequest{
		Name: e.GetName(), EnterDate: on, Reference: "engine book 3, page 41", CorrectionReason: reason, Etag: e.GetEtag(),
	})
}

// operation is what keeps the aircraft down, by its reasons.
func (w *world) operation() (bool, string) {
	w.t.Helper()
	resp := must(w.owner.CheckOperation(w.as("viewer"), &compliancev1.CheckOperationRequest{Name: "aircraft/plane"}))(w.t)
	var reasons []string
	for _, o := range resp.GetObstacles() {
		if o.GetDetail() == "" {
			w.t.Errorf("%s without a sentence", o.GetReason())
		}
		reasons = append(reasons, o.GetReason())
	}
	if resp.GetOperationDate() == nil {
		w.t.Error("no day is judged")
	}
	return resp.GetNoKnownObstacle(), strings.Join(reasons, " ")
}

// compliant gives the engine one requirement that is met, so that nothing else keeps the aircraft down.
func (w *world) compliant() {
	w.t.Helper()
	w.require("check", compliancev1.Requirement_INSPECTION, 10000)
	w.done("check", 1000, on(2026, 3, 1))
}

// Case SGN-12 (M.A.305(a): no later than 30 days): a release of 20 May 2025 is in time on 19 June, the latest day, and late on 20 June. What
// was said stays when it is corrected, and the last entry counts.
func TestAReleaseIsEnteredInTheOwnersRecordInTime(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		e := w.releasedAs("a", func(f *workordersv1.WorkOrderChanged) { f.CivilDate = on(2025, 5, 20) })
		if resource.DateText(e.GetLatestDate()) != "2025-06-19" || e.GetFlightBlocked() || e.GetEntered() || e.GetTimely() || !strings.Contains(strings.Join(e.GetRules(), " "), "M.A.305(a)") {
			t.Errorf("%v", e)
		}
		_, err := w.enteredOn(e, on(2025, 5, 19), "")
		refused(t, err, "ENTRY_BEFORE_RELEASE")
		_, err = w.enteredOn(e, on(2026, 3, 4), "")
		refused(t, err, "DATE_IN_FUTURE")
		_, err = w.enteredOn(e, on(2025, 2, 30), "")
		refused(t, err, "DATE_INVALID")
		_, err = w.owner.EnterRelease(w.as("viewer"), &compliancev1.EnterReleaseRequest{Name: e.GetName(), EnterDate: on(2025, 6, 19), Reference: "x", Etag: e.GetEtag()})
		refused(t, err, "ROLE_MISSING")
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'release-entries'"); n != 0 {
			t.Errorf("%d entries of what was refused", n)
		}
		late := must(w.enteredOn(e, on(2025, 6, 20), ""))(t)
		if !late.GetEntered() || late.GetTimely() {
			t.Errorf("%v", late)
		}
		_, err = w.enteredOn(e, on(2025, 6, 19), "wrong day")
		refused(t, err, "ETAG_MISMATCH")
		_, err = w.enteredOn(late, on(2025, 6, 19), "")
		refused(t, err, "CORRECTION_REASON_MISSING")
		right := must(w.enteredOn(late, on(2025, 6, 19), "the page says the 19th"))(t)
		if !right.GetTimely() || len(right.GetEntries()) != 2 || right.GetEntries()[0].GetEnterDate().GetDay() != 20 || right.GetEntries()[1].GetAccount() != "accounts/ada" {
			t.Errorf("%v", right)
		}
		chained := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'release-entries'")
		told := w.rows("SELECT COUNT(*) FROM outbox WHERE type = 'coldsection.compliance.release.entered.v1'")
		if chained != 2 || told != 2 {
			t.Errorf("%d in the chain, %d facts", chained, told)
		}
		for filter, want := range map[string]int{
			"entered = true AND timely = true": 1, "entered = false": 0, `latest_date < "2025-06-20"`: 1, "work_order = workOrders/a": 1, "inspection_result = AIRWORTHY": 0,
		} {
			got := must(w.owner.ListReleaseEntries(w.as("viewer"), &compliancev1.ListReleaseEntriesRequest{Filter: filter}))(t).GetReleaseEntries()
			if len(got) != want {
				t.Errorf("%s: %v", filter, got)
			}
		}
	})
}

// Case SGN-11 (14 CFR 91.407(a)(2), 43.5(a)): the work is done and the release is signed, and until the owner's record has the entry the
// aircraft is not operated. Under M.A.305(a) it may be for 30 days, and no longer.
func TestAnAircraftIsNotOperatedBeforeTheEntryIsMade(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.compliant()
		if may, why := w.operation(); !may {
			t.Errorf("before: %s", why)
		}
		w.underRegime(compliancev1.Aircraft_FAA)
		e := w.releasedAs("a", plainly)
		if may, why := w.operation(); may || why != "RECORD_ENTRY_MISSING" || !e.GetFlightBlocked() || e.GetLatestDate() != nil {
			t.Errorf("may operate: %t, %s; %v", may, why, e)
		}
		must(w.enteredOn(e, day(w.clock.Now()), ""))(t)
		if may, why := w.operation(); !may {
			t.Errorf("entered: %s", why)
		}
		w.underRegime(compliancev1.Aircraft_EASA)
		e = w.releasedAs("b", plainly)
		for _, c := range []struct {
			days int
			may  bool
			why  string
		}{{0, true, ""}, {30, true, ""}, {1, false, "RECORD_ENTRY_LATE"}} {
			w.clock.Advance(time.Duration(c.days) * 24 * time.Hour)
			if may, why := w.operation(); may != c.may || why != c.why {
				t.Errorf("%s: %t, %s", w.clock.Now(), may, why)
			}
		}
		if done := must(w.enteredOn(e, day(w.clock.Now()), ""))(t); done.GetTimely() {
			t.Errorf("%v", done)
		}
		if may, why := w.operation(); !may {
			t.Errorf("late, but entered: %s", why)
		}
	})
}

// What can't be told, or an open finding, keeps an aircraft down too; nobody says that one may be operated that is not known.
func TestWhatCannotBeToldKeepsAnAircraftDown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		if may, why := w.operation(); may || why != "NOT_COMPLIANT" {
			t.Errorf("without a requirement: %t, %s", may, why)
		}
		w.compliant()
		w.tell("a", w.found("a", workordersv1.Finding_RAISED))
		if may, why := w.operation(); may || why != "NOT_COMPLIANT" {
			t.Errorf("with a finding: %t, %s", may, why)
		}
		_, err := w.owner.CheckOperation(w.as("viewer"), &compliancev1.CheckOperationRequest{Name: "aircraft/none"})
		refused(t, err, "NOT_FOUND")
	})
}

// An inspection that did not find it airworthy (14 CFR 43.11(a)(5)) stands until all that it listed is closed or a later one finds it airworthy.
func TestAnInspectionThatWasNotPassedStandsUntilItIsPutRight(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.compliant()
		notPassed := func(f *workordersv1.WorkOrderChanged) {
			f.InspectionResult, f.Discrepancies, f.DiscrepancyListDate = "NOT_AIRWORTHY", []string{"chafed hose"}, day(w.clock.Now())
		}
		e := w.releasedAs("a", notPassed)
		if e.GetInspectionResult() != compliancev1.ReleaseEntry_NOT_AIRWORTHY || e.GetDiscrepancies()[0] != "chafed hose" || e.GetDiscrepancyListDate() == nil {
			t.Errorf("%v", e)
		}
		if may, why := w.operation(); may || why != "NOT_AIRWORTHY" {
			t.Errorf("%t, %s", may, why)
		}
		f := w.found("a", workordersv1.Finding_RAISED)
		w.tell("a", deferred(f))
		if may, why := w.operation(); may || why != "NOT_AIRWORTHY" {
			t.Errorf("put off: %t, %s", may, why)
		}
		f.State = workordersv1.Finding_CLOSED
		w.tell("a", f)
		if may, why := w.operation(); !may {
			t.Errorf("put right: %s", why)
		}
		w.clock.Advance(24 * time.Hour)
		w.releasedAs("b", notPassed)
		if may, why := w.operation(); may || why != "NOT_AIRWORTHY" {
			t.Errorf("%t, %s", may, why)
		}
		w.clock.Advance(time.Minute)
		w.releasedAs("c", func(f *workordersv1.WorkOrderChanged) { f.InspectionResult = "AIRWORTHY" })
		if may, why := w.operation(); !may {
			t.Errorf("inspected again: %s", why)
		}
	})
}

// A caller who is limited to owners sees the releases of its own things; another's is refused as what does not exist.
func TestReleasesAreTheirOwners(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		w.releasedAs("lent", func(f *workordersv1.WorkOrderChanged) { f.Engine, f.EngineSerial = "engines/two", "D-1002" })
		w.releasedAs("own", func(f *workordersv1.WorkOrderChanged) { f.Engine, f.Aircraft = "engines/one", "" })
		for owner, want := range map[string]string{"south": "releaseEntries/own", "north": ""} {
			var names []string
			for _, e := range must(w.owner.ListReleaseEntries(w.guest(owner), &compliancev1.ListReleaseEntriesRequest{}))(t).GetReleaseEntries() {
				names = append(names, e.GetName())
			}
			if strings.Join(names, " ") != want {
				t.Errorf("%s sees %v, want %q", owner, names, want)
			}
			_, foreign := w.owner.GetReleaseEntry(w.guest(owner), &compliancev1.GetReleaseEntryRequest{Name: "releaseEntries/lent"})
			_, random := w.owner.GetReleaseEntry(w.guest(owner), &compliancev1.GetReleaseEntryRequest{Name: "releaseEntries/none"})
			if refused(t, foreign, "NOT_FOUND"); foreign.Error() != strings.ReplaceAll(random.Error(), "none", "lent") {
				t.Errorf("%v is not %v", foreign, random)
			}
		}
		_, err := w.owner.CheckOperation(w.guest("north"), &compliancev1.CheckOperationRequest{Name: "aircraft/plane"})
		refused(t, err, "NOT_FOUND")
		resp := must(w.owner.CheckOperation(w.guest("south"), &compliancev1.CheckOperationRequest{Name: "aircraft/plane"}))(t)
		if resp.GetNoKnownObstacle() || strings.Contains(resp.String(), "D-1002") || strings.Contains(resp.String(), "lent") {
			t.Errorf("%v", resp)
		}
	})
}
