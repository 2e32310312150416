package story

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
)

// pause is a short rest between two tries, in real time.
func pause() <-chan time.Time { return clock.System().After(100 * time.Millisecond) }

// until waits for facts that follow by themselves: it asks, and between two questions lets the change feed wake it.
func (s *Story) until(ctx context.Context, what string, ask func() (bool, error)) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second+s.opts.Patience)
	defer cancel()
	for {
		done, err := ask()
		if done || err != nil {
			return err
		}
		if err := s.nextFact(ctx); err != nil {
			return fmt.Errorf("waiting for %s: %w", what, err)
		}
	}
}

// nextFact blocks until something new is in the change feed, half a second at most.
func (s *Story) nextFact(ctx context.Context) error {
	answer, err := accessv1.NewEventsServiceClient(s.cast["erp"]).ListEvents(ctx, &accessv1.ListEventsRequest{
		After: s.feed, PageSize: 1000, Wait: durationpb.New(500 * time.Millisecond),
	})
	if err != nil {
		return err
	}
	s.feed = answer.GetNextCursor()
	s.out.FeedEvents += len(answer.GetEvents())
	return nil
}
