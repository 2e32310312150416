package server_test

import (
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// What is done again and again after each fitting starts a new period with the next one: what was done before says nothing of the new joints. What the
// policy says of what is late goes for the fitting, too, and a fixed grid goes on; what was past when it came off stays past until it is done (handbook 2.4:
// start_event INSTALL; our own reading of both together).
func TestAFittingStartsARepeatingRequirementAgain(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		policies := map[string]compliancev1.Requirement_Rebase{
			"done": compliancev1.Requirement_FROM_DONE, "late": compliancev1.Requirement_FROM_DUE_IF_LATE, "grid": compliancev1.Requirement_FIXED_GRID,
			"over": compliancev1.Requirement_FROM_DUE_IF_LATE,
		}
		for id, policy := range policies {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.StartEvent, r.Rebase = compliancev1.Requirement_INSTALLATION, policy
				r.Initial, r.Repeat = limit(compliancev1.IntervalLimit_HOURS, 25*3600), limit(compliancev1.IntervalLimit_HOURS, 10*3600)
				if id == "over" {
					r.Repeat = limit(compliancev1.IntervalLimit_HOURS, 3*3600)
				}
			})
			w.wantDueAt(id, 1025)
		}
		must(w.flown(4, 5))(t)
		w.clock.Advance(time.Hour)
		for id := range policies {
			w.done(id, 1005, on(2026, 3, 5))
		}
		want := func(when string, hours map[string]int64) {
			t.Helper()
			for id, h := range hours {
				if got := w.item(id); len(got.GetRemaining()) != 1 || got.GetRemaining()[0].GetDueCounter() != h*3600 {
					t.Errorf("%s, %s: %v, want due at %d h", when, id, got, h)
				}
			}
		}
		want("done", map[string]int64{"done": 1015, "late": 1015, "grid": 1015, "over": 1008})
		must(w.flown(7, 6))(t)
		if err := w.remove(on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		want("taken off", map[string]int64{"done": 1015, "late": 1015, "grid": 1015, "over": 1008})
		before := w.clock.Now()
		w.clock.Advance(time.Hour)
		if err := w.install("one", on(2026, 3, 12)); err != nil {
			t.Fatal(err)
		}
		want("fitted again", map[string]int64{"done": 1011 + 25, "late": 1011 + 25, "grid": 1015, "over": 1008})
		w.wantBand("done", compliancev1.DueItem_NEAR, "hours: from 1011:00 h + 25:00 h = 1036:00 h, now 1011:00 h as of 2026-03-07, left 25:00 h")
		w.wantBand("done", compliancev1.DueItem_NEAR, "It was last done on 2026-03-05 at 1005:00 h and 0 cycles; it was fitted on 2026-03-12, and counts from then")
		for _, item := range w.then("engines/one", before, before).GetDueItems() {
			if due := item.GetRemaining()[0].GetDueCounter(); due != 1015*3600 && item.GetRequirementCode() != "over" {
				t.Errorf("as it was known before it was fitted again: %v", item)
			}
		}
		must(w.flown(12, 2))(t) // counts for the new period
		w.done("done", 1014, on(2026, 3, 13))
		w.done("late", 1014, on(2026, 3, 13))
		want("done in the new period", map[string]int64{"done": 1024, "late": 1024})
		must(w.flown(14, 3))(t)
		if err := w.remove(on(2026, 3, 15)); err != nil {
			t.Fatal(err)
		}
		w.wantDueAt("done", 1024)
		w.wantBand("over", compliancev1.DueItem_OVERDUE, "It was past when it came off on 2026-03-10, so fitting it again started nothing; do it.")
		if err := w.install("one", on(2026, 3, 16)); err != nil {
			t.Fatal(err)
		}
		want("a third time", map[string]int64{"done": 1016 + 25, "late": 1016 + 25, "grid": 1015, "over": 1008})
		if err := w.restarted().RecomputeAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		want("worked out anew", map[string]int64{"done": 1016 + 25, "late": 1016 + 25, "grid": 1015, "over": 1008})
		w.done("done", 1016, on(2026, 3, 16)) // on the day of the fitting it is done after it
		want("done on the day", map[string]int64{"done": 1026})
	})
}

// An extension is for one occasion: it ends with the period that it was granted in, also where a fitting or an overhaul ends that.
func TestAnExtensionEndsWithTheFittingOrTheOverhaulAfterIt(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(3 * 24 * time.Hour)
		for id, event := range map[string]compliancev1.Requirement_StartEvent{
			"fitted": compliancev1.Requirement_INSTALLATION, "never": compliancev1.Requirement_INSTALLATION, "overhauled": compliancev1.Requirement_OVERHAUL_DONE,
		} {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.StartEvent, r.Initial = event, limit(compliancev1.IntervalLimit_HOURS, 25*3600)
				r.Tolerance = &compliancev1.Tolerance{OperatingSeconds: 10 * 3600, Document: document}
			})
			if id != "never" {
				w.done(id, 1000, on(2026, 3, 2))
			}
			got := must(w.extend(id, extension(8), "quality"))(t)
			if got.GetExtension() == nil {
				t.Errorf("%v", got)
			}
		}
		w.inspect("tbo", func(r *compliancev1.Requirement) {
			r.Kind, r.Repeat = compliancev1.Requirement_OVERHAUL, limit(compliancev1.IntervalLimit_HOURS, 3600*3600)
		})
		if err := w.remove(on(2026, 3, 5)); err != nil {
			t.Fatal(err)
		}
		w.clock.Advance(4 * 24 * time.Hour)
		w.done("tbo", 1000, on(2026, 3, 8))
		if err := w.install("one", on(2026, 3, 9)); err != nil {
			t.Fatal(err)
		}
		for _, id := range []string{"fitted", "never", "overhauled"} {
			w.wantDueAt(id, 1025)
			if got := w.item(id); got.GetExtension() != nil {
				t.Errorf("%s has still %v", id, got)
			}
		}
	})
}
