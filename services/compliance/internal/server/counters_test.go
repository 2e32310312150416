package server_test

import (
	"testing"

	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// counted are the counters of the aircraft and of its engine.
func (w *world) counted() [2]*compliancev1.Counters {
	w.t.Helper()
	plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(w.t)
	engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(w.t)
	return [2]*compliancev1.Counters{plane.GetCounters(), engine.GetCounters()}
}

// R22: whatever is entered as flown, and however late, no counter of what it was flown with falls, and each grows by what the entry says and by nothing
// else; what is refused moves nothing. Only a signed correction lowers a counter, and never below nothing.
func TestCountersNeverRunBackWithoutACorrection(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(40 * 24 * 3600e9)
		before := w.counted()
		rapid.Check(t, func(t *rapid.T) {
			day := w.clock.Now().AddDate(0, 0, -rapid.IntRange(0, 39).Draw(t, "late"))
			entry := &compliancev1.Utilization{
				FlightDate: on(day.Year(), int(day.Month()), day.Day()), FlownSeconds: rapid.Int64Range(-3600, 7200).Draw(t, "seconds"), Cycles: rapid.Int64Range(-1, 4).Draw(t, "cycles"),
				Starts: rapid.Int64Range(0, 4).Draw(t, "starts"), Landings: rapid.Int64Range(0, 4).Draw(t, "landings"),
			}
			_, err := w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: entry})
			if err != nil {
				entry = &compliancev1.Utilization{}
			}
			after := w.counted()
			for i, c := range after {
				was := before[i]
				if c.GetOperatingSeconds() != was.GetOperatingSeconds()+entry.GetFlownSeconds() || c.GetCycles() != was.GetCycles()+entry.GetCycles() ||
					c.GetStarts() != was.GetStarts()+entry.GetStarts() || c.GetOperatingSeconds() < was.GetOperatingSeconds() || c.GetCycles() < was.GetCycles() {
					t.Fatalf("%v made %v of %v (%v)", entry, c, was, err)
				}
			}
			before = after
		})
		w.onlyACorrectionLowers()
	})
}

// onlyACorrectionLowers enters an hour too many and takes it back: without a signature and a reason it stays.
func (w *world) onlyACorrectionLowers() {
	w.t.Helper()
	wrong := w.fly(2)
	high := w.counted()
	right := &compliancev1.Utilization{FlightDate: wrong.GetFlightDate(), FlownSeconds: 3600, Cycles: 1, Corrects: wrong.GetName(), Reason: "misread"}
	_, err := w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: right})
	refused(w.t, err, "ROLE_MISSING")
	_, err = w.commands.CreateUtilization(w.as("quality"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: right})
	refused(w.t, err, "REAUTHENTICATION_NEEDED")
	if now := w.counted(); now[0].GetOperatingSeconds() != high[0].GetOperatingSeconds() || now[1].GetOperatingSeconds() != high[1].GetOperatingSeconds() {
		w.t.Errorf("without a signature %v became %v", high, now)
	}
	must(w.commands.CreateUtilization(w.as("quality"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: right, ReauthenticationToken: w.proof()}))(w.t)
	for i, now := range w.counted() {
		if now.GetOperatingSeconds() != high[i].GetOperatingSeconds()-3600 {
			w.t.Errorf("corrected, %v became %v", high[i], now)
		}
	}
}
