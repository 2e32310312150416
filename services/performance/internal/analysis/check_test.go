package analysis

import (
	"math"
	"strings"
	"testing"
	"time"
)

var began = time.Date(2026, time.May, 1, 6, 0, 0, 0, time.UTC)

// unsettled is a change that is half dirt, half an indication, with a little of something else.
func unsettled() Shift {
	causes := []Cause{{Name: "itt_indication", Probability: 0.5}, {Name: fouling, Probability: 0.49}, {Name: "inlet", Probability: 0.01}}
	return Shift{DetectedAt: began.AddDate(0, 0, 9), Onset: began, Causes: causes}
}

func probability(s Shift, cause string) float64 {
	for _, c := range s.Causes {
		if c.Name == cause {
			return c.Probability
		}
	}
	return math.NaN()
}

// The odds of a cause fall or rise twentyfold, worked out by hand: 0.5 / 20 of 0.025 + 0.5, and 10 of 10.5.
func TestACheckMovesTheOddsOfItsCause(t *testing.T) {
	for _, c := range []struct {
		sound bool
		want  float64
		first string
		named bool
	}{{true, 0.025 / 0.525, fouling, true}, {false, 10 / 10.5, "itt_indication", false}} {
		before := unsettled()
		s := Weighed(before, []Check{{began.AddDate(0, 0, 20), "itt_indication", c.sound, ""}})
		if got := probability(s, "itt_indication"); math.Abs(got-c.want) > 1e-12 || s.Causes[0].Name != c.first || len(s.Steps) != 1 {
			t.Errorf("sound %v: %v", c.sound, s)
		}
		if evidence := strings.Join(append(s.Causes[0].For, s.Causes[1].Against...), " "); !strings.Contains(evidence, "2026-05-21") {
			t.Errorf("sound %v: %q", c.sound, evidence)
		}
		if before.Causes[0].Probability != 0.5 || before.Causes[0].For != nil || before.Causes[0].Against != nil {
			t.Error("the shift before is changed")
		}
		if s.Named != named(s.Causes) {
			t.Errorf("named %v", s.Named)
		}
	}
}

// A check before the change says nothing of it; of two the newest counts, in either order; one of another cause changes nothing.
func TestOnlyTheNewestCheckSinceTheOnsetCounts(t *testing.T) {
	early, first := Check{began.AddDate(0, 0, -1), "itt_indication", true, ""}, Check{began.AddDate(0, 0, 5), "itt_indication", false, ""}
	last := Check{began.AddDate(0, 0, 6), "itt_indication", true, ""}
	if s := Weighed(unsettled(), []Check{early}); probability(s, "itt_indication") != 0.5 || len(s.Steps) != 0 {
		t.Errorf("%v", s)
	}
	if s := Weighed(unsettled(), []Check{{first.At, "combustion", false, ""}}); len(s.Steps) != 0 {
		t.Errorf("%v", s)
	}
	for _, checks := range [][]Check{{first, last}, {last, first}, {first, last, early, last}} {
		if s := Weighed(unsettled(), checks); math.Abs(probability(s, "itt_indication")-0.025/0.525) > 1e-12 || len(s.Steps) != 1 {
			t.Errorf("%v", s)
		}
	}
}
