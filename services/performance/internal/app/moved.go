package app

import (
	"context"
	"slices"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Moved takes over what compliance says of an engine now: where it is and was fitted and, when it is known here, its serial number and
// model. When its model or its past was corrected, all its readings are worked out anew; a fact tells of the day of the change only, so
// compliance is asked, outside any transaction.
func (a *App) Moved(ctx context.Context, engine string) (eventbus.Effect, error) {
	fittings, err := a.Fittings(ctx, engine)
	if err != nil {
		return nil, err
	}
	now, err := a.Engines.GetEngine(ctx, &compliancev1.GetEngineRequest{Name: engine})
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context, tx *storage.Tx) error {
		before, err := store.FittingsOf(ctx, tx, engine)
		if err != nil {
			return err
		}
		if err := store.SaveFittings(ctx, tx, engine, fittings); err != nil || eventbus.Replayed(ctx) {
			return err
		}
		known, ok, err := store.FindProfile(ctx, tx, engine)
		if err != nil || !ok {
			return err
		}
		is := store.Profile{Name: engine, Serial: now.GetSerial(), Model: now.GetEngineModel()}
		if known != is {
			if err := store.SaveProfile(ctx, tx, is); err != nil {
				return err
			}
		}
		if known == is && sameStays(before, fittings) {
			return nil
		}
		return a.unit(ctx, tx).again(ctx, engine)
	}, nil
}

// again works an engine out anew that has been before. Without a model for it nothing can be said anew: what stands names the model that
// it was worked out with, and the next reading is refused until there is one.
func (u unit) again(ctx context.Context, engine string) error {
	_, body, err := store.Tracker(ctx, u.Tx, engine)
	if err != nil || len(body) == 0 {
		return err
	}
	if err := u.analyse(ctx, engine); !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	return nil
}

// sameStays says whether an engine was on the same aircraft on the same days, in whatever order they are told.
func sameStays(a, b []store.Fitting) bool {
	return len(a) == len(b) && !slices.ContainsFunc(a, func(f store.Fitting) bool { return !slices.Contains(b, f) })
}
