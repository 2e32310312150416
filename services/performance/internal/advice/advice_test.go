package advice

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func rule(cause string, hours float64) Reason {
	kind := "recovery_wash"
	if cause == "environment" {
		kind = "salt_rinse"
	}
	return Reason{Cause: cause, Kind: kind, Known: true, Hours: hours, Text: cause}
}

func TestTheEarliestDecides(t *testing.T) {
	silent := Reason{Cause: "economics", Kind: "recovery_wash", Text: "no price of fuel"}
	for name, c := range map[string]struct {
		reasons     []Reason
		wash, rinse string
	}{
		"programme first":      {[]Reason{rule("trend", 40), rule("programme", 12), silent}, "programme", ""},
		"overdue":              {[]Reason{rule("trend", -3), rule("programme", 12)}, "trend", ""},
		"a rinse before it":    {[]Reason{rule("programme", 12), rule("environment", 2)}, "programme", "environment"},
		"a wash is a rinse":    {[]Reason{rule("programme", 1), rule("environment", 2)}, "programme", ""},
		"nothing is known":     {[]Reason{silent}, "", ""},
		"nothing":              {nil, "", ""},
		"no number is unknown": {[]Reason{rule("trend", math.NaN()), rule("margin", math.Inf(-1)), rule("programme", 5)}, "programme", ""},
	} {
		a := Decide(c.reasons, nil)
		at := func(i int) string {
			if i < 0 {
				return ""
			}
			return a.Reasons[i].Cause
		}
		if at(a.Wash) != c.wash || at(a.Rinse) != c.rinse || len(a.Reasons) != len(c.reasons) || a.Blocked != "" {
			t.Errorf("%s: %+v", name, a)
		}
	}
}

func TestAWashIsNotAdvisedForWhatItCannotCure(t *testing.T) {
	hot := []Uncured{{Cause: "hot_section", Check: "Inspect the hot section.", Named: true}}
	a := Decide([]Reason{rule("trend", 0), rule("margin", 5)}, hot)
	if a.Wash >= 0 || !strings.Contains(a.Blocked, "hot_section") || !strings.Contains(a.Blocked, "Inspect") {
		t.Errorf("%+v", a)
	}
	a = Decide([]Reason{rule("trend", 0), rule("programme", 50)}, []Uncured{{Cause: "hot_section", Check: "Look."}})
	if a.Wash < 0 || a.Reasons[a.Wash].Cause != "programme" || !strings.Contains(a.Blocked, "dirt does not explain") || strings.Contains(a.Blocked, "hot_section") {
		t.Errorf("the programme binds, and a cause that is not named is not named: %+v", a)
	}
}

// A wash that is not advised for what it can't cure is no rinse either: a rinse for salt that it would have been stands again, as the salt is there
// whatever the readings say. Where the programme's wash stays, it stands when it comes before that.
func TestABlockedWashIsNoRinse(t *testing.T) {
	hot := []Uncured{{Cause: "sensor", Check: "Look."}, {Cause: "hot_section", Check: "Inspect the hot section.", Named: true}}
	unknown := Reason{Cause: "programme", Kind: "recovery_wash", Text: "no programme"}
	const blocked = "The readings changed as by hot_section, which no wash cures. Before a wash for the sake of the readings: Inspect the hot section."
	for name, c := range map[string]struct {
		reasons     []Reason
		wash, rinse string
	}{
		"the rinse stands again":         {[]Reason{rule("trend", 1), rule("environment", 2)}, "", "environment"},
		"before the programme's wash":    {[]Reason{rule("trend", 1), rule("environment", 2), rule("programme", 50)}, "programme", "environment"},
		"the programme's wash is one":    {[]Reason{rule("trend", 1), rule("programme", 2), rule("environment", 50)}, "programme", ""},
		"past others to the programme's": {[]Reason{rule("trend", 1), rule("margin", 2), rule("environment", 3), rule("economics", 4), rule("programme", 5)}, "programme", "environment"},
		"what is not known is not taken": {[]Reason{rule("trend", 1), unknown}, "", ""},
	} {
		a := Decide(c.reasons, hot)
		at := func(i int) string {
			if i < 0 {
				return ""
			}
			return a.Reasons[i].Cause
		}
		if at(a.Wash) != c.wash || at(a.Rinse) != c.rinse || a.Blocked != blocked {
			t.Errorf("%s: %+v", name, a)
		}
	}
	if a := Decide([]Reason{unknown, {Cause: "trend", Kind: "recovery_wash", Text: "unknown"}, rule("margin", 9)}, nil); a.Reasons[0].Cause != "margin" || a.Reasons[1].Known {
		t.Errorf("what is known comes first: %+v", a)
	}
}

func TestTheOrderOfReasonsDoesNotMatter(t *testing.T) {
	causes := []string{"trend", "economics", "programme", "environment", "margin"}
	rapid.Check(t, func(t *rapid.T) {
		hours := rapid.Permutation([]float64{-5, 1, 20, 300, 4000}).Draw(t, "hours")
		var reasons []Reason
		for i, c := range causes {
			reasons = append(reasons, rule(c, hours[i]))
		}
		a := Decide(reasons, nil)
		b := Decide(rapid.Permutation(reasons).Draw(t, "order"), nil)
		if a.Wash != b.Wash || a.Rinse != b.Rinse || a.Reasons[a.Wash] != b.Reasons[b.Wash] {
			t.Fatalf("%+v and %+v", a, b)
		}
	})
}
