package verbs

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/rpc"
)

// restBetween is how long a follower waits before it asks a suite again that can't be reached.
const restBetween = 2 * time.Second

// Facts hands on the facts after a cursor and returns the cursor to go on from. With follow it waits for more until ctx ends, also for a suite that is
// away for a while, and misses nothing of that time.
func (c Client) Facts(ctx context.Context, after string, types []string, follow bool, rows Rows) (string, error) {
	const page, wait = 1000, 20
	in := &accessv1.ListEventsRequest{After: after, Types: types, PageSize: page}
	if follow {
		in.Wait = &durationpb.Duration{Seconds: wait}
	}
	for {
		out, err := accessv1.NewEventsServiceClient(c.Conn).ListEvents(ctx, in)
		switch {
		case ctx.Err() != nil:
			return in.GetAfter(), nil //nolint:nilerr // somebody ended it; the call's error says only that
		case follow && status.Code(err) == codes.Unavailable:
			select {
			case <-ctx.Done():
			case <-clock.System().After(restBetween):
			}
			continue
		case err != nil:
			return in.GetAfter(), rpc.FromStatus(err)
		}
		if err := rows.Begin((&accessv1.Event{}).ProtoReflect().Descriptor()); err != nil {
			return in.GetAfter(), err
		}
		for _, e := range out.GetEvents() {
			if err := rows.Write(e.ProtoReflect()); err != nil {
				return in.GetAfter(), err
			}
		}
		if err := rows.Flush(); err != nil {
			return in.GetAfter(), err
		}
		before := in.GetAfter()
		if in.After = out.GetNextCursor(); in.GetAfter() == before && !follow { // an answer without facts may have passed over many that are for others
			return in.GetAfter(), nil
		}
	}
}
