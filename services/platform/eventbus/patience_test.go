package eventbus

import (
	"context"
	"errors"
	"testing"

	"github.com/nats-io/nats.go"

	"coldsection.example/services/platform/fault"
)

// A stream for which nobody answers at first is asked again; any other failure is told at once, as one that may be tried later.
func TestASilentStreamIsAskedAgain(t *testing.T) {
	asked := 0
	answering := func(answers ...error) func() ([]Message, uint64, error) {
		asked = 0
		return func() ([]Message, uint64, error) {
			asked++
			return nil, 7, answers[min(asked, len(answers))-1]
		}
	}
	silent := unreachable(nats.ErrNoResponders)
	if _, last, err := patiently(t.Context(), answering(silent, silent, nil)); err != nil || last != 7 || asked != 3 {
		t.Errorf("silent twice: %v, up to %d, asked %d times", err, last, asked)
	}
	_, _, err := patiently(t.Context(), answering(unreachable(nats.ErrConnectionClosed), nil))
	if f, ok := fault.As(err); !ok || f.Reason != "EVENT_STREAM_UNAVAILABLE" || f.Category != fault.Unavailable || asked != 1 {
		t.Errorf("a closed connection: %v, asked %d times", err, asked)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := patiently(gone, answering(silent)); !errors.Is(err, context.Canceled) {
		t.Errorf("whoever gave up is told: %v", err)
	}
	unanswered := unreachable(context.DeadlineExceeded) // of one question, not of the caller
	if _, last, err := patiently(t.Context(), answering(unanswered, nil)); err != nil || last != 7 || asked != 2 {
		t.Errorf("one question without an answer: %v, up to %d, asked %d times", err, last, asked)
	}
}
