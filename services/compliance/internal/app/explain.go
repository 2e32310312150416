package app

import (
	"context"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
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
	if r.GetKind() == compliancev1.Requirement_DIRECTIVE && item.GetBand() != compliancev1.DueItem_EXEMPT {
		resp.Lines = append(resp.Lines, whereModified)
	}
	resp.FlyingRate, err = a.rateOf(ctx, item.GetSubject())
	return resp, err
}

// whereModified is what 14 CFR 39.15, 39.17 and 39.19 say of a directive on a thing that was changed.
const whereModified = "A change of the product does not end a directive. " +
	"Where its action can't be done as written, another way needs the authority's approval first (14 CFR 39.15, 39.17, 39.19)."

// rateOf is the rate that forecasts of a subject use, unset when there is none.
func (a *App) rateOf(ctx context.Context, name string) (*compliancev1.FlyingRate, error) {
	var plane *compliancev1.Aircraft
	mine := false
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		t, err := u.read(ctx, name)
		if err != nil {
			return err
		}
		s := seen{subject: t, at: u.now}
		if err := u.surround(ctx, &s); err != nil {
			return err
		}
		plane = s.plane
		mine, err = owners.Owns(ctx, tx, plane.GetName())
		return err
	})
	if err != nil || plane.GetFlyingRate() == nil {
		return nil, err
	}
	rate := plane.GetFlyingRate()
	rate.Basis = "as stated for the aircraft that it is on"
	if mine {
		rate.Basis = "as stated for " + plane.GetRegistration()
	}
	return rate, nil
}
