package app

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// ListFittings lists what was fitted where, with what it has flown there.
func (a *App) ListFittings(ctx context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	items, next, err := store.Fittings.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for _, f := range items {
			if f.GetCorrection() != "" {
				continue // what it counted, the entry that replaced it says
			}
			if f.FlownCounters, err = store.CountersFlownOn(ctx, tx, f.GetItem(), f.GetHost(), resource.DateText(f.GetInstallDate()), resource.DateText(f.GetRemoveDate())); err != nil {
				return err
			}
		}
		return nil
	})
	return &compliancev1.ListFittingsResponse{Fittings: items, NextPageToken: next}, err
}
