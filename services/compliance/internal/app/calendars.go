package app

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateCalendarFeed makes a calendar of the caller's. A repeated request finds it and gives it a new secret, because secrets are kept
// as hashes only. Reason: FILTER_INVALID.
func (a *App) CreateCalendarFeed(ctx context.Context, req *compliancev1.CreateCalendarFeedRequest) (*compliancev1.CalendarFeed, error) {
	// A page of one finds a filter that can't be read.
	if _, _, err := store.DueItems.List(ctx, a.DB, a.Lister, &compliancev1.ListDueItemsRequest{PageSize: 1, Filter: req.GetCalendarFeed().GetDueFilter()}, ""); err != nil {
		return nil, err
	}
	feed, err := idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.CalendarFeed, error) {
		u, feed := a.unit(ctx, tx), req.GetCalendarFeed()
		resource.ClearOutputOnly(feed)
		feed.Name, feed.Account, feed.Owners = a.newName("calendarFeeds", req.GetCalendarFeedId()), u.caller.Account, slices.Clone(u.caller.Owners)
		return feed, store.CalendarFeeds.Insert(ctx, tx, feed, u.now)
	})
	if err != nil || req.GetValidateOnly() {
		return feed, err
	}
	feed = proto.CloneOf(feed)
	secret := auth.NewSecret("csc_")
	feed.Calendar = "calendars/" + secret
	return feed, a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		kept, err := store.CalendarFeeds.Lock(ctx, tx, feed.GetName())
		if err != nil {
			return err
		}
		if kept.GetRevokeTime() != nil {
			return fault.Missing(feed.GetName())
		}
		return store.SetCalendarSecret(ctx, tx, feed.GetName(), auth.HashSecret(secret))
	})
}

// ListCalendarFeeds lists the caller's calendars; those of everybody for an administrator.
func (a *App) ListCalendarFeeds(ctx context.Context, req *compliancev1.ListCalendarFeedsRequest) (*compliancev1.ListCalendarFeedsResponse, error) {
	caller, _ := auth.FromContext(ctx)
	scope, args := "", []any(nil)
	if !caller.Has("admin") {
		scope, args = "account = $1", []any{caller.Account}
	}
	feeds, next, err := store.CalendarFeeds.ListWhere(ctx, a.DB, a.Lister, req, scope, args...)
	return &compliancev1.ListCalendarFeedsResponse{CalendarFeeds: feeds, NextPageToken: next}, err
}

// RevokeCalendarFeed ends a calendar. Reason: NOT_FOUND, also for somebody else's.
func (a *App) RevokeCalendarFeed(ctx context.Context, req *compliancev1.RevokeCalendarFeedRequest) (*compliancev1.CalendarFeed, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.CalendarFeed, error) {
		u := a.unit(ctx, tx)
		feed, err := store.CalendarFeeds.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if feed.GetAccount() != u.caller.Account && !u.caller.Has("admin") {
			return nil, fault.Missing(req.GetName())
		}
		if feed.GetRevokeTime() != nil {
			return feed, nil
		}
		feed.RevokeTime = timestamppb.New(u.now)
		if err := store.CalendarFeeds.Save(ctx, tx, feed, u.now); err != nil {
			return nil, err
		}
		return feed, store.DropCalendarSecret(ctx, tx, feed.GetName())
	})
}
