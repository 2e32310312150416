package app

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// AcknowledgeCautions records that the performer read a step's cautions.
func (a *App) AcknowledgeCautions(ctx context.Context, req *workordersv1.AcknowledgeCautionsRequest) (*workordersv1.Step, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Step, error) {
		u := a.unit(ctx, tx)
		me, err := u.me()
		if err != nil {
			return nil, err
		}
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
		if step.GetState() != workordersv1.Step_OPEN {
			return nil, notOpen(step)
		}
		acknowledge(step, me, u.now)
		if err := store.Steps.Save(ctx, tx, step, u.now); err != nil {
			return nil, err
		}
		return step, u.tellStep(ctx, "step.acknowledged", o, step)
	})
}

// acknowledge notes that somebody read a step's cautions. Who read them before, and works on the step with the caller, did so still.
func acknowledge(step *workordersv1.Step, me string, now time.Time) {
	at := timestamppb.New(now)
	step.Acknowledger, step.AcknowledgeTime = me, at
	if i := slices.IndexFunc(step.GetAcknowledgements(), func(a *workordersv1.Acknowledgement) bool { return a.GetPerson() == me }); i >= 0 {
		step.Acknowledgements[i].AcknowledgeTime = at
		return
	}
	step.Acknowledgements = append(step.Acknowledgements, &workordersv1.Acknowledgement{Person: me, AcknowledgeTime: at})
}

// acknowledged says that somebody read what to beware of on a step, if there is anything. Steps of a release before this one say the last reader only.
func acknowledged(step *workordersv1.Step, who string) bool {
	return len(step.GetCautions()) == 0 || step.GetAcknowledger() == who ||
		slices.ContainsFunc(step.GetAcknowledgements(), func(a *workordersv1.Acknowledgement) bool { return a.GetPerson() == who })
}

func cautionsFirst(step *workordersv1.Step) error {
	return fault.Precondition("CAUTIONS_NOT_ACKNOWLEDGED", "Who does step %d reads its cautions first. Acknowledge them, then go on.", step.GetPosition()).
		With("step", step.GetName())
}

// mayWorkOn refuses work on an open step, such as a reading or a run of the starter, to whoever did not read its cautions, and before an earlier
// hold point is passed: nothing later is done before that. Reasons: CAUTIONS_NOT_ACKNOWLEDGED, STEP_ORDER.
func (u unit) mayWorkOn(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, me string) error {
	if step.GetState() != workordersv1.Step_OPEN {
		return nil
	}
	if !acknowledged(step, me) {
		return cautionsFirst(step)
	}
	all, err := u.stepsOf(ctx, o)
	for _, s := range all {
		if s.GetPosition() < step.GetPosition() && s.GetKind() == workordersv1.StepKind_STEP_KIND_HOLD_POINT && s.GetState() == workordersv1.Step_OPEN {
			return stepFirst(s)
		}
	}
	return err
}
