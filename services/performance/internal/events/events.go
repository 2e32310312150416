// Package events reacts to released work orders and to motoring runs beyond their limits, so that what was done to an engine stands
// on its time line, and to engines that change hands or aircraft, or that are not what they were entered as.
package events

import (
	"context"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
)

const (
	registered = "coldsection.engine.registered.v1"
	changed    = "coldsection.engine.changed.v1"
)

// model is whose every engine is, as the facts say, and where it was fitted, as compliance says when it is asked.
var model = eventbus.Model{Types: []string{registered, changed}, Rows: []eventbus.Rows{{Table: "owned_subjects"}, {Table: "engine_fittings"}}}

// Consumer is the service's one subscription.
func Consumer(a *app.App) eventbus.Consumer {
	return eventbus.Consumer{
		Durable: "performance",
		Types: []string{
			"coldsection.workorder.released.v1", "coldsection.workorder.motoring.recorded.v1", registered, changed,
		},
		Model: model,
		Handle: func(ctx context.Context, m eventbus.Message) (eventbus.Effect, error) {
			switch {
			case strings.HasPrefix(m.Type, "coldsection.engine."):
				return moved(ctx, a, m)
			case m.Type == "coldsection.workorder.motoring.recorded.v1":
				return motored(ctx, a, m)
			}
			var fact workordersv1.WorkOrderChanged
			if err := m.Decode(&fact); err != nil {
				return nil, err
			}
			if err := a.Know(ctx, fact.GetEngine()); err != nil {
				return nil, err
			}
			return func(ctx context.Context, tx *storage.Tx) error { return a.Released(ctx, tx, &fact) }, nil
		},
	}
}

// motored puts a run of the starter beyond its limits on the engine's time line.
func motored(ctx context.Context, a *app.App, m eventbus.Message) (eventbus.Effect, error) {
	var fact workordersv1.MotoringRecorded
	if err := m.Decode(&fact); err != nil {
		return nil, err
	}
	if !fact.GetMotoringRun().GetExceedance() {
		return nil, nil
	}
	if err := a.Know(ctx, fact.GetEngine()); err != nil {
		return nil, err
	}
	return func(ctx context.Context, tx *storage.Tx) error { return a.Motored(ctx, tx, &fact) }, nil
}

// moved keeps whose an engine is, and what and where it is, for which compliance is asked, as the fact tells of today only.
func moved(ctx context.Context, a *app.App, m eventbus.Message) (eventbus.Effect, error) {
	var fact compliancev1.EngineChanged
	if err := m.Decode(&fact); err != nil {
		return nil, err
	}
	take, err := a.Moved(ctx, fact.GetEngine())
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context, tx *storage.Tx) error {
		if err := owners.Learn(ctx, tx, fact.GetEngine(), fact.GetOwner()); err != nil {
			return err
		}
		return take(ctx, tx)
	}, nil
}
