package due_test

import (
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/due"
)

// A table never permits more than its share and its most, and a longer interval of one row never less; stated amounts hold where the
// table has no row.
func TestATableNeverPermitsMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := due.Step{Unit: due.Cycles, Percent: rapid.Int64Range(1, 100).Draw(t, "percent"), Most: rapid.Int64Range(0, 400).Draw(t, "most")}
		interval := rapid.Int64Range(1, 20000).Draw(t, "interval")
		v, ok := due.Variation([]due.Step{step}, due.Cycles, interval)
		if !ok || v*100 > interval*step.Percent || step.Most > 0 && v > step.Most {
			t.Fatalf("%d of %d by %v", v, interval, step)
		}
		if longer, _ := due.Variation([]due.Step{step}, due.Cycles, interval+1); longer < v {
			t.Fatalf("%d of %d, and %d of one more", v, interval, longer)
		}
	})
}

func TestTheMoreRestrictiveOfSeveralLimitsHolds(t *testing.T) {
	table := []due.Step{{Unit: due.Hours, Percent: 10}, {Unit: due.Cycles, Percent: 10}}
	tree := due.Tree{
		Limits: []due.Limit{{Unit: due.Hours, Amount: 3000}, {Unit: due.Months, Amount: 12}},
		Trees:  []due.Tree{{Limits: []due.Limit{{Unit: due.Hours, Amount: 2000}, {Unit: due.Cycles, Amount: 99}}}},
	}
	got := due.Permitted(due.Extension{Seconds: 1, Cycles: 2, Days: 3}, table, tree)
	if want := (due.Extension{Seconds: 200, Cycles: 9, Days: 3}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := due.Permitted(due.Extension{Seconds: 1, Days: 3}, table[1:], due.Tree{Limits: tree.Limits}); got != (due.Extension{Seconds: 1, Days: 3}) {
		t.Errorf("%+v", got)
	}
	if _, ok := due.Variation([]due.Step{{Unit: due.Hours, Longest: 10, Percent: 10}}, due.Hours, 11); ok {
		t.Error("a row for shorter intervals was used")
	}
}

// Only what is past, or can't be told, keeps a thing on the ground; a soft life that is past does not.
func TestASoftLifeNeedsAttention(t *testing.T) {
	for _, b := range []due.Band{due.Current, due.Near, due.Due, due.InTolerance, due.Overdue, due.NoData} {
		soft := due.Result{Band: b}.Softened().Band
		if want := map[bool]due.Band{true: due.Attention, false: b}[b == due.Overdue]; soft != want {
			t.Errorf("%s became %s", b, soft)
		}
		if may := b.MayOperate(); may != (b != due.Overdue && b != due.NoData) || b == due.Overdue && !soft.MayOperate() {
			t.Errorf("%s: may operate %t", b, may)
		}
	}
}
