// Package events reacts to facts of other services: orders that need, use, or no longer need
// stock, and meters found out of tolerance.
package events

import (
	"context"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
)

// Consumer is the service's one subscription; facts about one order arrive in their order.
func Consumer(a *app.App) eventbus.Consumer {
	return eventbus.Consumer{
		Durable: "consumables",
		Types: []string{
			"coldsection.workorder.scheduled.v1", "coldsection.workorder.step.completed.v1",
			"coldsection.workorder.released.v1", "coldsection.workorder.voided.v1", "coldsection.tools.tool.calibrated.v1",
		},
		Handle: func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) { return handle(a, m) },
	}
}

func handle(a *app.App, m eventbus.Message) (eventbus.Effect, error) {
	switch m.Type {
	case "coldsection.workorder.step.completed.v1":
		var fact workordersv1.StepCompleted
		if err := m.Decode(&fact); err != nil {
			return nil, err
		}
		return used(a, &fact, m.Time), nil
	case "coldsection.tools.tool.calibrated.v1":
		var fact compliancev1.ToolChanged
		if err := m.Decode(&fact); err != nil || !fact.GetFoundOutOfTolerance() {
			return nil, err
		}
		return func(ctx context.Context, tx *storage.Tx) error {
			return a.MeterDoubted(ctx, tx, fact.GetTool(), fact.GetPreviousCalibrationDate())
		}, nil
	case "coldsection.workorder.scheduled.v1":
		var fact workordersv1.WorkOrderChanged
		if err := m.Decode(&fact); err != nil {
			return nil, err
		}
		return needed(a, &fact), nil
	default:
		var fact workordersv1.WorkOrderChanged
		if err := m.Decode(&fact); err != nil {
			return nil, err
		}
		return func(ctx context.Context, tx *storage.Tx) error { return a.Close(ctx, tx, fact.GetWorkOrder()) }, nil
	}
}

func needed(a *app.App, fact *workordersv1.WorkOrderChanged) eventbus.Effect {
	var lines []app.Line
	for _, d := range fact.GetDemands() {
		lines = append(lines, app.Line{Item: d.GetItem(), Value: d.GetQuantity().GetValue(), Unit: d.GetQuantity().GetUnitCode()})
	}
	job := store.Job{
		WorkOrder: fact.GetWorkOrder(), Engine: fact.GetEngine(),
		Work: store.Work{Kind: fact.GetKind(), EngineModel: fact.GetEngineModel(), TaskCard: fact.GetTaskCard()},
	}
	return func(ctx context.Context, tx *storage.Tx) error {
		return a.Demand(ctx, tx, job, fact.GetPlanStartTime().AsTime(), lines)
	}
}

func used(a *app.App, fact *workordersv1.StepCompleted, told time.Time) eventbus.Effect {
	return func(ctx context.Context, tx *storage.Tx) error {
		for _, use := range fact.GetMaterials() {
			err := a.Use(ctx, tx, app.Used{
				Order: fact.GetWorkOrder(), Engine: fact.GetEngine(), Lot: use.GetLot(), Value: use.GetQuantity().GetValue(),
				Unit: use.GetQuantity().GetUnitCode(), At: fact.GetCompleteTime().AsTime(), Told: told,
			})
			if err != nil {
				return err
			}
		}
		return nil
	}
}
