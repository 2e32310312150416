package main

import (
	"slices"
	"strings"
	"testing"
)

// Every goal can be missed, each by the one figure that it is about.
func TestEachGoalCanBeMissed(t *testing.T) {
	good := func() *result {
		return &result{
			healthy: 5, falseAdvices: 1, steps: share{6, 6}, ramps: share{2, 2}, honest: share{85, 100}, wrong: share{5, 100},
			itt: share{90, 100}, ng: share{85, 100}, fuel: share{95, 100}, caught: share{9, 10}, rejected: share{1, 100},
		}
	}
	if lines := good().goals(); len(lines) != 8 || slices.ContainsFunc(lines, func(l string) bool { return strings.HasPrefix(l, "MISSED") }) {
		t.Errorf("%q", lines)
	}
	for what, spoil := range map[string]func(*result){
		"false advice":   func(r *result) { r.falseAdvices = 2 },
		"steps":          func(r *result) { r.steps.hit-- },
		"slow ramps":     func(r *result) { r.ramps.hit-- },
		"right or":       func(r *result) { r.honest.hit-- },
		"firmly wrong":   func(r *result) { r.wrong.hit++ },
		"intervals":      func(r *result) { r.itt.hit -= 20 },
		"mistakes":       func(r *result) { r.caught.hit-- },
		"good readings ": func(r *result) { r.rejected.hit++ },
	} {
		r := good()
		spoil(r)
		var missed []string
		for _, l := range r.goals() {
			if strings.HasPrefix(l, "MISSED") {
				missed = append(missed, l)
			}
		}
		if len(missed) != 1 || !strings.Contains(missed[0], what) {
			t.Errorf("%s: %q", what, missed)
		}
	}
}
