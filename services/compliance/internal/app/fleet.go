package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
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
		plane := req.GetAircraft()
		resource.ClearOutputOnly(plane)
		plane.Name = a.newName("aircraft", req.GetAircraftId())
		if plane.GetCounters() == nil {
			plane.Counters = &compliancev1.Counters{}
		}
		if err := store.Aircraft.Insert(ctx, tx, plane, a.Clock.Now()); err != nil {
			return nil, err
		}
		return plane, a.unit(ctx, tx).tellAircraft(ctx, "coldsection.aircraft.registered.v1", plane)
	})
}

// UpdateAircraft changes an aircraft; its counters change by utilization only.
func (a *App) UpdateAircraft(ctx context.Context, req *compliancev1.UpdateAircraftRequest) (*compliancev1.Aircraft, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Aircraft, error) {
		plane, err := store.Aircraft.Lock(ctx, tx, req.GetAircraft().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(plane, req.GetAircraft().GetEtag()); err != nil {
			return nil, err
		}
		counters, day := plane.GetCounters(), plane.GetCountersDate()
		if err := resource.Apply(plane, req.GetAircraft(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		plane.Counters, plane.CountersDate = counters, day
		if err := store.Aircraft.Save(ctx, tx, plane, a.Clock.Now()); err != nil {
			return nil, err
		}
		return plane, a.unit(ctx, tx).tellAircraft(ctx, "coldsection.aircraft.changed.v1", plane)
	})
}

// CreateEngine adds an engine with its counters at a day.
func (a *App) CreateEngine(ctx context.Context, req *compliancev1.CreateEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		u := a.unit(ctx, tx)
		engine := req.GetEngine()
		resource.ClearOutputOnly(engine)
		engine.Name = a.newName("engines", req.GetEngineId())
		if engine.GetCounters() == nil {
			engine.Counters = &compliancev1.Counters{}
		}
		err := store.Engines.Insert(ctx, tx, engine, u.now)
		if storage.IsUnique(err) {
			return nil, fault.Exists(fmt.Sprintf("engine %s of %s", engine.GetSerial(), engine.GetEngineModel()))
		}
		if err != nil {
			return nil, err
		}
		if err := u.recompute(ctx, engine.GetName(), "", ""); err != nil {
			return nil, err
		}
		return engine, u.tellEngine(ctx, "coldsection.engine.registered.v1", engine)
	})
}

// tellEngine publishes an engine as it is now, and keeps whose it is.
func (u unit) tellEngine(ctx context.Context, typ string, e *compliancev1.Engine) error {
	if err := owners.Learn(ctx, u.Tx, e.GetName(), e.GetOwner()); err != nil {
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

// UpdateEngine changes an engine; its counters change by utilization only.
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
		counters, day := engine.GetCounters(), engine.GetCountersDate()
		if err := resource.Apply(engine, req.GetEngine(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		engine.Counters, engine.CountersDate = counters, day
		if err := store.Engines.Save(ctx, tx, engine, u.now); err != nil {
			return nil, err
		}
		if err := u.recompute(ctx, engine.GetName(), "", ""); err != nil {
			return nil, err
		}
		return engine, u.tellEngine(ctx, "coldsection.engine.changed.v1", engine)
	})
}

// InstallEngine fits an engine to a position of an aircraft.
func (a *App) InstallEngine(ctx context.Context, req *compliancev1.InstallEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		u := a.unit(ctx, tx)
		plane, err := store.Aircraft.Lock(ctx, tx, req.GetAircraft())
		if err != nil {
			return nil, err
		}
		engine, err := store.Engines.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := u.mayInstall(ctx, plane, engine, req.GetPosition()); err != nil {
			return nil, err
		}
		day, err := realDate("install_date", req.GetInstallDate())
		if err != nil {
			return nil, err
		}
		if err := u.notFuture("install_date", day); err != nil {
			return nil, err
		}
		engine.Aircraft, engine.Position = plane.GetName(), req.GetPosition()
		plane.Engines = append(plane.Engines, engine.GetName())
		return engine, u.saveFit(ctx, plane, engine)
	})
}

