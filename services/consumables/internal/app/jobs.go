package app

import (
	"context"

	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// jobOf is an order that was scheduled. Of one that stores don't know nobody here can say whether it is, or on which engine: what it is given
// would reach an engine that no recall finds. Reason: WORK_ORDER_UNKNOWN.
func (u unit) jobOf(ctx context.Context, order string) (store.Job, error) {
	job, known, err := store.JobOf(ctx, u.Tx, order)
	if err == nil && !known {
		err = fault.Precondition("WORK_ORDER_UNKNOWN", "%s is not known to stores yet: nobody scheduled it, or its schedule is still on its way. Schedule the order; "+
			"if it is scheduled, try again in a moment.", order).With("work_order", order)
	}
	return job, err
}

// onEngine refuses a use on another engine than the order's. An order that was scheduled before stores kept its engine has none to hold it
// against. Reasons: WORK_ORDER_UNKNOWN, ENGINE_NOT_OF_ORDER.
func (u unit) onEngine(ctx context.Context, order, engine string) error {
	job, err := u.jobOf(ctx, order)
	if err != nil || job.Engine == "" || job.Engine == engine {
		return err
	}
	return fault.Precondition("ENGINE_NOT_OF_ORDER", "%s is work on %s, and %s is another engine. Name %s; or, if it went into the other one, "+
		"return the stock, have it issued to the order of that engine, and book the use there.", order, job.Engine, engine, job.Engine).
		With("work_order", order).With("engine", job.Engine)
}
