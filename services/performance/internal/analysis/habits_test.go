package analysis

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/baseline"
)

// habitual is a hypothesis under rules.
func habitual(t *testing.T, cause string, rules Rules) hypothesis {
	t.Helper()
	for _, h := range signaturesOf(rules).hypotheses {
		if h.name == cause {
			return h
		}
	}
	t.Fatalf("no cause %s", cause)
	return hypothesis{}
}

// A cause comes as big in °C whatever size its signature was written down for; how often and how fast are the engine's own.
func TestHabitsAreTheEnginesOwn(t *testing.T) {
	usually := habitual(t, "bleed_leak", Rules{})
	written := func(times, size float64) hypothesis {
		return habitual(t, "bleed_leak", Rules{
			Signatures: map[string]baseline.Values{"bleed_leak": {ITT: 8.9 * times, Ng: 0.02 * times, Fuel: 1.11 * times}},
			Habits:     map[string]Habit{"bleed_leak": {Size: size, Prior: 5, Slow: 0.4}},
		})
	}
	for _, times := range []float64{0.5, 1, 3} {
		h := written(times, 2/times)
		if got := h.scale * h.signature[0]; math.Abs(got-2*8.9) > 1e-9 || h.prior != 5 || h.slow != 0.4 {
			t.Errorf("written for %v units it is %v °C, prior %v, slow %v", times, got, h.prior, h.slow)
		}
		if h := written(times, 0); math.Abs(h.scale*h.signature[0]-usually.scale*8.9) > 1e-9 {
			t.Errorf("written for %v units without a size it is %v °C", times, h.scale*h.signature[0])
		}
	}
	for name, none := range map[string]Habit{"nothing": {}, "no share": {Slow: 1}, "below": {Size: -1, Prior: -1, Slow: -1}} {
		if h := habitual(t, "bleed_leak", Rules{Habits: map[string]Habit{"bleed_leak": none}}); h != usually {
			t.Errorf("%s: %+v", name, h)
		}
	}
}

// What comes more often on an engine is found more probable there, and kinds of dirt spread as it says.
func TestPriorsAndKindsOfDirtMoveTheWeights(t *testing.T) {
	s := newScatter()
	c := change{size: vector{9, 0.1, 1}, gain: 40, precision: 12, days: 10}
	leak := func(rules Rules) float64 {
		causes, _ := signaturesOf(rules).isolate(c, change{}, &s)
		for _, x := range causes {
			if x.Name == "bleed_leak" {
				return x.Probability
			}
		}
		return 0
	}
	usually, often := leak(Rules{}), leak(Rules{Habits: map[string]Habit{"bleed_leak": {Prior: 10}}})
	if odds := often / (1 - often) / (usually / (1 - usually)); math.Abs(odds-10) > 1e-6 {
		t.Errorf("ten times as often: odds %v times, from %v to %v", odds, usually, often)
	}
	g := signaturesOf(Rules{MoreFlow: baseline.Values{ITT: 1}, FlowSpread: 2})
	if want := g.dirt[0]*g.dirt[0] + 4; math.Abs(g.spread[0]-want) > 1e-9 || g.spread[5] != g.dirt[2]*g.dirt[2] {
		t.Errorf("spread %v, want %v", g.spread, want)
	}
}
