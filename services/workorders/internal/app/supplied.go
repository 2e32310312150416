package app

import (
	"context"
	"fmt"
	"slices"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/heating"
	"coldsection.example/services/workorders/internal/store"
)

// The labels of the steps of arithmetic that performance gives and that the window at a voltage starts from.
const (
	ratedVoltage   = "Rated voltage"
	lowestCurrent  = "Lowest current"
	highestCurrent = "Highest current"
	ohm            = "Ohm's law: a current goes with its voltage"
)

// valueOf is the value of a step of arithmetic, 0 when it is not there.
func valueOf(steps []*commonv1.Explained, label string) float64 {
	for _, s := range steps {
		if s.GetLabel() == label {
			return s.GetValue()
		}
	}
	return 0
}

// atVoltage are two steps of arithmetic: the window of a current at a voltage. Where says which voltage that is.
func atVoltage(spec *workordersv1.MeasurementSpec, supply heating.Window, volts float64, where string) (heating.Window, []*commonv1.Explained) {
	over := heating.Window{Low: valueOf(spec.GetLimitSteps(), lowestCurrent), High: valueOf(spec.GetLimitSteps(), highestCurrent)}
	at, ok := heating.At(over, supply, volts)
	if !ok || over.High == 0 {
		return over, nil
	}
	line := func(label string, value, current, from float64) *commonv1.Explained {
		return &commonv1.Explained{Label: label + " at " + where, Value: value, UnitCode: "A", Formula: fmt.Sprintf("%.6g A × %.6g V / %.6g V", current, volts, from), Source: ohm}
	}
	return at, []*commonv1.Explained{line(lowestCurrent, at.Low, over.Low, supply.Low), line(highestCurrent, at.High, over.High, supply.High)}
}

// atRated adds the window at the rated voltage to the arithmetic of a current.
func atRated(spec *workordersv1.MeasurementSpec, supply heating.Window) {
	_, steps := atVoltage(spec, supply, valueOf(spec.GetLimitSteps(), ratedVoltage), "the rated voltage")
	spec.LimitSteps = append(spec.LimitSteps, steps...)
}

// supplied takes the windows of an order's heater current to the voltage that was measured now: limits of the reading that comes next.
func (u unit) supplied(ctx context.Context, o *workordersv1.WorkOrder, spec *workordersv1.MeasurementSpec, m *workordersv1.Measurement) error {
	if !feeds(spec) {
		return nil
	}
	steps, err := u.stepsOf(ctx, o)
	if err != nil {
		return err
	}
	supply := heating.Window{Low: spec.GetMinValue(), High: spec.GetMaxValue()}
	for _, s := range steps {
		changed := false
		for _, current := range s.GetMeasurements() {
			changed = fed(current, supply, m) || changed
		}
		if !changed {
			continue
		}
		if err := store.Steps.Save(ctx, u.Tx, s, u.now); err != nil {
			return err
		}
	}
	return nil
}

// overSupply is the window of a current over the whole range of its supply, as it was before any voltage was measured.
func overSupply(current *workordersv1.MeasurementSpec) (low, high *float64) {
	if valueOf(current.GetLimitSteps(), highestCurrent) == 0 {
		return current.MinValue, current.MaxValue
	}
	return new(valueOf(current.GetLimitSteps(), lowestCurrent)), new(valueOf(current.GetLimitSteps(), highestCurrent))
}

// measuredLabel is the step of arithmetic that names the voltage measured.
const measuredLabel = "Supply voltage measured"

