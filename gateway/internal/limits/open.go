package limits

import (
	"sync"

	"coldsection.example/services/platform/fault"
)

// MostStreams is how many streams one caller may have open at once.
const MostStreams = 20

// Open counts what each caller has open. A nil one has no limits.
type Open struct {
	most   int
	refuse func(caller string) error

	mu sync.Mutex
	by map[string]int
}

// NewStreams counts the streams of each caller. Reason: TOO_MANY_STREAMS.
func NewStreams() *Open {
	return newOpen(MostStreams, func(caller string) error {
		return fault.New(fault.ResourceExhausted, "TOO_MANY_STREAMS",
			"%s has %d streams open, as many as one caller may. Close one, and follow several kinds of facts on one stream.", caller, MostStreams)
	})
}

// NewCalls counts the calls of each address that are being worked on, also those that their caller took back; 0 is no limit.
// Reason: TOO_MANY_CALLS_AT_ONCE.
func NewCalls(most int) *Open {
	if most <= 0 {
		return nil
	}
	refusal := fault.New(fault.ResourceExhausted, "TOO_MANY_CALLS_AT_ONCE",
		"%d calls of your address are being worked on, as many as may be at once. Nothing was done. Wait for answers before you send more; those that you took back count until their work ends.",
		most).With("retry_after_seconds", "1")
	return newOpen(most, func(string) error { return refusal }) // made once: in a flood a sentence for each would cost more than the call
}

func newOpen(most int, refuse func(string) error) *Open {
	return &Open{most: most, refuse: refuse, by: map[string]int{}}
}

// Enter opens something of a caller, which leave closes.
func (o *Open) Enter(caller string) (leave func(), err error) {
	if o == nil {
		return func() {}, nil
	}
	if !o.take(caller) {
		return nil, o.refuse(caller)
	}
	return sync.OnceFunc(func() { o.leave(caller) }), nil
}

// take opens something unless the caller has as much as it may.
func (o *Open) take(caller string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.by[caller] >= o.most {
		return false
	}
	o.by[caller]++
	return true
}

func (o *Open) leave(caller string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.by[caller]--; o.by[caller] <= 0 {
		delete(o.by, caller)
	}
}
