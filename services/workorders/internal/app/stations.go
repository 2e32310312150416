package app

import (
	"context"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// CreateStation adds a place of work.
func (a *App) CreateStation(ctx context.Context, req *workordersv1.CreateStationRequest) (*workordersv1.Station, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Station, error) {
		place := req.GetStation()
		resource.ClearOutputOnly(place)
		if err := zoneKnown(place); err != nil {
			return nil, err
		}
		place.Name = a.newName("stations", req.GetStationId())
		return place, store.Stations.Insert(ctx, tx, place, a.Clock.Now())
	})
}

// UpdateStation changes a place of work, such as the weather expected there.
func (a *App) UpdateStation(ctx context.Context, req *workordersv1.UpdateStationRequest) (*workordersv1.Station, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Station, error) {
		place, err := store.Stations.Lock(ctx, tx, req.GetStation().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(place, req.GetStation().GetEtag()); err != nil {
			return nil, err
		}
		if err := resource.Apply(place, req.GetStation(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := zoneKnown(place); err != nil {
			return nil, err
		}
		return place, store.Stations.Save(ctx, tx, place, a.Clock.Now())
	})
}

// zoneKnown refuses a zone that no date could be counted in. Reason: TIME_ZONE_UNKNOWN.
func zoneKnown(place *workordersv1.Station) error {
	if _, err := time.LoadLocation(place.GetTimeZone()); err != nil {
		return fault.Invalid("station.time_zone", "TIME_ZONE_UNKNOWN", "%q is not an IANA time zone. Name one, such as Europe/Oslo.", place.GetTimeZone())
	}
	return nil
}
