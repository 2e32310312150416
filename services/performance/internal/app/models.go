package app

import (
	"cmp"
	"context"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/money"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateEngineModel adds a model; its baseline must determine a fit.
func (a *App) CreateEngineModel(ctx context.Context, req *performancev1.CreateEngineModelRequest) (*performancev1.EngineModel, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineModel, error) {
		u := a.unit(ctx, tx)
		model := req.GetEngineModel()
		resource.ClearOutputOnly(model)
		if err := cmp.Or(checkModel(model), checkCurrency(model, ""), checkAntifreeze(model, nil)); err != nil {
			return nil, err
		}
		model.Name, model.Revision = a.newName("engineModels", req.GetEngineModelId()), 1
		if err := store.Models.Insert(ctx, tx, model, u.now); err != nil {
			return nil, err
		}
		if err := store.KeepRevision(ctx, tx, model); err != nil {
			return nil, err
		}
		return model, u.publish(ctx, "coldsection.performance.baseline.adopted.v1", model.GetName(),
			&performancev1.BaselineAdopted{EngineModel: model.GetName(), Revision: 1})
	})
}

// UpdateEngineModel makes the next revision.
func (a *App) UpdateEngineModel(ctx context.Context, req *performancev1.UpdateEngineModelRequest) (*performancev1.EngineModel, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineModel, error) {
		u := a.unit(ctx, tx)
		model, err := store.Models.Lock(ctx, tx, req.GetEngineModel().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(model, req.GetEngineModel().GetEtag()); err != nil {
			return nil, err
		}
		before := proto.CloneOf(model)
		if err := resource.Apply(model, req.GetEngineModel(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := cmp.Or(checkCurrency(model, before.GetAdvice().GetCostCurrencyCode()), checkAntifreeze(model, before)); err != nil {
			return nil, err
		}
		return model, u.revise(ctx, model)
	})
}

// checkCurrency refuses a currency that nobody uses where it was not stated before: one that was replaced since may stay until somebody states the prices
// anew. Reason: CURRENCY_UNKNOWN.
func checkCurrency(m *performancev1.EngineModel, before string) error {
	code := m.GetAdvice().GetCostCurrencyCode()
	if code == "" || code == before {
		return nil
	}
	return money.CheckCurrency("engine_model.advice.cost_currency_code", code)
}

// checkAntifreeze refuses wash data that want antifreeze where they forbid it: between the two temperatures no wash could be planned, and nobody would know
// before the order is. Data kept before this was asked stay until somebody states the wash data anew, so that a new baseline needs nothing but itself; plans
// refuse the temperatures between meanwhile. Reason: ANTIFREEZE_BOUNDS_INVALID.
func checkAntifreeze(m, before *performancev1.EngineModel) error {
	below, ceiling := m.GetWash().GetAntifreezeBelowC(), m.GetWash().GetAntifreezeCeilingC()
	if below <= ceiling || before != nil && proto.Equal(m.GetWash(), before.GetWash()) {
		return nil
	}
	return fault.Invalid("engine_model.wash.antifreeze_ceiling_c", "ANTIFREEZE_BOUNDS_INVALID",
		"Antifreeze is needed at %g °C and below, and forbidden above %g °C, so nothing may be washed between. Correct one of the two; left out, each is 0 °C.", below, ceiling)
}

// revise keeps changed engine data as the next revision, and tells of it.
func (u unit) revise(ctx context.Context, model *performancev1.EngineModel) error {
	if err := checkModel(model); err != nil {
		return err
	}
	model.Revision++
	if err := store.Models.Save(ctx, u.Tx, model, u.now); err != nil {
		return err
	}
	if err := store.KeepRevision(ctx, u.Tx, model); err != nil {
		return err
	}
	return u.publish(ctx, "coldsection.performance.baseline.adopted.v1", model.GetName(),
		&performancev1.BaselineAdopted{EngineModel: model.GetName(), Revision: model.GetRevision()})
}

// EngineModel reads a model, the newest revision or an older one.
func (a *App) EngineModel(ctx context.Context, req *performancev1.GetEngineModelRequest) (m *performancev1.EngineModel, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		m, err = store.ModelAt(ctx, tx, req.GetName(), req.GetRevision())
		return err
	})
	return m, err
}
