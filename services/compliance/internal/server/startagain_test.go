package server_test

import (
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// What is done once after each fitting is due again after the next one: that it was done after the one before says nothing of the new joints (common practice,
// no source). As it was known before the swap, it was done once and for all.
func TestWhatIsDoneOnceAfterAFittingIsDueAfterTheNextOne(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		w.inspect("leak", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Initial, r.Repeat = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_HOURS, 25*3600), nil
		})
		w.wantDueAt("leak", 1025)
		must(w.flown(4, 5))(t)
		w.done("leak", 1005, on(2026, 3, 5))
		w.wantBand("leak", compliancev1.DueItem_EXEMPT, "Done once and for all on 2026-03-05")
		if err := w.remove(on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		w.wantBand("leak", compliancev1.DueItem_EXEMPT, "Done once and for all")
		before := w.clock.Now()
		w.clock.Advance(time.Hour)
		if err := w.install("one", on(2026, 3, 12)); err != nil {
			t.Fatal(err)
		}
		w.wantDueAt("leak", 1030)
		w.wantBand("leak", compliancev1.DueItem_NEAR, "It was last done on 2026-03-05 at 1005:00 h and 0 cycles, and counts from when it was due or from the event that starts it")
		if then := w.then("engines/one", before, before).GetDueItems(); len(then) != 1 || then[0].GetBand() != compliancev1.DueItem_EXEMPT {
			t.Errorf("before the second fitting: %v", then)
		}
		w.done("leak", 1006, on(2026, 3, 12))
		w.wantBand("leak", compliancev1.DueItem_EXEMPT, "Done once and for all on 2026-03-12")
	})
}

// So is what is done once after each overhaul.
func TestWhatIsDoneOnceAfterAnOverhaulIsDueAfterTheNextOne(t *testing.T) {
	onEngines(t, func(_ *testing.T, w *world) {
		w.inspect("tbo", func(r *compliancev1.Requirement) {
			r.Kind, r.Repeat = compliancev1.Requirement_OVERHAUL, limit(compliancev1.IntervalLimit_HOURS, 3600*3600)
		})
		w.inspect("retorque", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Initial, r.Repeat = compliancev1.Requirement_OVERHAUL_DONE, limit(compliancev1.IntervalLimit_HOURS, 50*3600), nil
		})
		w.done("tbo", 900, on(2026, 1, 10))
		w.wantDueAt("retorque", 950)
		w.done("retorque", 940, on(2026, 1, 20))
		w.wantBand("retorque", compliancev1.DueItem_EXEMPT, "Done once and for all")
		w.done("tbo", 990, on(2026, 2, 20))
		w.wantDueAt("retorque", 1040)
		w.done("retorque", 995, on(2026, 2, 25))
		w.wantBand("retorque", compliancev1.DueItem_EXEMPT, "Done once and for all on 2026-02-25")
	})
}