func (u unit) mayInstall(ctx context.Context, plane *compliancev1.Aircraft, engine *compliancev1.Engine, position string) error {
	if engine.GetAircraft() != "" {
		return fault.Precondition("ENGINE_FITTED_ELSEWHERE", "%s is fitted to %s. Remove it there first.", engine.GetName(), engine.GetAircraft()).
			With("aircraft", engine.GetAircraft())
	}
	fitted, err := store.Engines.Where(ctx, u.Tx, "aircraft = $1", plane.GetName())
	if err != nil {
		return err
	}
	for _, other := range fitted {
		if other.GetPosition() == position {
			return fault.Precondition("POSITION_TAKEN", "%s is at the %s of %s. Remove it first.", other.GetName(), position, plane.GetName()).
				With("engine", other.GetName())
		}
	}
	return nil
}

func (u unit) saveFit(ctx context.Context, plane *compliancev1.Aircraft, engine *compliancev1.Engine) error {
	if err := store.Engines.Save(ctx, u.Tx, engine, u.now); err != nil {
		return err
	}
	if err := store.Aircraft.Save(ctx, u.Tx, plane, u.now); err != nil {
		return err
	}
	if err := u.recompute(ctx, engine.GetName(), "", ""); err != nil {
		return err
	}
	return u.tellEngine(ctx, "coldsection.engine.changed.v1", engine)
}

// RemoveEngine takes an engine off its aircraft.
func (a *App) RemoveEngine(ctx context.Context, req *compliancev1.RemoveEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		u := a.unit(ctx, tx)
		engine, err := store.Engines.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if engine.GetAircraft() == "" {
			return nil, fault.Precondition("ENGINE_NOT_FITTED", "%s is not fitted to an aircraft.", engine.GetName())
		}
		plane, err := store.Aircraft.Lock(ctx, tx, engine.GetAircraft())
		if err != nil {
			return nil, err
		}
		plane.Engines = slices.DeleteFunc(plane.GetEngines(), func(n string) bool { return n == engine.GetName() })
		engine.Aircraft, engine.Position = "", ""
		return engine, u.saveFit(ctx, plane, engine)
	})
}

// CreateUtilization records hours and cycles flown, and the engines fitted follow; or it corrects an entry.
func (a *App) CreateUtilization(ctx context.Context, req *compliancev1.CreateUtilizationRequest) (*compliancev1.Utilization, error) {
	s := signed{req: req}
	s.proof, s.proofErr = a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Utilization, error) {
		if req.GetUtilization().GetCorrects() != "" {
			return a.unit(ctx, tx).correct(ctx, s)
		}
		return a.unit(ctx, tx).fly(ctx, req)
	})
}

// BatchCreateUtilizations records many entries, all or none.
func (a *App) BatchCreateUtilizations(ctx context.Context, req *compliancev1.BatchCreateUtilizationsRequest) (*compliancev1.BatchCreateUtilizationsResponse, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.BatchCreateUtilizationsResponse, error) {
		resp := &compliancev1.BatchCreateUtilizationsResponse{}
		for i, one := range req.GetRequests() {
			if one.GetParent() == "" {
				one.Parent = req.GetParent()
			}
			entry, err := a.unit(ctx, tx).fly(ctx, one)
			if err != nil {
				if f, ok := fault.As(err); ok {
					return nil, f.With("request", fmt.Sprint(i))
				}
				return nil, err
			}
			resp.Utilizations = append(resp.Utilizations, entry)
		}
		return resp, nil
	})
}

