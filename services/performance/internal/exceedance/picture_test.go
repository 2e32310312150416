package exceedance

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Worked out by hand from the straight lines of an invented start: 6.85 s at or over 805, 4.1 s at or over 830, 3 s at its peak of 840.
func TestHowLongAnEventWasAtOrOverAValue(t *testing.T) {
	chart := Chart{Reset: 5, Gap: 10, Zones: []Zone{{ID: "A", Severity: 1, Action: "act", Document: "paper", Corners: []Vertex{{20, 805}, {600, 805}, {600, 1000}, {20, 1000}}}}}
	events, err := chart.Judge([]Sample{{0, 760}, {4, 800}, {6, 840}, {9, 840}, {12, 790}, {20, 780}})
	if err != nil || len(events) != 1 {
		t.Fatalf("%v, %v", events, err)
	}
	for value, want := range map[float64]float64{700: 6.85, 805: 6.85, 830: 4.1, 840: 3, 840.001: 0, 2000: 0} {
		if got := events[0].AtOrOver(value); math.Abs(got-want) > 1e-9 {
			t.Errorf("%g s at or over %g, want %g", got, value, want)
		}
	}
	if !slices.Equal(events[0].Curve, events[0].Worst) {
		t.Error("without a gap there is no worse case")
	}
	if low := chart.Zones[0].Lowest(); low != 805 {
		t.Errorf("the zone begins at %g", low)
	}
}

// The time of a single event at or over a value is that of its trace, which TimeAbove counts from the stretches.
func TestTheCurveIsTheTimeAbove(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		chart := Chart{Reset: 1e6, Gap: 10, Zones: []Zone{{ID: "A", Action: "act", Document: "paper", Corners: []Vertex{{0, 800}, {1e6, 800}, {1e6, 1e6}, {0, 1e6}}}}}
		trace := []Sample{{0, 900}}
		for range rapid.IntRange(1, 20).Draw(t, "samples") {
			trace = append(trace, Sample{trace[len(trace)-1].At + rapid.Float64Range(0.5, 15).Draw(t, "apart"), rapid.Float64Range(700, 1000).Draw(t, "value")})
		}
		events, err := chart.Judge(trace)
		if err != nil || len(events) != 1 {
			t.Fatalf("%v, %v", events, err)
		}
		value := rapid.Float64Range(800, 1000).Draw(t, "at or over")
		want, err := TimeAbove(trace, value, chart.Gap)
		if got := events[0].AtOrOver(value); err != nil || math.Abs(got-want) > 1e-6 {
			t.Fatalf("%g s at or over %g, want %g, %v", got, value, want, err)
		}
	})
}
