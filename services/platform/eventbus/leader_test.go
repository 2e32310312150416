package eventbus

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Servers without a leader are asked again until they have one; any other failure is told at once, and whoever gives up is let go.
func TestServersWithoutALeaderAreAskedAgain(t *testing.T) {
	for name, c := range map[string]struct {
		first error
		asked int
	}{
		"silence": {nats.ErrNoResponders, 2}, "a call that ran out of time": {fmt.Errorf("the stream: %w", context.DeadlineExceeded), 2},
		"not available": {&jetstream.APIError{Code: 503, ErrorCode: 10008}, 2}, "a server is missing": {&jetstream.APIError{Code: 400, ErrorCode: 10005}, 2},
		"other settings": {errors.New("the stream has other settings"), 1}, "no right": {&jetstream.APIError{Code: 400, ErrorCode: 10052}, 1},
	} {
		asked := 0
		err := leaderless(t.Context(), func() error {
			if asked++; asked == 1 {
				return c.first
			}
			return nil
		})
		if asked != c.asked || (err == nil) != (c.asked == 2) {
			t.Errorf("%s: asked %d times, %v", name, asked, err)
		}
	}
	gone, cancel := context.WithCancel(t.Context())
	if err := leaderless(gone, func() error { cancel(); return nats.ErrNoResponders }); err == nil {
		t.Error("who gave up is told nothing")
	}
}
