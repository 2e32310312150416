package server_test

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// Taking a part off and fitting it again gives nothing of a directive or a life limit back: what was left goes on beside what the fitting starts, and the
// sooner counts (14 CFR 39.7 and 39.11 for directives; rules R10 and R19 of the handbook; the reading of both for a fitting is our own).
func TestAFittingGivesNothingOfADirectiveOrALifeBack(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		for id, edit := range map[string]func(*compliancev1.Requirement){
			"past": func(r *compliancev1.Requirement) {
				r.Kind, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, limit(compliancev1.IntervalLimit_HOURS, 25*3600), limit(compliancev1.IntervalLimit_HOURS, 3*3600)
			},
			"left": func(r *compliancev1.Requirement) {
				r.Kind, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, limit(compliancev1.IntervalLimit_HOURS, 25*3600), limit(compliancev1.IntervalLimit_HOURS, 10*3600)
			},
			"sooner": func(r *compliancev1.Requirement) {
				r.Kind, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, limit(compliancev1.IntervalLimit_HOURS, 5*3600), limit(compliancev1.IntervalLimit_HOURS, 100*3600)
			},
			"once": func(r *compliancev1.Requirement) {
				r.Kind, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, limit(compliancev1.IntervalLimit_HOURS, 20*3600), nil
			},
			"days": func(r *compliancev1.Requirement) {
				r.Kind, r.Repeat = compliancev1.Requirement_DIRECTIVE, limit(compliancev1.IntervalLimit_DAYS, 30)
			},
			"never": func(r *compliancev1.Requirement) {
				r.Kind, r.EffectiveDate, r.Repeat = compliancev1.Requirement_DIRECTIVE, on(2026, 3, 13), limit(compliancev1.IntervalLimit_DAYS, 2)
			},
			"life": func(r *compliancev1.Requirement) {
				r.Kind, r.Initial, r.Repeat = compliancev1.Requirement_LIFE_LIMIT, limit(compliancev1.IntervalLimit_HOURS, 40*3600), nil
			},
		} {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.StartEvent = compliancev1.Requirement_INSTALLATION
				edit(r)
			})
		}
		must(w.flown(4, 5))(t)
		w.clock.Advance(time.Hour)
		for _, id := range []string{"past", "left", "sooner", "once", "days"} {
			w.done(id, 1005, on(2026, 3, 5))
		}
		want := func(when string, hours map[string]int64) {
			t.Helper()
			for id, h := range hours {
				if got := w.driving(id); got != h*3600 {
					t.Errorf("%s, %s is due at %d h, want %d h", when, id, got/3600, h)
				}
			}
		}
		must(w.flown(7, 6))(t)
		want("before", map[string]int64{"past": 1008, "left": 1015, "sooner": 1105, "life": 1040})
		for day := 10; day < 15; day += 2 {
			if err := w.remove(on(2026, 3, day)); err != nil {
				t.Fatal(err)
			}
			if err := w.install("one", on(2026, 3, day+1)); err != nil {
				t.Fatal(err)
			}
			want("fitted again", map[string]int64{"past": 1008, "left": 1015, "sooner": 1016, "once": 1031, "life": 1040})
			if day == 10 {
				must(w.flown(11, 2))(t)
			}
		}
		for id, day := range map[string]*date.Date{"days": on(2026, 4, 4), "never": on(2026, 3, 15)} {
			if got := w.item(id); !proto.Equal(got.GetDueDate(), day) {
				t.Errorf("%s is due on %v, want %v: %s", id, got.GetDueDate(), day, got.GetExplanation())
			}
		}
		w.wantBand("past", compliancev1.DueItem_OVERDUE, "hours: from 1011:00 h + 25:00 h = 1036:00 h, now 1013:00 h as of 2026-03-11, left 23:00 h")
		w.wantBand("past", compliancev1.DueItem_OVERDUE, "hours: from new, 0:00 h + 1008:00 h = 1008:00 h, now 1013:00 h as of 2026-03-11, left -5:00 h")
		w.wantBand("past", compliancev1.DueItem_OVERDUE, "What counts is the first of 1 and 2. Driven by hours: overdue by 5:00 h. It was last done on 2026-03-05 at 1005:00 h and 0 cycles; "+
			"it was fitted on 2026-03-11. What was left then goes on beside what the fitting starts, and the sooner counts.")
		w.done("past", 1013, on(2026, 3, 16))
		want("done again", map[string]int64{"past": 1016})
		if err := w.restarted().RecomputeAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		want("worked out anew", map[string]int64{"past": 1016, "left": 1015, "sooner": 1016, "once": 1031, "life": 1040})
	})
}

// driving is the counter at which what drives an item is due, in seconds.
func (w *world) driving(id string) int64 {
	w.t.Helper()
	item := w.item(id)
	for _, left := range item.GetRemaining() {
		if left.GetDriving() {
			return left.GetDueCounter()
		}
	}
	w.t.Errorf("%s is driven by nothing: %v", id, item)
	return 0
}
