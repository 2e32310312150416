package app

import (
	"context"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/fitted"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// InstallEngine fits an engine to a position of an aircraft. Flying of that day and later follows it, also what was recorded
// before.
func (a *App) InstallEngine(ctx context.Context, req *compliancev1.InstallEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		return a.unit(ctx, tx).installEngine(ctx, req)
	})
}

func (u unit) installEngine(ctx context.Context, req *compliancev1.InstallEngineRequest) (*compliancev1.Engine, error) {
	plane, err := store.Aircraft.Lock(ctx, u.Tx, req.GetAircraft())
	if err != nil {
		return nil, err
	}
	engine, err := store.Engines.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(engine, req.GetEtag()); err != nil {
		return nil, err
	}
	if engine.GetAircraft() != "" {
		return nil, fault.Precondition("ENGINE_FITTED_ELSEWHERE", "%s is fitted to %s. Remove it there first.", engine.GetName(), engine.GetAircraft()).
			With("aircraft", engine.GetAircraft())
	}
	day, err := realDate("install_date", req.GetInstallDate())
	if err != nil {
		return nil, err
	}
	if err := u.fit(ctx, engine.GetName(), plane.GetName(), req.GetPosition(), day); err != nil {
		return nil, err
	}
	engine.Aircraft, engine.Position = plane.GetName(), req.GetPosition()
	plane.Engines = append(plane.Engines, engine.GetName())
	return u.saveFit(ctx, plane, engine, day)
}

// fit records that something is fitted somewhere. Reasons: POSITION_TAKEN, DATE_BEFORE_LAST.
func (u unit) fit(ctx context.Context, item, host, position string, day civil.Date) error {
	if err := u.notFuture("install_date", day); err != nil {
		return err
	}
	if err := u.fits(ctx, fitted.Fitting{Item: item, Host: host, Position: position, From: day}); err != nil {
		return err
	}
	return store.Fittings.Insert(ctx, u.Tx, &compliancev1.Fitting{
		Name: u.app.newName("fittings", ""), Item: item, Host: host, Position: position, InstallDate: protoDate(day),
	}, u.now)
}

// fits refuses a fitting where something else was in its place, or it was somewhere else. Reasons: POSITION_TAKEN, DATE_BEFORE_LAST.
func (u unit) fits(ctx context.Context, fresh fitted.Fitting) error {
	there, err := u.fittingsOn(ctx, fresh.Host)
	if err != nil {
		return err
	}
	for _, other := range there {
		if other.Position != fresh.Position || !fresh.Overlaps(other) {
			continue
		}
		if other.To.IsZero() {
			return fault.Precondition("POSITION_TAKEN", "%s is at the %s of %s. Remove it first.", other.Item, fresh.Position, fresh.Host).With("item", other.Item)
		}
		return fault.Precondition("DATE_BEFORE_LAST", "%s was at the %s of %s until %s, so nothing was fitted there on %s. Correct the date.",
			other.Item, fresh.Position, fresh.Host, other.To, fresh.From)
	}
	earlier, err := store.Fittings.Where(ctx, u.Tx, "item = $1 AND correction = '' ORDER BY install_date", fresh.Item)
	if err != nil {
		return err
	}
	for _, f := range earlier {
		if fresh.Overlaps(fittedOf(f)) {
			return fault.Precondition("DATE_BEFORE_LAST", "%s was on %s from %s until %s, so it was not fitted on %s. Correct the date.", fresh.Item, f.GetHost(),
				dateOf(f.GetInstallDate()), dateOf(f.GetRemoveDate()), fresh.From)
		}
	}
	return nil
}

// saveFit saves an engine that was fitted or removed and gives the flying of that day and later to what was fitted then.
func (u unit) saveFit(ctx context.Context, plane *compliancev1.Aircraft, engine *compliancev1.Engine, day civil.Date) (*compliancev1.Engine, error) {
	if err := store.Engines.Save(ctx, u.Tx, engine, u.now); err != nil {
		return nil, err
	}
	if err := store.Aircraft.Save(ctx, u.Tx, plane, u.now); err != nil {
		return nil, err
	}
	m := moves{engine.GetName(): {by: &compliancev1.Counters{}}}
	if err := u.reallocate(ctx, plane.GetName(), day, m); err != nil {
		return nil, err
	}
	if err := u.move(ctx, m); err != nil {
		return nil, err
	}
	if err := u.recomputeWithin(ctx, engine.GetName()); err != nil {
		return nil, err
	}
	engine, err := store.Engines.Get(ctx, u.Tx, engine.GetName())
	if err != nil {
		return nil, err
	}
	return engine, u.tellEngine(ctx, "coldsection.engine.changed.v1", engine)
}

// RemoveEngine takes an engine off its aircraft. Flying after that day follows it no longer, also what was recorded before.
func (a *App) RemoveEngine(ctx context.Context, req *compliancev1.RemoveEngineRequest) (*compliancev1.Engine, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Engine, error) {
		u := a.unit(ctx, tx)
		engine, err := store.Engines.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(engine, req.GetEtag()); err != nil {
			return nil, err
		}
		if engine.GetAircraft() == "" {
			return nil, fault.Precondition("ENGINE_NOT_FITTED", "%s is not fitted to an aircraft.", engine.GetName())
		}
		plane, err := store.Aircraft.Lock(ctx, tx, engine.GetAircraft())
		if err != nil {
			return nil, err
		}
		day, err := realDate("remove_date", req.GetRemoveDate())
		if err != nil {
			return nil, err
		}
		if err := u.unfit(ctx, fitted.Fitting{Item: engine.GetName(), Host: plane.GetName(), Position: engine.GetPosition(), To: day}, req.GetReason()); err != nil {
			return nil, err
		}
		plane.Engines = slices.DeleteFunc(plane.GetEngines(), func(n string) bool { return n == engine.GetName() })
		engine.Aircraft, engine.Position = "", ""
		return u.saveFit(ctx, plane, engine, day)
	})
}

// unfit records that something was removed. Reason: DATE_BEFORE_LAST.
func (u unit) unfit(ctx context.Context, f fitted.Fitting, reason string) error {
	if err := u.notFuture("remove_date", f.To); err != nil {
		return err
	}
	open, err := store.Fittings.Where(ctx, u.Tx, "item = $1 AND remove_date = '' AND correction = ''", f.Item)
	if err != nil {
		return err
	}
	if len(open) == 0 { // fitted before fittings were kept
		kept := &compliancev1.Fitting{Name: u.app.newName("fittings", ""), Item: f.Item, Host: f.Host, Position: f.Position}
		if err := store.Fittings.Insert(ctx, u.Tx, kept, u.now); err != nil {
			return err
		}
		open = append(open, kept)
	}
	if from := dateOf(open[0].GetInstallDate()); f.To.Before(from) {
		return fault.Precondition("DATE_BEFORE_LAST", "%s was fitted on %s, so it was not removed on %s. Correct the date.", f.Item, from, f.To)
	}
	open[0].RemoveDate, open[0].RemoveTime, open[0].RemoveReason = protoDate(f.To), timestamppb.New(u.now), reason
	return store.Fittings.Save(ctx, u.Tx, open[0], u.now)
}
