package access

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
)

// Limits of the feed.
const (
	defaultFeed = 100
	maxFeed     = 1000
	maxWait     = 30 * time.Second
)

// Events implements EventsService over the stream's own sequence.
type Events struct {
	accessv1.UnimplementedEventsServiceServer

	Feed feed.Source
}

// ListEvents reads facts after a cursor.
func (e *Events) ListEvents(ctx context.Context, req *accessv1.ListEventsRequest) (*accessv1.ListEventsResponse, error) {
	after, err := feed.ParseCursor("after", req.GetAfter())
	if err != nil {
		return nil, err
	}
	limit := int(req.GetPageSize())
	switch {
	case limit < 0:
		return nil, fault.Invalid("page_size", "PAGE_SIZE_INVALID", "The page size %d is negative. Give 0 for the default of %d, or up to %d.",
			limit, defaultFeed, maxFeed)
	case limit == 0:
		limit = defaultFeed
	}
	facts, next, err := e.Feed.Feed(ctx, eventbus.FeedQuery{
		After: after, Oldest: req.GetAfter() == "", Types: req.GetTypes(), Subject: req.GetSubject(), Limit: min(limit, maxFeed),
		Wait: min(max(req.GetWait().AsDuration(), 0), maxWait),
	})
	if err != nil {
		return nil, err
	}
	answer := &accessv1.ListEventsResponse{NextCursor: feed.Cursor(next)}
	for _, m := range facts {
		event, err := feed.EventOf(m)
		if err != nil {
			return nil, err
		}
		answer.Events = append(answer.Events, event)
	}
	return answer, nil
}

// LocateEvents says where the feed begins and ends.
func (e *Events) LocateEvents(ctx context.Context, _ *accessv1.LocateEventsRequest) (*accessv1.LocateEventsResponse, error) {
	oldest, newest, err := e.Feed.Bounds(ctx)
	return &accessv1.LocateEventsResponse{OldestCursor: feed.Cursor(oldest), NewestCursor: feed.Cursor(newest)}, err
}

// WatchEvents streams facts as they happen.
func (e *Events) WatchEvents(req *accessv1.WatchEventsRequest, stream grpc.ServerStreamingServer[accessv1.WatchEventsResponse]) error {
	after, err := feed.ParseCursor("after", req.GetAfter())
	if err != nil {
		return err
	}
	query := eventbus.FeedQuery{After: after, Oldest: req.GetAfter() == "", Types: req.GetTypes(), Limit: defaultFeed, Wait: maxWait}
	for stream.Context().Err() == nil {
		facts, next, err := e.Feed.Feed(stream.Context(), query)
		if err != nil {
			return err
		}
		for _, m := range facts {
			event, err := feed.EventOf(m)
			if err != nil {
				return err
			}
			if err := stream.Send(&accessv1.WatchEventsResponse{Event: event, NextCursor: feed.Cursor(m.Sequence)}); err != nil {
				return err
			}
		}
		query.After, query.Oldest = next, false
	}
	return stream.Context().Err()
}
