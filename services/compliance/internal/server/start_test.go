package server_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

func (w *world) wantDueAt(id string, hours int64) {
	w.t.Helper()
	got := w.item(id)
	if len(got.GetRemaining()) == 0 || got.GetRemaining()[0].GetDueCounter() != hours*3600 {
		w.t.Errorf("%s: %v, want due at %d h", id, got, hours)
	}
}

// Row CMP-10 of the cases: an overhaul starts the interval of the hot section inspection again (common practice, no source): with
// 1,800 h after an overhaul at 3,550 h it is due at 5,350 h, though it was last done at 1,790 h. Row CMP-11: at the same time the
// next overhaul is due at 7,150 h.
func TestAnOverhaulStartsAnIntervalAgain(t *testing.T) {
	onEngines(t, func(_ *testing.T, w *world) {
		w.inspect("hsi", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Repeat = compliancev1.Requirement_OVERHAUL_DONE, limit(compliancev1.IntervalLimit_HOURS, 1800*3600)
		})
		w.wantBand("hsi", compliancev1.DueItem_NO_DATA, "counts from the last overhaul, of which there is no record")
		w.done("hsi", 1790, on(2025, 3, 1))
		w.wantDueAt("hsi", 3590)
		w.inspect("tbo", func(r *compliancev1.Requirement) {
			r.Kind, r.Repeat = compliancev1.Requirement_OVERHAUL, limit(compliancev1.IntervalLimit_HOURS, 3600*3600)
		})
		w.done("tbo", 3550, on(2026, 1, 10))
		w.wantDueAt("tbo", 7150)
		w.wantDueAt("hsi", 5350)
		w.done("hsi", 5300, on(2026, 2, 10))
		w.wantDueAt("hsi", 7100)
	})
}

// Rows DIR-05 to DIR-07 and DIR-09 of the cases: hours and cycles after the effective date count from the counters at the end of
// that day, also when flying before it is entered late; limits since new stand beside them.
func TestAfterTheEffectiveDateCountsFromTheCountersOfThatDay(t *testing.T) {
	onEngines(t, func(_ *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		must(w.flown(4, 5))(w.t)
		must(w.flown(12, 3))(w.t)
		for id, combine := range map[string]compliancev1.LimitTree_Combine{"first": compliancev1.LimitTree_FIRST, "later": compliancev1.LimitTree_LATER} {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.Kind, r.StartEvent, r.EffectiveDate = compliancev1.Requirement_DIRECTIVE, compliancev1.Requirement_EFFECTIVE_DATE, on(2026, 3, 10)
				r.Initial = limit(compliancev1.IntervalLimit_HOURS, 100*3600)
				r.Initial.Combine = combine
				r.Initial.Limits = append(r.Initial.Limits, &compliancev1.IntervalLimit{Unit: compliancev1.IntervalLimit_HOURS, Amount: 1010 * 3600, Absolute: true})
			})
			w.wantDueAt(id, 1105)
		}
		w.wantBand("first", compliancev1.DueItem_NEAR, "from new, 0:00 h + 1010:00 h = 1010:00 h, now 1008:00 h as of 2026-03-12, left 2:00 h")
		w.wantBand("later", compliancev1.DueItem_CURRENT, "left 97:00 h")
		must(w.flown(5, 2))(w.t)
		w.wantDueAt("later", 1107)
		w.inspect("before", func(r *compliancev1.Requirement) {
			r.StartEvent, r.EffectiveDate, r.Initial = compliancev1.Requirement_EFFECTIVE_DATE, on(2026, 2, 1), limit(compliancev1.IntervalLimit_CYCLES, 200)
		})
		w.wantBand("before", compliancev1.DueItem_NO_DATA, "the counters at the end of 2026-02-01, which are not recorded here")
	})
}

func TestFromTheFittingCountsFromThatDay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		must(w.flown(4, 5))(t)
		w.inspect("leak", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Initial = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_HOURS, 25*3600)
		})
		w.wantDueAt("leak", 1025)
		if err := w.remove(on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		w.wantBand("leak", compliancev1.DueItem_NO_DATA, "counts from the fitting, and it is not fitted to anything")
		if err := w.install("one", on(2026, 3, 12)); err != nil {
			t.Fatal(err)
		}
		must(w.flown(12, 2))(t)
		w.wantDueAt("leak", 1030)
	})
}

// A due date and a due counter are what was recorded and the calendar say: steps of the clock and another zone never move them.
func TestADueDateNeverMovesByTheClockOrTheZone(t *testing.T) {
	w := onSQLite(t)
	w.inspect("year", func(r *compliancev1.Requirement) {
		r.Repeat = limit(compliancev1.IntervalLimit_CALENDAR_MONTHS_END, 12)
		r.Repeat.Limits = append(r.Repeat.Limits, limit(compliancev1.IntervalLimit_HOURS, 100*3600).GetLimits()...)
	})
	w.done("year", 990, on(2026, 2, 10))
	fixed := func() string {
		i := w.item("year")
		return fmt.Sprint(i.GetRemaining()[0].GetLimitDate(), i.GetRemaining()[1].GetDueCounter(), i.GetLastDoneDate())
	}
	want := fixed()
	rapid.Check(t, func(t *rapid.T) {
		w.clock.Advance(time.Duration(rapid.IntRange(-400*24, 400*24).Draw(t, "hours")) * time.Hour)
		zone := rapid.SampledFrom([]string{"UTC", "Pacific/Kiritimati", "Etc/GMT+12", "America/New_York"}).Draw(t, "zone")
		plane := &compliancev1.Aircraft{Name: "aircraft/plane", TimeZone: zone}
		if _, err := w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: plane}); err != nil {
			t.Fatal(err)
		}
		if got := fixed(); got != want {
			t.Fatalf("at %s in %s: %s, was %s", w.clock.Now(), zone, got, want)
		}
		w.clock.Advance(start.Sub(w.clock.Now()))
	})
}

// A restart, and looking at everything again and again, tells nobody anything: facts leave when a band changes, once.
func TestNoStormOfFactsAfterARestart(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.require("never", compliancev1.Requirement_INSPECTION, 100)
		w.inspect("year", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 60) })
		w.done("year", 990, on(2026, 1, 10))
		facts := func(kind string) int64 {
			return w.rows("SELECT COUNT(*) FROM outbox WHERE type = $1", "coldsection.compliance.due."+kind+".v1")
		}
		approached, passed, before := facts("approached"), facts("passed"), w.item("year")
		for range 3 {
			if err := w.restarted().Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if a, p := facts("approached"), facts("passed"); a != approached || p != passed || approached != 2 {
			t.Errorf("%d approached and %d passed, were %d and %d", a, p, approached, passed)
		}
		if after := w.item("year"); !proto.Equal(before, after) {
			t.Errorf("nothing changed, but %v became %v", before, after)
		}
		w.clock.Advance(30 * 24 * time.Hour)
		for range 3 {
			if err := w.restarted().Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if a, p := facts("approached"), facts("passed"); a != approached || p != passed+1 {
			t.Errorf("after the inspection passed: %d approached and %d passed", a, p)
		}
	})
}
