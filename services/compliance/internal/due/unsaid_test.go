package due_test

import (
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// A limit that does not say what it counts is counted by nothing: neither starts nor the calendar stand in for it, and the limits beside it, which
// may be the ones that come later, don't speak for the requirement (R09: UNKNOWN never counts as compliant).
func TestALimitWithoutAUnitTellsNothing(t *testing.T) {
	now := due.Now{Today: civil.Date{Year: 2026, Month: 3, Day: 2}, Counters: due.Counters{Seconds: 10, Cycles: 10, Starts: 10}}
	base := due.Base{Date: civil.Date{Year: 2026, Month: 1, Day: 2}}
	hours := due.Limit{Unit: due.Hours, Amount: 3600}
	for name, tree := range map[string]due.Tree{
		"alone":     {Limits: []due.Limit{{Amount: 500}}},
		"since new": {Limits: []due.Limit{{Amount: 500, SinceNew: true}}},
		"first of":  {Limits: []due.Limit{hours, {Amount: 500}}},
		"last of":   {Later: true, Limits: []due.Limit{{Amount: 500}, hours}},
		"within":    {Limits: []due.Limit{hours}, Trees: []due.Tree{{Later: true, Limits: []due.Limit{hours, {Amount: 500}}}}},
		"unheard":   {Limits: []due.Limit{{Unit: 8, Amount: 500}}},
		"negative":  {Limits: []due.Limit{{Unit: -1, Amount: 500}}},
	} {
		r := tree.Compute(base, now, due.DefaultThreshold)
		if r.Band != due.NoData || r.Driving >= 0 || !r.Date.IsZero() || len(r.Left) > 0 || !strings.Contains(r.Explain(), "does not say what it counts, so nothing can be told") {
			t.Errorf("%s: %+v: %s", name, r, r.Explain())
		}
		if soft := r.Softened(); soft.Band != due.NoData {
			t.Errorf("%s, soft: %s", name, soft.Band)
		}
		next := due.FixedGrid.Next(base, due.Base{Date: base.Date, Counters: now.Counters}, due.Tree{Limits: []due.Limit{{Amount: 500}}})
		if next.Counters.Starts != 10 {
			t.Errorf("%s: it moved the starts that the next interval counts from to %d", name, next.Counters.Starts)
		}
	}
}
