package app

import (
	"context"
	"slices"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
)

// GetEngine reads an engine. One that is lent does not name another owner's aircraft to a caller who is limited to owners.
func (a *App) GetEngine(ctx context.Context, name string) (e *compliancev1.Engine, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if e, err = store.Engines.Get(ctx, tx, name); err != nil {
			return err
		}
		return hideAircraft(ctx, tx, e)
	})
	return e, err
}

// ListEngines lists engines, as GetEngine reads them.
func (a *App) ListEngines(ctx context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error) {
	items, next, err := store.Engines.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error { return hideAircraft(ctx, tx, items...) })
	return &compliancev1.ListEnginesResponse{Engines: items, NextPageToken: next}, err
}

// GetAircraft reads an aircraft. It does not name engines of another owner to a caller who is limited to owners.
func (a *App) GetAircraft(ctx context.Context, name string) (plane *compliancev1.Aircraft, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if plane, err = store.Aircraft.Get(ctx, tx, name); err != nil {
			return err
		}
		return hideEngines(ctx, tx, plane)
	})
	return plane, err
}

// ListAircraft lists aircraft, as GetAircraft reads them.
func (a *App) ListAircraft(ctx context.Context, req *compliancev1.ListAircraftRequest) (*compliancev1.ListAircraftResponse, error) {
	items, next, err := store.Aircraft.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error { return hideEngines(ctx, tx, items...) })
	return &compliancev1.ListAircraftResponse{Aircraft: items, NextPageToken: next}, err
}

// hideAircraft takes the aircraft off engines whose aircraft is not a limited caller's.
func hideAircraft(ctx context.Context, tx *storage.Tx, engines ...*compliancev1.Engine) error {
	if len(owners.Limit(ctx)) == 0 {
		return nil
	}
	for _, e := range engines {
		if e.GetAircraft() == "" {
			continue
		}
		mine, err := owners.Owns(ctx, tx, e.GetAircraft())
		if err != nil {
			return err
		}
		if !mine {
			e.Aircraft, e.Position = "", ""
		}
	}
	return nil
}

// hideEngines takes engines off aircraft that are not a limited caller's.
func hideEngines(ctx context.Context, tx *storage.Tx, planes ...*compliancev1.Aircraft) error {
	if len(owners.Limit(ctx)) == 0 {
		return nil
	}
	for _, plane := range planes {
		var failed error
		plane.Engines = slices.DeleteFunc(plane.GetEngines(), func(name string) bool {
			mine, err := owners.Owns(ctx, tx, name)
			if err != nil {
				failed = err
			}
			return !mine
		})
		if failed != nil {
			return failed
		}
	}
	return nil
}

// engineCalled calls engines by their serials; one of another owner is not named to a limited caller.
func (u unit) engineCalled(asker context.Context) func(*compliancev1.Engine) (string, error) {
	known := map[string]string{}
	return func(e *compliancev1.Engine) (string, error) {
		if called := known[e.GetName()]; called != "" {
			return called, nil
		}
		mine := len(owners.Limit(asker)) == 0
		if !mine {
			var err error
			if mine, err = owners.Owns(asker, u.Tx, e.GetName()); err != nil {
				return "", err
			}
		}
		known[e.GetName()] = "an engine of another owner"
		if mine {
			known[e.GetName()] = "engine " + e.GetSerial()
		}
		return known[e.GetName()], nil
	}
}
