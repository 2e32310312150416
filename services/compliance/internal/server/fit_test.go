package server_test

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// second adds the engine two at 500 h on 2026-03-01, fitted nowhere.
func (w *world) second() {
	w.t.Helper()
	must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: "two", Engine: &compliancev1.Engine{
		Serial: "D-1002", EngineModel: "engineModels/demo", Counters: &compliancev1.Counters{OperatingSeconds: 500 * 3600, Cycles: 400}, CountersDate: on(2026, 3, 1),
	}}))(w.t)
}

func (w *world) install(engine string, day *date.Date) error {
	_, err := w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{Name: "engines/" + engine, Aircraft: "aircraft/plane", Position: "1", InstallDate: day})
	return err
}

func (w *world) remove(day *date.Date) error {
	_, err := w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/one", RemoveDate: day})
	return err
}

// flown records hours of a day of March 2026, named for some items or nobody.
func (w *world) flown(day int, hours int64, items ...string) (*compliancev1.Utilization, error) {
	return w.commands.CreateUtilization(w.as("integrator"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: &compliancev1.Utilization{
		FlightDate: on(2026, 3, day), FlownSeconds: hours * 3600, Cycles: hours, FittedItems: items,
	}})
}

// at is how many hours an engine or the aircraft has.
func (w *world) at(name string) int64 {
	w.t.Helper()
	if name == "plane" {
		return must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(w.t).GetCounters().GetOperatingSeconds() / 3600
	}
	return must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/" + name}))(w.t).GetCounters().GetOperatingSeconds() / 3600
}

func (w *world) wantAt(when string, one, two int64) {
	w.t.Helper()
	if a, b := w.at("one"), w.at("two"); a != one || b != two {
		w.t.Errorf("%s: engine one at %d h and two at %d h, want %d and %d", when, a, b, one, two)
	}
}

// Row CMP-03 of the cases: an engine has what it had when it was fitted and what the aircraft flew since. Flying that is entered
// late counts for what was fitted on its day, not for what is fitted now.
func TestLateFlyingCountsForWhatWasFittedThen(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		w.clock.Advance(18 * 24 * time.Hour)
		must(w.flown(5, 4))(t)
		for _, err := range []error{w.remove(on(2026, 3, 10)), w.install("two", on(2026, 3, 10))} {
			if err != nil {
				t.Fatal(err)
			}
		}
		must(w.flown(12, 3))(t)
		w.wantAt("after the swap", 1004, 503)
		must(w.flown(7, 2))(t)
		w.wantAt("late, before the swap", 1006, 503)
		_, err := w.flown(10, 1)
		refused(t, err, "FITTING_AMBIGUOUS")
		must(w.flown(10, 1, "engines/one"))(t)
		w.wantAt("on the day of the swap, named", 1007, 503)
		_, err = w.flown(1, 1)
		refused(t, err, "FLYING_COUNTED_ALREADY")
		if got := w.at("plane"); got != 1010 {
			t.Errorf("the aircraft is at %d h", got)
		}
		list := must(w.queries.ListFittings(w.as("viewer"), &compliancev1.ListFittingsRequest{Filter: "host = aircraft/plane"}))(t).GetFittings()
		if len(list) != 2 || list[0].GetFlownCounters().GetOperatingSeconds() != 7*3600 || list[1].GetFlownCounters().GetOperatingSeconds() != 3*3600 ||
			list[0].GetRemoveDate().GetDay() != 10 || list[1].GetRemoveDate() != nil {
			t.Errorf("%v", list)
		}
	})
}

// A swap that is entered late gives the flying since then to the engine that was fitted, and what is due follows.
func TestALateSwapMovesTheFlyingSince(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		wash(w)
		w.clock.Advance(18 * 24 * time.Hour)
		for day := 8; day <= 12; day++ {
			must(w.flown(day, 3))(t)
		}
		w.wantAt("before the swap is known", 1015, 500)
		w.wantBand("wash", compliancev1.DueItem_OVERDUE, "left -5:00 h")
		w.clock.Advance(time.Hour)
		if err := w.remove(on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		w.wantAt("off since the 10th, on which it flew", 1009, 500)
		w.wantBand("wash", compliancev1.DueItem_NEAR, "left 1:00 h")
		if err := w.install("two", on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		w.wantAt("the other one since the 10th, on which the first flew", 1009, 506)
		if got := w.at("plane"); got != 1015 {
			t.Errorf("the aircraft is at %d h", got)
		}
	})
}

func TestFittingsNeverOverlap(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		w.clock.Advance(18 * 24 * time.Hour)
		refused(t, w.install("two", on(2026, 3, 10)), "POSITION_TAKEN")
		refused(t, w.install("one", on(2026, 3, 10)), "ENGINE_FITTED_ELSEWHERE")
		refused(t, w.remove(on(2026, 2, 27)), "DATE_BEFORE_LAST")
		refused(t, w.remove(on(2026, 3, 25)), "DATE_IN_FUTURE")
		if err := w.remove(on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
		refused(t, w.remove(on(2026, 3, 11)), "ENGINE_NOT_FITTED")
		refused(t, w.install("two", on(2026, 3, 9)), "DATE_BEFORE_LAST")
		refused(t, w.install("one", on(2026, 3, 9)), "DATE_BEFORE_LAST")
		if err := w.install("one", on(2026, 3, 10)); err != nil {
			t.Fatal(err)
		}
	})
}

func TestFittingHonoursEtags(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		_, err := w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
			Name: "engines/two", Aircraft: "aircraft/plane", Position: "2", InstallDate: on(2026, 3, 2), Etag: "v9",
		})
		refused(t, err, "ETAG_MISMATCH")
		_, err = w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/one", RemoveDate: on(2026, 3, 2), Etag: "v9"})
		refused(t, err, "ETAG_MISMATCH")
		if n := w.rows("SELECT COUNT(*) FROM fittings"); n != 1 {
			t.Errorf("%d fittings", n)
		}
	})
}

// A log that an ERP sends twice is one entry; the same id with other values is no repeat.
func TestTheSameEntryTwiceCountsOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		send := func(hours int64) (*compliancev1.Utilization, error) {
			return w.commands.CreateUtilization(w.as("integrator"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: &compliancev1.Utilization{
				FlightDate: on(2026, 3, 2), FlownSeconds: hours * 3600, Cycles: 1, SourceId: "log-77",
			}})
		}
		first := must(send(3))(t)
		if again := must(send(3))(t); again.GetName() != first.GetName() || w.hours() != 1003 {
			t.Errorf("%v at %d h", again, w.hours())
		}
		_, err := send(4)
		refused(t, err, "ALREADY_EXISTS")
		must(w.commands.CreateUtilization(w.as("quality"), w.correction(first, 2)))(t)
		if again := must(send(3))(t); again.GetName() != first.GetName() || w.hours() != 1002 {
			t.Errorf("a repeat after the correction: %v at %d h", again, w.hours())
		}
	})
}
