package workorders_test

import (
	"testing"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// read is a pressure of a ring's flow check, as somebody reads it.
func (s *stage) read(step *workordersv1.Step, who, value string, change func(m *workordersv1.Measurement)) (*workordersv1.Measurement, error) {
	req := reading(step, "gauge_pressure", value, "kPa")
	if change != nil {
		change(req.GetMeasurement())
	}
	return s.do.CreateMeasurement(s.as(who), req)
}

// A reading and a run of the starter come after the cautions of their step were read by who does them, as the step itself does; a second technician
// who reads them, too, does not take that from the first. A step that is done takes no more readings.
func TestAReadingComesAfterTheCautionsOfItsStep(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		steps := s.steps(o)
		step := steps[1]
		_, err := s.read(step, "ann", "262", nil)
		s.refused(err, "CAUTIONS_NOT_ACKNOWLEDGED", "step 2")
		_, err = s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
			Step: step.GetName(), StartTime: minutes(0), EndTime: minutes(1),
		}})
		s.refused(err, "CAUTIONS_NOT_ACKNOWLEDGED", "step 2")
		s.acknowledge(step, "ann")
		s.acknowledge(step, "bob")
		for _, who := range []string{"ann", "bob"} {
			must[*workordersv1.Measurement](s)(s.read(step, who, "262", nil))
		}
		if got := s.steps(o)[1]; len(got.GetAcknowledgements()) != 2 || got.GetAcknowledger() != "people/bob" {
			t.Errorf("read by %v", got.GetAcknowledgements())
		}
		s.work(o, "ann")
		_, err = s.read(step, "ann", "262", nil)
		s.refused(err, "STATE_NOT_ALLOWED", "DONE", "Correct the reading")
		if n := s.count("motoring_runs"); n != 0 {
			t.Errorf("%d runs", n)
		}
	})
}

// The fallback sheet has one row for each reading: entered twice, by whomever, at another minute or beside an entry of that minute from the device, it is
// refused with what stands there. What was read again with the device has its own time.
func TestARowOfTheSheetIsEnteredOnce(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		step := s.steps(o)[1]
		s.acknowledge(step, "ann")
		s.acknowledge(step, "bob")
		s.clock.Advance(time.Hour)
		paper := func(minute int) func(m *workordersv1.Measurement) {
			return func(m *workordersv1.Measurement) { m.PaperEntry, m.MeasureTime = true, minutes(minute) }
		}
		first := must[*workordersv1.Measurement](s)(s.read(step, "ann", "262", paper(30)))
		for _, minute := range []int{30, 31} {
			_, err := s.read(step, "bob", "263", paper(minute))
			s.refused(err, "READING_ENTERED_ALREADY", "262 kPa", "people/ann", "Correct that entry")
		}
		_, err := s.read(step, "bob", "262", func(m *workordersv1.Measurement) { m.MeasureTime = minutes(30) })
		s.refused(err, "READING_ENTERED_ALREADY")
		must[*workordersv1.Measurement](s)(s.read(step, "bob", "264", nil))
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("bob"), &workordersv1.SupersedeMeasurementRequest{
			Name: first.GetName(), Entered: &commonv1.Entered{Text: "263", UnitCode: "kPa"}, Reason: "the sheet says 263",
		}))
		if n := s.count("measurements"); n != 3 {
			t.Errorf("%d readings", n)
		}
	})
}

// A correction gives another tool or another time, and passes every gate again: the tool must be in calibration on the day of the corrected time, the time
// within the work. A reading from before its step was opened again is not corrected, which would stand for reading anew.
func TestACorrectionPassesEveryGateAgain(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		const other = "tools/other-gauge"
		o := s.started("ring-flow-check")
		step := s.steps(o)[1]
		s.acknowledge(step, "ann")
		s.near.change(func(n *neighbours) { n.valid[gauge], n.valid[other] = 20260314, 20260313 })
		m := must[*workordersv1.Measurement](s)(s.read(step, "ann", "262", nil))
		correct := func(tool string, minute int, value string) (*workordersv1.Measurement, error) {
			return s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
				Name: m.GetName(), Entered: &commonv1.Entered{Text: value, UnitCode: "kPa"}, Reason: "wrong", Tool: tool, MeasureTime: minutes(minute),
			})
		}
		s.clock.Advance(30 * time.Hour)
		_, err := correct(other, 10, "262")
		s.refused(err, "TOOL_LAPSED", other)
		_, err = correct(gauge, 25*60, "262")
		s.refused(err, "TOOL_LAPSED", gauge)
		_, err = correct(gauge, -60, "262")
		s.refused(err, "TIME_OUT_OF_ORDER")
		_, err = correct(gauge, 10, "900")
		s.refused(err, "OUT_OF_LIMITS_NOT_CONFIRMED")
		s.near.change(func(n *neighbours) { n.valid[gauge], n.valid[other] = 20261231, 20261231 })
		before := m
		m = must[*workordersv1.Measurement](s)(correct(other, 10, "262"))
		if m.GetTool() != other || !m.GetMeasureTime().AsTime().Equal(minutes(10).AsTime()) || m.GetToolCalibration() == before.GetToolCalibration() || m.GetSupersedes() != before.GetName() {
			t.Errorf("the correction is %v", m)
		}
		s.work(o, "ann")
		must[*workordersv1.Step](s)(s.reopen(step, "ann", "read at the wrong gauge"))
		_, err = correct(other, 11, "262")
		s.refused(err, "STATE_NOT_ALLOWED", "Record the reading anew")
	})
}

// A voltage that is corrected to 0 leaves no window of the one before: the current can't be judged until the voltage was measured above zero.
func TestAVoltageOfNothingLeavesNoWindow(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		rated, _ := s.specs(o)
		volts := s.feed(o, "26.4")
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
			Name: volts.GetName(), Entered: &commonv1.Entered{Text: "0", UnitCode: "V"}, Reason: "the supply was off", ExceedanceConfirmed: true,
		}))
		specs, steps := s.specs(o)
		if now, was := specs["heater_current"], rated["heater_current"]; now.GetMinValue() != was.GetMinValue() || now.GetMaxValue() != was.GetMaxValue() ||
			len(now.GetLimitSteps()) != len(was.GetLimitSteps()) {
			t.Errorf("the window at nothing is %v", now)
		}
		s.acknowledge(steps["heater_current"], "ann")
		_, err := s.do.CreateMeasurement(s.as("ann"), reading(steps["heater_current"], "heater_current", "1.65", "A"))
		s.refused(err, "SUPPLY_NOT_MEASURED")
	})
}
