// Package app holds the use cases of engine performance: taking readings in, analysing an engine anew whenever something of
// it changed, and telling what follows.
package app

import (
	"context"
	"fmt"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// Engines asks compliance for engines.
type Engines interface {
	GetEngine(ctx context.Context, req *compliancev1.GetEngineRequest) (*compliancev1.Engine, error)
	ListEngines(ctx context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error)
	ListFittings(ctx context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error)
}

// App is the use cases of engine performance.
type App struct {
	DB      *storage.DB
	Clock   clock.Clock
	IDs     ids.Source
	Lister  *listing.Lister
	Engines Engines

	Operations *operations.Operations // see OpenOperations

	mu     sync.Mutex
	fitted map[string]*baseline.Model // by model name and revision; a fit takes longer than an analysis
}

const source = "performance"

type unit struct {
	*storage.Tx

	app    *App
	now    time.Time
	caller auth.Identity
}

func (a *App) unit(ctx context.Context, tx *storage.Tx) unit {
	id, _ := auth.FromContext(ctx)
	return unit{Tx: tx, app: a, now: a.Clock.Now(), caller: id}
}

func (u unit) publish(ctx context.Context, typ, subject string, data proto.Message) error {
	return outbox.Append(ctx, u.Tx, outbox.New(u.app.IDs.New(), u.now, source, typ, subject, data))
}

func (a *App) newName(collection, id string) string {
	if id == "" {
		id = a.IDs.New()
	}
	return collection + "/" + id
}

// know finds an engine by name or serial number, and asks compliance for one that is not known here yet. It runs outside
// any transaction.
func (a *App) know(ctx context.Context, nameOrSerial string) (p store.Profile, err error) {
	var ok bool
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, ok, err = store.FindProfile(ctx, tx, nameOrSerial)
		return err
	})
	if err != nil {
		return p, err
	}
	if ok {
		return p, a.fit(ctx, p.Name)
	}
	engine, err := a.ask(ctx, nameOrSerial)
	if err != nil {
		return p, err
	}
	p = store.Profile{Name: engine.GetName(), Serial: engine.GetSerial(), Model: engine.GetEngineModel()}
	if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return store.SaveProfile(ctx, tx, p) }); err != nil {
		return p, err
	}
	return p, a.fit(ctx, p.Name)
}

func (a *App) ask(ctx context.Context, nameOrSerial string) (*compliancev1.Engine, error) {
	unknown := fault.Precondition("ENGINE_UNKNOWN", "%.60q is not an engine that compliance knows. Add the engine there first.", nameOrSerial).With("engine", nameOrSerial)
	if engine, err := a.Engines.GetEngine(ctx, &compliancev1.GetEngineRequest{Name: nameOrSerial}); err == nil {
		return engine, nil
	} else if !fault.HasReason(err, "NOT_FOUND") {
		return nil, fault.New(fault.Unavailable, "COMPLIANCE_UNREACHABLE", "The engine %.60q can't be looked up now. Try again in a moment.", nameOrSerial).Because(err)
	}
	found, err := a.Engines.ListEngines(ctx, &compliancev1.ListEnginesRequest{Filter: fmt.Sprintf("serial = %q", nameOrSerial)})
	if err != nil {
		return nil, fault.New(fault.Unavailable, "COMPLIANCE_UNREACHABLE", "The engine %.60q can't be looked up now. Try again in a moment.", nameOrSerial).Because(err)
	}
	if len(found.GetEngines()) != 1 {
		return nil, unknown
	}
	return found.GetEngines()[0], nil
}

// baselineOf is the fitted baseline of a model's newest revision.
func (u unit) baselineOf(ctx context.Context, name string) (*performancev1.EngineModel, *baseline.Model, error) {
	return u.baselineAt(ctx, name, 0)
}

// baselineAt is the same of a revision; 0 means the newest.
func (u unit) baselineAt(ctx context.Context, name string, revision int32) (*performancev1.EngineModel, *baseline.Model, error) {
	model, err := store.ModelAt(ctx, u.Tx, name, revision)
	if err != nil {
		return nil, nil, err
	}
	key := fmt.Sprintf("%s@%d", name, model.GetRevision())
	u.app.mu.Lock()
	defer u.app.mu.Unlock()
	if m := u.app.fitted[key]; m != nil {
		return model, m, nil
	}
	m, err := fit(model)
	if err != nil {
		return nil, nil, err
	}
	if u.app.fitted == nil {
		u.app.fitted = map[string]*baseline.Model{}
	}
	u.app.fitted[key] = m
	return model, m, nil
}
