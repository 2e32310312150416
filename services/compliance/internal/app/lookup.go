package app

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// LookUpAircraft finds an aircraft by its id in another system, as GetAircraft reads it.
func (a *App) LookUpAircraft(ctx context.Context, system, id string) (*compliancev1.Aircraft, error) {
	name, err := a.named(ctx, func(ctx context.Context, tx *storage.Tx) (string, error) {
		return store.AircraftIDs.One(ctx, tx, "aircraft", system, id)
	})
	if err != nil {
		return nil, err
	}
	return a.GetAircraft(ctx, name)
}

// LookUpEngine finds an engine by its id in another system, as GetEngine reads it.
func (a *App) LookUpEngine(ctx context.Context, system, id string) (*compliancev1.Engine, error) {
	name, err := a.named(ctx, func(ctx context.Context, tx *storage.Tx) (string, error) {
		return store.EngineIDs.One(ctx, tx, "engine", system, id)
	})
	if err != nil {
		return nil, err
	}
	return a.GetEngine(ctx, name)
}

// LookUpPerson finds a person by their id in another system.
func (a *App) LookUpPerson(ctx context.Context, system, id string) (*compliancev1.Person, error) {
	name, err := a.named(ctx, func(ctx context.Context, tx *storage.Tx) (string, error) {
		return store.PeopleIDs.One(ctx, tx, "person", system, id)
	})
	if err != nil {
		return nil, err
	}
	return store.People.Read(ctx, a.DB, name)
}

func (a *App) named(ctx context.Context, find func(context.Context, *storage.Tx) (string, error)) (name string, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		name, err = find(ctx, tx)
		return err
	})
	return name, err
}

// keepIDs makes those findable at once that a process of the version before wrote.
func (u unit) keepIDs(ctx context.Context) error {
	const most = 1000
	for _, keep := range []func(context.Context, *storage.Tx, int) (int, error){store.AircraftIDs.KeepLate, store.EngineIDs.KeepLate, store.PeopleIDs.KeepLate} {
		if _, err := keep(ctx, u.Tx, most); err != nil {
			return err
		}
	}
	return nil
}
