package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// CreateMeasurement records a reading with the tool that it was taken with.
func (a *App) CreateMeasurement(ctx context.Context, req *workordersv1.CreateMeasurementRequest) (*workordersv1.Measurement, error) {
	m := req.GetMeasurement()
	resource.ClearOutputOnly(m)
	order, err := store.Orders.Read(ctx, a.DB, req.GetParent())
	if err != nil {
		return nil, err
	}
	tool, err := a.calibration(ctx, order, m)
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Measurement, error) {
		u := a.unit(ctx, tx)
		m.Name, m.ToolCalibration = a.newName(req.GetParent()+"/measurements", req.GetMeasurementId()), tool.GetEvidence()
		return m, u.measure(ctx, m, tool.GetToolType())
	})
}

// calibration asks what covers a reading's tool on the day that it was taken, and of which type the tool is.
func (a *App) calibration(ctx context.Context, o *workordersv1.WorkOrder, m *workordersv1.Measurement) (*compliancev1.GateResult, error) {
	if m.GetTool() == "" {
		return &compliancev1.GateResult{}, nil
	}
	day, err := a.dayOf(ctx, o, m.GetMeasureTime())
	if err != nil {
		return nil, err
	}
	answer, err := a.gate(ctx, "", "", day, nil, []string{m.GetTool()})
	if err != nil {
		return nil, err
	}
	return answer.GetResults()[0], nil
}

// rightTool refuses a tool of another type than the step is done with: a calibrated stopwatch reads no pressure. Compliance of a release before
// this one does not say the type. Reason: TOOL_NOT_FOR_STEP.
func rightTool(m *workordersv1.Measurement, step *workordersv1.Step, spec *workordersv1.MeasurementSpec, toolType string) error {
	if len(step.GetRequiredTools()) == 0 || !spec.GetToolRequired() || toolType == "" || slices.Contains(step.GetRequiredTools(), toolType) {
		return nil
	}
	wanted := strings.Join(step.GetRequiredTools(), " or ")
	return fault.Invalid("measurement.tool", "TOOL_NOT_FOR_STEP", "%s is read with a tool of the type %s, and %s is of the type %s. Scan the one that was used.",
		spec.GetDisplayName(), wanted, m.GetTool(), toolType).With("wanted", wanted).With("tool_type", toolType)
}

func (u unit) measure(ctx context.Context, m *workordersv1.Measurement, toolType string) error {
	me, err := u.me()
	if err != nil {
		return err
	}
	o, err := u.started(ctx, orderOf(m.GetName()))
	if err != nil {
		return err
	}
	step, err := store.Steps.Get(ctx, u.Tx, m.GetStep())
	if err != nil {
		return err
	}
	i := slices.IndexFunc(step.GetMeasurements(), func(s *workordersv1.MeasurementSpec) bool { return s.GetKey() == m.GetKey() })
	if i < 0 || orderOf(step.GetName()) != o.GetName() {
		return fault.Invalid("measurement.key", "MEASUREMENT_UNKNOWN", "Step %q has no reading %q. Name one that the step asks for.", m.GetStep(), m.GetKey())
	}
	if err := u.apart(ctx, o, me, step.GetPosition()); err != nil {
		return err
	}
	if err := u.readWhen(o, m); err != nil {
		return err
	}
	if err := u.mayRead(ctx, o, step, m, me); err != nil {
		return err
	}
	spec := step.GetMeasurements()[i]
	if err := u.supplyKnown(ctx, o, spec); err != nil {
		return err
	}
	if err := judge(m, spec); err != nil {
		return err
	}
	if err := rightTool(m, step, spec, toolType); err != nil {
		return err
	}
	heldAgainst(m, spec)
	m.Person = me
	if err := store.Measured.Insert(ctx, u.Tx, m, u.now); err != nil {
		return err
	}
	if err := u.supplied(ctx, o, spec, m); err != nil {
		return err
	}
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	return u.publish(ctx, "measurement.recorded", o.GetName(), &workordersv1.MeasurementRecorded{
		WorkOrder: o.GetName(), Measurement: m, Engine: o.GetEngine(), CivilDate: civil(m.GetMeasureTime().AsTime().In(zone)),
	})
}

// readWhen fills in when a reading was taken. Reasons: TIME_NEEDED, TIME_OUT_OF_ORDER.
func (u unit) readWhen(o *workordersv1.WorkOrder, m *workordersv1.Measurement) (err error) {
	const field = "measurement.measure_time"
	if err := onPaper(m.GetPaperEntry(), m.GetMeasureTime(), field); err != nil {
		return err
	}
	m.MeasureTime, err = u.during(o, field, m.GetMeasureTime())
	return err
}

// judge fills the canonical value and compares it with the limits.
func judge(m *workordersv1.Measurement, spec *workordersv1.MeasurementSpec) error {
	if spec.GetToolRequired() && m.GetTool() == "" {
		return fault.Invalid("measurement.tool", "TOOL_MISSING", "%s is read with a tool that is in calibration. Scan it.", spec.GetDisplayName())
	}
	q, err := quantity.Typed(m.GetEntered().GetText(), m.GetEntered().GetUnitCode())
	if err != nil {
		return err
	}
	want, err := quantity.Lookup(spec.GetUnitCode())
	if err != nil {
		return err
	}
	in, err := q.ConvertRounded(want, 9)
	if err != nil {
		return err
	}
	value, _ := in.Value().Float64()
	m.Value, m.UnitCode = value, want.Code
	low, high := math.Inf(-1), math.Inf(1)
	if spec.MinValue != nil {
		low = spec.GetMinValue()
	}
	if spec.MaxValue != nil {
		high = spec.GetMaxValue()
	}
	if m.LimitsMet = value >= low && value <= high; !m.GetLimitsMet() && !m.GetExceedanceConfirmed() {
		return fault.Precondition("OUT_OF_LIMITS_NOT_CONFIRMED", "%s of %s is outside its limits (%s to %s %s). Read it again, or confirm it.", spec.GetDisplayName(), q,
			bound(low), bound(high), want.Code)
	}
	return nil
}

func bound(v float64) string {
	if math.IsInf(v, 0) {
		return "any"
	}
	return fmt.Sprintf("%g", v)
}
