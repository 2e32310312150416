package gateway_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// A stream ends after an hour and says where to go on, also past facts that its filter left out; whoever opens it again there misses nothing and sees
// nothing twice.
func TestAStreamHasALongestLifeAndGoesOnWhereItEnded(t *testing.T) {
	w := newWorld(t)
	client := accessv1.NewEventsServiceClient(w.conn)
	cursor, seen := "", []string{}
	for i, id := range []string{"f1", "f2", "f3"} {
		w.happen("lots/a", id)
		stream, err := client.WatchEvents(w.as(w.admin), &accessv1.WatchEventsRequest{After: cursor, Types: []string{"coldsection.stock.*"}})
		if err != nil {
			t.Fatal(err)
		}
		event, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		seen = append(seen, event.GetEvent().GetId())
		w.clock.Advance(time.Hour)
		_, err = stream.Recv()
		over, _ := fault.As(rpc.FromStatus(err))
		if status.Code(err) != codes.Unavailable || reasonOf(err) != "STREAM_OVER" || over.Metadata["next_cursor"] != event.GetNextCursor() {
			t.Fatalf("stream %d: %v, want to go on after %s", i+1, err, event.GetNextCursor())
		}
		cursor = over.Metadata["next_cursor"]
	}
	if len(seen) != 3 || seen[0] != "f1" || seen[1] != "f2" || seen[2] != "f3" {
		t.Errorf("%v", seen)
	}
}

// A stream on which nothing came goes on where it began.
func TestAStreamWithoutFactsGoesOnWhereItBegan(t *testing.T) {
	w := newWorld(t)
	ctx, cancel := context.WithCancel(w.as(w.admin))
	defer cancel()
	w.happen("lots/a", "f1")
	after := "00000000000000000001"
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(ctx, &accessv1.WatchEventsRequest{After: after})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { _, err := stream.Recv(); ended <- err }()
	for {
		select {
		case err := <-ended:
			if over, _ := fault.As(rpc.FromStatus(err)); reasonOf(err) != "STREAM_OVER" || over.Metadata["next_cursor"] != after {
				t.Errorf("%v", err)
			}
			return
		case <-clock.System().After(20 * time.Millisecond): // the stream may not have begun yet
			w.clock.Advance(time.Hour)
		}
	}
}
