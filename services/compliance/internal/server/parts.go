package server

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
)

func (q *queries) GetComponent(ctx context.Context, req *compliancev1.GetComponentRequest) (*compliancev1.Component, error) {
	return store.Components.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListComponents(ctx context.Context, req *compliancev1.ListComponentsRequest) (*compliancev1.ListComponentsResponse, error) {
	items, next, err := store.Components.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &compliancev1.ListComponentsResponse{Components: items, NextPageToken: next}, err
}

func (q *queries) GetLifeLimit(ctx context.Context, req *compliancev1.GetLifeLimitRequest) (*compliancev1.LifeLimit, error) {
	return store.LifeLimits.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListLifeLimits(ctx context.Context, req *compliancev1.ListLifeLimitsRequest) (*compliancev1.ListLifeLimitsResponse, error) {
	items, next, err := store.LifeLimits.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &compliancev1.ListLifeLimitsResponse{LifeLimits: items, NextPageToken: next}, err
}

func (q *queries) GetLifeStatus(ctx context.Context, req *compliancev1.GetLifeStatusRequest) (*compliancev1.LifeStatus, error) {
	return q.app.GetLifeStatus(ctx, req)
}

func (q *queries) ListLifeStatuses(ctx context.Context, req *compliancev1.ListLifeStatusesRequest) (*compliancev1.ListLifeStatusesResponse, error) {
	return q.app.ListLifeStatuses(ctx, req)
}

func (q *queries) GetRetentionFloor(ctx context.Context, req *compliancev1.GetRetentionFloorRequest) (*compliancev1.RetentionFloor, error) {
	return q.app.GetRetentionFloor(ctx, req)
}

func (q *queries) ListOpenFindings(ctx context.Context, req *compliancev1.ListOpenFindingsRequest) (*compliancev1.ListOpenFindingsResponse, error) {
	return q.app.ListOpenFindings(ctx, req)
}
