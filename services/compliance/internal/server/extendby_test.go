package server_test

import (
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// tenth is a table of permitted variations of a tenth of an interval in hours.
var tenth = &compliancev1.Tolerance{Document: document, Steps: []*compliancev1.VariationStep{{Unit: compliancev1.IntervalLimit_HOURS, Percent: 10}}}

// An extension is held against the limits that the item counts by. From a start event these are the repeated ones where the requirement has no others for
// the first time, and after an overhaul the first ones again: a tenth of the wrong interval is too much or too little.
func TestAnExtensionIsHeldAgainstTheLimitsThatCount(t *testing.T) {
	const first, repeated = 100, 300
	hours := func(n int64) *compliancev1.LimitTree { return limit(compliancev1.IntervalLimit_HOURS, n*3600) }
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("tbo", func(r *compliancev1.Requirement) { r.Kind, r.Repeat = compliancev1.Requirement_OVERHAUL, hours(3600) })
		w.inspect("fitted", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Repeat, r.Tolerance = compliancev1.Requirement_INSTALLATION, hours(repeated), tenth
		})
		for _, id := range []string{"overhauled", "worked", "plain"} {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.Initial, r.Repeat, r.Tolerance = hours(first), hours(repeated), tenth
			})
		}
		for _, id := range []string{"overhauled", "worked"} {
			w.revise(id, func(r *compliancev1.Requirement) { r.StartEvent = compliancev1.Requirement_OVERHAUL_DONE }, "start_event")
		}
		w.done("overhauled", 910, on(2025, 12, 1))
		w.done("tbo", 950, on(2026, 1, 10))
		w.done("worked", 960, on(2026, 1, 20))
		w.done("plain", 960, on(2026, 1, 20))
		for id, most := range map[string]int64{"fitted": repeated / 10, "overhauled": first / 10, "worked": repeated / 10, "plain": repeated / 10} {
			_, err := w.extend(id, extension(most+1), "quality")
			refused(t, err, "EXTENSION_TOO_LONG")
			got, err := w.extend(id, extension(most), "quality")
			if err != nil || got.GetExtension().GetOperatingSeconds() != most*3600 || got.GetExtension().GetCutReason() != "" {
				t.Errorf("%s by %d h: %v, %v", id, most, got.GetExtension(), err)
			}
		}
	})
}
