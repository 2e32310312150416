package limits

import (
	"sync"

	"coldsection.example/services/platform/fault"
)

// MostStreams is how many streams one caller may have open at once.
const MostStreams = 20

// Open counts the streams that each caller has open.
type Open struct {
	mu sync.Mutex
	by map[string]int
}

// NewOpen counts from none.
func NewOpen() *Open { return &Open{by: map[string]int{}} }

// Enter opens a stream of a caller, which leave closes. Reason: TOO_MANY_STREAMS.
func (o *Open) Enter(caller string) (leave func(), err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.by[caller] >= MostStreams {
		return nil, fault.New(fault.ResourceExhausted, "TOO_MANY_STREAMS",
			"%s has %d streams open, as many as one caller may. Close one, and follow several kinds of facts on one stream.", caller, MostStreams)
	}
	o.by[caller]++
	return sync.OnceFunc(func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		if o.by[caller]--; o.by[caller] == 0 {
			delete(o.by, caller)
		}
	}), nil
}
