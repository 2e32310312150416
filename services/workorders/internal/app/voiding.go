package app

import (
	"context"
	"slices"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/flow"
	"coldsection.example/services/workorders/internal/store"
)

// VoidWorkOrder ends an order without release. Before anything was signed a planner may; afterwards quality closes it as incomplete,
// and nobody does while something that was taken out is still out.
func (a *App) VoidWorkOrder(ctx context.Context, req *workordersv1.VoidWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		wet, err := u.mayVoid(ctx, o)
		if err != nil {
			return nil, err
		}
		o.VoidReason = req.GetReason()
		zone, err := u.zoneOf(ctx, o)
		if err != nil {
			return nil, err
		}
		if err := u.retain(ctx, o, workordersv1.Retention_ENDED_WORK, civil(u.now.In(zone))); err != nil {
			return nil, err
		}
		return o, u.advance(ctx, o, "void", func(c *workordersv1.WorkOrderChanged) {
			c.Reason, c.ClosedIncomplete = req.GetReason(), o.GetClosedIncomplete()
			if wet {
				c.Reason += "; liquid went into the engine, and no drying run is recorded since"
			}
		})
	})
}

// mayVoid says whether the caller may end an order, marks one that had been signed, and says whether its engine is wet. Reasons:
// STATE_NOT_ALLOWED, SIGNED_ALREADY, RESTORE_OPEN, DRYING_RUN_MISSING.
func (u unit) mayVoid(ctx context.Context, o *workordersv1.WorkOrder) (wet bool, err error) {
	if _, _, err := flow.Next(flowOf(o), "void", o.GetName()); err != nil {
		return false, err
	}
	condition, args := store.Under(o.GetName() + "/signatures")
	signed, err := store.Signatures.Where(ctx, u.Tx, condition+" ORDER BY name", args...)
	if err != nil {
		return false, err
	}
	steps, err := u.stepsOf(ctx, o)
	if err != nil {
		return false, err
	}
	if wet, err = u.wet(ctx, o); err != nil {
		return false, err
	}
	ending := flow.Ending{Quality: u.caller.Has("quality"), Out: stillOut(steps), Wet: wet}
	if o.ClosedIncomplete = len(signed) > 0; o.GetClosedIncomplete() {
		ending.Signer = signed[0].GetPersonName()
	}
	return wet, flow.Voids(ending, o.GetName())
}

// stillOut is how many items were taken out and not counted back since. What a count that is open has to count is not cleared by a later one that is done.
func stillOut(steps []*workordersv1.Step) int32 {
	out, owed := int32(0), int32(0)
	for _, s := range steps {
		counts, done := s.GetKind() == workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT, s.GetState() == workordersv1.Step_DONE
		switch {
		case done && counts:
			out = 0
		case done:
			out += s.GetRemovedItemCount()
		case counts: // opened again: what was counted back is to be counted once more
			owed, out = owed+max(out, tookOut(s)), 0
		default:
			out += tookOut(s)
		}
	}
	return owed + out
}

// tookOut is how many items a step took out when it was done last, before it was opened again: they are out until it is done anew, or counted back, also
// where it is left out then.
func tookOut(s *workordersv1.Step) int32 {
	for _, before := range slices.Backward(s.GetEarlier()) {
		if before.GetState() == workordersv1.Step_DONE {
			return before.GetRemovedItemCount()
		}
	}
	return 0
}

// stepsOf are the steps of an order in their order.
func (u unit) stepsOf(ctx context.Context, o *workordersv1.WorkOrder) ([]*workordersv1.Step, error) {
	return stepsIn(ctx, u.Tx, o)
}

func stepsIn(ctx context.Context, tx *storage.Tx, o *workordersv1.WorkOrder) ([]*workordersv1.Step, error) {
	condition, args := store.Under(o.GetName() + "/steps")
	return store.Steps.Where(ctx, tx, condition+" ORDER BY position", args...)
}
