package access

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
)

// Limits of the feed.
const (
	defaultFeed = 100
	maxFeed     = 1000
	maxWait     = 30 * time.Second
	longestLife = time.Hour // of a stream
)

// Events implements EventsService over the stream's own sequence.
type Events struct {
	accessv1.UnimplementedEventsServiceServer

	Feed  feed.Source
	Clock clock.Clock
	// Ending is closed when this instance is to end; nil is never. Whoever waits is answered then, and streams end.
	Ending <-chan struct{}
}

// waiting is a context that also ends when this instance does.
func (e *Events) waiting(ctx context.Context, longest <-chan time.Time) (waiting context.Context, end func()) {
	waiting, end = context.WithCancel(ctx)
	go func() {
		select {
		case <-longest:
		case <-e.Ending:
		case <-waiting.Done():
		}
		end()
	}()
	return waiting, end
}

// read reads facts; where this instance ends meanwhile, those that there are.
func (e *Events) read(ctx context.Context, q eventbus.FeedQuery) ([]eventbus.Message, uint64, error) {
	waiting, end := e.waiting(ctx, nil)
	defer end()
	found, next, err := e.Feed.Feed(waiting, q)
	if waiting.Err() != nil && ctx.Err() == nil {
		q.Wait = 0
		return e.Feed.Feed(ctx, q)
	}
	return found, next, err
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
	reader := accounts.ReaderOf(ctx)
	if err := reader.Asked(req.GetTypes()); err != nil {
		return nil, err
	}
	facts, next, err := e.read(ctx, eventbus.FeedQuery{
		After: after, Oldest: req.GetAfter() == "", Types: reader.Narrow(req.GetTypes()), May: reader.May, Subject: req.GetSubject(), Limit: min(limit, maxFeed),
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

// WatchEvents streams facts as they happen. A stream has a longest life, so that those who follow come by way of all gateways again, and a gateway that is
// to end is not held up: its end says the cursor to go on from. Reasons: STREAM_OVER, INSTANCE_ENDS.
func (e *Events) WatchEvents(req *accessv1.WatchEventsRequest, stream grpc.ServerStreamingServer[accessv1.WatchEventsResponse]) error {
	after, err := feed.ParseCursor("after", req.GetAfter())
	if err != nil {
		return err
	}
	reader := accounts.ReaderOf(stream.Context())
	if err := reader.Asked(req.GetTypes()); err != nil {
		return err
	}
	query := eventbus.FeedQuery{
		After: after, Oldest: req.GetAfter() == "", Types: reader.Narrow(req.GetTypes()), May: reader.May, Limit: defaultFeed, Wait: maxWait,
	}
	ctx, end := e.waiting(stream.Context(), e.Clock.After(longestLife))
	defer end()
	for ctx.Err() == nil {
		facts, next, err := e.Feed.Feed(ctx, query)
		if ctx.Err() != nil {
			break // what came beside the end comes again after the cursor
		}
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
	if err := stream.Context().Err(); err != nil {
		return err
	}
	cursor := feed.Cursor(query.After)
	if query.Oldest {
		cursor = req.GetAfter()
	}
	select {
	case <-e.Ending:
		return fault.New(fault.Unavailable, "INSTANCE_ENDS", "This instance of the gateway is being ended. Open the stream again after the cursor in next_cursor; nothing is lost.").
			With("next_cursor", cursor)
	default:
	}
	return fault.New(fault.Unavailable, "STREAM_OVER", "The stream was open for an hour, as long as one may. Open it again after the cursor in next_cursor; nothing is lost.").
		With("next_cursor", cursor)
}
