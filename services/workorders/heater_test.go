package workorders_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
)

// specs are an order's readings by key, with the step of each.
func (s *stage) specs(o *workordersv1.WorkOrder) (map[string]*workordersv1.MeasurementSpec, map[string]*workordersv1.Step) {
	s.t.Helper()
	specs, steps := map[string]*workordersv1.MeasurementSpec{}, map[string]*workordersv1.Step{}
	for _, step := range s.steps(o) {
		for _, m := range step.GetMeasurements() {
			specs[m.GetKey()], steps[m.GetKey()] = m, step
		}
	}
	return specs, steps
}

func (s *stage) scheduleAgain(o *workordersv1.WorkOrder) error {
	s.place()
	_, err := s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
		Name: o.GetName(), Etag: s.order(o).GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)),
	})
	return err
}

// Cases htr-01 and htr-02 (handbook of performance, section 8.3): 28 V and 50 W make 15.68 Ω, and 1.39147 to 2.05499 A between 24 and
// 29 V at ±10 %; a reading is judged against that window, whose arithmetic and document are shown.
func TestTheHeatersCurrentIsHeldAgainstTheWindowFromItsRating(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		specs, steps := s.specs(o)
		current := specs["heater_current"]
		if math.Abs(current.GetMinValue()-1.39147) > 1e-4 || math.Abs(current.GetMaxValue()-2.05499) > 1e-4 || current.GetUnitCode() != "A" {
			t.Errorf("window %v", current)
		}
		if v := specs["supply_voltage"]; v.GetMinValue() != 24 || v.GetMaxValue() != 29 || specs["insulation"].GetMinValue() != 2 || specs["insulation"].MaxValue != nil {
			t.Errorf("supply %v, insulation %v", v, specs["insulation"])
		}
		if r := specs["heater_resistance"]; math.Abs(r.GetMinValue()-14.112) > 1e-9 || math.Abs(r.GetMaxValue()-17.248) > 1e-9 {
			t.Errorf("resistance %v", r)
		}
		if !strings.Contains(current.GetSource(), "demonstration only") || !strings.Contains(current.GetSource(), "engine model revision 4") {
			t.Errorf("the source is %q", current.GetSource())
		}
		var arithmetic []string
		for _, n := range current.GetLimitSteps() {
			arithmetic = append(arithmetic, n.GetLabel()+": "+n.GetFormula())
		}
		if got := strings.Join(arithmetic, "; "); !strings.Contains(got, "Resistance when hot: 28² / 50") || !strings.Contains(got, "Highest current: 29 / (15.68 × (1 − 0.1))") {
			t.Errorf("the arithmetic is %q", got)
		}
		s.acknowledge(steps["heater_current"], "ann")
		_, err := s.do.CreateMeasurement(s.as("ann"), reading(steps["heater_current"], "heater_current", "1.79", "A"))
		s.refused(err, "SUPPLY_NOT_MEASURED", "Measure the supply voltage first")
		s.feed(o, "28")
		for text, met := range map[string]bool{"1.6234": true, "1.9841": true, "1.6233": false, "1.9842": false} {
			req := reading(steps["heater_current"], "heater_current", text, "A")
			req.Measurement.ExceedanceConfirmed = false
			m, err := s.do.CreateMeasurement(s.as("ann"), req)
			if !met {
				s.refused(err, "OUT_OF_LIMITS_NOT_CONFIRMED", "1.62", "1.98", "A")
			} else if err != nil || !m.GetLimitsMet() {
				t.Errorf("%s A: %v, %v", text, m, err)
			}
		}
		comma := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), reading(steps["heater_current"], "heater_current", "1,79", "A")))
		if comma.GetValue() != 1.79 || comma.GetUnitCode() != "A" || !comma.GetLimitsMet() || comma.GetEntered().GetText() != "1,79" {
			t.Errorf("1,79 A: %v", comma)
		}
		text := strings.Join(strings.Fields(printingtest.Text(t, s.export(o, workordersv1.ExportWorkPackRequest_PDF).GetContent())), " ")
		if !strings.Contains(text, "most 1.9841 A;") || !strings.Contains(text, "28² / 50") {
			t.Errorf("the pack does not show the window and its arithmetic: %s", text)
		}
	})
}

// feed records the voltage of the heater's supply.
func (s *stage) feed(o *workordersv1.WorkOrder, volts string) *workordersv1.Measurement {
	s.t.Helper()
	_, steps := s.specs(o)
	s.acknowledge(steps["supply_voltage"], "ann")
	return must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), reading(steps["supply_voltage"], "supply_voltage", volts, "V")))
}

