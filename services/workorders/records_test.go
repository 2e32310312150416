package workorders_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// worked records that somebody worked, from and to in minutes after the midnight before the morning.
func (s *stage) worked(o *workordersv1.WorkOrder, who string, from, to int) (*workordersv1.LabourEntry, error) {
	at := func(minutes int) *timestamppb.Timestamp {
		return timestamppb.New(morning.Truncate(24 * time.Hour).Add(time.Duration(minutes) * time.Minute))
	}
	return s.do.CreateLabourEntry(s.as(who), &workordersv1.CreateLabourEntryRequest{Parent: o.GetName(), LabourEntry: &workordersv1.LabourEntry{StartTime: at(from), EndTime: at(to)}})
}

// Case WO-01: from 22:30 to 01:15 and from 08:00 to 09:20 are 4 h 05 min, exactly.
func TestLabourAcrossMidnight(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, other := s.started("ring-flow-check"), s.started("ring-flow-check")
		s.clock.Set(morning.Add(2 * 24 * time.Hour))
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 22*60+30, 25*60+15))
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 32*60, 33*60+20))
		sum := int64(0)
		for _, e := range must[*workordersv1.ListLabourEntriesResponse](s)(s.look.ListLabourEntries(s.as("ann"), &workordersv1.ListLabourEntriesRequest{Parent: o.GetName()})).GetLabourEntries() {
			sum += e.GetWorkedSeconds()
		}
		if sum != 4*3600+5*60 {
			t.Errorf("%d s", sum)
		}
		_, err := s.worked(other, "ann", 25*60, 26*60)
		s.refused(err, "LABOUR_OVERLAPS", o.GetName())
		must[*workordersv1.LabourEntry](s)(s.worked(other, "ann", 25*60+15, 26*60))
		must[*workordersv1.LabourEntry](s)(s.worked(other, "bob", 25*60, 26*60))
		for _, times := range [][2]int{{60, 60}, {60, 30}, {0, 25 * 60}, {5 * 24 * 60, 5*24*60 + 1}} {
			_, err = s.worked(o, "bob", times[0], times[1])
			s.refused(err, "LABOUR_TIMES_INVALID")
		}
		if facts := s.facts(o); facts[len(facts)-1] != "labour.recorded" || s.count("labour_entries") != 4 {
			t.Errorf("facts %v", facts)
		}
	})
}

// A reading keeps what was typed, its value in the unit of the limits, and its tool's calibration; a correction gives its reason,
// replaces it for the step, and leaves it readable; only the newest of a line is corrected.
func TestReadingsAreCorrectedByNewOnes(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		step := s.steps(o)[1]
		s.acknowledge(step, "ann")
		req := reading(step, "gauge_pressure", "90", "[psi]")
		req.Measurement.ExceedanceConfirmed = false
		_, err := s.do.CreateMeasurement(s.as("ann"), req)
		s.refused(err, "OUT_OF_LIMITS_NOT_CONFIRMED", "90", "420 kPa")
		req.Measurement.Entered.Text = "38,0"
		first := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), req))
		if v := first.GetValue(); v < 262.0007 || v > 262.0008 || first.GetEntered().GetText() != "38,0" || first.GetUnitCode() != "kPa" || first.GetToolCalibration() == "" {
			t.Errorf("38 psi are 262.0008 kPa (NIST SP 811): %v", first)
		}
		correct := func(name string) (*workordersv1.Measurement, error) {
			return s.do.SupersedeMeasurement(s.as("bob"), &workordersv1.SupersedeMeasurementRequest{
				Name: name, Entered: &commonv1.Entered{Text: "260", UnitCode: "kPa"}, Reason: "Read at the wrong gauge mark",
			})
		}
		s.clock.Advance(time.Hour)
		second := must[*workordersv1.Measurement](s)(correct(first.GetName()))
		if second.GetSupersedes() != first.GetName() || second.GetReason() == "" || second.GetPerson() != "people/bob" || !second.GetMeasureTime().AsTime().Equal(first.GetMeasureTime().AsTime()) {
			t.Errorf("the correction: %v", second)
		}
		_, err = correct(first.GetName())
		s.refused(err, "NOT_HEAD_OF_LINE", second.GetName())
		list := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()
		if len(list) != 2 || list[0].GetSuccessor() != second.GetName() || list[0].GetEntered().GetText() != "38,0" {
			t.Errorf("the line: %v", list)
		}
		for text, unit := range map[string]string{"a lot": "kPa", "5": "L"} {
			req.Measurement.Entered = &commonv1.Entered{Text: text, UnitCode: unit}
			if _, err := s.do.CreateMeasurement(s.as("ann"), req); err == nil {
				t.Errorf("%s %s was taken", text, unit)
			}
		}
	})
}
