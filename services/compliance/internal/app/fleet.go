package app

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateAircraft adds an aircraft with its counters at a day.
func (a *App) CreateAircraft(ctx context.Context, req *compliancev1.CreateAircraftRequest) (*compliancev1.Aircraft, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Aircraft, error) {
		return a.unit(ctx, tx).createAircraft(ctx, req)
	})
}

func (u unit) createAircraft(ctx context.Context, req *compliancev1.CreateAircraftRequest) (*compliancev1.Aircraft, error) {
	plane := req.GetAircraft()
	resource.ClearOutputOnly(plane)
	plane.Name = u.app.newName("aircraft", req.GetAircraftId())
	plane.EntryCounters, plane.EntryDate = plane.GetCounters(), plane.GetCountersDate()
	if err := store.Aircraft.Insert(ctx, u.Tx, plane, u.now); err != nil {
		return nil, err
	}
	if err := store.AddVersion(ctx, u.Tx, plane, u.now); err != nil {
		return nil, err
	}
	if err := u.recompute(ctx, plane.GetName(), "", ""); err != nil {
		return nil, err
	}
	return plane, u.tellAircraft(ctx, "coldsection.aircraft.registered.v1", plane)
}

// UpdateAircraft changes an aircraft; counters that are known change by utilization only.
func (a *App) UpdateAircraft(ctx context.Context, req *compliancev1.UpdateAircraftRequest) (*compliancev1.Aircraft, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Aircraft, error) {
		u := a.unit(ctx, tx)
		plane, err := store.Aircraft.Lock(ctx, tx, req.GetAircraft().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(plane, req.GetAircraft().GetEtag()); err != nil {
			return nil, err
		}
		was := proto.CloneOf(plane)
		if err := resource.Apply(plane, req.GetAircraft(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := overKnown(was, plane.GetCounters(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		known, err := u.enter(ctx, was, plane.GetCounters(), plane.GetCountersDate())
		if err != nil {
			return nil, err
		}
		plane.Counters, plane.EntryCounters, plane.EntryDate, plane.CountersDate = known.now, known.entry, known.day, known.read
		if err := store.Aircraft.Save(ctx, tx, plane, u.now); err != nil {
			return nil, err
		}
		if err := store.AddVersion(ctx, tx, plane, u.now); err != nil {
			return nil, err
		}
		if err := u.recomputeOn(ctx, plane.GetName()); err != nil {
			return nil, err
		}
		return plane, u.tellAircraft(ctx, "coldsection.aircraft.changed.v1", plane)
	})
}

// CreateEngine adds an engine with its counters at a day.
func (a *App) CreateEngine(ctx context.Context, req *compliancev1.CreateEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		return a.unit(ctx, tx).createEngine(ctx, req)
	})
}

func (u unit) createEngine(ctx context.Context, req *compliancev1.CreateEngineRequest) (*compliancev1.Engine, error) {
	engine := req.GetEngine()
	resource.ClearOutputOnly(engine)
	engine.Name = u.app.newName("engines", req.GetEngineId())
	engine.EntryCounters, engine.EntryDate = engine.GetCounters(), engine.GetCountersDate()
	err := store.Engines.Insert(ctx, u.Tx, engine, u.now)
	if storage.IsUnique(err) {
		return nil, fault.Exists(fmt.Sprintf("engine %s of %s", engine.GetSerial(), engine.GetEngineModel()))
	}
	if err != nil {
		return nil, err
	}
	if err := store.AddVersion(ctx, u.Tx, engine, u.now); err != nil {
		return nil, err
	}
	if err := u.recompute(ctx, engine.GetName(), "", ""); err != nil {
		return nil, err
	}
	return engine, u.tellEngine(ctx, "coldsection.engine.registered.v1", engine)
}

// tellEngine publishes an engine as it is now, and keeps whose it is.
func (u unit) tellEngine(ctx context.Context, typ string, e *compliancev1.Engine) error {
	if err := u.learnOwner(ctx, e.GetName(), e.GetOwner()); err != nil {
		return err
	}
	return u.publish(ctx, typ, e.GetName(), &compliancev1.EngineChanged{
		Engine: e.GetName(), Serial: e.GetSerial(), EngineModel: e.GetEngineModel(), Aircraft: e.GetAircraft(), Position: e.GetPosition(), Owner: e.GetOwner(),
	})
}

// tellAircraft publishes an aircraft as it is now, and keeps whose it is.
func (u unit) tellAircraft(ctx context.Context, typ string, plane *compliancev1.Aircraft) error {
	if err := owners.Learn(ctx, u.Tx, plane.GetName(), plane.GetOwner()); err != nil {
		return err
	}
	return u.publish(ctx, typ, plane.GetName(), &compliancev1.AircraftChanged{
		Aircraft: plane.GetName(), Registration: plane.GetRegistration(), Owner: plane.GetOwner(),
	})
}

// UpdateEngine changes an engine; counters that are known change by utilization only.
func (a *App) UpdateEngine(ctx context.Context, req *compliancev1.UpdateEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		u := a.unit(ctx, tx)
		engine, err := store.Engines.Lock(ctx, tx, req.GetEngine().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(engine, req.GetEngine().GetEtag()); err != nil {
			return nil, err
		}
		was := proto.CloneOf(engine)
		if err := resource.Apply(engine, req.GetEngine(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := u.correctSerial(engine, req, was.GetSerial()); err != nil {
			return nil, err
		}
		if err := overKnown(was, engine.GetCounters(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		known, err := u.enter(ctx, was, engine.GetCounters(), engine.GetCountersDate())
		if err != nil {
			return nil, err
		}
		engine.Counters, engine.EntryCounters, engine.EntryDate, engine.CountersDate = known.now, known.entry, known.day, known.read
		if err := store.Engines.Save(ctx, tx, engine, u.now); err != nil {
			return nil, err
		}
		if err := store.AddVersion(ctx, tx, engine, u.now); err != nil {
			return nil, err
		}
		if err := u.recomputeWithin(ctx, engine.GetName()); err != nil {
			return nil, err
		}
		return engine, u.tellEngine(ctx, "coldsection.engine.changed.v1", engine)
	})
}
