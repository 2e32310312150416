package cards

import (
	"fmt"
	"slices"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

var looking = []workordersv1.StepKind{workordersv1.StepKind_STEP_KIND_INSPECT, workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION}

// Check refuses a card that could not be worked or would let an error through: what is critical is looked at afterwards by another
// person (Part-145, 145.A.48(c): an error-capturing method after every critical task). Reasons: CRITICAL_NOT_INSPECTED and those
// of its readings.
func Check(card *workordersv1.TaskCard) error {
	critical, looked := 0, 0
	for i, step := range card.GetSteps() {
		if err := checkReadings(i, step); err != nil {
			return err
		}
		switch {
		case slices.Contains(looking, step.GetKind()):
			looked = i + 1
		case step.GetCritical():
			critical = i + 1
		}
	}
	if critical > looked && !card.GetInspectionRequired() {
		return fault.Invalid("task_card.steps", "CRITICAL_NOT_INSPECTED",
			"Step %d is critical and nobody else looks at it afterwards. Add a later step of inspection, or require an inspection of the order.", critical)
	}
	return nil
}

// derived are the units of readings whose limits are computed.
var derived = map[workordersv1.MeasurementSpec_Derived]string{
	workordersv1.MeasurementSpec_HEATER_RESISTANCE: "Ohm", workordersv1.MeasurementSpec_HEATER_CURRENT: "A",
	workordersv1.MeasurementSpec_HEATER_SUPPLY: "V", workordersv1.MeasurementSpec_HEATER_INSULATION: "MOhm",
}

// checkDerived refuses a reading whose limits are both given and computed, or in another unit than that of the computation. Reasons:
// LIMITS_TWICE, UNIT_MISMATCH.
func checkDerived(field string, m *workordersv1.MeasurementSpec) error {
	m.LimitSteps = nil
	unit := derived[m.GetDerived()]
	switch {
	case unit == "":
		return nil
	case m.MinValue != nil || m.MaxValue != nil:
		return fault.Invalid(field, "LIMITS_TWICE", "The limits of %q are given and computed from the engine model too. Keep one of both.", m.GetDisplayName())
	case m.GetUnitCode() != unit:
		return fault.Invalid(field, "UNIT_MISMATCH", "The limits of %q are computed in %s, not %s. Name that unit.", m.GetDisplayName(), unit, m.GetUnitCode())
	}
	return nil
}

// checkReadings refuses readings that can't be taken. Reasons: READING_TWICE, UNIT_UNKNOWN, LIMITS_REVERSED, READING_MISSING,
// TOOL_TYPE_MISSING and those of computed limits.
func checkReadings(i int, step *workordersv1.CardStep) error {
	field := func(j int) string { return fmt.Sprintf("task_card.steps[%d].measurements[%d]", i, j) }
	seen := map[string]bool{}
	for j, m := range step.GetMeasurements() {
		_, err := quantity.Lookup(m.GetUnitCode())
		switch {
		case err != nil:
			return err
		case seen[m.GetKey()]:
			return fault.Invalid(field(j), "READING_TWICE", "Step %d asks for %q twice. Give each reading a key of its own.", i+1, m.GetKey())
		case m.MinValue != nil && m.MaxValue != nil && m.GetMinValue() > m.GetMaxValue():
			return fault.Invalid(field(j), "LIMITS_REVERSED", "The limits of %q are from %g to %g. Correct them.", m.GetDisplayName(), m.GetMinValue(), m.GetMaxValue())
		case m.GetToolRequired() && len(step.GetRequiredTools()) == 0:
			return fault.Invalid(field(j), "TOOL_TYPE_MISSING", "%q is read with a tool, and step %d names no type of tool. Name it.", m.GetDisplayName(), i+1)
		}
		if err := checkDerived(field(j), m); err != nil {
			return err
		}
		seen[m.GetKey()] = true
	}
	if step.GetKind() == workordersv1.StepKind_STEP_KIND_MEASURE && len(seen) == 0 {
		return fault.Invalid(fmt.Sprintf("task_card.steps[%d]", i), "READING_MISSING", "Step %d measures nothing. Say which readings it takes.", i+1)
	}
	return nil
}
