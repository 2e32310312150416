// Package events reacts to work orders: released ones and signed entries of the past alone move a requirement; measured values tell
// when a tool was used.
package events

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
)

const (
	released = "coldsection.workorder.released.v1"
	measured = "coldsection.workorder.measurement.recorded.v1"
)

// Consumer is the service's one subscription.
func Consumer(a *app.App) eventbus.Consumer {
	return eventbus.Consumer{Durable: "compliance", Types: []string{released, measured}, Handle: func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
		if m.Type == measured {
			var fact workordersv1.MeasurementRecorded
			if err := m.Decode(&fact); err != nil {
				return nil, err
			}
			return func(ctx context.Context, tx *storage.Tx) error { return a.Measured(ctx, tx, &fact) }, nil
		}
		var fact workordersv1.WorkOrderChanged
		if err := m.Decode(&fact); err != nil {
			return nil, err
		}
		return func(ctx context.Context, tx *storage.Tx) error { return a.Released(ctx, tx, &fact) }, nil
	}}
}
