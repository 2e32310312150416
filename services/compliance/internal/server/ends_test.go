package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// inspect adds an inspection of the demonstration model every 100 h, changed by edit.
func (w *world) inspect(id string, edit func(*compliancev1.Requirement)) {
	w.t.Helper()
	r := &compliancev1.Requirement{
		Code: id, DisplayName: id, Kind: compliancev1.Requirement_INSPECTION, Document: document,
		Applicability: &compliancev1.Applicability{EngineModels: []string{"engineModels/demo"}},
		Repeat:        limit(compliancev1.IntervalLimit_HOURS, 100*3600),
	}
	edit(r)
	must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: r}))(w.t)
}

func limit(unit compliancev1.IntervalLimit_Unit, amount int64) *compliancev1.LimitTree {
	return &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: unit, Amount: amount}}}
}

func (w *world) wantBand(id string, want compliancev1.DueItem_Band, words string) {
	w.t.Helper()
	if got := w.item(id); got.GetBand() != want || !strings.Contains(got.GetExplanation(), words) {
		w.t.Errorf("%s is %s: %s; want %s, %q", id, got.GetBand(), got.GetExplanation(), want, words)
	}
}

// R18. Row DIR-12 of the cases: a terminating action ends the repetitive inspection; the record of the action is cited.
func TestATerminatingActionEndsTheRepeats(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.inspect("replace", func(r *compliancev1.Requirement) {
			r.Terminates, r.Repeat, r.Initial = "requirements/wash", nil, limit(compliancev1.IntervalLimit_HOURS, 5000*3600)
		})
		w.wantBand("wash", compliancev1.DueItem_NEAR, "left 10:00 h")
		w.done("replace", 950, on(2026, 2, 10))
		w.wantBand("wash", compliancev1.DueItem_EXEMPT, "Ended by the terminating action requirements/replace/accomplishments/")
		w.wantBand("replace", compliancev1.DueItem_EXEMPT, "Done once and for all on 2026-02-10, requirements/replace/accomplishments/")
		if n := w.rows("SELECT COUNT(*) FROM due_items WHERE name = 'dueItems/wash.one' AND band = 'EXEMPT'"); n != 1 {
			t.Error("the list still shows it as due")
		}
		if got := w.item("wash").GetLastDoneDate(); got.GetMonth() != 1 || got.GetDay() != 20 {
			t.Errorf("its history is kept: %v", got)
		}
	})
}

func TestARequirementThatEndsItselfIsRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("first", func(*compliancev1.Requirement) {})
		w.inspect("second", func(r *compliancev1.Requirement) { r.Terminates = "requirements/first" })
		for reason, change := range map[string]*compliancev1.Requirement{
			"LINK_INVALID": {Name: "requirements/first", Terminates: "requirements/second"}, "NOT_FOUND": {Name: "requirements/first", Terminates: "requirements/none"},
		} {
			_, err := w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: change})
			refused(t, err, reason)
		}
		for _, change := range []*compliancev1.Requirement{
			{Name: "requirements/first", Terminates: "requirements/first"}, {Name: "requirements/first", Successor: "requirements/first"},
		} {
			_, err := w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: change})
			refused(t, err, "LINK_INVALID")
		}
	})
}

// An engine that is modified out of a requirement keeps the item, exempt with the reason; back in, it counts again.
func TestWhatNoLongerAppliesIsExempt(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("vanes", func(r *compliancev1.Requirement) { r.Applicability.EmbodiedNone = []string{"M-7"} })
		w.done("vanes", 950, on(2026, 2, 10))
		w.wantBand("vanes", compliancev1.DueItem_CURRENT, "left 50:00 h")
		for _, c := range []struct {
			embodied []string
			band     compliancev1.DueItem_Band
			words    string
		}{{[]string{"M-7"}, compliancev1.DueItem_EXEMPT, "Does not apply: Modification M-7 is embodied"}, {[]string{"M-8"}, compliancev1.DueItem_CURRENT, "left 50:00 h"}} {
			must(w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{Engine: &compliancev1.Engine{Name: "engines/one", Embodied: c.embodied}}))(t)
			w.wantBand("vanes", c.band, c.words)
			if n := w.rows("SELECT COUNT(*) FROM due_items WHERE name = 'dueItems/vanes.one' AND band = $1", c.band.String()); n != 1 {
				t.Errorf("the list does not show it as %s", c.band)
			}
		}
	})
}

func TestWhatNothingIsKnownToCountFromIsNoData(t *testing.T) {
	onEngines(t, func(_ *testing.T, w *world) {
		for id, c := range map[string]struct {
			event compliancev1.Requirement_StartEvent
			words string
		}{
			"overhaul": {compliancev1.Requirement_OVERHAUL_DONE, "no record"},
		} {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.StartEvent, r.Initial, r.EffectiveDate = c.event, limit(compliancev1.IntervalLimit_HOURS, 1800*3600), on(2026, 2, 1)
			})
			w.wantBand(id, compliancev1.DueItem_NO_DATA, c.words)
		}
		w.inspect("undated", func(r *compliancev1.Requirement) { r.Initial = limit(compliancev1.IntervalLimit_MONTHS, 12) })
		w.wantBand("undated", compliancev1.DueItem_NO_DATA, "no date to count from")
		w.inspect("new", func(r *compliancev1.Requirement) { r.Initial = limit(compliancev1.IntervalLimit_HOURS, 1100*3600) })
		w.wantBand("new", compliancev1.DueItem_CURRENT, "left 100:00 h")
	})
}