// fed takes the window of one current to a measured voltage and says so in its arithmetic.
func fed(current *workordersv1.MeasurementSpec, supply heating.Window, m *workordersv1.Measurement) bool {
	if current.GetDerived() != workordersv1.MeasurementSpec_HEATER_CURRENT {
		return false
	}
	at, steps := atVoltage(current, supply, m.GetValue(), "the voltage measured")
	i := slices.IndexFunc(current.GetLimitSteps(), func(s *commonv1.Explained) bool { return s.GetLabel() == measuredLabel })
	if i >= 0 {
		current.LimitSteps = current.GetLimitSteps()[:i] // of an earlier voltage, since corrected
	}
	if steps == nil { // nothing can be said at this voltage, and least of all by the window of the one before
		current.MinValue, current.MaxValue = overSupply(current)
		return i >= 0
	}
	read := "read as " + m.GetEntered().GetText() + " " + m.GetEntered().GetUnitCode()
	current.LimitSteps = append(current.LimitSteps, &commonv1.Explained{Label: measuredLabel, Value: m.GetValue(), UnitCode: "V", Formula: read, Source: m.GetName()})
	current.LimitSteps = append(current.LimitSteps, steps...)
	current.MinValue, current.MaxValue = new(at.Low), new(at.High)
	return true
}

// supplyKnown refuses a heater's current before the voltage that feeds it was measured: nobody can judge it then. A card that reads no
// voltage holds the current against the whole range of the supply. Reason: SUPPLY_NOT_MEASURED.
func (u unit) supplyKnown(ctx context.Context, o *workordersv1.WorkOrder, spec *workordersv1.MeasurementSpec) error {
	if spec.GetDerived() != workordersv1.MeasurementSpec_HEATER_CURRENT || valueOf(spec.GetLimitSteps(), measuredLabel) > 0 {
		return nil
	}
	readings, err := readingsOf(ctx, u.Tx, o)
	if err != nil || !slices.ContainsFunc(readings, feeds) {
		return err
	}
	return fault.Precondition("SUPPLY_NOT_MEASURED", "%s is held against the window at the voltage that feeds the heater. Measure the supply voltage first, above zero.", spec.GetDisplayName())
}

// feeds says that a reading is the voltage of the heater's supply.
func feeds(r *workordersv1.MeasurementSpec) bool {
	return r.GetDerived() == workordersv1.MeasurementSpec_HEATER_SUPPLY
}

// heldAgainst writes on a reading what it was held against and, for a heater's current, what it is at the rated voltage.
func heldAgainst(m *workordersv1.Measurement, spec *workordersv1.MeasurementSpec) {
	m.MinValue, m.MaxValue = spec.MinValue, spec.MaxValue
	volts, rated := valueOf(spec.GetLimitSteps(), measuredLabel), valueOf(spec.GetLimitSteps(), ratedVoltage)
	if spec.GetDerived() != workordersv1.MeasurementSpec_HEATER_CURRENT || volts <= 0 || rated <= 0 {
		return
	}
	m.LimitSteps = append(slices.Clone(spec.GetLimitSteps()), &commonv1.Explained{
		Label: "Current taken to the rated voltage", Value: heating.Rated(m.GetValue(), volts, rated), UnitCode: "A",
		Formula: fmt.Sprintf("%.6g A × %.6g V / %.6g V", m.GetValue(), rated, volts), Source: ohm,
	})
}

// addHeater notes which readings of a step are of a heater's current and of the voltage that feeds it.
func (c *content) addHeater(s *workordersv1.Step) {
	for _, spec := range s.GetMeasurements() {
		switch spec.GetDerived() {
		case workordersv1.MeasurementSpec_HEATER_CURRENT:
			c.current = append(c.current, s.GetName()+" "+spec.GetKey())
		case workordersv1.MeasurementSpec_HEATER_SUPPLY:
			c.supply = append(c.supply, s.GetName()+" "+spec.GetKey())
		default:
		}
	}
}

// fedOtherwise adds to what is open a current that was held against a voltage that was corrected since. Readings come in their order.
func (c *content) fedOtherwise(readings []*workordersv1.Measurement) {
	var current *workordersv1.Measurement
	for _, m := range readings {
		if key := m.GetStep() + " " + m.GetKey(); m.GetSuccessor() == "" && slices.Contains(c.current, key) {
			current = m
		}
	}
	for _, m := range readings {
		late := slices.Contains(c.supply, m.GetStep()+" "+m.GetKey()) && current != nil && m.GetCreateTime().AsTime().After(current.GetCreateTime().AsTime())
		if late && m.GetSuccessor() == "" {
			c.open = append(c.open, "The heater's current was held against a voltage that was read anew since; read the current again")
			return
		}
	}
}
