package access

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

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

// Feed reads facts in the order of the stream.
type Feed interface {
	Feed(ctx context.Context, q eventbus.FeedQuery) (facts []eventbus.Message, next uint64, err error)
}

// Events implements EventsService over the stream's own sequence.
type Events struct {
	accessv1.UnimplementedEventsServiceServer

	Feed Feed
}

// ListEvents reads facts after a cursor.
func (e *Events) ListEvents(ctx context.Context, req *accessv1.ListEventsRequest) (*accessv1.ListEventsResponse, error) {
	after, err := parseCursor(req.GetAfter())
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
	answer := &accessv1.ListEventsResponse{NextCursor: cursor(next)}
	for _, m := range facts {
		event, err := eventOf(m)
		if err != nil {
			return nil, err
		}
		answer.Events = append(answer.Events, event)
	}
	return answer, nil
}

// WatchEvents streams facts as they happen.
func (e *Events) WatchEvents(req *accessv1.WatchEventsRequest, stream grpc.ServerStreamingServer[accessv1.WatchEventsResponse]) error {
	after, err := parseCursor(req.GetAfter())
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
			event, err := eventOf(m)
			if err != nil {
				return err
			}
			if err := stream.Send(&accessv1.WatchEventsResponse{Event: event, NextCursor: cursor(m.Sequence)}); err != nil {
				return err
			}
		}
		query.After, query.Oldest = next, false
	}
	return stream.Context().Err()
}

// cursor is a sequence in a form that sorts as text.
func cursor(sequence uint64) string { return fmt.Sprintf("%020d", sequence) }

func parseCursor(text string) (uint64, error) {
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, fault.Invalid("after", "CURSOR_INVALID",
			"%q is no cursor. Give the next_cursor of the answer before, or nothing to start.", text)
	}
	return n, nil
}

func eventOf(m eventbus.Message) (*accessv1.Event, error) {
	data := &structpb.Struct{}
	if err := protojson.Unmarshal(m.Data, data); err != nil {
		return nil, fmt.Errorf("the payload of %s: %w", m.ID, err)
	}
	return &accessv1.Event{
		Id: m.ID, Source: "/coldsection/" + m.Source, Type: m.Type, Subject: m.Subject, EventTime: timestamppb.New(m.Time),
		Sequence: cursor(m.Sequence), SubjectVersion: m.Version, Actor: m.Actor, Data: data,
	}, nil
}
