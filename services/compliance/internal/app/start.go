package app

import (
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
)

// origin is what an interval counts from, with the limits that count from there; missing says what is not known of it.
type origin struct {
	base    due.Base
	tree    due.Tree
	missing string
}

// start finds what the interval counts from: the last time that it was done, else its start event.
func start(r *compliancev1.Requirement, done []*compliancev1.Accomplishment) origin {
	if len(done) > 0 {
		tree := treeOf(r.GetRepeat())
		return origin{tree: tree, base: baseOf(r, done, tree)}
	}
	if r.GetInitial() == nil {
		return origin{missing: "No record says when it was last done; it does not count as compliant"}
	}
	o := origin{tree: treeOf(r.GetInitial()), base: due.Base{Date: dateOf(r.GetEffectiveDate())}}
	switch event := r.GetStartEvent(); {
	case event == compliancev1.Requirement_INSTALLATION, event == compliancev1.Requirement_OVERHAUL_DONE:
		o.missing = "It counts from " + event.String() + ", of which there is no record here; enter when it was last done"
	case event == compliancev1.Requirement_EFFECTIVE_DATE && o.tree.CountsUse():
		o.missing = "It counts from the counters on the effective date, which are not recorded here; enter when it was last done"
	case o.base.Date.IsZero() && o.tree.CountsDays():
		o.missing = "The requirement has no date to count from"
	}
	return o
}
