package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// LookUpWorkOrder finds an order by its id in another system, as far as it is the caller's.
func (a *App) LookUpWorkOrder(ctx context.Context, system, id string) (o *workordersv1.WorkOrder, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		name, err := store.OrderIDs.One(ctx, tx, "work order", system, id)
		if err != nil {
			return err
		}
		o, err = store.Orders.Get(ctx, tx, name)
		return err
	})
	return o, err
}

// nameElsewhere changes an order's ids in other systems. They are no part of the work or of what is signed, so they change in every state: an
// accounting system may give its number when the order is long at work.
func (a *App) nameElsewhere(ctx context.Context, req *workordersv1.UpdateWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetWorkOrder().GetName(), req.GetWorkOrder().GetEtag())
		if err != nil {
			return nil, err
		}
		o.ExternalIds = req.GetWorkOrder().GetExternalIds()
		if err := u.save(ctx, o); err != nil {
			return nil, err
		}
		return o, u.keepIDs(ctx, o)
	})
}

// keepIDs makes an order that was just written findable by its ids in other systems, with those alone that it has now.
func (u unit) keepIDs(ctx context.Context, o *workordersv1.WorkOrder) error {
	return store.OrderIDs.Keep(ctx, u.Tx, o)
}
