package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/app/regimes"
	"coldsection.example/services/workorders/internal/store"
)

// CreateRegime adds a regime, or the next revision of one. What was signed keeps its text.
func (a *App) CreateRegime(ctx context.Context, req *workordersv1.CreateRegimeRequest) (*workordersv1.Regime, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Regime, error) {
		r := req.GetRegime()
		resource.ClearOutputOnly(r)
		if err := regimes.Check(r); err != nil {
			return nil, err
		}
		r.Name = a.newName("regimes", req.GetRegimeId())
		old, err := store.Regimes.Lock(ctx, tx, r.GetName())
		if fault.HasReason(err, "NOT_FOUND") {
			r.Revision = 1
			return r, store.Regimes.Insert(ctx, tx, r, a.Clock.Now())
		}
		if err != nil {
			return nil, err
		}
		if err := store.KeepRevision(ctx, tx, old); err != nil {
			return nil, err
		}
		r.Revision, r.CreateTime = old.GetRevision()+1, old.GetCreateTime()
		return r, store.Regimes.Save(ctx, tx, r, a.Clock.Now())
	})
}

// underRegime puts an order that is not started under the regime that it names, or under the general one, and its record under the floors of it. Reason: REGIME_UNKNOWN.
func (u unit) underRegime(ctx context.Context, o *workordersv1.WorkOrder) error {
	if o.GetRegime() == "" {
		o.Regime = regimes.General
	}
	err := u.retain(ctx, o, workordersv1.Retention_OPEN_WORK, nil)
	if fault.HasReason(err, "NOT_FOUND") {
		return fault.Invalid("work_order.regime", "REGIME_UNKNOWN", "There is no regime %q. List the regimes and choose one.", o.GetRegime())
	}
	return err
}

// regimeOf is the regime of an order; one from before there were regimes has the general one.
func (u unit) regimeOf(ctx context.Context, o *workordersv1.WorkOrder) (*workordersv1.Regime, error) {
	name := o.GetRegime()
	if name == "" {
		name = regimes.General
	}
	return store.Regimes.Get(ctx, u.Tx, name)
}
