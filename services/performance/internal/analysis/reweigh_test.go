package analysis_test

import (
	"math"
	"strings"
	"testing"

	"coldsection.example/services/performance/internal/analysis"
)

// told is the first change found from the onset on.
func told(t *testing.T, r *analysis.Result) analysis.Shift {
	t.Helper()
	for _, s := range r.Shifts {
		if !s.DetectedAt.Before(start.AddDate(0, 0, onset)) {
			return s
		}
	}
	t.Fatal("nothing was found")
	return analysis.Shift{}
}

func probability(causes []analysis.Cause, name string) float64 {
	for _, c := range causes {
		if c.Name == name {
			return c.Probability
		}
	}
	return 0
}

// More readings make the right cause more probable on average, and the last step is what is said now.
func TestCausesAreWeighedAgainAsReadingsCome(t *testing.T) {
	m := model(t)
	first, last := 0.0, 0.0
	const engines = 12
	for seed := range uint64(engines) {
		r := analysis.Analyse(m, live(100+seed, life, 0.5, leak, step(1.3)), washes(life), analysis.Rules{})
		s := told(t, &r)
		first += probability(s.Steps[0].Causes, "bleed_leak") / engines
		last += probability(s.Causes, "bleed_leak") / engines
		for i, x := range s.Steps {
			total := 0.0
			for _, c := range x.Causes {
				total += c.Probability
			}
			if math.Abs(total-1) > 1e-9 || x.Evidence == "" || i == 0 && !x.At.Equal(s.DetectedAt) || i > 0 && !x.At.After(s.Steps[i-1].At) {
				t.Errorf("step %d of %d: %+v", i, len(s.Steps), x)
			}
		}
	}
	if last < first+0.05 || last < 0.95 {
		t.Errorf("the leak has the probability %.2f at its detection and %.2f at last", first, last)
	}
}

// A step rests on the readings up to its time only.
func TestNoStepLooksAhead(t *testing.T) {
	m := model(t)
	readings := live(103, life, 0.5, leak, step(1.3))
	r := analysis.Analyse(m, readings, washes(life), analysis.Rules{})
	whole := told(t, &r)
	for i, s := range whole.Steps {
		n := 0
		for n < len(readings) && !readings[n].At.After(s.At) {
			n++
		}
		part := analysis.Analyse(m, readings[:n], washes(n), analysis.Rules{})
		then := told(t, &part)
		if len(then.Steps) != i+1 || then.Steps[i].Evidence != s.Evidence || then.Steps[i].Causes[0].Name != s.Causes[0].Name {
			t.Errorf("step %d is %+v with the readings up to then, %+v with all", i, then.Steps[len(then.Steps)-1], s)
		}
	}
}

// The same rise, told as dirt: a wash that does nothing makes dirt less probable and one that recovers no less so, and each
// stands in the evidence.
func TestTheResponseToAWashIsEvidence(t *testing.T) {
	const engines = 10
	against, pro := 0, 0
	for seed := range uint64(engines) {
		if before, now, cause := washedAt280(t, seed, 1); now < before && strings.Contains(strings.Join(cause.Against, " "), "did not take it off") {
			against++
		}
		if before, now, cause := washedAt280(t, seed, 0.2); now >= before && strings.Contains(strings.Join(cause.For, " "), "recovered, as after dirt") {
			pro++
		}
	}
	if against < engines*7/10 || pro < engines*7/10 {
		t.Errorf("of %d engines each: %d count the wash that did nothing against dirt, %d the wash that recovered for it", engines, against, pro)
	}
}

// washedAt280 is an engine that fouls fast and is washed on day 280, after which this share of the dirt is left: how probable
// dirt was in the last step before the wash was known, and is now.
func washedAt280(t *testing.T, seed uint64, left float64) (before, now float64, cause analysis.Cause) {
	t.Helper()
	dirt := func(day int) float64 {
		much := min(1.6, 0.05*float64(max(0, day-onset)))
		if day >= 280 {
			much *= left
		}
		return much
	}
	readings := live(700+seed, 340, 0, fouling, dirt)
	r := analysis.Analyse(model(t), readings[:280], nil, analysis.Rules{})
	s := told(t, &r)
	before = probability(s.Causes, "fouling")
	r = analysis.Analyse(model(t), readings, wash(280), analysis.Rules{})
	s = told(t, &r)
	for _, c := range s.Causes {
		if c.Name == "fouling" {
			cause = c
		}
	}
	return before, cause.Probability, cause
}

// An engine whose indication jumps every fifty days has its newest 40 changes told, each with what was learned of it, so that neither the
// tracker nor an answer grows with its age.
func TestTheNewestChangesAreKept(t *testing.T) {
	m := model(t)
	jumps := func(day int) float64 { return 2 * float64(day/50%2) }
	at := func(days int) []analysis.Shift {
		return analysis.Analyse(m, live(9, days, 0, probe, jumps), nil, analysis.Rules{}).Shifts
	}
	early, late := at(1500), at(3500)
	if len(early) < 20 || len(early) >= 40 || len(late) != 40 {
		t.Fatalf("%d changes in 1,500 days, %d in 3,500", len(early), len(late))
	}
	if first, last := late[0].DetectedAt.Sub(start).Hours()/24, late[39].DetectedAt.Sub(start).Hours()/24; first < 1000 || last < 3400 {
		t.Errorf("from day %.0f to %.0f", first, last)
	}
	for i := 1; i < len(late); i++ {
		if !late[i].DetectedAt.After(late[i-1].DetectedAt) || len(late[i].Steps) == 0 || len(late[i].Causes) == 0 {
			t.Errorf("change %d: %+v", i, late[i])
		}
	}
}
