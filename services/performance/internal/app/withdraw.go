package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// WithdrawEngineEvent takes an event back that never was, and works the engine out without it.
func (a *App) WithdrawEngineEvent(ctx context.Context, req *performancev1.WithdrawEngineEventRequest) (*performancev1.EngineEvent, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineEvent, error) {
		u := a.unit(ctx, tx)
		e, err := store.Events.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(e, req.GetEtag()); err != nil {
			return nil, err
		}
		engine, id, _ := strings.Cut(e.GetName(), "/engineEvents/")
		switch {
		case e.GetWithdrawTime() != nil:
			return nil, fault.Precondition("EVENT_WITHDRAWN", "%s was taken back by %s: %s. It stays so; enter the event that was.", e.GetName(), e.GetWithdrawPerson(), e.GetWithdrawReason())
		case toldBy(e.GetWorkOrder(), id):
			return nil, fault.Precondition("EVENT_OF_ORDER", "%s was told by the release of %s, which stands in signed records. Have the releaser look at that order.", e.GetName(), e.GetWorkOrder()).
				With("work_order", e.GetWorkOrder())
		}
		e.WithdrawReason, e.WithdrawPerson, e.WithdrawTime = req.GetReason(), u.caller.Person, timestamppb.New(u.now)
		if err := store.Events.Save(ctx, tx, e, u.now); err != nil {
			return nil, err
		}
		if err := store.ForgetRecovery(ctx, tx, fmt.Sprintf("%s/recoveries/w%d", engine, e.GetEventTime().AsTime().Unix())); err != nil {
			return nil, err
		}
		return e, u.analyse(ctx, engine)
	})
}

// toldBy says whether an event has the name that the release of its order gave it.
func toldBy(order, id string) bool {
	return order != "" && strings.TrimSuffix(id, "-check") == strings.TrimPrefix(order, "workOrders/")
}
