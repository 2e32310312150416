package app

import (
	"context"
	"slices"
	"strings"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/flow"
	"coldsection.example/services/workorders/internal/store"
)

// takenBack begins the reason that an order gets whose advice no longer stands.
const takenBack = "The advice was taken back at "

// Withdrawn says on the orders of an advice that nothing asks for them any more. They are not ended: somebody may have planned by them, and decides.
// What is at work stays as it is.
func (a *App) Withdrawn(ctx context.Context, tx *storage.Tx, fact *performancev1.WashAdviceWithdrawn) error {
	why := takenBack + stamp(fact.GetWithdrawTime()) + ", as the readings and events no longer give it. Look whether the work is wanted all the same, or end the order."
	return a.unit(ctx, tx).reasoned(ctx, fact.GetEngine(), fact.GetWashAdvice(), func(o *workordersv1.WorkOrder) bool {
		if withdrawn(o) {
			return false
		}
		o.Origin.Reasons = append(o.Origin.Reasons, why)
		return true
	})
}

// again gives the orders of an advice that stands again its reasons of now.
func (a *App) again(ctx context.Context, tx *storage.Tx, fact *performancev1.WashRecommended) error {
	return a.unit(ctx, tx).reasoned(ctx, fact.GetEngine(), fact.GetWashAdvice(), func(o *workordersv1.WorkOrder) bool {
		if !withdrawn(o) {
			return false
		}
		o.Origin.Reasons = fact.GetReasons()
		return true
	})
}

func withdrawn(o *workordersv1.WorkOrder) bool {
	return slices.ContainsFunc(o.GetOrigin().GetReasons(), func(r string) bool { return strings.HasPrefix(r, takenBack) })
}

// reasoned changes why there are the orders of an advice that nobody started, and tells of each.
func (u unit) reasoned(ctx context.Context, engine, advice string, change func(*workordersv1.WorkOrder) bool) error {
	all, err := store.Orders.Where(ctx, u.Tx, "engine = $1 ORDER BY name"+u.ForUpdate(), engine)
	if err != nil {
		return err
	}
	for _, o := range all {
		waits := slices.Contains([]string{flow.Drafted, flow.Scheduled, flow.Kitted}, o.GetState().String())
		if origin := o.GetOrigin(); !waits || origin.GetCause() != workordersv1.Origin_ADVICE || origin.GetReference() != advice || !change(o) {
			continue
		}
		if err := u.save(ctx, o); err != nil {
			return err
		}
		if err := u.tell(ctx, o, "changed", nil); err != nil {
			return err
		}
	}
	return nil
}
