package server_test

import (
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// correction says that an entry should have been so many hours.
func (w *world) correction(wrong *compliancev1.Utilization, hours int64) *compliancev1.CreateUtilizationRequest {
	w.t.Helper()
	return &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", ReauthenticationToken: w.proof(), Utilization: &compliancev1.Utilization{
		FlightDate: wrong.GetFlightDate(), FlownSeconds: hours * 3600, Cycles: 1, Corrects: wrong.GetName(), Reason: "read from the wrong line of the log",
	}}
}

func (w *world) hours() int64 {
	w.t.Helper()
	e := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(w.t)
	return e.GetCounters().GetOperatingSeconds() / 3600
}

func TestACorrectionMovesTheCountersAndWhatIsDue(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		wrong := w.fly(12)
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_OVERDUE {
			t.Errorf("12 h on 10 h left: %s", got.GetBand())
		}
		must(w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/one", RemoveDate: on(2026, 3, 2)}))(t)
		w.clock.Advance(time.Hour)
		right := must(w.commands.CreateUtilization(w.as("quality"), w.correction(wrong, 2)))(t)
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_NEAR || got.GetRemaining()[0].GetLeft() != 8*3600 || w.hours() != 1002 {
			t.Errorf("2 h on 10 h left, engine removed since: %v, engine at %d h", got, w.hours())
		}
		if n := w.rows("SELECT COUNT(*) FROM due_items WHERE band = 'NEAR'"); n != 1 {
			t.Error("the due item was not worked out anew in the store")
		}
		list := must(w.queries.ListUtilizations(w.as("viewer"), &compliancev1.ListUtilizationsRequest{Parent: "aircraft/plane", OrderBy: "create_time"}))(t)
		if u := list.GetUtilizations(); len(u) != 2 || u[0].GetCorrection() != right.GetName() || u[0].GetFlownSeconds() != 12*3600 || u[1].GetCorrects() != wrong.GetName() {
			t.Errorf("the wrong entry stays and is marked: %v", u)
		}
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'utilizations' AND kind = 'corrected' AND subject = $1", right.GetName()); n != 1 {
			t.Errorf("%d signed corrections", n)
		}
	})
}

// Work recorded at 1,012 h counts from 1,010 h, when it was due. Of these 10 h were never flown, so that it was done early, at
// 1,002 h. 5 h more than first recorded, found later, do not raise what was signed.
func TestACorrectionMovesTheWorkRecordedOnWrongCountersButNeverUp(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		wrong := w.fly(12)
		w.done("wash", 1012, on(2026, 3, 2))
		w.require("early", compliancev1.Requirement_INSPECTION, 200)
		w.done("early", 1012, on(2026, 3, 2))
		w.clock.Advance(time.Hour)
		right := must(w.commands.CreateUtilization(w.as("quality"), w.correction(wrong, 2)))(t)
		got := w.item("wash")
		if r := got.GetRemaining()[0]; r.GetDueCounter() != 1102*3600 || !strings.Contains(got.GetExplanation(), "Corrected flying or entries lowered") {
			t.Errorf("due at %d s: %s", r.GetDueCounter(), got.GetExplanation())
		}
		if got.GetLastDoneCounters().GetOperatingSeconds() != 1012*3600 {
			t.Errorf("what was signed stays: %v", got.GetLastDoneCounters())
		}
		w.clock.Advance(time.Hour)
		must(w.commands.CreateUtilization(w.as("quality"), w.correction(right, 17)))(t)
		if got := w.item("wash").GetRemaining()[0]; got.GetDueCounter() != 1110*3600 || w.item("early").GetRemaining()[0].GetDueCounter() != 1212*3600 || w.hours() != 1017 {
			t.Errorf("corrected up in the end: due at %d s, engine at %d h", got.GetDueCounter(), w.hours())
		}
	})
}

func TestRefusedCorrectionsLeaveNoTrace(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wrong, later := w.fly(12), w.fly(1)
		must(w.commands.CreateUtilization(w.as("quality"), w.correction(later, 2)))(t)
		for reason, c := range map[string]struct {
			change func(*compliancev1.CreateUtilizationRequest)
			roles  []string
		}{
			"ROLE_MISSING":              {func(*compliancev1.CreateUtilizationRequest) {}, []string{"planner"}},
			"CORRECTION_REASON_MISSING": {func(r *compliancev1.CreateUtilizationRequest) { r.Utilization.Reason = "" }, []string{"quality"}},
			"REAUTHENTICATION_NEEDED":   {func(r *compliancev1.CreateUtilizationRequest) { r.ReauthenticationToken = "" }, []string{"quality"}},
			"NOT_FOUND":                 {func(r *compliancev1.CreateUtilizationRequest) { r.Utilization.Corrects += "x" }, []string{"quality"}},
			"CORRECTION_NOT_ALLOWED":    {func(r *compliancev1.CreateUtilizationRequest) { r.Utilization.Corrects = later.GetName() }, []string{"quality"}},
			"COUNTER_JUMP":              {func(r *compliancev1.CreateUtilizationRequest) { r.Utilization.FlownSeconds = 90000 }, []string{"quality"}},
		} {
			req := w.correction(wrong, 2)
			c.change(req)
			_, err := w.commands.CreateUtilization(w.as(c.roles...), req)
			refused(t, err, reason)
		}
		plain := w.correction(wrong, 2)
		plain.Utilization.Corrects = ""
		_, err := w.commands.CreateUtilization(w.as("quality"), plain)
		refused(t, err, "ROLE_MISSING")
		_, err = w.commands.BatchCreateUtilizations(w.as("planner"), &compliancev1.BatchCreateUtilizationsRequest{
			Parent: "aircraft/plane", Requests: []*compliancev1.CreateUtilizationRequest{w.correction(wrong, 2)},
		})
		refused(t, err, "CORRECTION_NOT_ALLOWED")
		if got := w.hours(); got != 1014 || w.rows("SELECT COUNT(*) FROM utilizations") != 3 {
			t.Errorf("engine at %d h", got)
		}
	})
}

func TestAProofSignsOneCorrection(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		one, two := w.fly(3), w.fly(4)
		first := w.correction(one, 2)
		must(w.commands.CreateUtilization(w.as("quality"), first))(t)
		second := w.correction(two, 2)
		second.ReauthenticationToken = first.GetReauthenticationToken()
		_, err := w.commands.CreateUtilization(w.as("quality"), second)
		refused(t, err, "REAUTHENTICATION_NEEDED")
	})
}

func TestEntriesWithoutARecordOfTheirEnginesAreNotGuessed(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wrong := w.fly(12)
		w.exec("DELETE FROM flown WHERE utilization = $1", wrong.GetName())
		_, err := w.commands.CreateUtilization(w.as("quality"), w.correction(wrong, 2))
		refused(t, err, "CORRECTION_NOT_ALLOWED")
	})
}
