package workorders_test

import (
	"strings"
	"testing"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// Every fact of an order tells its task card, by which stores know whether an item is allowed in the operation.
func TestAnOrdersFactsTellItsTaskCard(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		for _, fact := range []string{"drafted", "scheduled", "started"} {
			if told := s.told(o, fact); !strings.Contains(told, `"taskCard":"taskCards/ring-flow-check"`) {
				t.Errorf("%s tells %s", fact, told)
			}
		}
	})
}

// The fact of a release tells the readings that stand, a corrected one by its correction, each with its step and whether limits judged it.
func TestAReleaseTellsTheReadingsThatStand(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("temperature-trim-check")
		s.work(o, "ann")
		readings := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"),
			&workordersv1.ListMeasurementsRequest{Parent: o.GetName(), PageSize: 50})).GetMeasurements()
		for _, m := range readings {
			if m.GetKey() == "ambient" {
				must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
					Name: m.GetName(), Reason: "misread", Entered: &commonv1.Entered{Text: "21", UnitCode: "Cel"},
				}))
			}
		}
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ivy", ""))
		if told := s.told(o, "inspected"); strings.Contains(told, "stepReadings") {
			t.Errorf("what is not released tells readings: %s", told)
		}
		must[*workordersv1.WorkOrder](s)(s.release(o))
		told := s.told(o, "released")
		if strings.Count(told, `"key":"ambient"`) != 1 || strings.Count(told, `"key":"trim_resistance"`) != 1 || !strings.Contains(told, `"value":21`) ||
			strings.Count(told, `"limited":true`) != 1 {
			t.Errorf("%s", told)
		}
	})
}
