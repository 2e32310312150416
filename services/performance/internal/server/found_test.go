package server_test

import (
	"strings"
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// released is a released check of some hours ago with its readings.
func released(kind string, hours int, readings ...*workordersv1.StepReading) *workordersv1.WorkOrderChanged {
	return &workordersv1.WorkOrderChanged{
		WorkOrder: "workOrders/w7", Number: "WO-7", State: "RELEASED", Kind: kind, Engine: engineName, EventTime: stampAt(hours), StepReadings: readings,
	}
}

func resistance(limited, met bool) *workordersv1.StepReading {
	return &workordersv1.StepReading{
		Step: "workOrders/w7/steps/s2", Position: 2, Title: "Measure the trim resistor", Key: "trim_resistance", DisplayName: "Trim resistance", Value: 12.5, UnitCode: "Ohm",
		Limited: limited, LimitsMet: met, MeasureTime: stampAt(25),
	}
}

func (b bench) timeline() []*performancev1.EngineEvent {
	b.t.Helper()
	return of(b.ListEngineEvents(b.as("viewer"), &performancev1.ListEngineEventsRequest{Parent: engineName})).done(b.t).GetEngineEvents()
}

// A released trim check whose reading is within its limits is evidence and no work; one outside of them is both; where no reading had
// limits nothing was judged, so that it stays work on the indication. However often the fact comes, each stands there once and names
// order and step.
func TestAReleasedCheckIsEvidence(t *testing.T) {
	const check, work = performancev1.EngineEvent_CHECK, performancev1.EngineEvent_SENSOR_WORK
	for name, c := range map[string]struct {
		kind    string
		reading *workordersv1.StepReading
		kinds   []performancev1.EngineEvent_Kind
		result  performancev1.EngineEvent_CheckResult
		cause   string
	}{
		"sound":    {"TEMPERATURE_TRIM_CHECK", resistance(true, true), []performancev1.EngineEvent_Kind{check}, performancev1.EngineEvent_SOUND, "itt_indication"},
		"faulty":   {"TEMPERATURE_TRIM_CHECK", resistance(true, false), []performancev1.EngineEvent_Kind{check, work}, performancev1.EngineEvent_FAULTY, "itt_indication"},
		"unjudged": {"TEMPERATURE_TRIM_CHECK", resistance(false, true), []performancev1.EngineEvent_Kind{work}, 0, ""},
		"heater":   {"SENSE_LINE_HEATER_CHECK", resistance(true, true), []performancev1.EngineEvent_Kind{check}, performancev1.EngineEvent_SOUND, ""},
		"wash":     {"RECOVERY_WASH", resistance(true, true), []performancev1.EngineEvent_Kind{performancev1.EngineEvent_RECOVERY_WASH}, 0, ""},
	} {
		t.Run(name, func(t *testing.T) {
			benches(t, func(t *testing.T, b bench) {
				b.withModel(nil)
				for range 2 {
					if err := b.hear(b.app, "coldsection.workorder.released.v1", released(c.kind, 24, resistance(false, true), c.reading)); err != nil {
						t.Fatal(err)
					}
				}
				stands := b.timeline()
				if len(stands) != len(c.kinds) {
					t.Fatalf("%v", stands)
				}
				for _, e := range stands {
					if e.GetKind() != check {
						continue
					}
					if e.GetCheckResult() != c.result || e.GetCheckedCause() != c.cause || e.GetStep() != "workOrders/w7/steps/s2" || e.GetWorkOrder() != "workOrders/w7" ||
						!strings.Contains(e.GetNote(), "WO-7, step 2, Measure the trim resistor: Trim resistance of 12.5 Ohm") || !e.GetEventTime().AsTime().Equal(stampAt(25).AsTime()) {
						t.Errorf("%v", e)
					}
				}
			})
		})
	}
}

// The readings of an engine whose compressor leaks leave it open whether the indication moved; a released trim check that found it sound
// speaks against the indication, in the words of order and step, and what followed from the readings before stands as it was.
func TestAReleasedCheckWeighsTheCauses(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		b.flyPair(0, 0.006)
		before := b.shift()
		if err := b.hear(b.app, "coldsection.workorder.released.v1", released("TEMPERATURE_TRIM_CHECK", 24, resistance(true, true))); err != nil {
			t.Fatal(err)
		}
		after := b.shift()
		if len(after.GetSteps()) != len(before.GetSteps())+1 {
			t.Fatalf("%v", after)
		}
		if last := after.GetSteps()[len(after.GetSteps())-1].GetEvidence(); !strings.Contains(last, "itt_indication") || !strings.Contains(last, "WO-7, step 2") {
			t.Errorf("%q", last)
		}
		for _, c := range after.GetCauses() {
			if c.GetCause() == "itt_indication" && c.GetProbability() >= causeOf(t, before, "itt_indication").GetProbability() {
				t.Errorf("a sound indication is no less probable: %v, before %v", c, before)
			}
		}
	})
}
