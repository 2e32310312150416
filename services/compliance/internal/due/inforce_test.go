package due_test

import (
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/due"
)

// What counts of an extension is what was granted and is permitted still, whichever is less, and nothing in a unit that has no limit any more.
func TestWhatCountsOfAnExtensionFollowsTheRulesOfToday(t *testing.T) {
	granted := due.Extension{Seconds: 8 * 3600, Cycles: 6, Days: 10, Stop: today}
	all := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: 1}, {Unit: due.Cycles, Amount: 1}, {Unit: due.Months, Amount: 1}}}
	for name, c := range map[string]struct {
		class     due.Class
		permitted due.Extension
		limits    due.Tree
		want      due.Extension
		why       string
	}{
		"as much as before": {due.Programme, granted, all, granted, ""},
		"more than before":  {due.Programme, due.Extension{Seconds: 1 << 30, Cycles: 99, Days: 99}, all, granted, ""},
		"less": {
			due.Programme, due.Extension{Seconds: 4 * 3600, Cycles: 6, Days: 3}, all, due.Extension{Seconds: 4 * 3600, Cycles: 6, Days: 3, Stop: today},
			"8:00 h were granted, 4:00 h are permitted now; 10 days were granted, 3 days are permitted now",
		},
		"nothing": {
			due.Programme, due.Extension{}, all, due.Extension{Stop: today},
			"8:00 h were granted, 0:00 h are permitted now; 6 cycles were granted, 0 cycles are permitted now; 10 days were granted, 0 days are permitted now",
		},
		"no limit in cycles or days left": {
			due.Programme, granted, due.Tree{Trees: []due.Tree{{Limits: []due.Limit{{Unit: due.Hours, Amount: 1}}}}}, due.Extension{Seconds: 8 * 3600, Stop: today},
			"6 cycles were granted, 0 cycles are permitted now; 10 days were granted, 0 days are permitted now",
		},
		"a directive by now":  {due.Directive, granted, all, due.Extension{Stop: today}, "a directive is never extended"},
		"a life limit by now": {due.LifeLimit, granted, all, due.Extension{Stop: today}, "a life limit is never extended"},
	} {
		got, why := c.class.InForce(granted, c.permitted, c.limits)
		if got != c.want || why != c.why {
			t.Errorf("%s: %+v, %q", name, got, why)
		}
	}
}

// What is in force may always be granted anew: the two rules are one.
func TestWhatIsInForceMayBeGranted(t *testing.T) {
	amounts := func(t *rapid.T, what string) due.Extension {
		return due.Extension{
			Seconds: rapid.Int64Range(0, 50).Draw(t, what+" seconds"), Cycles: rapid.Int64Range(0, 50).Draw(t, what+" cycles"),
			Days: rapid.Int64Range(0, 50).Draw(t, what+" days"),
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		granted, permitted, limits := amounts(t, "granted"), amounts(t, "permitted"), due.Tree{Limits: []due.Limit{oneLimit(t), oneLimit(t)}}
		class := rapid.SampledFrom([]due.Class{due.Programme, due.Directive, due.LifeLimit}).Draw(t, "class")
		left, why := class.InForce(granted, permitted, limits)
		if (why == "") != (left == granted) && !granted.Empty() {
			t.Fatalf("%+v of %+v for %q", left, granted, why)
		}
		if !left.Empty() && class.May(left, permitted, limits) != nil {
			t.Fatalf("%+v of %+v is in force, and would be refused", left, granted)
		}
		if again, _ := class.InForce(left, permitted, limits); again != left {
			t.Fatalf("cut twice: %+v, then %+v", left, again)
		}
	})
}