func (u unit) fly(ctx context.Context, req *compliancev1.CreateUtilizationRequest) (*compliancev1.Utilization, error) {
	entry := req.GetUtilization()
	resource.ClearOutputOnly(entry)
	if err := u.mayFly(entry); err != nil {
		return nil, err
	}
	plane, err := store.Aircraft.Lock(ctx, u.Tx, req.GetParent())
	if err != nil {
		return nil, err
	}
	if known, err := u.sameSource(ctx, plane.GetName(), entry.GetSourceId()); known != nil || err != nil {
		return known, err
	}
	day, err := realDate("utilization.flight_date", entry.GetFlightDate())
	if err != nil {
		return nil, err
	}
	if err := u.plausible(plane, entry, day); err != nil {
		return nil, err
	}
	entry.Name = u.app.newName(plane.GetName()+"/utilizations", req.GetUtilizationId())
	if err := store.Utilizations.Insert(ctx, u.Tx, entry, u.now); err != nil {
		return nil, err
	}
	flown := &compliancev1.Counters{OperatingSeconds: entry.GetFlownSeconds(), Cycles: entry.GetCycles(), Starts: entry.GetStarts(), Landings: entry.GetLandings()}
	plane.Counters, plane.CountersDate = countersPlus(plane.GetCounters(), flown), later(plane.GetCountersDate(), day)
	if err := store.Aircraft.Save(ctx, u.Tx, plane, u.now); err != nil {
		return nil, err
	}
	for _, name := range plane.GetEngines() {
		engine, err := store.Engines.Lock(ctx, u.Tx, name)
		if err != nil {
			return nil, err
		}
		engine.Counters, engine.CountersDate = countersPlus(engine.GetCounters(), flown), later(engine.GetCountersDate(), day)
		if err := store.Engines.Save(ctx, u.Tx, engine, u.now); err != nil {
			return nil, err
		}
		if err := u.recompute(ctx, name, "", ""); err != nil {
			return nil, err
		}
	}
	if err := store.AddFollowers(ctx, u.Tx, entry.GetName(), plane.GetEngines()); err != nil {
		return nil, err
	}
	return entry, u.flownFact(ctx, plane, plane.GetEngines(), entry)
}

// mayFly refuses quality staff who only correct, and corrections among many entries, where none is signed.
func (u unit) mayFly(entry *compliancev1.Utilization) error {
	if entry.GetCorrects() != "" {
		return fault.Invalid("utilization.corrects", "CORRECTION_NOT_ALLOWED", "A correction is signed alone, not among other entries. Send it by itself.")
	}
	if !u.caller.Has("planner") && !u.caller.Has("integrator") {
		return fault.Denied("ROLE_MISSING", "New flying is recorded by planners and integrations; quality corrects it. Name the entry that is corrected.")
	}
	return nil
}

func (u unit) flownFact(ctx context.Context, plane *compliancev1.Aircraft, engines []string, entry *compliancev1.Utilization) error {
	return u.publish(ctx, "coldsection.engine.utilization.recorded.v1", plane.GetName(), &compliancev1.UtilizationRecorded{
		Aircraft: plane.GetName(), Engines: engines, FlightDate: entry.GetFlightDate(), FlownSeconds: entry.GetFlownSeconds(), Cycles: entry.GetCycles(),
		Utilization: entry.GetName(), Corrects: entry.GetCorrects(),
	})
}

// sameSource finds an entry that the other system sent before.
func (u unit) sameSource(ctx context.Context, plane, sourceID string) (*compliancev1.Utilization, error) {
	if sourceID == "" {
		return nil, nil //nolint:nilnil // nothing was sent before
	}
	known, err := store.Utilizations.Where(ctx, u.Tx, "source_id = $1 AND name >= $2 AND name < $3", sourceID, plane+"/", plane+"0")
	if err != nil || len(known) == 0 {
		return nil, err
	}
	return known[0], nil
}

const daySeconds = 86400

func (u unit) plausible(plane *compliancev1.Aircraft, entry *compliancev1.Utilization, day civil.Date) error {
	switch {
	case entry.GetFlownSeconds() > daySeconds:
		return fault.Invalid("utilization.flown_seconds", "COUNTER_JUMP", "%s can't have flown %d s on one day. Give each day its own entry.", plane.GetName(), entry.GetFlownSeconds())
	case entry.GetCycles() > 0 && entry.GetFlownSeconds() == 0:
		return fault.Invalid("utilization.cycles", "CYCLES_WITHOUT_HOURS", "%s has %d cycles and no hours on %s. Correct the entry.", plane.GetName(), entry.GetCycles(), day)
	case day.Before(dateOf(plane.GetCountersDate())) && plane.GetCountersDate() != nil && day.Before(civil.Of(u.now).AddDays(-365)):
		return fault.Invalid("utilization.flight_date", "DATE_BEFORE_LAST", "%s is more than a year back. Correct the date.", day)
	}
	return u.notFuture("utilization.flight_date", day)
}

// later is the later of the day that counters were valid at and a new one.
func later(have *date.Date, day civil.Date) *date.Date {
	if have != nil && day.Before(dateOf(have)) {
		return have
	}
	return protoDate(day)
}
