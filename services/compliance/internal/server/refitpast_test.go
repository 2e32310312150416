package server_test

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// What was past when a part came off does not become current by putting the part back, not even by doing so twice; what was not past begins anew. An
// auditor's reading: handbook 2.4 names the fitting as a start event and says nothing of work that was missed before it; common practice, no source.
func TestWhatWasPastIsNotFittedAway(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		hours := func(n int64) *compliancev1.LimitTree { return limit(compliancev1.IntervalLimit_HOURS, n*3600) }
		both := func(combine compliancev1.LimitTree_Combine) *compliancev1.LimitTree {
			out := hours(1)
			out.Combine, out.Limits = combine, append(out.Limits, limit(compliancev1.IntervalLimit_DAYS, 300).GetLimits()...)
			return out
		}
		fitted := func(id string, initial, repeat *compliancev1.LimitTree, edit func(*compliancev1.Requirement)) {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.StartEvent, r.Initial, r.Repeat = compliancev1.Requirement_INSTALLATION, initial, repeat
				if edit != nil {
					edit(r)
				}
			})
		}
		fitted("never", hours(5), nil, nil)
		fitted("within", hours(6), nil, nil)
		fitted("grid", hours(5), hours(100), func(r *compliancev1.Requirement) { r.Rebase = compliancev1.Requirement_FIXED_GRID })
		fitted("days", nil, limit(compliancev1.IntervalLimit_DAYS, 5), nil)
		fitted("shelf", nil, limit(compliancev1.IntervalLimit_DAYS, 7), nil)
		fitted("first", hours(50), both(compliancev1.LimitTree_FIRST), nil)
		fitted("last", hours(50), both(compliancev1.LimitTree_LATER), nil)
		fitted("late", hours(50), hours(1), func(r *compliancev1.Requirement) { r.Rebase = compliancev1.Requirement_FROM_DUE_IF_LATE })
		fitted("extended", hours(50), hours(1), func(r *compliancev1.Requirement) {
			r.Tolerance = &compliancev1.Tolerance{OperatingSeconds: 2 * 3600, Document: document}
		})
		w.clock.Advance(18 * 24 * time.Hour)
		must(w.flown(4, 4))(t)
		for _, id := range []string{"days", "shelf", "first", "last", "late", "extended"} {
			w.done(id, 1004, on(2026, 3, 4))
		}
		more := extension(2)
		more.HardStopDate = on(2026, 3, 30)
		must(w.extend("extended", more, "quality"))(t)
		must(w.flown(7, 2))(t)
		want := func(when string, counters map[string]int64, days map[string]*date.Date) {
			t.Helper()
			for id, h := range counters {
				if got := w.driving(id); got != h*3600 {
					t.Errorf("%s, %s is due at %d h, want %d h: %s", when, id, got/3600, h, w.item(id).GetExplanation())
				}
			}
			for id, day := range days {
				if got := w.item(id); !proto.Equal(got.GetDueDate(), day) {
					t.Errorf("%s, %s is due on %v, want %v: %s", when, id, got.GetDueDate(), day, got.GetExplanation())
				}
			}
		}
		refit := func(off int) {
			t.Helper()
			if err := w.remove(on(2026, 3, off)); err != nil {
				t.Fatal(err)
			}
			w.clock.Advance(time.Hour)
			if err := w.install("one", on(2026, 3, off+2)); err != nil {
				t.Fatal(err)
			}
		}
		refit(10)
		fitted("entered", hours(5), nil, nil) // after it came off: nobody held it against the part then
		for _, when := range []string{"fitted again", "fitted a third time"} {
			past := map[string]int64{"never": 1005, "grid": 1005, "first": 1005, "late": 1005, "extended": 1005, "within": 1012, "last": 1056, "entered": 1011}
			shelf := on(2026, 3, 19)
			if when == "fitted a third time" {
				refit(14)
				shelf = on(2026, 3, 23)
			}
			want(when, past, map[string]*date.Date{"days": on(2026, 3, 9), "shelf": shelf})
		}
		for _, id := range []string{"never", "grid", "first", "late", "days"} {
			w.wantBand(id, compliancev1.DueItem_OVERDUE, "It was past when it came off on 2026-03-14, so fitting it again started nothing; do it.")
		}
		w.wantBand("first", compliancev1.DueItem_OVERDUE, "hours: from 1004:00 h + 1:00 h = 1005:00 h, now 1006:00 h as of 2026-03-07, left -1:00 h")
		w.wantBand("extended", compliancev1.DueItem_IN_TOLERANCE, "extended by 2:00 h to 1007:00 h, at the latest through 2026-03-30")
		if err := w.restarted().RecomputeAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		want("worked out anew", map[string]int64{"never": 1005, "grid": 1005, "first": 1005, "late": 1005, "extended": 1005, "within": 1012, "last": 1056}, nil)
		for _, id := range []string{"never", "first", "late", "days"} {
			w.done(id, 1006, on(2026, 3, 17))
		}
		w.wantBand("never", compliancev1.DueItem_EXEMPT, "Done once and for all on 2026-03-17")
		want("done", map[string]int64{"first": 1007, "late": 1006}, map[string]*date.Date{"days": on(2026, 3, 22)})
		refit(18) // nothing of these is past any more
		want("fitted after it was done", map[string]int64{"never": 1011, "first": 1056, "grid": 1005}, map[string]*date.Date{"days": on(2026, 3, 25)})
	})
}

// A removal that is entered late tells of the day that it was on: the same history, in whatever order it was entered, comes to the same.
func TestWhatWasPastIsToldWhateverWasEnteredFirst(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("leak", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Initial, r.Repeat = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_HOURS, 5*3600), nil
		})
		w.clock.Advance(18 * 24 * time.Hour)
		if err := w.remove(on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		w.clock.Advance(time.Hour)
		if err := w.install("one", on(2026, 3, 12)); err != nil {
			t.Fatal(err)
		}
		w.wantDueAt("leak", 1005)
		w.wantBand("leak", compliancev1.DueItem_NEAR, "left 5:00 h")
		must(w.flown(12, 1))(t)
		must(w.flown(4, 6))(t) // late: 1,006 h were flown when it came off
		w.wantDueAt("leak", 1005)
		w.wantBand("leak", compliancev1.DueItem_OVERDUE, "It was past when it came off on 2026-03-10")
	})
}
