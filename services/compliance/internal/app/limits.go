package app

import (
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
)

// baseOf follows the rebase policy through every time that it was done.
func baseOf(r *compliancev1.Requirement, done []*store.Record, tree due.Tree) (base due.Base) {
	policy := policyOf(r)
	for _, a := range done {
		base = policy.Next(base, doneAt(a), tree)
	}
	return base
}

func policyOf(r *compliancev1.Requirement) due.Rebase {
	switch r.GetRebase() {
	case compliancev1.Requirement_FROM_DUE_IF_LATE:
		return due.FromDueIfLate
	case compliancev1.Requirement_FIXED_GRID:
		return due.FixedGrid
	case compliancev1.Requirement_REBASE_UNSPECIFIED, compliancev1.Requirement_FROM_DONE:
	}
	return due.FromDone
}

// doneAt is a record as an interval counts from it.
func doneAt(a *store.Record) due.Base { return due.Base{Date: a.DoneDate, Counters: a.Counters} }

func countersOf(c *compliancev1.Counters) due.Counters {
	return due.Counters{Seconds: c.GetOperatingSeconds(), Cycles: c.GetCycles(), Starts: c.GetStarts()}
}

func thresholdOf(n *compliancev1.NearThreshold) due.Threshold {
	if n == nil {
		return due.DefaultThreshold
	}
	return due.Threshold{Days: int64(n.GetDays()), Seconds: n.GetOperatingSeconds(), Cycles: n.GetCycles()}
}

func treeOf(t *compliancev1.LimitTree) due.Tree {
	out := due.Tree{Later: t.GetCombine() == compliancev1.LimitTree_LATER}
	for _, l := range t.GetLimits() {
		out.Limits = append(out.Limits, due.Limit{Unit: due.Unit(l.GetUnit()), Amount: l.GetAmount(), Fixed: dateOf(l.GetFixedDate()), SinceNew: l.GetAbsolute()})
	}
	for _, sub := range t.GetTrees() {
		out.Trees = append(out.Trees, treeOf(sub))
	}
	return out
}
