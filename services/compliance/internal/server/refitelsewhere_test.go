package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// What did not apply where a part was before was not past when it came off there: nobody held it against the part. What was past where it did apply stays
// past, wherever the part was between (our own reading).
func TestWhatDidNotApplyBeforeWasNotPast(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		in := func(id, engine string) {
			w.inspect(id, func(r *compliancev1.Requirement) {
				r.StartEvent, r.Repeat = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_DAYS, 5)
				r.Applicability = &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_COMPONENTS, Engines: []string{engine}}
			})
		}
		w.second()
		in("here", "engines/one")
		in("there", "engines/two")
		w.part("pump")
		w.clock.Advance(18 * 24 * time.Hour)
		due := func(when, id string, day int) {
			t.Helper()
			got := must(w.queries.GetDueItem(w.as("viewer"), &compliancev1.GetDueItemRequest{Name: "dueItems/" + id + ".components.pump"}))(t)
			if !proto.Equal(got.GetDueDate(), on(2026, 3, day)) {
				t.Errorf("%s, %s is due on %v, want the %dth: %s", when, id, got.GetDueDate(), day, got.GetExplanation())
			}
		}
		move := func(off, to int, host string) {
			t.Helper()
			w.clock.Advance(time.Hour)
			if err := w.take("pump", off); err != nil {
				t.Fatal(err)
			}
			w.clock.Advance(time.Hour)
			if err := w.put("pump", host, to); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.put("pump", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		due("fitted", "here", 7)
		move(10, 12, "engines/two")
		due("fitted where it was not asked for before", "there", 17)
		move(14, 15, "engines/one")
		due("back where it was past", "here", 7)
	})
}
