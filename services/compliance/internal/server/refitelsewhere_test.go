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

// An engine takes with it what was past on the aircraft that it came from, and nothing that was asked of the engines of another aircraft; nor does a part
// that came out of the engine two days after that came off the aircraft.
func TestWhatAnotherAircraftAsksWasNotPast(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: "other", Aircraft: &compliancev1.Aircraft{
			Registration: "D-OTHER", Regime: compliancev1.Aircraft_EASA, CountersDate: on(2026, 3, 1),
		}}))(t)
		for id, plane := range map[string]string{"plane": "aircraft/plane", "other": "aircraft/other"} {
			for kind, of := range map[string]compliancev1.Applicability_SubjectKind{"engine": compliancev1.Applicability_ENGINES, "part": compliancev1.Applicability_COMPONENTS} {
				w.inspect(kind+"-"+id, func(r *compliancev1.Requirement) {
					r.StartEvent, r.Repeat = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_DAYS, 5)
					r.Applicability = &compliancev1.Applicability{SubjectKind: of, Aircraft: []string{plane}}
				})
			}
		}
		w.part("module")
		w.part("pump")
		w.clock.Advance(18 * 24 * time.Hour)
		to := func(plane string, day int) error {
			_, err := w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{Name: "engines/one", Aircraft: "aircraft/" + plane, Position: "1", InstallDate: on(2026, 3, day)})
			return err
		}
		for _, step := range []func() error{
			func() error { return w.put("pump", "components/module", 2) }, func() error { return w.put("module", "engines/one", 2) },
			func() error { return w.remove(on(2026, 3, 10)) }, func() error { return w.take("module", 12) }, func() error { return w.take("pump", 12) },
			func() error { return to("other", 13) }, func() error { return w.put("pump", "engines/one", 13) },
		} {
			w.clock.Advance(time.Hour)
			if err := step(); err != nil {
				t.Fatal(err)
			}
		}
		due := func(id string, day int) {
			t.Helper()
			got := must(w.queries.GetDueItem(w.as("viewer"), &compliancev1.GetDueItemRequest{Name: "dueItems/" + id}))(t)
			if !proto.Equal(got.GetDueDate(), on(2026, 3, day)) {
				t.Errorf("%s is due on %v, want the %dth: %s", id, got.GetDueDate(), day, got.GetExplanation())
			}
		}
		due("engine-other.one", 18)
		due("part-other.components.pump", 18)
		for _, step := range []func() error{
			func() error { return w.take("pump", 14) }, func() error { return w.remove(on(2026, 3, 14)) }, func() error { return to("plane", 15) },
			func() error { return w.put("pump", "engines/one", 15) },
		} {
			w.clock.Advance(time.Hour)
			if err := step(); err != nil {
				t.Fatal(err)
			}
		}
		due("engine-plane.one", 6) // it was fitted on the 1st
		due("part-plane.components.pump", 7)
	})
}
