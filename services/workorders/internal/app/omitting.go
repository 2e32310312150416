package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// OmitStep leaves a step undone, as the person who answers for the aircraft agreed (145.A.50(c)); the release states it (145.A.50(e)).
func (a *App) OmitStep(ctx context.Context, req *workordersv1.OmitStepRequest) (*workordersv1.Step, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Step, error) {
		u := a.unit(ctx, tx)
		o, err := u.started(ctx, orderOf(req.GetName()))
		if err != nil {
			return nil, err
		}
		step, err := store.Steps.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(step, req.GetEtag()); err != nil {
			return nil, err
		}
		switch {
		case step.GetState() != workordersv1.Step_OPEN:
			return nil, notOpen(step)
		case mustBeDone(step):
			return nil, fault.Precondition("STEP_CRITICAL", "Step %d is critical, puts something back, or is somebody's look at the work, and the order is not released without. Have it done.",
				step.GetPosition())
		}
		step.State, step.Note, step.Agreement = workordersv1.Step_OMITTED, req.GetReason(), req.GetAgreement()
		if err := store.Steps.Save(ctx, tx, step, u.now); err != nil {
			return nil, err
		}
		return step, u.tellStep(ctx, "step.omitted", o, step)
	})
}

func (u unit) tellStep(ctx context.Context, fact string, o *workordersv1.WorkOrder, step *workordersv1.Step) error {
	return u.publish(ctx, fact, o.GetName(), &workordersv1.StepChanged{WorkOrder: o.GetName(), Engine: o.GetEngine(), Step: step, Person: u.caller.Person})
}
