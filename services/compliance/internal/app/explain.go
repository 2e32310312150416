package app

import (
	"context"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
)

// ExplainDueItem shows the arithmetic.
func (a *App) ExplainDueItem(ctx context.Context, req *compliancev1.ExplainDueItemRequest) (*compliancev1.ExplainDueItemResponse, error) {
	item, err := a.GetDueItem(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	r, err := store.Requirements.Read(ctx, a.DB, item.GetRequirement())
	if err != nil {
		return nil, err
	}
	resp := &compliancev1.ExplainDueItemResponse{DueItem: item, Lines: strings.Split(item.GetExplanation(), "; "), Document: r.GetDocument()}
	resp.FlyingRate, err = a.rateOf(ctx, item.GetSubject())
	return resp, err
}

// rateOf is the rate that forecasts of an engine use, unset when there is none.
func (a *App) rateOf(ctx context.Context, name string) (*compliancev1.FlyingRate, error) {
	engine, err := store.Engines.Read(ctx, a.DB, name)
	if err != nil || engine.GetAircraft() == "" {
		return nil, err
	}
	plane, err := store.Aircraft.Read(ctx, a.DB, engine.GetAircraft())
	if err != nil || plane.GetFlyingRate() == nil {
		return nil, err
	}
	rate := plane.GetFlyingRate()
	rate.Basis = "as stated for " + plane.GetRegistration()
	return rate, nil
}