// The current is held against the window at the voltage that was measured (handbook of performance, section 8.3, and Ohm's law): at 26.4 V
// it is 26.4 V over 15.68 Ω × 1.1 and × 0.9. The step shows that window and the one at the rated voltage with arithmetic and source, the reading
// keeps them, and says what it is at the rated voltage. A voltage that is corrected afterwards asks for the current again.
func TestTheHeatersWindowFollowsTheVoltageMeasured(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		volts := s.feed(o, "26.4")
		specs, steps := s.specs(o)
		said := map[string]*commonv1.Explained{}
		for _, n := range specs["heater_current"].GetLimitSteps() {
			said[n.GetLabel()] = n
		}
		for label, want := range map[string]float64{
			"Lowest current at the voltage measured": 26.4 / 17.248, "Highest current at the voltage measured": 26.4 / 14.112,
			"Lowest current at the rated voltage": 28 / 17.248, "Highest current at the rated voltage": 28 / 14.112, "Supply voltage measured": 26.4, "Rated power": 50,
		} {
			if n := said[label]; math.Abs(n.GetValue()-want) > 1e-9 || n.GetFormula() == "" || n.GetSource() == "" {
				t.Errorf("%s: %v, want %g", label, n, want)
			}
		}
		if said["Supply voltage measured"].GetSource() != volts.GetName() {
			t.Errorf("the voltage comes from %v", said["Supply voltage measured"])
		}
		s.acknowledge(steps["heater_current"], "ann")
		m := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("ann"), reading(steps["heater_current"], "heater_current", "1.65", "A")))
		if last := m.GetLimitSteps()[len(m.GetLimitSteps())-1]; !m.GetLimitsMet() || math.Abs(m.GetMaxValue()-26.4/14.112) > 1e-9 || last.GetLabel() != "Current taken to the rated voltage" ||
			math.Abs(last.GetValue()-1.65*28/26.4) > 1e-9 {
			t.Errorf("the reading keeps %v", m)
		}
		s.clock.Advance(time.Minute)
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
			Name: volts.GetName(), Entered: &commonv1.Entered{Text: "24.6", UnitCode: "V"}, Reason: "misread",
		}))
		shown := s.preview(o, commonv1.Signature_PERFORMED)
		if all := strings.Join(shown.GetMissing(), "; "); !strings.Contains(all, "read the current again") {
			t.Errorf("missing: %s", all)
		}
		specs, _ = s.specs(o)
		if n := specs["heater_current"]; math.Abs(n.GetMaxValue()-24.6/14.112) > 1e-9 || len(n.GetLimitSteps()) != len(m.GetLimitSteps())-1 {
			t.Errorf("after the correction: %v", n)
		}
		s.clock.Advance(time.Minute)
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
			Name: m.GetName(), Entered: m.GetEntered(), Reason: "held against a wrong voltage",
		}))
		if all := strings.Join(s.preview(o, commonv1.Signature_PERFORMED).GetMissing(), "; "); strings.Contains(all, "read the current again") {
			t.Errorf("still missing: %s", all)
		}
	})
}

// Without heater data an order can be drafted and not scheduled; entered since, they hold when it is. A resistance that depends on the
// heater's temperature is not held against the figures of the hot one.
func TestLimitsNeedTheEngineModelsData(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) { n.heaterless = true })
		o := s.drafted("sense-line-heater-check")
		s.refused(s.scheduleAgain(o), "LIMITS_MISSING", "no heater data", "Enter rated power")
		s.near.change(func(n *neighbours) { n.silent["performance"] = true })
		s.refused(s.scheduleAgain(o), "PERFORMANCE_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.heaterless, n.warmed, n.silent["performance"] = false, true, false })
		if err := s.scheduleAgain(o); err != nil {
			t.Fatal(err)
		}
		specs, _ := s.specs(o)
		if r := specs["heater_resistance"]; r.MinValue != nil || !strings.Contains(r.GetSource(), "hot heater") || specs["heater_current"].MinValue == nil {
			t.Errorf("after the data came: %v", specs)
		}
	})
}

// A card that gives limits and computes them too, or names another unit, is refused.
func TestACardComputesLimitsOrGivesThem(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		for reason, m := range map[string]*workordersv1.MeasurementSpec{
			"LIMITS_TWICE":  {Key: "i", DisplayName: "Current", UnitCode: "A", Derived: workordersv1.MeasurementSpec_HEATER_CURRENT, MinValue: new(1.0)},
			"UNIT_MISMATCH": {Key: "i", DisplayName: "Current", UnitCode: "V", Derived: workordersv1.MeasurementSpec_HEATER_CURRENT},
		} {
			_, err := s.do.CreateTaskCard(s.as("pat"), &workordersv1.CreateTaskCardRequest{TaskCard: &workordersv1.TaskCard{
				DisplayName: "Own", Kind: workordersv1.TaskCard_OTHER, Document: &commonv1.DocumentReference{Title: "Invented data"},
				Steps: []*workordersv1.CardStep{{Title: "Measure", Kind: workordersv1.StepKind_STEP_KIND_MEASURE, Measurements: []*workordersv1.MeasurementSpec{m}}},
			}})
			s.refused(err, reason)
		}
	})
}
