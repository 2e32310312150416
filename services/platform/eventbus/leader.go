package eventbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/clock"
)

const (
	leaderLimit = 90 * time.Second // how long event servers may take to find a leader after they were all started again
	leaderPause = 250 * time.Millisecond
)

// Codes of a cluster of event servers that has no leader, or not all of its servers, at the moment. They are those of JetStream.
const (
	unavailable   = 503
	noPeers       = 10005
	fewerReplicas = 10074
)

// leaderless does something again while the event servers have no leader: after all of them were started again, they first read what they
// keep and elect one. What may not be done twice must not be done here.
func leaderless(ctx context.Context, do func() error) error {
	limit := clock.System().After(leaderLimit)
	for {
		err := do()
		if err == nil || ctx.Err() != nil || !electing(err) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-limit:
			return fmt.Errorf("the event servers found no leader within %v: %w", leaderLimit, err)
		case <-clock.System().After(leaderPause):
		}
	}
}

// electing reports whether an error is that of servers that have no leader yet: silence, or the word that they are not available.
func electing(err error) bool {
	if errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, nats.ErrTimeout) || errors.Is(err, context.DeadlineExceeded) {
		return true
	}
	api, ok := errors.AsType[*jetstream.APIError](err)
	return ok && (api.Code == unavailable || api.ErrorCode == noPeers || api.ErrorCode == fewerReplicas)
}
