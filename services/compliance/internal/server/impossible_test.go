package server_test

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// Row B6 of the faults: counters go neither back nor by more than one day of flying has; what is refused moves nothing.
func TestFlyingThatCannotBeIsRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		before := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(t)
		for name, c := range map[string]struct {
			entry  *compliancev1.Utilization
			reason string
		}{
			"hours going back":           {&compliancev1.Utilization{FlownSeconds: -360, Cycles: 1}, "FIELD_INVALID"},
			"more hours than a day":      {&compliancev1.Utilization{FlownSeconds: 86_401, Cycles: 1}, "COUNTER_JUMP"},
			"a jump of ten thousand":     {&compliancev1.Utilization{FlownSeconds: 36_000_000, Cycles: 1}, "COUNTER_JUMP"},
			"cycles without hours":       {&compliancev1.Utilization{Cycles: 1}, "CYCLES_WITHOUT_HOURS"},
			"the largest number":         {&compliancev1.Utilization{FlownSeconds: 3600, Cycles: math.MaxInt64}, "FIELD_INVALID"},
			"starts, the largest number": {&compliancev1.Utilization{FlownSeconds: 3600, Starts: math.MaxInt64}, "FIELD_INVALID"},
			"landings, the largest":      {&compliancev1.Utilization{FlownSeconds: 3600, Landings: math.MaxInt64}, "FIELD_INVALID"},
			"cycles going back":          {&compliancev1.Utilization{FlownSeconds: 3600, Cycles: -1}, "FIELD_INVALID"},
		} {
			c.entry.FlightDate = on(2026, 3, 2)
			_, err := w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: c.entry})
			if err == nil {
				t.Errorf("%s is taken", name)
				continue
			}
			refused(t, err, c.reason)
		}
		for day, reason := range map[int]string{1: "FLYING_COUNTED_ALREADY", 4: "DATE_IN_FUTURE"} {
			_, err := w.flown(day, 1)
			refused(t, err, reason)
		}
		if now := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(t); !proto.Equal(now, before) {
			t.Errorf("a refused entry moved %v to %v", before.GetCounters(), now.GetCounters())
		}
	})
}

// No engine begins with more than any engine ever did, so that nothing that is added to it runs over.
func TestCountersBeyondAnyEngineAreRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for name, c := range map[string]*compliancev1.Counters{
			"hours": {OperatingSeconds: math.MaxInt64}, "cycles": {Cycles: math.MaxInt64}, "starts": {Starts: math.MaxInt64}, "landings": {Landings: math.MaxInt64},
			"hours below nothing": {OperatingSeconds: -1}, "a million years": {OperatingSeconds: 1_000_000 * 365 * 86_400},
		} {
			_, err := w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{Engine: &compliancev1.Engine{
				Serial: "D-9", EngineModel: "engineModels/demo", Counters: c, CountersDate: on(2026, 3, 1),
			}})
			if err == nil {
				t.Errorf("%s: taken", name)
				continue
			}
			refused(t, err, "FIELD_INVALID")
		}
	})
}
