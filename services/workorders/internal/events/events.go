// Package events reacts to facts of the other services: a recommended wash, a requirement that comes due or a wash that did not
// recover the engine drafts an order, and stock that was all issued kits one.
package events

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/app"
)

// Consumer is the service's one subscription.
func Consumer(a *app.App) eventbus.Consumer {
	return eventbus.Consumer{
		Durable: "workorders",
		Types: []string{
			"coldsection.performance.wash.recommended.v1", "coldsection.performance.recovery.computed.v1", "coldsection.compliance.due.approached.v1",
			"coldsection.performance.advice.withdrawn.v1", "coldsection.stock.demand.met.v1",
		},
		Handle: func(ctx context.Context, m eventbus.Message) (eventbus.Effect, error) {
			switch m.Type {
			case "coldsection.performance.wash.recommended.v1":
				var fact performancev1.WashRecommended
				if err := m.Decode(&fact); err != nil {
					return nil, err
				}
				return a.Recommended(ctx, m.ID, &fact)
			case "coldsection.performance.advice.withdrawn.v1":
				var fact performancev1.WashAdviceWithdrawn
				if err := m.Decode(&fact); err != nil {
					return nil, err
				}
				return func(ctx context.Context, tx *storage.Tx) error { return a.Withdrawn(ctx, tx, &fact) }, nil
			case "coldsection.performance.recovery.computed.v1":
				var fact performancev1.RecoveryComputed
				if err := m.Decode(&fact); err != nil {
					return nil, err
				}
				return a.Measured(ctx, m.ID, &fact)
			case "coldsection.compliance.due.approached.v1":
				var fact compliancev1.DueChanged
				if err := m.Decode(&fact); err != nil {
					return nil, err
				}
				return a.Approached(ctx, m.ID, &fact)
			default:
				var fact consumablesv1.DemandsMet
				if err := m.Decode(&fact); err != nil {
					return nil, err
				}
				return func(ctx context.Context, tx *storage.Tx) error { return a.Kitted(ctx, tx, fact.GetWorkOrder()) }, nil
			}
		},
	}
}
