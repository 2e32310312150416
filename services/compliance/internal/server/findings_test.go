package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
)

// tell brings a fact about a finding of an order on engine one.
func (w *world) tell(order string, f *workordersv1.Finding) {
	w.t.Helper()
	w.tellOf(order, "engines/one", f)
}

// tellOf is tell for an order on another engine.
func (w *world) tellOf(order, engine string, f *workordersv1.Finding) {
	w.t.Helper()
	fact := &workordersv1.FindingChanged{WorkOrder: "workOrders/" + order, Engine: engine, Aircraft: "aircraft/plane", TimeZone: "Europe/Oslo", Finding: f}
	if err := w.db.Update(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error { return w.restarted().Found(ctx, tx, fact) }); err != nil {
		w.t.Fatal(err)
	}
}

// found is a finding of 2 March, demonstration only.
func (w *world) found(order string, state workordersv1.Finding_State) *workordersv1.Finding {
	return &workordersv1.Finding{
		Name: "workOrders/" + order + "/findings/f1", Description: "chafed hose", State: state, OriginalDate: on(2026, 3, 2), RaiseTime: timestamppb.New(w.clock.Now()),
	}
}

// deferred puts a finding off through 12 March.
func deferred(f *workordersv1.Finding) *workordersv1.Finding {
	f.State, f.Disposition, f.LimitDate = workordersv1.Finding_ANSWERED, workordersv1.Finding_DEFER, on(2026, 3, 12)
	f.Basis, f.DeferralCategory, f.Placard = "demonstration list 72-1", "C", "INOPERATIVE"
	return f
}

func (w *world) findings(filter string) []*compliancev1.OpenFinding {
	w.t.Helper()
	return must(w.queries.ListOpenFindings(w.as("viewer"), &compliancev1.ListOpenFindingsRequest{Filter: filter}))(w.t).GetOpenFindings()
}

// A deferral stands in the list and the status with its last day, original day and placard; on the last day it is due, the day after (by the
// zone of its place) the engine is not compliant; closed, it is gone, and a late fact does not bring it back.
func TestADeferralStandsUntilItIsClosed(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		f := w.found("a", workordersv1.Finding_RAISED)
		w.tell("a", f)
		if got := w.status("aircraft/plane"); got.GetCompliant() || len(got.GetOpenFindings()) != 1 || got.GetOpenFindings()[0].GetBand() != compliancev1.DueItem_NO_DATA {
			t.Errorf("nobody put it off: %v", got)
		}
		f = deferred(f)
		w.tell("a", f)
		w.tell("a", f)
		for _, c := range []struct {
			at   time.Time
			band compliancev1.DueItem_Band
			says string
		}{
			{start, compliancev1.DueItem_NEAR, "Found 2026-03-02, put off through 2026-03-12, 10 days from 2026-03-02."},
			{time.Date(2026, 3, 12, 22, 59, 0, 0, time.UTC), compliancev1.DueItem_DUE, "0 days from 2026-03-12."},
			{time.Date(2026, 3, 12, 23, 1, 0, 0, time.UTC), compliancev1.DueItem_OVERDUE, "-1 days from 2026-03-13."},
		} {
			w.clock.Advance(c.at.Sub(w.clock.Now()))
			list := w.findings("engine = engines/one AND deferred = true AND closed = false")
			if len(list) != 1 || list[0].GetBand() != c.band || !strings.Contains(list[0].GetExplanation(), c.says) || list[0].GetPlacard() != "INOPERATIVE" ||
				list[0].GetOriginalDate().GetDay() != 2 {
				t.Errorf("at %s: %v", c.at, list)
			}
			if got := w.status("engines/one"); got.GetCompliant() != (c.band != compliancev1.DueItem_OVERDUE) {
				t.Errorf("at %s: %v", c.at, got.GetExceptions())
			}
		}
		late := deferred(w.found("a", workordersv1.Finding_ANSWERED))
		f.State, f.CloseTime = workordersv1.Finding_CLOSED, timestamppb.New(w.clock.Now())
		w.tell("a", f)
		w.tell("a", late)
		if got := w.status("engines/one"); !got.GetCompliant() || len(got.GetOpenFindings()) != 0 {
			t.Errorf("closed: %v", got)
		}
		if list := w.findings("closed = true"); len(list) != 1 || list[0].GetBand() != compliancev1.DueItem_EXEMPT || list[0].GetCloseTime() == nil {
			t.Errorf("%v", list)
		}
	})
}

// A finding that is carried into a later order ends the earlier one and keeps its day (row DEF-04 of the cases); what was open at an instant,
// and what was known of it, is answered alike afterwards.
func TestWhatWasOpenThenStaysOpenThen(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.tell("a", deferred(w.found("a", workordersv1.Finding_ANSWERED)))
		w.clock.Advance(24 * time.Hour)
		then := w.clock.Now()
		before := w.then("engines/one", then, then)
		w.clock.Advance(24 * time.Hour)
		carried := deferred(w.found("b", workordersv1.Finding_ANSWERED))
		carried.Predecessor = "workOrders/a/findings/f1"
		w.tell("b", carried)
		list := w.findings("closed = false")
		if len(list) != 1 || list[0].GetWorkOrder() != "workOrders/b" || list[0].GetOriginalDate().GetDay() != 2 {
			t.Errorf("%v", list)
		}
		if list = w.findings("closed = true"); len(list) != 1 || list[0].GetSuccessor() != "workOrders/b/findings/f1" || !strings.HasPrefix(list[0].GetExplanation(), "Carried on by") {
			t.Errorf("%v", list)
		}
		again := w.then("engines/one", then, then)
		if len(before.GetOpenFindings()) != 1 || len(again.GetOpenFindings()) != 1 || again.GetOpenFindings()[0].GetWorkOrder() != "workOrders/a" || again.GetOpenFindings()[0].GetClosed() {
			t.Errorf("before %v, again %v", before.GetOpenFindings(), again.GetOpenFindings())
		}
		if early := w.then("engines/one", start.Add(-time.Hour), w.clock.Now()); len(early.GetOpenFindings()) != 0 {
			t.Errorf("not raised then: %v", early.GetOpenFindings())
		}
	})
}
