package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/workorders/internal/store"
)

// standing are an order's readings that no other corrects and that were taken since their step was opened again last, in the order of the steps,
// each with whether it was judged.
func (u unit) standing(ctx context.Context, o *workordersv1.WorkOrder) ([]*workordersv1.StepReading, error) {
	steps, err := u.stepsOf(ctx, o)
	if err != nil {
		return nil, err
	}
	taken, err := under(ctx, u, store.Measured, o.GetName()+"/measurements", "create_time, name")
	if err != nil {
		return nil, err
	}
	var out []*workordersv1.StepReading
	for _, step := range steps {
		for _, spec := range step.GetMeasurements() {
			for _, m := range taken {
				if m.GetStep() == step.GetName() && m.GetKey() == spec.GetKey() && m.GetSuccessor() == "" && anew(step, m) {
					out = append(out, standingReading(step, spec, m))
				}
			}
		}
	}
	return out, nil
}

func standingReading(step *workordersv1.Step, spec *workordersv1.MeasurementSpec, m *workordersv1.Measurement) *workordersv1.StepReading {
	return &workordersv1.StepReading{
		Step: step.GetName(), Position: step.GetPosition(), Title: step.GetTitle(), Key: spec.GetKey(), DisplayName: spec.GetDisplayName(),
		Value: m.GetValue(), UnitCode: m.GetUnitCode(), Limited: spec.MinValue != nil || spec.MaxValue != nil, LimitsMet: m.GetLimitsMet(), MeasureTime: m.GetMeasureTime(),
	}
}
